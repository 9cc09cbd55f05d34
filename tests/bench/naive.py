"""Three ways to deal a week by hand, in the place of `planner.crews.zones.deal_in_zones`.

Each knows the clock, the vans and who can do what, so that its week passes the audit; none
looks back or weighs a detour. What was promised comes first in each of them. For weeks
without ties between set-ups, and with a shelf that holds all.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable

import pandas as pd

from planner.crews.board import Board
from planner.crews.solver import Search
from planner.crews.stages import Dealt
from planner.crews.timetable import Timetable, timetable, within_loads
from planner.settings import Week

Deal = Callable[..., Dealt]
"""Takes an empty board, a search, and whether stops are locked to a crew or a day."""


def nearest_first(board: Board, search: Search, *, locked: bool = False) -> Dealt:
    """Drive on from each stop to the one where work can start soonest, day after day."""
    left = set(range(len(board.stops)))
    for day in _in_time(board):
        order: list[int] = []
        while left:
            ready = _ready(board, day, order, left)
            wanted = [one for one in ready if _is_promised(board, one[2], search.week)] or ready
            if not wanted:
                break
            order.append(min(wanted)[2])
            left.remove(order[-1])
        if order:
            board.routes[day] = order
    return Dealt(board, 0, by_clock=False)


def most_urgent_first(board: Board, search: Search, *, locked: bool = False) -> Dealt:
    """Put what is worth most on the end of the first day that holds it."""
    first = sorted(range(len(board.stops)), key=lambda n: (-board.stops[n].value_s, n))
    return _first_fit(board, first)


def street_by_street(
    board: Board, search: Search, *, streets: pd.Series[str], locked: bool = False
) -> Dealt:
    """Put street after street on the end of the first day that holds it.

    `streets` names the street of each manhole.
    """

    def place(n: int) -> tuple[bool, str, int]:
        stop = board.stops[n]
        return not _is_promised(board, n, search.week), str(streets[stop.node_id]), n

    return _first_fit(board, sorted(range(len(board.stops)), key=place))


def _is_promised(board: Board, stop: int, week: Week) -> bool:
    return board.stops[stop].value_s >= week.value_promised_s


def _in_time(board: Board) -> list[int]:
    days = board.days
    return sorted(range(len(days)), key=lambda d: (days[d].date, days[d].crew))


def _ready(
    board: Board, day: int, order: list[int], left: Iterable[int]
) -> list[tuple[int, int, int]]:
    """Give what can be done next on a day: start, drive [s], position."""
    found = []
    for n in left:
        times = _timed(board, day, [*order, n])
        if times is not None:
            found.append((times.visits[-1].drive_s, times.visits[-1].start_s, n))
    return found


def _timed(board: Board, day: int, order: list[int]) -> Timetable | None:
    if not board.able[day, order[-1]]:
        return None
    stops = [board.stops[n] for n in order]
    crew_day = board.days[day]
    return timetable(crew_day, stops, board.roads) if within_loads(crew_day, stops) else None


def _first_fit(board: Board, first: list[int]) -> Dealt:
    for n in first:
        for day in _in_time(board):
            order = [*board.routes.get(day, []), n]
            if _timed(board, day, order) is not None:
                board.routes[day] = order
                break
    return Dealt(board, 0, by_clock=False)
