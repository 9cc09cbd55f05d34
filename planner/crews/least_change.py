"""The rest of a week with least change: what leaves its planned day and crew pays for it.

The search starts from the standing plan. A stop that is served elsewhere than planned costs
`change_cost_s`; one that is not served loses its value and that cost.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import TypeVar

import numpy as np
import numpy.typing as npt

from planner.crews.board import Board
from planner.crews.solver import Search, solve
from planner.crews.timetable import Stop, Timetable
from planner.settings import Week

# Cells of matrices above which the search is left out: three of 8 bytes for each [-].
_MOST_CELLS = 60_000_000
# So many stops without a place are pushed in past others, and so many others for each; assumed.
_PUSHED, _VICTIMS = 12, 3


Anyboard = TypeVar("Anyboard", bound=Board)


@dataclass(frozen=True)
class Standing:
    """The standing plan on a board: routes and times of what is ahead, by positions.

    `planned` gives for each stop its crew-day, `starts_s` its start; `fixed` are bound to
    their day, in the order of the standing plan.
    """

    routes: dict[int, list[int]]
    planned: dict[int, int]
    starts_s: dict[int, int]
    fixed: frozenset[int]


@dataclass
class KeepingBoard(Board):
    """A board on which a place other than the planned one costs more."""

    standing: Standing = field(default_factory=lambda: Standing({}, {}, {}, frozenset()))
    change_cost_s: int = 0

    @property
    def changed(self) -> int:
        """Give how many planned stops are served elsewhere; one that is not served is worth it."""
        there = {n: day for day, order in self.routes.items() for n in order}
        planned = self.standing.planned
        return sum(planned.get(n, day) != day for n, day in there.items())

    @property
    def cost_s(self) -> int:
        """Give the cost of a board, and of all changes [s]."""
        return super().cost_s + self.change_cost_s * self.changed

    def timed(self, day: int, order: Sequence[int]) -> Timetable | None:
        """Time a day's order; None where it does not fit, or turns what is promised round."""
        bound = [self.standing.starts_s[n] for n in order if n in self.standing.fixed]
        return None if bound != sorted(bound) else super().timed(day, order)

    def extra_s(self) -> npt.NDArray[np.int64]:
        """Give what each stop costs on each day because it was planned elsewhere [s]."""
        extra = np.zeros((len(self.days), len(self.stops)), dtype=np.int64)
        for n, day in self.standing.planned.items():
            extra[:, n] = self.change_cost_s
            extra[day, n] = 0
        return extra

    def _detour_s(self, day: int, now: Sequence[int], at: int, stop: int) -> int:
        moved = self.standing.planned.get(stop, day) != day
        return super()._detour_s(day, now, at, stop) + (self.change_cost_s if moved else 0)

    def keep_orders(self) -> None:
        """Go back to the standing order of a day unless another saves more than a change costs."""
        for day, old in sorted(self.standing.routes.items()):
            now = self.routes.get(day, [])
            if now == old or set(now) != set(old):
                continue
            kept, cost_s = self._kept(), self.cost_s
            self.routes[day] = list(old)
            fits = self.timed(day, old) is not None and not self._breaks(day, old)
            if not fits or self.cost_s - cost_s > self.change_cost_s:
                self._back(kept)

    def push_in(self) -> None:
        """Put in what is worth more than others in its way; these find another place or none.

        Stops that are bound, tied to others, or worth as much are never moved.
        """
        left = [n for n in range(len(self.stops)) if n not in set(self.served)]
        left = [n for n in left if not self.ties.later[n] and not self._short(n)]
        for n in sorted(left, key=lambda n: (-self.stops[n].value_s, n))[:_PUSHED]:
            old = self._kept()
            best, best_s = old, self.cost_s
            for day in np.flatnonzero(self.able[:, n]):
                self._back(old)
                if self._push(int(day), n) and self.cost_s < best_s:
                    best, best_s = self._kept(), self.cost_s
            self._back(best)

    def _push(self, day: int, stop: int) -> bool:
        """Take stops off a day, least value first, until a stop fits; put them in elsewhere."""
        others = [n for n in self.routes.get(day, []) if self._movable(n, stop)]
        gone: list[int] = []
        for other in sorted(others, key=lambda n: (self.stops[n].value_s, n))[:_VICTIMS]:
            self._drop(other)
            gone.append(other)
            if self._put_one(stop):
                for one in sorted(gone, key=lambda n: (-self.stops[n].value_s, n)):
                    self._put_one(one)
                return True
        return False

    def _movable(self, other: int, stop: int) -> bool:
        tied = self.ties.later[other] or self.ties.before[other] or other in self.standing.fixed
        return not tied and self.stops[other].value_s < self.stops[stop].value_s

    def _put_one(self, stop: int) -> bool:
        missing = [one for one in self.ties.chain(stop) if one not in set(self.served)]
        if missing:
            return self._put_chain([*missing, stop])
        spot = self._cheapest(stop)
        if not spot.order or spot.detour_s > self.stops[stop].value_s:
            return False
        self._place(stop, spot)
        return True

    def _kept(self) -> tuple[dict[int, list[int]], dict[int, int]]:
        return {day: list(order) for day, order in self.routes.items()}, dict(self.floors)

    def _back(self, kept: tuple[dict[int, list[int]], dict[int, int]]) -> None:
        self.routes = {day: list(order) for day, order in kept[0].items()}
        self.floors = dict(kept[1])


@dataclass(frozen=True)
class Kept:
    """The board, rounds of the search, whether the clock stopped it, and what lost its place.

    `lost` are planned stops that no longer hold where they stood.
    """

    board: Board
    iterations: int
    by_clock: bool
    lost: frozenset[int]


def keep_week(
    board: Board, standing: Standing, week: Week, seed: int, free: Board | None = None
) -> Kept:
    """Plan the rest of a week with least change.

    The standing routes are taken over, what no longer holds is taken out, the rest is put
    in at the least cost; then a search goes on from there, in which stops that wait for
    others keep their date. The cheaper of both, changes counted, is the plan.

    Parameters
    ----------
    board
        Stops and days ahead, no routes.
    standing
        The standing plan on it.
    week
        Iterations, `change_cost_s`.
    seed
        Of the search.
    free
        The same stops and days dealt without regard to the standing plan: taken where it is
        cheaper, changes counted, as where little is left of the standing plan.
    """
    keeping = hold(board, standing, week)
    lost = frozenset(standing.planned.keys() - set(keeping.served))
    keeping.put_in()
    keeping.push_in()
    by_search, ran, by_clock = _searched(keeping, week, seed)
    found = [keeping, by_search]
    if free is not None:
        found.append(_as(keeping, free))
    best = min(found, key=lambda one: one.cost_s)
    # Reasons are told with each stop's own worth.
    plain = _as(board, best)
    return Kept(plain, ran, by_clock, lost)


def _as(board: Anyboard, other: Board) -> Anyboard:
    """Give a board with the routes of another."""
    return replace(
        board, routes=other.routes, floors=other.floors, ceilings=other.ceilings, _known={}
    )


def hold(board: Board, standing: Standing, week: Week) -> KeepingBoard:
    """Take the standing routes over; what no longer holds is left out."""
    cost_s = week.change_cost_s
    # What is planned is worth the change as well: to drop it is a change too.
    stops = [
        replace(stop, value_s=stop.value_s + cost_s) if n in standing.planned else stop
        for n, stop in enumerate(board.stops)
    ]
    keeping = KeepingBoard(
        stops, board.days, board.able, board.roads, board.shelf, board.ties,
        board.overtime_cost_s, standing=standing, change_cost_s=cost_s,
    )  # fmt: skip
    keeping.floors = _floors(keeping, standing)
    keeping.take_over({day: list(order) for day, order in standing.routes.items()})
    return keeping


def _floors(board: Board, standing: Standing) -> dict[int, int]:
    """Let what is tied to another stop of the same date start no earlier than planned."""
    date = {n: board.days[day].date for n, day in standing.planned.items()}
    ties = board.ties
    found = {}
    for n, day in date.items():
        others = [*ties.apart[n], *(one for one, _ in ties.before[n])]
        if any(date.get(one) == day for one in others):
            found[n] = standing.starts_s[n]
    return found


def _searched(board: KeepingBoard, week: Week, seed: int) -> tuple[KeepingBoard, int, bool]:
    """Search on from a board."""
    count = len(board.stops)
    if not count or 2 * count * count * len(board.days) > _MOST_CELLS:
        return board, 0, False
    able = board.able.copy()
    date_of = {n: board.days[day].date for day, order in board.routes.items() for n in order}
    dates = [day.date for day in board.days]
    for n in range(count):
        if board.ties.before[n] or board.ties.later[n]:
            able[[date != date_of.get(n) for date in dates], n] = False
    if not able.any():
        return board, 0, False
    stops = [_with_later(board, n) for n in range(count)]
    search = Search(week, seed, board.routes, board.extra_s())
    solved = solve(stops, board.days, able, board.roads, search)
    floors, ceilings = dict(board.floors), dict(board.ceilings)
    found = replace(board, routes={}, floors=floors, ceilings=ceilings, _known={})
    stays = {n: day for day, order in board.routes.items() for n in order}
    for day, order in solved.routes.items():
        for n in order:
            if stays.get(n) != day:
                found.floors.pop(n, None)
                found.ceilings.pop(n, None)
    found.take_over(solved.routes)
    found.keep_orders()
    found.put_in()
    found.push_in()
    return found, solved.iterations, solved.by_clock


def _with_later(board: Board, stop: int) -> Stop:
    """Give a stop that is worth what waits for it as well."""
    own = board.stops[stop]
    later = [board.stops[n].value_s for n in board.ties.later[stop]]
    return replace(own, value_s=own.value_s + sum(later))
