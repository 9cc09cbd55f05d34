"""The week in two goes: first what goes into the ground, then what must come before it.

Sleeve crews are scarce, so their days are dealt first; the other crews then serve what was
chosen, each within the days on which it is still good. Where a predecessor finds no room,
its sleeve is barred from that date and the week is dealt anew.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from planner.crews.board import Board
from planner.crews.exchange import exchange
from planner.crews.solver import Search, solve
from planner.crews.timetable import CrewDay

Marks = npt.NDArray[np.bool_]
# Stops from which on a search begins with a plan made by hand; fewer are found from nothing.
_BEGIN_FROM = 800


@dataclass(frozen=True)
class Dealt:
    """The board after the last round, rounds of the search in all, whether the clock stopped it."""

    board: Board
    iterations: int
    by_clock: bool


def deal(empty: Board, search: Search, *, locked: bool = False) -> Dealt:
    """Fill a board.

    Parameters
    ----------
    empty
        Stops, days and ties, no routes.
    search
        Iterations, rounds, seed, and routes to begin with.
    locked
        Whether stops are bound to a crew or a day.

    Returns
    -------
    dealt
        The cheapest board of all rounds, or one that an exchange made of it.
    """
    go = _in_rounds if any(empty.ties.before) else _one_go
    dealt = go(empty, _begun(empty, search))
    last = exchange(dealt.board, search.week, locked=locked)
    last.board.move_early()
    return Dealt(last.board, dealt.iterations, dealt.by_clock or last.by_clock)


def _begun(empty: Board, search: Search) -> Search:
    """Give a large week without a plan of its own one to begin with: what is worth most first.

    A search from nothing gets nowhere near it in the iterations that a large week is given
    (1,500 stops, 100 crew-days: 7.1 against 5.5 million s at 2,000 iterations).
    """
    if search.start or len(empty.stops) <= _BEGIN_FROM:
        return search
    first = replace(empty, routes={}, floors={}, ceilings={}, _known={})
    first.put_in()
    return replace(search, start=first.routes)


def _in_rounds(empty: Board, search: Search) -> Dealt:
    """Deal sleeves first and then the rest, anew where a predecessor finds no room.

    Each round begins with the routes of the one before.
    """
    allowed, best, ran, by_clock = empty.able.copy(), None, 0, False
    start = search.start
    for number in range(1, search.week.rounds + 1):
        board = replace(empty, routes={}, floors={}, ceilings={}, _known={})
        what = f"round {number} of {search.week.rounds}, "
        first = _first_go(board, allowed, replace(search, start=start, what=f"{what}sleeves"))
        then = replace(search, start=start, what=f"{what}the rest")
        second = _second_go(board, first.board.routes, then)
        ran += first.iterations + second.iterations
        by_clock |= first.by_clock or second.by_clock
        wanted = {n: day for day, order in first.board.routes.items() for n in order}
        start = {**first.board.routes, **second.board.routes}
        board.take_over({day: list(order) for day, order in start.items()})
        lost = {n: day for n, day in wanted.items() if n not in set(board.served)}
        board.put_in()
        if best is None or board.cost_s < best.cost_s:
            best = board
        if not lost:
            break
        for n, day in lost.items():
            same = [d for d, other in enumerate(board.days) if other.date == board.days[day].date]
            allowed[same, n] = False
    if best is None:
        message = "a week is dealt in one round at least"
        raise AssertionError(message)
    return Dealt(best, ran, by_clock)


def _one_go(board: Board, search: Search) -> Dealt:
    solved = solve(board.stops, board.days, board.able, board.roads, search)
    board.take_over(solved.routes)
    board.put_in()
    return Dealt(board, solved.iterations, solved.by_clock)


def _part(
    board: Board, picked: Sequence[int], able: Marks, search: Search, bonus: dict[int, int]
) -> Dealt:
    """Solve for some stops alone; gives routes by the board's own positions."""
    part = replace(board, routes={})
    if not picked or not able[:, list(picked)].any():
        return Dealt(part, 0, by_clock=False)
    stops = [
        replace(board.stops[n], value_s=board.stops[n].value_s + bonus.get(n, 0)) for n in picked
    ]
    place = {n: at for at, n in enumerate(picked)}
    start = {d: [place[n] for n in own if n in place] for d, own in search.start.items()}
    begun = replace(search, start=start)
    solved = solve(stops, board.days, able[:, list(picked)], board.roads, begun)
    part.routes = {day: [picked[n] for n in order] for day, order in solved.routes.items()}
    return Dealt(part, solved.iterations, solved.by_clock)


def _first_go(board: Board, allowed: Marks, search: Search) -> Dealt:
    """Deal the stops for which nothing waits, from the day on which all before them can be done."""
    picked = [n for n in range(len(board.stops)) if _is_main(board, n)]
    able = allowed & board.able
    for n in picked:
        if board.ties.before[n]:
            able[_before(board.days, _earliest(board, n)), n] = False
    return _part(board, picked, able, search, {})


def _is_main(board: Board, stop: int) -> bool:
    """Say whether a stop is dealt first: it waits for others, or carries sleeves."""
    if board.ties.later[stop]:
        return False
    return bool(board.ties.before[stop]) or board.stops[stop].loads[0] > 0


def _earliest(board: Board, stop: int) -> str:
    """Give the first date on which a stop can follow all before it; '' = never this week."""
    dates = sorted({day.date for day in board.days})
    own = sorted({board.days[int(d)].date for d in np.flatnonzero(board.able[:, stop])})
    after = ""
    for one, _ in board.ties.before[stop]:
        first = _earliest(board, one)
        following = [date for date in dates if first and date > first]
        if not following:
            return ""
        after = max(after, following[0])
    return next((date for date in own if date >= after), "")


def _before(days: Sequence[CrewDay], date: str) -> list[int]:
    """Give the days before a date; all where there is none."""
    return [n for n, day in enumerate(days) if not date or day.date < date]


def _second_go(board: Board, chosen: dict[int, list[int]], search: Search) -> Dealt:
    """Deal the rest on the crew-days that are left: predecessors only for what was chosen."""
    date_of = {n: board.days[day].date for day, order in chosen.items() for n in order}
    able, bonus = board.able.copy(), dict[int, int]()
    able[list(chosen), :] = False
    latest = _latest(board, date_of)
    picked = []
    for n in range(len(board.stops)):
        if n in date_of or _is_main(board, n):
            continue
        if not board.ties.later[n]:
            picked.append(n)
        elif n in latest:
            first, last, worth = latest[n]
            out = [d for d, day in enumerate(board.days) if not first <= day.date <= last]
            able[out, n] = False
            bonus[n] = worth
            picked.append(n)
    return _part(board, picked, able, search, bonus)


def _latest(board: Board, date_of: dict[int, str]) -> dict[int, tuple[str, str, int]]:
    """Give for each predecessor of what was chosen its first and last date, and their value."""
    dates = sorted({day.date for day in board.days})
    found: dict[int, tuple[str, str, int]] = {}
    last_of = dict(date_of)
    # From what comes last to what comes first: each on an earlier date than what it serves.
    for n in sorted(range(len(board.stops)), key=lambda n: -board.ties.depth(n)):
        if n not in last_of:
            continue
        for one, good in board.ties.before[n]:
            earlier = [date for date in dates if date < last_of[n]]
            if not earlier:
                continue
            workday = board.ties.workday
            fresh = [d for d in earlier if good is None or workday[last_of[n]] - workday[d] <= good]
            if not fresh:
                continue
            first, last, worth = found.get(one, ("", "9999", 0))
            low, high = max(first, fresh[0]), min(last, fresh[-1])
            found[one] = (low, high, worth + board.stops[n].value_s)
            last_of[one] = high
    return found
