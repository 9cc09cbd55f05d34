"""What one plan of a week asks of the next: set-ups bound to crew or day, routes to begin with."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from planner.crews.board import Board
from planner.crews.solver import Told
from planner.crews.timetable import CrewDay, Stop
from planner.crews.zones import Dealer
from planner.settings import Week


@dataclass(frozen=True)
class Lock:
    """The crew and the date that a set-up is bound to; '' = any."""

    crew: str = ""
    date: str = ""

    def holds(self, day: CrewDay) -> bool:
        """Say whether a crew's day is one it is bound to."""
        return self.crew in ("", day.crew) and self.date in ("", day.date)


@dataclass(frozen=True)
class Asked:
    """What a plan of the same week asks of the next: set-ups bound to crew or day, by id.

    A set-up that is bound is worth as much as a promised one. `start` gives routes to begin
    the search with, set-ups in their order by crew and date. `tell` hears how far it is;
    `dealer` deals the zones of a week that is cut into some, None = this process.
    """

    locks: Mapping[str, Lock] = field(default_factory=dict)
    start: Mapping[tuple[str, str], Sequence[str]] = field(default_factory=dict)
    tell: Callable[[Told], None] | None = None
    dealer: Dealer | None = None


NOTHING = Asked()


def start_of(board: Board, start: Mapping[tuple[str, str], Sequence[str]]) -> dict[int, list[int]]:
    """Give routes to begin with by position, each stop once; what is no stop now is left out."""
    at = {stop.setup_id: n for n, stop in enumerate(board.stops)}
    found: dict[int, list[int]] = {}
    for d, day in enumerate(board.days):
        own = [at.pop(one) for one in start.get((day.crew, day.date), ()) if one in at]
        if own:
            found[d] = own
    return found


def worth_more(stops: list[Stop], locks: Mapping[str, Lock], week: Week) -> list[Stop]:
    """Make what is bound, and not promised already, worth as much as a promise."""
    return [
        replace(stop, value_s=stop.value_s + week.value_promised_s)
        if stop.setup_id in locks and stop.value_s < week.value_promised_s
        else stop
        for stop in stops
    ]


def bind(
    able: npt.NDArray[np.bool_],
    stops: list[Stop],
    days: list[CrewDay],
    locks: Mapping[str, Lock],
    reasons: Mapping[str, str],
) -> dict[str, str]:
    """Bar bound stops from all other crews and days; say of which no day is left."""
    found = {}
    for n, stop in enumerate(stops):
        lock = locks.get(stop.setup_id)
        if lock is None or stop.setup_id in reasons:
            continue
        able[:, n] &= [lock.holds(day) for day in days]
        if not able[:, n].any():
            bound = " ".join(part for part in (lock.crew, lock.date and f"on {lock.date}") if part)
            found[stop.setup_id] = f"bound to {bound}, where it cannot be done"
    return found
