"""A city's spans held against the rulebook in numbers; words only for those who read them.

What `screen` says of ten thousand spans in readable steps, this says of a million: columns
become small numbers (`column_codes`), the book becomes tables (`rule_bits`), a compiled walk
judges span by span (`rule_kernel`), and `spoken` puts into words what somebody asks for.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from planner.contracts import PIPES
from planner.screening.bands import FIGURES, FIXED, NUMBERS, OF_PIPE, UNREAD, Sources, code_rows
from planner.screening.column_codes import Coded as Column
from planner.screening.columns import View, view_of, visible
from planner.screening.pipe_rows import pipe_rows
from planner.screening.rule_bits import Book, book_of, fits, words_for
from planner.screening.rule_kernel import OUTS, PLANES, TOTALS, Room, Rows, Told, judge_rows
from planner.screening.rulebook import Rulebook
from planner.screening.threads import each
from planner.tables import conform

Codes = npt.NDArray[np.int16]
Numbers = npt.NDArray[np.float64]
Places = npt.NDArray[np.intp]

# Rows that one thread takes at a time, and of these so many that their numbers stay near the core.
_TOGETHER, _AT_ONCE = 16_384, 4_096
_NONE = np.zeros(0)


@dataclass(frozen=True)
class Coded:
    """Spans as the rules saw them, and what was said of each, in numbers.

    `pipes` as the rules saw them; `at` is the row of each span's pipe among them.
    """

    view: View
    pipes: pd.DataFrame
    at: Places
    book: Book
    told: Told

    def __len__(self) -> int:
        return len(self.at)

    @cached_property
    def pipe_view(self) -> View:
        """The pipes as rules about pipes saw them."""
        return View("pipe", self.pipes, self.pipes, visible("pipe"), {})


def screen_coded(
    spans: pd.DataFrame, pipes: pd.DataFrame, rulebook: Rulebook, defects: pd.DataFrame | None
) -> Coded | None:
    """Judge spans in numbers.

    Parameters
    ----------
    spans, pipes, rulebook, defects
        As for `screen.screen`, checked.

    Returns
    -------
    coded
        None where there is nothing, or something that cannot be put into numbers: an
        infinite figure in a rule, more than 62 mechanisms.
    """
    if not len(spans) or not fits(rulebook):
        return None
    own, at = _own_pipes(spans, pipes)
    view = view_of("span", spans.reset_index(drop=True), own, defects)
    view = replace(view, _read={("place", "pipe_id"): at})
    shown = view.pipes.assign(**view.changes)
    book = book_of(rulebook, view.things, shown)
    return None if book is None else Coded(view, shown, at, book, _judge(book, at))


def in_parts(count: int, work: Callable[[int, int], None]) -> None:
    """Do `work` on rows from .. to, part by part, on all cores; the parts share nothing."""
    starts = range(0, count, _TOGETHER)
    each(lambda start: work(start, min(start + _TOGETHER, count)), starts, count)


class Reader:
    """Reads the numbers of some spans, a row for each, by column of the book."""

    def __init__(self, book: Book, at: Places) -> None:
        """Take a book, and the row of each span's pipe."""
        self._at, self._columns = at, list(book.columns.values())
        first, rest = self._columns[: book.bits.of_pipes], self._columns[book.bits.of_pipes :]
        none = np.zeros((0, 0), dtype=np.int16)
        every = np.zeros(int(at.max()) + 1, dtype=np.intp)
        self.of_pipes = np.empty((len(every), len(first)), dtype=np.int16)
        bands = np.empty((2, len(every)), dtype=np.int16)
        code_rows(_sources(first, len(every)), none, every, 0, self.of_pipes, bands)
        self._sources = _sources(rest, len(at), len(first))
        unread = np.ones(len(self._columns), dtype=bool)
        unread[book.bits.looks] = unread[book.bits.parts[:, 0]] = False
        self._sources.how[unread] = UNREAD

    def parts(self, start: int, stop: int) -> Iterator[tuple[int, int, Codes]]:
        """Give the spans from .. to, so many at a time that they stay near the core."""
        room = np.zeros((min(_AT_ONCE, stop - start), len(self._columns)), dtype=np.int16)
        bands = np.empty((2, len(room)), dtype=np.int16)
        for begin in range(start, stop, _AT_ONCE):
            end = min(begin + _AT_ONCE, stop)
            at = self._at[begin:end]
            code_rows(self._sources, self.of_pipes, at, begin, room, bands)
            yield begin, end, room


def _sources(columns: Sequence[Column], rows: int, of_pipes: int = 0) -> Sources:
    """Say where columns of so many rows are read, after so many columns of the pipes."""
    how, first, second = [OF_PIPE] * of_pipes, [0] * of_pipes, [0] * of_pipes
    cuts: list[Numbers] = [_NONE] * of_pipes
    least = [0.0] * of_pipes
    for one in columns:
        cuts.append(_NONE if one.cuts is None else one.cuts)
        least.append(one.least)
        if one.whole is not None:
            kind, places = NUMBERS, (_place_of(one.whole, rows, np.int16), 0)
        elif one.low is not None and one.high is not None:
            kind = FIGURES
            places = (
                _place_of(one.low, rows, np.float64),
                _place_of(one.high, rows, np.float64),
            )
        else:
            kind, places = FIXED, (one.fixed, 0)
        how.append(kind)
        first.append(places[0])
        second.append(places[1])
    ends = np.cumsum([0, *(len(some) for some in cuts)])
    return Sources(
        np.array(how, dtype=np.int8),
        np.array(first, dtype=np.int64),
        np.array(second, dtype=np.int64),
        np.array(least),
        np.concatenate([_NONE, *cuts]),
        ends.astype(np.int64),
    )


def _place_of(values: npt.NDArray[Any], rows: int, kind: type) -> int:
    """Give where an array lies in memory, one number after the other for all rows."""
    if values.dtype != kind or not values.flags.c_contiguous or len(values) < rows:
        message = f"{len(values)} rows of {values.dtype} cannot be read where they lie"
        raise TypeError(message)
    return values.ctypes.data


def room(book: Book) -> Room:
    """Give room for one walk."""
    words = words_for(len(book.rules))
    return Room(
        np.empty((words, PLANES), dtype=np.uint64),
        np.empty((words, PLANES), dtype=np.uint64),
        np.empty(len(book.rules) + 1, dtype=np.int64),
        np.empty(TOTALS, dtype=np.int64),
    )


def _judge(book: Book, at: Places) -> Told:
    count = len(at)
    told = Told(
        np.zeros((count, OUTS), dtype=np.int8),
        np.empty(count, dtype=np.int16),
        np.zeros(count, dtype=np.int64),
        np.empty(count, dtype=np.int64),
        np.zeros((count, words_for(len(book.rules))), dtype=np.uint64),
    )
    reader = Reader(book, at)

    def judge(start: int, stop: int) -> None:
        own_room = room(book)
        for begin, end, codes in reader.parts(start, stop):
            sets = book.owned.of_span[begin:end]
            rows = Rows(codes, reader.of_pipes, at[begin:end], sets)
            judge_rows(rows, book.bits, told.part(begin, end), own_room)

    in_parts(count, judge)
    return told


def _own_pipes(spans: pd.DataFrame, pipes: pd.DataFrame) -> tuple[pd.DataFrame, Places]:
    """Give the pipes and each span's row among them; of one not there nothing is known."""
    plain = pd.DataFrame(pipes)
    own = plain[[name for name in plain.columns if name != "geometry"]]
    at = pipe_rows(spans["pipe_id"], own["pipe_id"])
    lost = np.flatnonzero(at < 0)
    if len(lost):
        names = sorted(set(spans["pipe_id"].iloc[lost]))
        blank = conform([{"pipe_id": name} for name in names], PIPES)
        own = pd.concat([own, blank.drop(columns="geometry")], ignore_index=True)
        at = pipe_rows(spans["pipe_id"], own["pipe_id"])
    return own, at
