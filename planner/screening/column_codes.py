"""Columns as small numbers: all values that no rule can tell apart have the same number.

A figure is cut into bands by the limits of the rules that name its column; a text is what
those rules say of it; a flag is no, yes or blank. What a rule part says of a row is then one
look into a table of its own, so that a thousand rows cost what one did.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cache
from threading import Lock
from typing import Any, NamedTuple, TypeVar

import numpy as np
import numpy.typing as npt
import pandas as pd

from planner.held import Held
from planner.screening.bands import (
    FIGURES,
    FIXED,
    FLAGS,
    NUMBERS,
    SCATTERED,
    WORDS,
)
from planner.screening.columns import About, Seen, View, visible
from planner.screening.intervals import NO, UNKNOWN, YES, compare, within
from planner.screening.parted_texts import Parted
from planner.screening.rule_kernel import DENIED, LACKING, OPEN, PLANES, STOPPED
from planner.screening.rule_text import Clause, Limit
from planner.screening.ruling import hold
from planner.screening.scattered import scattered_in

Codes = npt.NDArray[np.int16]
Numbers = npt.NDArray[np.float64]
Words = npt.NDArray[np.uint64]
Answers = npt.NDArray[np.int8]
Part = Clause | Limit
# How a column is read, and what: as `CodedColumn` has it from `how` on.
Read = tuple[int, npt.NDArray[Any], npt.NDArray[Any] | None]
Array = TypeVar("Array", bound=npt.NDArray[Any])

# Added to the answer in a part's table where nothing at all is known of the column.
KNOWS_NOTHING = np.int8(4)
# Codes are 16 bits: so many cuts make (2 * 89 + 1)**2 + 1 codes of an interval.
MOST_CUTS = 89
NOTHING_KNOWN = 0
# So many texts of a column are kept in mind with their numbers.
MOST_KNOWN = 10_000
# Held while texts that were numbered take the place of those they were numbered on top of.
GROWING = Lock()


class Key(NamedTuple):
    """Where a column is read: in the spans or in their pipes."""

    table: About
    name: str


@dataclass(frozen=True)
class Things:
    """Things by column, and yes or no of each that stands in no table; None = no throughout."""

    held: Held
    beside: Mapping[str, npt.NDArray[np.bool_] | None]


@dataclass(frozen=True)
class Said:
    """What the parts of rules say of each number of a column.

    `table` has a row for each part: the answer, with `KNOWS_NOTHING` added. `planes` says the
    same of each number as bits of the rules that have the parts (see `rule_kernel.Bits.said`).
    """

    table: Answers
    planes: Words


@dataclass(frozen=True)
class CodedColumn:
    """One column in numbers: what is said of each number, and how they are read.

    `how`, `first`, `second`, `least` and `cuts` as in `bands.Sources`, with arrays in place of
    where they lie, or with the number itself of what is fixed. A figure or a text of which
    nothing is known has the number `NOTHING_KNOWN`. `fixed` is the number that is said of all
    rows; -1 where rows may differ, or may be moved. `born` is another object where texts were
    numbered anew.
    """

    said: Said
    how: int
    first: npt.NDArray[Any] | int
    second: npt.NDArray[Any] | None = None
    fixed: int = -1
    least: float = 0.0
    cuts: Numbers = field(default_factory=lambda: np.zeros(0))
    born: object = None


@dataclass(frozen=True)
class _Known:
    """The texts of a column that were met so far, their numbers, and what is said of these."""

    numbers: dict[str, int]
    answers: dict[bytes, int]
    said: Said
    born: object


class Numbering:
    """How the values of one column are numbered, by what the parts of rules can tell apart.

    It hangs on the rules alone; of texts it keeps in mind those that it has met.
    """

    def __init__(self, key: Key, parts: Sequence[Part], rules: Words) -> None:
        """Take a column, unlike parts of rules on it, and the rules that have each, as bits."""
        self.key = key
        self._parts = tuple(parts)
        self._clauses = [part for part in parts if isinstance(part, Clause)]
        self._rules = rules
        self._seen = _visible(key.table)[key.name]
        self._known: _Known | None = None
        self._cuts = cuts_of(parts)
        if self._seen.kind in ("interval", "number"):
            rows = [_by_band(part, self._cuts, self._seen.least) for part in parts]
            self._said = self._spoken(np.asarray(rows, dtype=np.int8))
        elif self.is_text:
            self._known = self._having(None, [""])
        else:
            flags = pd.array([False, True, None], dtype="boolean")
            self._said = self._spoken(_said_of(key, flags, self._clauses))

    @property
    def is_text(self) -> bool:
        """Tell whether the column holds texts."""
        return self._seen.kind in ("text", "list")

    def coded(self, things: Things, parted: Parted | None) -> CodedColumn:
        """Put the column of a table into numbers; `parted` are its texts where it holds any."""
        name = self.key.name
        if parted is not None:
            return self._coded_texts(parted)
        if self._seen.kind == "flag":
            return self._coded_flags(things)
        ends = [f"{name}_low", f"{name}_high"] if self._seen.kind == "interval" else [name]
        if not any(map(things.held.has, ends)):
            return CodedColumn(self._said, FIXED, NOTHING_KNOWN, cuts=self._cuts)
        some = scattered_in(things.held, name)
        if some is not None:
            read: Read = SCATTERED, some.at, some.ends
        else:
            read = FIGURES, floats(things.held, ends[0]), floats(things.held, ends[-1])
        return CodedColumn(self._said, *read, least=self._seen.least, cuts=self._cuts)

    def _coded_flags(self, things: Things) -> CodedColumn:
        if self.key.name in things.beside:
            marks = things.beside[self.key.name]
            return self._all(0) if marks is None else CodedColumn(self._said, FLAGS, marks)
        if not things.held.has(self.key.name):
            return self._all(2)
        column = things.held.column(self.key.name)
        if not isinstance(column, pd.arrays.BooleanArray):
            column = pd.array(column, dtype="boolean")
        # Some rows of a frame, say each second one, do not lie one after the other.
        yes = np.ascontiguousarray(column.to_numpy(dtype=bool, na_value=False))
        return CodedColumn(self._said, FLAGS, yes, np.ascontiguousarray(column.isna(), dtype=bool))

    def _all(self, number: int) -> CodedColumn:
        return CodedColumn(self._said, FIXED, number, fixed=number)

    def _coded_texts(self, parted: Parted) -> CodedColumn:
        known = self._known
        if known is None or not all(text in known.numbers for text in parted.texts):
            full = known is None or len(known.numbers) > MOST_KNOWN
            more = self._having(None if full else known, parted.texts)
            with GROWING:
                if self._known is known:
                    self._known = more
                # Another thread has given the same numbers to texts of its own meanwhile.
                known = more if self._known is more else replace(more, born=object())
        numbers = np.array([known.numbers[text] for text in parted.texts], dtype=np.int16)
        unlike = set(numbers.tolist())
        if len(unlike) == 1:
            number = unlike.pop()
            return CodedColumn(known.said, FIXED, number, fixed=number, born=known.born)
        return CodedColumn(known.said, *read_by(parted, numbers), born=known.born)

    def _having(self, known: _Known | None, texts: Sequence[str]) -> _Known:
        """Give numbers to more texts; what is known already stays, for others may hold it."""
        numbers = {} if known is None else dict(known.numbers)
        answers = {} if known is None else dict(known.answers)
        more = [text for text in dict.fromkeys(("", *texts)) if text not in numbers]
        trimmed = [text.strip() for text in more]
        said = _said_of(self.key, pd.array(trimmed, dtype="str"), self._clauses)
        for text, column in zip(more, said.T, strict=True):
            numbers[text] = answers.setdefault(column.tobytes(), len(answers))
        if known is not None and len(answers) == len(known.answers):
            return _Known(numbers, answers, known.said, known.born)
        columns = [np.frombuffer(one, dtype=np.int8) for one in answers]
        born = object() if known is None else known.born
        return _Known(numbers, answers, self._spoken(np.stack(columns, axis=1)), born)

    def _spoken(self, table: Answers) -> Said:
        """Write what is said as bits of rules as well."""
        planes = np.zeros((table.shape[1], self._rules.shape[1], PLANES), dtype=np.uint64)
        for part, answers, rules in zip(self._parts, table, self._rules, strict=True):
            plain = answers & 3
            open_, lacks = plain == UNKNOWN, answers >= KNOWS_NOTHING
            stop = DENIED if isinstance(part, Limit) else STOPPED
            planes[plain == NO, :, stop] |= rules
            planes[open_ & ~lacks, :, OPEN] |= rules
            planes[open_ & lacks, :, LACKING] |= rules
        return Said(_unchanged(np.ascontiguousarray(table)), _unchanged(planes))


@cache
def _visible(about: About) -> Mapping[str, Seen]:
    return visible(about)


def cuts_of(parts: Sequence[Part]) -> Numbers:
    """Give the figures at which one of the parts changes its answer, in order."""
    found: set[float] = set()
    for part in parts:
        if isinstance(part, Limit):
            found |= {part.ok, part.ask} - {np.inf}
        elif isinstance(part.value, float):
            found.add(part.value)
    return np.array(sorted(found), dtype=np.float64)


def _unchanged(values: Array) -> Array:
    values.flags.writeable = False
    return values


def _said_of(
    key: Key, unlike: pd.api.extensions.ExtensionArray, clauses: Sequence[Clause]
) -> Answers:
    """Say what clauses hold of each of some values, with the mark of a blank."""
    shown = pd.DataFrame({key.name: unlike})
    view = View(key.table, shown, pd.DataFrame(), dict(_visible(key.table)), {})
    blank = np.where(view.blank(key.name), KNOWS_NOTHING, np.int8(0))
    return np.asarray([hold(clause, view) + blank for clause in clauses], dtype=np.int8)


def floats(things: Held, name: str) -> Numbers:
    """Give a column of figures as they lie in memory, one after the other; NaN where unknown."""
    return np.ascontiguousarray(things.floats(name))


def read_by(parted: Parted, numbers: Codes) -> Read:
    """Say how the numbers of texts are read for each row."""
    if len(parted.pieces) > 1:
        return NUMBERS, parted.values(numbers), None
    where, among = parted.pieces[0]
    return WORDS, np.ascontiguousarray(where, dtype=np.int32), numbers[among]


def _by_band(part: Part, cuts: Numbers, least: float) -> Answers:
    """Say what a part holds of each pair of bands, least and most; the first is the blank.

    Band 2k lies below the cut k and above the one before, band 2k + 1 is the cut itself:
    what holds of the numbers of bands holds of the figures in them.
    """
    count = 2 * len(cuts) + 1
    from_, to = (ends.reshape(-1) for ends in np.indices((count, count), dtype=np.float64))
    # As `band_of`, which would be compiled anew in each process that asks for it from here.
    lowest = np.count_nonzero(cuts < least) + np.count_nonzero(cuts <= least)
    low = np.append(float(lowest), from_)
    high = np.append(count - 1.0, to)
    band = {float(cut): 2.0 * k + 1.0 for k, cut in enumerate(cuts)}
    if isinstance(part, Limit):
        said = within(low, high, band[part.ok], band.get(part.ask, np.inf))
    elif isinstance(part.value, float):
        said = compare(part.op, low, high, band[part.value])
    else:  # is_blank
        said = np.full(len(low), NO)
        said[0] = YES
    said[0] += KNOWS_NOTHING
    return said


def codable(parts: Sequence[Part]) -> bool:
    """Say whether the figures of a column fit into numbers: finite, and not too many."""
    values = [part.value for part in parts if isinstance(part, Clause)]
    known = all(np.isfinite(value) for value in values if isinstance(value, float))
    return known and len(cuts_of(parts)) <= MOST_CUTS
