"""Columns of texts as numbers: each unlike text is kept once, and each row has its number.

Rows are taken, compared, sorted and grouped by their numbers; texts are written out once,
where a table leaves a step.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
from pandas.arrays import BooleanArray
from pyarrow import compute

from planner.arrays import column_of
from planner.once import made_once
from planner.order import rises

Codes = npt.NDArray[np.int32]
Marks = npt.NDArray[np.bool_]
Columns = dict[str, Any]
"""Rows by column: texts as `Coded`, figures as floats, yes or no as marks, unknown as no."""

# Among more words than this one is looked for by arrow.
_MANY = 200


@dataclass(frozen=True, eq=False)
class Coded:
    """A column of texts: row n holds ``words[codes[n]]``.

    No word stands twice, but where rows were numbered unseen (`by_row`).
    """

    codes: Codes
    words: pa.Array

    def __len__(self) -> int:
        return len(self.codes)

    def __getitem__(self, at: Any) -> Coded:  # noqa: ANN401 - places, marks or a slice
        return Coded(self.codes[at], self.words)

    def code_of(self, word: str) -> int:
        """Give the number of a word; -1 where it is none of these."""
        if len(self.words) > _MANY:
            return int(compute.index(self.words, pa.scalar(word, self.words.type)).as_py())
        return self._numbers.get(word, -1)

    @cached_property
    def _numbers(self) -> dict[str, int]:
        words = self.listed()
        return dict(zip(reversed(words), range(len(words) - 1, -1, -1), strict=True))

    def holds(self, word: str) -> Marks:
        """Tell which rows hold `word`."""
        return np.asarray(self.codes == self.code_of(word), dtype=bool)

    def among(self, words: Iterable[str]) -> Marks:
        """Tell which rows hold one of `words`."""
        wanted = set(words)
        return self.marked(lambda word: word in wanted)

    def marked(self, tell: Callable[[str], bool]) -> Marks:
        """Tell which rows hold a word of which `tell` says yes; each word is asked once."""
        return np.array([tell(word) for word in self.listed()], dtype=bool)[self.codes]

    def places_in(self, known: Any) -> npt.NDArray[np.intp]:  # noqa: ANN401 - a text column
        """Give the place of each row's text in `known`, the first of several; -1 = nowhere."""
        found = compute.index_in(self.words, value_set=_arrow(known)).fill_null(-1)
        return np.asarray(found, dtype=np.intp)[self.codes]

    def words_in(self, key: Any) -> npt.NDArray[np.intp]:  # noqa: ANN401 - a text column
        """Give the place of each word in `key`, where no text stands twice; -1 = nowhere."""
        known = _arrow(key)
        # Rows are mostly numbered by the key of the table that they name.
        if self.words.equals(known):
            return np.arange(len(known))
        return np.asarray(compute.index_in(self.words, value_set=known).fill_null(-1), np.intp)

    def rows_in(self, key: Any) -> npt.NDArray[np.intp]:  # noqa: ANN401 - a text column
        """Give the place of each row's text in `key`, where no text stands twice; -1 = nowhere."""
        return self.words_in(key)[self.codes]

    def listed(self) -> list[str]:
        """Give the words, by number."""
        found: list[str] = self.words.to_pylist()
        return found

    def used(self) -> pd.arrays.ArrowStringArray:
        """Give the words that any row holds, as a text column."""
        there = np.bincount(self.codes, minlength=len(self.words)) > 0
        return column_of(self.words.filter(pa.array(there)))

    def tolist(self) -> list[str]:
        """Give the text of each row."""
        found: list[str] = self.words.take(pa.array(self.codes)).to_pylist()
        return found

    def mapped(self, turn: Callable[[str], str]) -> Coded:
        """Turn each word once; words that become alike become one."""
        return Coded.of([turn(word) for word in self.listed()])[self.codes]

    def ordered(self) -> Coded:
        """Give the same texts by numbers that sort as they do."""
        if rises([column_of(self.words)]):
            return self
        # Arrow sorts by bytes: of UTF-8 they sort as the letters do.
        order = compute.sort_indices(self.words)
        rank = np.empty(len(order), dtype=np.int32)
        rank[order.to_numpy()] = np.arange(len(order), dtype=np.int32)
        return Coded(rank[self.codes], self.words.take(order))

    def placed(self, at: npt.NDArray[np.integer[Any]], count: int) -> Coded:
        """Put the rows at places among `count` rows; the others are blank."""
        places = np.full(count, -1, dtype=np.intp)
        places[at] = np.arange(len(self))
        return self.at(places)

    def column(self) -> pd.arrays.ArrowStringArray:
        """Write the texts out, as a text column."""
        if len(self.words) == 1:
            return column_of(pa.repeat(self.words[0], len(self)))
        return column_of(self.words.take(pa.array(self.codes)))

    def at(self, places: npt.NDArray[np.integer[Any]]) -> Coded:
        """Take rows by place; blank where the place is -1."""
        if not (places < 0).any():
            return self[places]
        both = under([self, Coded.one("", 1)])
        return both[np.where(places < 0, len(self), places)]

    @staticmethod
    def of(texts: Any) -> Coded:  # noqa: ANN401 - any array or list of texts
        """Give texts, none missing, numbers as they first appear."""
        coded = _arrow(texts).dictionary_encode()
        return Coded(coded.indices.to_numpy(), coded.dictionary)

    @staticmethod
    def held(column: pa.ChunkedArray) -> Coded:
        """Give texts, none missing, that arrow holds as a dictionary."""
        one = column.combine_chunks()
        return Coded(one.indices.to_numpy(), one.dictionary.cast(pa.large_string()))

    @staticmethod
    def by_row(texts: Any) -> Coded:  # noqa: ANN401 - any array or list of texts
        """Give each text the number of its row, unseen: to be taken and written, or ids."""
        held = _arrow(texts)
        return Coded(np.arange(len(held), dtype=np.int32), held)

    @staticmethod
    def one(word: str, count: int) -> Coded:
        """Give a column that holds one word everywhere."""
        return Coded(np.zeros(count, dtype=np.int32), _arrow([word]))

    @staticmethod
    def listing(
        words: Sequence[str] | npt.NDArray[Any], codes: npt.NDArray[np.integer[Any]]
    ) -> Coded:
        """Give each row the word of its number, to be written; -1 is the last word."""
        at = codes.astype(np.int32, copy=False)
        return Coded(np.where(at < 0, np.int32(len(words) - 1), at), _arrow(words))

    @staticmethod
    def notes(texts: Any) -> Coded:  # noqa: ANN401 - a text column, or objects
        """Give texts, most of them blank, numbers."""
        at = np.flatnonzero(np.asarray(texts != "", dtype=bool))
        return Coded.of(texts[at]).placed(at, len(texts))

    @staticmethod
    def where(marks: Marks, one: Coded | str, other: Coded | str) -> Coded:
        """Take `one` where it is marked, else `other`."""
        pair = [Coded.one(part, 1) if isinstance(part, str) else part for part in (one, other)]
        pair = alike(pair)
        return Coded(np.where(marks, pair[0].codes, pair[1].codes), pair[0].words)


@dataclass(frozen=True, eq=False)
class Joined:
    """A column of texts put together: row n holds ``first[n]``, `between` and ``number[n]``.

    Names of many rows are so: they are written for the rows of which they are wanted.
    """

    first: Coded
    between: str
    number: npt.NDArray[np.int64]

    def __len__(self) -> int:
        return len(self.number)

    def __getitem__(self, at: Any) -> Joined:  # noqa: ANN401 - places, marks or a slice
        return Joined(self.first[at], self.between, self.number[at])

    def column(self) -> pd.arrays.ArrowStringArray:
        """Write the texts out, as a text column."""
        kind = pa.large_string()
        first = self.first.words.take(pa.array(self.first.codes))
        number = pa.array(self.number).cast(kind)
        between = pa.scalar(self.between, kind)
        return column_of(compute.binary_join_element_wise(first, number, between))


def alike(columns: Sequence[Coded]) -> list[Coded]:
    """Give columns the same words, so that their numbers can be compared."""
    first = columns[0].words
    if all(column.words is first for column in columns):
        return list(columns)
    both = Coded.of(pa.concat_arrays([column.words for column in columns]))
    ends = np.cumsum([len(column.words) for column in columns])
    return [
        Coded(both.codes[end - len(column.words) : end][column.codes], both.words)
        for column, end in zip(columns, ends.tolist(), strict=True)
    ]


def under(columns: Sequence[Coded]) -> Coded:
    """Put columns below each other."""
    same = alike(columns)
    return Coded(np.concatenate([column.codes for column in same]), same[0].words)


def beneath(parts: Sequence[Columns]) -> Columns:
    """Put rows below each other; all parts have the columns of the first."""
    if len(parts) == 1:
        return parts[0]
    out: Columns = {}
    for name, first in parts[0].items():
        columns = [part[name] for part in parts]
        out[name] = under(columns) if isinstance(first, Coded) else np.concatenate(columns)
    return out


def columns_of(frame: pd.DataFrame) -> Columns:
    """Lay out the columns of a frame; numbers that lack a figure are not a number."""
    out: Columns = {}
    for name in frame.columns:
        values = frame[name].array
        if str(values.dtype) in ("str", "object"):
            out[str(name)] = Coded.of(frame[name])
        elif str(values.dtype) in ("bool", "boolean"):
            out[str(name)] = marks_of(values)
        else:
            out[str(name)] = frame[name].to_numpy(dtype=float)
    return out


def coded_in(frame: pd.DataFrame, name: str, known: Coded | None = None) -> Coded:
    """Give a column of texts by numbers; in a running process it is made once.

    `known` is what it is told to be by who has just written the column.
    """
    return made_once((frame,), ("coded", name), lambda: known or Coded.of(frame[name]))


def marks_of(values: Any) -> Marks:  # noqa: ANN401 - any array of yes, no and unknown
    """Give yes or no, unknown as no."""
    flags = values if isinstance(values, BooleanArray) else pd.array(values, dtype="boolean")
    found = flags.to_numpy(dtype=bool, na_value=False)
    return np.asarray(found, dtype=bool)


def taken(rows: Columns, at: Any) -> Columns:  # noqa: ANN401 - places or marks
    """Give some of the rows."""
    return {name: values[at] for name, values in rows.items()}


def written(rows: Columns) -> Columns:
    """Write texts out, as text columns."""
    return {n: one.column() if isinstance(one, Coded) else one for n, one in rows.items()}


def _arrow(texts: Any) -> pa.Array:  # noqa: ANN401 - any array or list of texts
    held = texts.array if isinstance(texts, pd.Series) else texts
    if not isinstance(held, pa.Array | pa.ChunkedArray):
        held = pa.array(held, pa.large_string())
    if not isinstance(held, pa.ChunkedArray):
        return held
    return held.chunk(0) if held.num_chunks == 1 else held.combine_chunks()
