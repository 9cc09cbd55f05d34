"""A city's spans held against the rulebook in numbers; words only for those who read them.

What `screen` says of ten thousand spans in readable steps, this says of a million: columns
become small numbers (`column_codes`), the book becomes tables (`rule_bits`), a compiled walk
judges span by span (`rule_kernel`), and `spoken` puts into words what somebody asks for.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt
import pandas as pd

from planner.contracts import DEFECTS, PIPES, SPANS
from planner.held import Held
from planner.screening.alike import none_known, numbers_in, room_for, unlike_rows
from planner.screening.bands import (
    FIGURES,
    FIXED,
    FLAGS,
    NUMBERS,
    SCATTERED,
    WORDS,
    Sources,
    code_rows,
)
from planner.screening.beside import OnPipes, beside_pipes, beside_spans
from planner.screening.column_codes import CodedColumn, Things
from planner.screening.columns import View, view_of, visible
from planner.screening.met import Met, lay_back, taken_from
from planner.screening.parted_texts import Parted
from planner.screening.pipe_rows import pipe_rows
from planner.screening.rule_bits import NOTHING_SAID, Book, book_of, fits, words_for
from planner.screening.rule_kernel import OUTS, PLANES, TOTALS, Room, Rows, Told, judge_rows
from planner.screening.rulebook import Rulebook
from planner.screening.threads import each
from planner.tables import Table, conform

Codes = npt.NDArray[np.int16]
Numbers = npt.NDArray[np.float64]
Places = npt.NDArray[np.intp]

# Rows that one thread takes at a time, and of these so many that their numbers stay near the core.
_TOGETHER, _AT_ONCE = 16_384, 4_096
_NONE, _NOWHERE = np.zeros(0), np.zeros(0, dtype=np.intp)


@dataclass(frozen=True)
class Alike:
    """Unlike spans: the numbers of each, and which one each span is; there may be others.

    `met` has what is known of them for as long as nobody else is to have it.
    """

    codes: Codes
    of_row: npt.NDArray[np.int32]
    met: list[Met] = field(repr=False)


@dataclass(frozen=True)
class JudgedSpans:
    """Spans as the rules saw them, and what was said of each, in numbers.

    `on` are the pipes and `at` is the row of each span's pipe among them. `alike` tells which
    spans no rule tells apart; then `said` is of unlike ones, else of each.
    """

    spans: Held
    on: Held
    at: Places
    defects: Held | None = field(repr=False)
    book: Book
    reader: Reader = field(repr=False)
    alike: Alike | None
    said: Told

    def __len__(self) -> int:
        return len(self.at)

    @cached_property
    def told(self) -> Told:
        """What was said of each span."""
        if self.alike is None:
            return self.said
        return self.said.taken(self.alike.of_row)

    @cached_property
    def view(self) -> View:
        """The spans as rules saw them."""
        beside = None if self.defects is None else self.defects.frame
        own = self.on.frame.drop(columns="geometry", errors="ignore")
        view = view_of("span", self.spans.frame.reset_index(drop=True), own, beside)
        return replace(view, _read={("place", "pipe_id"): self.at})

    @cached_property
    def pipes(self) -> pd.DataFrame:
        """The pipes as rules saw them."""
        return self.view.pipes.assign(**self.view.changes)

    @cached_property
    def pipe_view(self) -> View:
        """The pipes as rules about pipes saw them."""
        return View("pipe", self.pipes, self.pipes, visible("pipe"), {})


def screen_coded(
    spans: pd.DataFrame | Held,
    pipes: pd.DataFrame | Held,
    rulebook: Rulebook,
    defects: pd.DataFrame | Held | None,
) -> JudgedSpans | None:
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
    spans, pipes = _sound(spans, SPANS), _sound(pipes, PIPES)
    defects = None if defects is None else _sound(defects, DEFECTS)
    on, at = _own_pipes(spans, pipes)
    beside = beside_spans(OnPipes(spans, on.column("pipe_id"), at), defects)
    on_pipes = beside_pipes(on.column("pipe_id"), defects)
    book = book_of(rulebook, Things(spans, beside), Things(on, on_pipes))
    if book is None:
        return None
    reader = Reader(book, at, _lends(spans, book.lent))
    alike = _alike(book, reader, len(at))
    said = _judge(book, reader, at) if alike is None else alike.met[0].said
    return JudgedSpans(spans, on, at, defects, book, reader, alike, said)


def in_parts(count: int, work: Callable[[int, int], None]) -> None:
    """Do `work` on rows from .. to, part by part, on all cores; the parts share nothing."""
    starts = range(0, count, _TOGETHER)
    each(lambda start: work(start, min(start + _TOGETHER, count)), starts, count)


class Reader:
    """Reads the numbers of some spans, a row for each: columns of the book, then as `Bits` has it.

    What is read stays where it lies; it is kept as long as this is.
    """

    def __init__(self, book: Book, at: Places, lends: CodedColumn) -> None:
        """Take a book, the row of each span's pipe, and where conditions are only lent."""
        columns = list(book.columns.values())
        first, rest = columns[: book.bits.of_pipes], columns[book.bits.of_pipes :]
        self._kept = columns = [*first, *rest, book.sets, lends]
        self._at = at
        none = np.zeros((0, 0), dtype=np.int16)
        every = np.zeros(int(at.max()) + 1, dtype=np.intp)
        sources = _sources(first, len(every))
        self._of_pipes = _room(sources, len(every), len(first))
        bands = np.empty((2, len(every)), dtype=np.int16)
        code_rows(sources, none, every, (0, -1), self._of_pipes, bands)
        self._sources = _sources(columns[len(first) :], len(at), len(first))
        unread = np.ones(len(columns), dtype=bool)
        unread[book.bits.looks] = unread[book.bits.parts[:, 0]] = False
        unread[book.bits.set_at :] = False
        self._sources.how[unread], self._sources.first[unread] = FIXED, 0

    def parts(self, start: int, stop: int) -> Iterator[tuple[int, int, Codes]]:
        """Give the spans from .. to, so many at a time that they stay near the core."""
        rows = min(_AT_ONCE, stop - start)
        room = _room(self._sources, rows, room_for(len(self._kept)))
        bands = np.empty((2, len(room)), dtype=np.int16)
        before = -1
        for begin in range(start, stop, _AT_ONCE):
            end = min(begin + _AT_ONCE, stop)
            at = self._at[begin:end]
            code_rows(self._sources, self._of_pipes, at, (begin, before), room, bands)
            yield begin, end, room
            before = begin


def _room(sources: Sources, rows: int, columns: int) -> Codes:
    """Give room for the numbers of so many rows, with what is fixed in its place."""
    room = np.zeros((rows, columns), dtype=np.int16)
    room[:, : len(sources.how)] = np.where(sources.how == FIXED, sources.first, 0)
    return room


def _sources(columns: Sequence[CodedColumn], rows: int, of_pipes: int = 0) -> Sources:
    """Say where columns of so many rows are read, after so many columns of the pipes."""
    how, first, second = [FIXED] * of_pipes, [0] * of_pipes, [0] * of_pipes
    cuts: list[Numbers] = [_NONE] * of_pipes
    least, known = [0.0] * of_pipes, [0] * of_pipes
    for one in columns:
        cuts.append(one.cuts)
        least.append(one.least)
        how.append(one.how)
        known.append(0 if isinstance(one.first, int) else len(one.first))
        places = [_place_of(one, side, rows) for side in range(2)]
        first.append(places[0])
        second.append(places[1])
    ends = np.cumsum([0, *(len(some) for some in cuts)])
    return Sources(
        np.array(how, dtype=np.int8),
        np.array(first, dtype=np.int64),
        np.array(second, dtype=np.int64),
        np.array(known, dtype=np.int64),
        np.array(least),
        np.concatenate([_NONE, *cuts]),
        ends.astype(np.int64),
    )


# What is read of a column, by how it is: kinds of the entries of both arrays.
_KINDS: dict[int, tuple[type, type]] = {
    NUMBERS: (np.int16, np.int16),
    WORDS: (np.int32, np.int16),
    FLAGS: (np.bool_, np.bool_),
    FIGURES: (np.float64, np.float64),
    SCATTERED: (np.int32, np.float64),
}


def _place_of(column: CodedColumn, side: int, rows: int) -> int:
    """Give where an array of a column lies in memory, one entry after the other for all rows."""
    values = (column.first, column.second)[side]
    if values is None or isinstance(values, int):
        return values or 0
    kind = _KINDS[column.how][side]
    by_row = column.how != SCATTERED and not (column.how == WORDS and side)
    short = by_row and len(values) < rows
    if values.dtype != kind or not values.flags.c_contiguous or short:
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


def _alike(book: Book, reader: Reader, count: int) -> Alike | None:
    """Find the spans that no rule tells apart, and judge unlike ones; None where they are many."""
    met = taken_from(book.met) or Met(none_known(book.told_apart), _nothing_said(book, 0))
    met.known = met.known._replace(told_apart=book.told_apart)
    of_row = unlike_rows(reader.parts(0, count), count, met.known, book.bits.set_at)
    if of_row is None:
        lay_back(met, book.met)
        return None
    codes, before = numbers_in(met.known), len(met.said.why)
    if before < len(codes):
        said = _nothing_said(book, len(codes) - before)
        judge_rows(Rows(codes[before:], np.arange(len(said.why))), book.bits, said, room(book))
        met.add(said)
    return Alike(codes, of_row, [met])


def _nothing_said(book: Book, count: int) -> Told:
    """Give room for what is said of some spans."""
    return Told(
        np.zeros((count, OUTS), dtype=np.int8),
        np.empty(count, dtype=np.int16),
        np.zeros(count, dtype=np.int64),
        np.empty(count, dtype=np.int64),
        np.zeros((count, words_for(len(book.rules))), dtype=np.uint64),
    )


def _judge(book: Book, reader: Reader, at: Places) -> Told:
    """Judge each span by itself."""
    told = _nothing_said(book, len(at))

    def judge(start: int, stop: int) -> None:
        own_room = room(book)
        for begin, end, codes in reader.parts(start, stop):
            judge_rows(
                Rows(codes, at[begin:end]), book.bits, told.taken(slice(begin, end)), own_room
            )

    in_parts(len(at), judge)
    return told


def _lends(spans: Held, lent: Parted) -> CodedColumn:
    """Mark spans of damage to which an assumed extent lends a condition."""
    said = np.array([bool(text.strip()) for text in lent.texts], dtype=bool)
    some = np.flatnonzero(lent.values(said)) if said.any() else _NOWHERE
    if len(some):
        assumed = spans.coded("extent_from")[some].marked(lambda text: text.strip() == "assumed")
        damage = spans.coded("role")[some].marked(lambda text: text.strip() == "damage")
        some = some[assumed & damage]
    if not len(some):
        return CodedColumn(NOTHING_SAID, FIXED, 0)
    marks = np.zeros(len(spans), dtype=bool)
    marks[some] = True
    return CodedColumn(NOTHING_SAID, FLAGS, marks)


def _sound(rows: pd.DataFrame | Held, table: Table) -> Held:
    return rows if isinstance(rows, Held) else Held.sound(pd.DataFrame(rows), table)


def _own_pipes(spans: Held, pipes: Held) -> tuple[Held, Places]:
    """Give the pipes and each span's row among them; of one not there nothing is known."""
    at = _pipes_at(spans, pipes)
    lost = np.flatnonzero(at < 0)
    if not len(lost):
        return pipes, at
    names = sorted(set(spans.coded("pipe_id")[lost].tolist()))
    blank = conform([{"pipe_id": name} for name in names], PIPES)
    both = [frame.drop(columns="geometry", errors="ignore") for frame in (pipes.frame, blank)]
    pipes = Held.sound(pd.concat(both, ignore_index=True), PIPES)
    return pipes, _pipes_at(spans, pipes)


def _pipes_at(spans: Held, pipes: Held) -> Places:
    if spans.by_column:
        return spans.coded("pipe_id").rows_in(pipes.column("pipe_id"))
    return pipe_rows(spans.frame["pipe_id"], pipes.frame["pipe_id"])
