"""A city's spans held against the rulebook in numbers; words only for those who read them.

What `screen` says of ten thousand spans in readable steps, this says of a million: columns
become small numbers (`column_codes`), the book becomes tables (`rule_bits`), a compiled walk
judges span by span (`rule_kernel`), and `spoken` puts into words what somebody asks for.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt
import pandas as pd

from planner.contracts import PIPES
from planner.screening.column_codes import Key
from planner.screening.columns import View, view_of, visible
from planner.screening.pipe_rows import pipe_rows
from planner.screening.rule_bits import Book, book_of, fits, owned_in, words_for
from planner.screening.rule_kernel import OUTS, TOTALS, Room, Told, judge_rows
from planner.screening.rulebook import Rulebook
from planner.screening.threads import each
from planner.tables import conform

Codes = npt.NDArray[np.int16]
Places = npt.NDArray[np.intp]

# Rows that one thread takes at a time: what they read and write stays near the core.
_AT_ONCE = 4_096


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
    owned = owned_in(spans)
    if owned is None:
        return None
    own, at = _own_pipes(spans, pipes)
    view = view_of("span", spans.reset_index(drop=True), own, defects)
    view = replace(view, _read={("place", "pipe_id"): at})
    shown = view.pipes.assign(**view.changes)
    book = book_of(rulebook, owned, view.things, shown)
    return Coded(view, shown, at, book, _judge(book, at))


def in_parts(count: int, work: Callable[[int, int], None]) -> None:
    """Do `work` on rows from .. to, part by part, on all cores; the parts share nothing."""
    starts = range(0, count, _AT_ONCE)
    each(lambda start: work(start, min(start + _AT_ONCE, count)), starts, count)


def codes_of(book: Book, at: Places) -> Callable[[int, int], Codes]:
    """Give what writes the numbers of some spans, a row for each column of the book."""
    of_pipes: dict[Key, Codes] = {
        key: column.codes(0, int(at.max()) + 1)
        for key, column in book.columns.items()
        if key.table == "pipe"
    }

    def write(start: int, stop: int) -> Codes:
        out = np.empty((stop - start, len(book.columns)), dtype=np.int16)
        for number, (key, column) in enumerate(book.columns.items()):
            if key.table == "pipe":
                out[:, number] = of_pipes[key][at[start:stop]]
            else:
                column.into(out[:, number], start)
        return out

    return write


def room(book: Book) -> Room:
    """Give room for one walk."""
    words = words_for(len(book.rules))
    return Room(
        np.empty((2, words), dtype=np.uint64),
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
    codes = codes_of(book, at)

    def judge(start: int, stop: int) -> None:
        part = told.part(start, stop)
        judge_rows(codes(start, stop), book.owned.of_span[start:stop], book.bits, part, room(book))

    in_parts(count, judge)
    return told


def _own_pipes(spans: pd.DataFrame, pipes: pd.DataFrame) -> tuple[pd.DataFrame, Places]:
    """Give the pipes and each span's row among them; of one not there nothing is known."""
    own = pd.DataFrame(pipes.drop(columns="geometry", errors="ignore"))
    at = pipe_rows(spans["pipe_id"], own["pipe_id"])
    lost = np.flatnonzero(at < 0)
    if len(lost):
        names = sorted(set(spans["pipe_id"].iloc[lost]))
        blank = conform([{"pipe_id": name} for name in names], PIPES)
        own = pd.concat([own, blank.drop(columns="geometry")], ignore_index=True)
        at = pipe_rows(spans["pipe_id"], own["pipe_id"])
    return own, at
