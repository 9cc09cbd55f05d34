"""The last stage of the week: stops change places where ties let the route solver find none.

The route solver holds no ties, so what it leaves out for their sake is tried once more, in a
model that holds them. Its answer is taken only where the board times it and finds it cheaper.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from planner.crews.board import Board
from planner.crews.exchange_model import Found, Model
from planner.settings import Week


@dataclass(frozen=True)
class Exchanged:
    """The cheaper board, and whether the clock stopped the search."""

    board: Board
    by_clock: bool


def exchange(board: Board, week: Week, *, locked: bool = False) -> Exchanged:
    """Try to better a board whose stops are tied to each other or bound to crews and days.

    Parameters
    ----------
    board
        After the route solver, with what was left put in.
    week
        How many branches are looked at, and at how many stops.
    locked
        Whether stops are bound to a crew or a day: then it is tried without ties too.

    Returns
    -------
    exchanged
        The board itself where nothing was gained.
    """
    ties = board.ties
    if not week.exchange_count or not (locked or any(ties.before) or any(ties.apart)):
        return Exchanged(board, by_clock=False)
    best, by_clock = board, False
    for strict in (False, True):
        tried = _changed(best, week, strict=strict)
        by_clock |= tried.by_clock
        best = min([best, tried.board], key=lambda one: one.cost_s)
    return Exchanged(best, by_clock)


def _changed(board: Board, week: Week, *, strict: bool) -> Exchanged:
    """Change places once; `strict`: nothing is served that only prepares what is not."""
    days, stops = scarce_part(board, week.exchange_most_count)
    if not days or not stops:
        return Exchanged(board, by_clock=False)
    model = Model(board, days, stops, week)
    if strict:
        model.useful()
    found = model.improve(board.routes)
    if found is None:
        return Exchanged(board, by_clock=False)
    tried = [_taken(board, days, found, held) for held in ({}, _tied_starts(board, found))]
    return Exchanged(min(tried, key=lambda one: one.cost_s), found.by_clock)


def scarce_part(board: Board, most: int) -> tuple[list[int], list[int]]:
    """Pick crew-days and stops, `most` of these at most, where an exchange could gain most.

    All where that is not too many; else the stops that found no place, most valuable first,
    with what is tied to them, and the crew-days that could do the most of them.
    """
    served, ties = set(board.served), board.ties
    can = [bool(own.any()) for own in board.able.T]
    all_days = [d for d in range(len(board.days)) if board.able[d].any()]
    if sum(can) <= most:
        return all_days, [n for n in range(len(board.stops)) if can[n]]
    picked: list[int] = []
    left = [n for n in range(len(board.stops)) if n not in served and can[n]]
    for n in sorted(left, key=lambda n: (-board.stops[n].value_s, n)):
        own = [one for one in [*ties.chain(n), n, *ties.later[n]] if one not in served and can[one]]
        new = [one for one in dict.fromkeys(own) if one not in set(picked)]
        if len(picked) + len(new) <= most // 2:
            picked += new
    days: list[int] = []
    use = {d: int(board.able[d, picked].sum()) if picked else 0 for d in all_days}
    for d in sorted(all_days, key=lambda d: (-use[d], d)):
        order = board.routes.get(d, [])
        if len(picked) + len(order) <= most:
            days.append(d)
            picked += order
    days.sort()
    return days, sorted(n for n in picked if board.able[days, n].any())


def _tied_starts(board: Board, found: Found) -> dict[int, int]:
    """Give the starts of the stops that are tied to one which is served too."""
    ties, served = board.ties, found.starts.keys()
    return {
        n: start_s
        for n, start_s in found.starts.items()
        if {*ties.apart[n], *ties.later[n], *(one for one, _ in ties.before[n])} & served
    }


def _taken(board: Board, days: list[int], found: Found, held: dict[int, int]) -> Board:
    """Put what was found on a board of its own, which leaves out what breaks a rule."""
    kept = {d: list(order) for d, order in board.routes.items() if d not in set(days)}
    outside = {n for order in kept.values() for n in order}
    floors = {n: floor for n, floor in board.floors.items() if n in outside}
    ceilings = {n: last for n, last in board.ceilings.items() if n in outside}
    new = replace(
        board, routes={}, floors={**floors, **held}, ceilings={**ceilings, **held}, _known={}
    )
    new.take_over({**kept, **found.routes})
    new.put_in()
    return new
