"""Which defects share a place, and what the rows of each place say together.

Stations are compared as coded. An assumed extent joins nothing: it lengthens the span of
its row, and that is all.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from planner.coded_text import Coded
from planner.held import Held
from planner.order import order_by, ranks_of, rises
from planner.screening.joints import split_repeated
from planner.screening.match import Flags
from planner.screening.scattered import Scattered
from planner.screening.span_kernel import BITS, SAME_M, Found, Measured, Room, Task, find_places
from planner.screening.span_measure import (
    Figures,
    Pairs,
    Said,
    Scratch,
    Sets,
    Weighed,
    list_pairs,
    weigh,
)
from planner.screening.walk_rows import Laid, in_walk_order, laid_out, repeated_in
from planner.settings import Survey

__all__ = ["SAME_M", "InOrder", "Members", "gather", "joined"]

Places = npt.NDArray[np.intp]


@dataclass(frozen=True)
class Members:
    """Rows by the place they share; places in order of pipe, stretch and step.

    `pipes` are the pipes of these rows, in order. What places have of their own and what is
    lent to them, by `pairs` pairs of places, stands in `said`.
    """

    laid: Laid
    pipes: Coded
    found: Found
    said: Said
    pairs: int

    @property
    def measured(self) -> Measured:
        """What places come to, but for figures and words."""
        return self.said.measured

    def figures(self) -> dict[str, Scattered]:
        """Give the places that have a figure, and from where to where it may lie."""
        figures, found = self.said.figures, dict[str, Scattered]()
        for name, start, stop in zip(
            self.laid.figures, figures.start.tolist(), figures.stop.tolist(), strict=False
        ):
            ends = np.ascontiguousarray(figures.ends[:, start:stop])
            found[name] = Scattered(figures.place[start:stop], ends, len(self))
        return found

    def __len__(self) -> int:
        return len(self.found.from_m)

    def of_group(self, tell: Callable[[str], bool], kind: type = bool) -> npt.NDArray[Any]:
        """Tell of each place what holds for its group; each group is asked once."""
        return np.array([tell(name) for name in self.laid.names], kind)[self.measured.group]

    def links(self) -> tuple[Places, Places, Coded]:
        """Say which rows speak for each place: place, row of the defects, and as what."""
        found, sizes = self.found, np.diff(self.found.start)
        place = np.repeat(np.arange(len(self)), sizes)
        flags = np.arange(len(place)) >= np.repeat(found.own, sizes)
        taker, giver = (np.empty(self.pairs, dtype=np.int64) for _ in range(2))
        list_pairs(self.laid.groups, found, self.measured, Pairs(taker, giver))
        times = sizes[giver]
        within = np.arange(times.sum()) - np.repeat(np.cumsum(times) - times, times)
        lent = found.row[np.repeat(found.start[giver], times) + within]
        part = np.concatenate([flags.astype(np.int32), np.full(len(lent), 2, dtype=np.int32)])
        return (
            np.concatenate([place, np.repeat(taker, times)]),
            self.laid.at[np.concatenate([found.row, lent])],
            Coded.listing(["own", "flag", "lent"], part),
        )


@dataclass(frozen=True)
class InOrder:
    """Defects one pipe after the other: where each pipe starts, and the pipes in order."""

    defects: Held
    starts: Places
    pipes: Coded

    @classmethod
    def of(cls, defects: Held) -> InOrder:
        """Give defects as the key of their contract has them; mostly they stand so."""
        pipe = defects.coded("pipe_id")
        new = np.ones(len(pipe), dtype=bool)
        np.not_equal(pipe.codes[1:], pipe.codes[:-1], out=new[1:])
        starts = np.flatnonzero(new)
        pipes = pipe[starts]
        if len(starts) < 2 or rises([pipes.column()]):
            return cls(defects, starts, pipes)
        keys = [pipe.ordered().codes, defects.floats("from_m"), defects.column("observation_id")]
        return cls.of(defects.taken(order_by(keys)))


def gather(rows: InOrder, pipes: Held, settings: Survey, flags: Flags) -> Members:
    """Find which rows share a place, and what each place comes to.

    Damage is joined where its coded parts touch, a condition with those of its mechanism, what
    comes back at every joint with its like; flags join the damage at their station.

    Parameters
    ----------
    rows
        Those of `DEFECTS` that count.
    pipes
        Holds `PIPES`.
    settings
        How close stations are one place.
    flags
        What was assumed about joints is said here.
    """
    defects = rows.defects
    again = repeated_in(defects.coded("role"), defects.coded("kind"))
    split = None
    if again.any():
        split = split_repeated(defects, np.flatnonzero(again), pipes, settings, flags)
    laid = laid_out(defects, rows.starts, split)
    found, tied = _found(laid, settings.touch_m)
    if tied:
        ids = defects.column("observation_id").take(laid.at)
        laid = in_walk_order(laid, ranks_of(ids))
        found, _ = _found(laid, settings.touch_m)
    return Members(laid, rows.pipes, found, *_weighed(laid, found))


def _found(laid: Laid, touch_m: float) -> tuple[Found, bool]:
    """Give places; and whether the order of rows alike decided from where one is counted."""
    count, pipes = len(laid.at), len(laid.starts) - 1
    longest = int(np.diff(laid.starts).max(initial=0))
    room = Room(**_empty(longest, int=_ROWS_OF, float=_STATIONS))
    cut: dict[str, Any] = _empty(count, int32=("own", "pipe"), float=_STRETCH)
    rows, start, of_pipe = (np.empty(n, dtype=np.int32) for n in (count, count + 1, pipes + 1))
    found = Found(row=rows, start=start, of_pipe=of_pipe, **cut)
    task = Task(laid.rows, laid.groups, room, touch_m)
    places, used, tied = find_places(task, laid.starts, found)
    cut = {name: values[:places] for name, values in cut.items()}
    return Found(row=rows[:used], start=start[: places + 1], of_pipe=of_pipe, **cut), tied


_ROWS_OF = ("order", "parent", "sorted", "first", "last")
_STRETCH = ("from_m", "to_m")
_STATIONS = ("core_from", "core_to", *_STRETCH)


def _weighed(laid: Laid, found: Found) -> tuple[Said, int]:
    """Say what places come to; and how many pairs of them lend and take."""
    longest = int(np.diff(found.of_pipe).max(initial=0))
    mechanisms, details = (
        -(-max(len(words), 1) // BITS) for words in (laid.mechanisms, laid.details)
    )
    room: dict[str, Any] = {
        name: np.empty((words, longest), dtype=np.int64)
        for name, words in zip(_SETS, (mechanisms, mechanisms, details, details), strict=True)
    }
    room |= {name: np.empty((len(laid.figures), longest)) for name in ("least", "most")}
    scratch = Scratch(**room, has=np.empty(longest, dtype=np.int64))
    for ample in (False, True):
        said = _nothing_said(laid, len(found.from_m), (mechanisms, details), ample=ample)
        pairs = weigh(Weighed(laid.rows, laid.groups, found, scratch, said))
        if pairs >= 0:
            break
    return said, pairs


_SETS = ("own", "lent", "roots", "deposit")
# So many unlike sets of words are expected; and so many times the figures that rows have, by each
# eighth row, and more, once they are lent.
_FEW_SETS, _EACH, _OFTEN, _LENT = 1 << 9, 8, 2, 256


def _nothing_said(laid: Laid, count: int, words: Sequence[int], *, ample: bool) -> Said:
    """Give room for what places come to, as much as is likely or as there can be at all."""
    measured = _empty(count, int32=(*_OF_PLACES, *_SETS), int8=("seen",), float=("arc_h", "find_m"),
                      bool=("joint", "no_joint"))  # fmt: skip
    told = laid.rows.figure
    rows = _EACH * np.bincount(told.codes[::_EACH], minlength=len(told.means))
    wanted = np.array([rows[told.means == f].sum() for f in range(len(laid.figures))], dtype=int)
    rooms = np.full(len(wanted), count) if ample else np.minimum(_OFTEN * wanted + _LENT, count)
    start = np.cumsum([0, *rooms], dtype=np.int64)
    figures = Figures(
        start, start[:-1].copy(), np.empty(start[-1], dtype=np.int32), np.empty((2, start[-1]))
    )
    # Of mechanisms as of details a place has two sets at most; one more is empty.
    most = 2 * count + 1 if ample else _FEW_SETS
    return Said(Measured(**measured), figures, *(_no_sets(most, some) for some in words))


def _no_sets(most: int, words: int) -> Sets:
    """Give room for so many unlike sets; the first one is empty."""
    slots = np.full(2 << most.bit_length(), -1, dtype=np.int32)
    return Sets(slots, np.zeros((words, most), dtype=np.int64), np.ones(1, dtype=np.int64))


_OF_PLACES = ("group", "node", "day", "kind", "extent")


def _empty(count: int, **names: Sequence[str]) -> dict[str, Any]:
    """Give columns to be written, by kind."""
    return {name: np.empty(count, dtype=kind) for kind, some in names.items() for name in some}


def joined(
    sets: Sets, words: Sequence[str], say: Callable[[Sequence[str]], str] = "+".join
) -> Coded:
    """Join the words of each set, in order, '+' between: the texts by the number of the set."""
    told = []
    for one in sets.unlike[:, : sets.found[0]].T.tolist():
        mask, chosen = sum(bits % (1 << BITS) << BITS * n for n, bits in enumerate(one)), []
        while mask:
            lowest = mask & -mask
            chosen.append(words[lowest.bit_length() - 1])
            mask ^= lowest
        told.append(say(chosen))
    return Coded.of(told)
