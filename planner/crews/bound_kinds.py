"""Crew-days of one kind as the bound sees them: who can be served, drives, time, what is left out.

What a day must keep is only loosened here, never tightened, so that the least cost under it
lies below the cost of each week that can be driven:

- kept: skills and gear, dates, drives both ways, parking, time on site, the part of the shift
  that may be planned, overtime and its price, the pause where it cannot be escaped, one of the
  loads, which of two stops can follow the other within their hours;
- loosened: hours (earliest opening and latest closing of the date alone), waiting for them,
  time (rounded down to buckets), the other loads, what keeps apart, for how many days a
  cleaning is good, and that it comes earlier than what waits for it.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
import numpy.typing as npt

from planner.crews.board import Board
from planner.crews.timetable import CrewDay

Wholes = npt.NDArray[np.int64]
Reals = npt.NDArray[np.float64]
Array = TypeVar("Array", Wholes, Reals)

NEVER = 1 << 50
"""More than any cost; far from where sums overflow."""
_LOAD_PARTS = 12  # a load is counted in so many parts of what the day holds, rounded down


@dataclass(frozen=True)
class Kind:
    """Crew-days that are alike: `days` by position, and the `stops` that they can serve.

    `drive_s` (m, m), `out_s` from the yard and `home_s` to it; `way_s` and `out_way_s` are
    the same with parking. `follows` says which stop may come right after which. `most_s` is
    the busy time that costs no overtime, `longest_s` the most there can be.
    """

    days: tuple[int, ...]
    stops: Wholes
    drive_s: Wholes
    out_s: Wholes
    home_s: Wholes
    way_s: Wholes
    out_way_s: Wholes
    follows: npt.NDArray[np.bool_]
    work_s: Wholes
    latest_s: Wholes
    loads: Wholes
    holds: tuple[int, int, int]
    most_s: int
    longest_s: int
    day: CrewDay

    def over_s(self, busy_s: Wholes) -> Wholes:
        """Give the overtime that a day of so much driving, parking and work has at least [s]."""
        day = self.day
        taken = busy_s + _pause_s(day, busy_s)
        over = np.maximum(taken - day.most_s, day.start_s + taken - day.end_s)
        least: Wholes = np.maximum(over, 0)
        return least

    def counted_loads(self) -> tuple[Wholes, int]:
        """Give the load of each stop in parts of the one that limits most, and the parts held."""
        best, parts = np.zeros(len(self.stops), dtype=np.int64), 0
        for n, held in enumerate(self.holds):
            limit = min(held, _LOAD_PARTS)
            own = self.loads[:, n] * limit // max(held, 1)
            if own.sum() > limit and (not parts or own.sum() * parts > best.sum() * limit):
                best, parts = own, limit
        return best, parts


def _pause_s(day: CrewDay, busy_s: Wholes) -> Wholes:
    """Give the pause of a day that is busy for so long: due unless the crew is home before it."""
    if day.pause is None or day.start_s >= day.pause.from_s:
        return np.zeros_like(busy_s)
    due = day.start_s + busy_s > day.pause.to_s
    pause_s: Wholes = due.astype(np.int64) * day.pause.pause_s
    return pause_s


def kinds_of(board: Board) -> list[Kind]:
    """Put crew-days together that are alike for the bound; those that can serve nothing go.

    Parameters
    ----------
    board
        Stops, days, who can do what; its routes and ties are not looked at.
    """
    alike: dict[tuple[object, ...], list[int]] = {}
    seconds = board.roads.ways.seconds
    for number, day in enumerate(board.days):
        stops = np.flatnonzero(board.able[number])
        if len(stops):
            hours = tuple(board.stops[int(n)].starts(day.date) for n in stops)
            at = np.array([board.stops[int(n)].at for n in stops])
            # Yards of two crews may stand at one place under two numbers.
            yard = (seconds[day.yard, at].tobytes(), seconds[at, day.yard].tobytes())
            shift = (yard, day.start_s, day.end_s, day.most_s, day.over_s, day.pause)
            key = (shift, day.holds, stops.tobytes(), hours)
            alike.setdefault(key, []).append(number)
    return [_kind(board, own) for own in alike.values()]


def _kind(board: Board, days: Sequence[int]) -> Kind:
    day = board.days[days[0]]
    stops = np.flatnonzero(board.able[days[0]]).astype(np.int64)
    own = [board.stops[int(n)] for n in stops]
    at = np.array([stop.at for stop in own])
    seconds = board.roads.ways.seconds
    drive = seconds[np.ix_(at, at)].astype(np.int64)
    names = np.array([stop.node_id for stop in own], dtype=object)
    park = np.where(names[:, None] == names[None, :], 0, board.roads.manoeuvre_s)
    work = np.array([stop.work_s for stop in own], dtype=np.int64)
    opens = np.array([stop.starts(day.date)[0][0] for stop in own], dtype=np.int64)
    closes = np.array([stop.starts(day.date)[-1][1] for stop in own], dtype=np.int64)
    follows = (opens + work)[:, None] + drive + park <= closes[None, :]
    np.fill_diagonal(follows, val=False)
    out = seconds[day.yard, at].astype(np.int64)
    longest = min(day.most_s, day.end_s - day.start_s)
    most, pause = longest, day.pause
    if pause is not None and day.start_s < pause.from_s:
        most = max(min(longest, pause.to_s - day.start_s), longest - pause.pause_s)
    return Kind(
        tuple(days),
        stops,
        drive,
        out,
        seconds[at, day.yard].astype(np.int64),
        drive + park,
        out + board.roads.manoeuvre_s,
        follows,
        work,
        closes + work - day.start_s,
        np.array([stop.loads for stop in own], dtype=np.int64),
        day.holds,
        most,
        longest + day.over_s,
        day,
    )


@dataclass(frozen=True)
class Side:
    """What binds stops beside routes: which needs which served, and the shelf.

    A row of `after` is (later, earlier); a row of `take` an item, with what each stop takes
    of it and in `short` by how much all stops together take more than there is.
    """

    value_s: Wholes
    after: Wholes
    take: Wholes
    short: Wholes

    @classmethod
    def of(cls, board: Board) -> Side:
        """Gather values, chains and shelf of a board."""
        after = [(n, one) for n, own in enumerate(board.ties.before) for one, _ in own]
        items = sorted(board.shelf.stock)
        takes = [board.shelf.takes.get(stop.setup_id, Counter()) for stop in board.stops]
        rows = [[own[item] for own in takes] for item in items]
        take = np.array(rows, dtype=np.int64).reshape(len(items), len(board.stops))
        stock = np.array([board.shelf.stock[item] for item in items], dtype=np.int64)
        short = take.sum(axis=1) - stock
        scarce = short > 0
        values = np.array([stop.value_s for stop in board.stops], dtype=np.int64)
        pairs = np.array(after, dtype=np.int64).reshape(-1, 2)
        return cls(values, pairs, take[scarce], short[scarce])

    def left_cost(self, duals: Array, scale: int = 1) -> Array:
        """Give what leaving a stop out costs under multipliers of stops, chains and shelf."""
        stops, chains = len(self.value_s), len(self.after)
        own, after, shelf = np.split(duals, [stops, stops + chains])
        cost: Array = (self.value_s * scale - own - shelf @ self.take).astype(duals.dtype)
        np.subtract.at(cost, self.after[:, 0], after)
        np.add.at(cost, self.after[:, 1], after)
        return cost

    def fixed(self, duals: Reals | Wholes) -> float | int:
        """Give the part of the bound that stops and shelf alone make."""
        stops, chains = len(self.value_s), len(self.after)
        total: float | int = duals[:stops].sum() + duals[stops + chains :] @ self.short
        return total
