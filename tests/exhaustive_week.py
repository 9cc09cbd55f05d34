"""The least cost of a small week, by trying every order of every set of stops on every day."""

from __future__ import annotations

from itertools import permutations

from planner.crews.board import Board
from planner.crews.timetable import timetable, within_loads


def day_costs(board: Board, day: int) -> dict[frozenset[int], int]:
    """Least driving and overtime of a day for each set of stops that fits it."""
    can = [n for n in range(len(board.stops)) if board.able[day, n]]
    best: dict[frozenset[int], int] = {frozenset(): 0}
    for size in range(1, len(can) + 1):
        for order in permutations(can, size):
            stops = [board.stops[n] for n in order]
            if not within_loads(board.days[day], stops):
                continue
            table = timetable(board.days[day], stops, board.roads)
            if table is not None:
                cost = table.drive_s + board.overtime_cost_s * table.over_s
                key = frozenset(order)
                best[key] = min(best.get(key, cost), cost)
    return best


def least_cost(board: Board) -> int:
    """Least cost over all days; of the chains only that what must come before is served too."""
    weeks: dict[frozenset[int], int] = {frozenset(): 0}
    for day in range(len(board.days)):
        own = day_costs(board, day)
        after: dict[frozenset[int], int] = {}
        for done, cost in weeks.items():
            for more, extra in own.items():
                if not done & more:
                    key = done | more
                    after[key] = min(after.get(key, cost + extra), cost + extra)
        weeks = after
    allowed = [
        cost + sum(s.value_s for n, s in enumerate(board.stops) if n not in done)
        for done, cost in weeks.items()
        if _in_chain(board, done) and _on_shelf(board, done)
    ]
    return min(allowed)


def _in_chain(board: Board, done: frozenset[int]) -> bool:
    return all(one in done for n in done for one, _ in board.ties.before[n])


def _on_shelf(board: Board, done: frozenset[int]) -> bool:
    """Count the shelf anew: what the served stops take of each item is there."""
    for item, stock in board.shelf.stock.items():
        used = sum(
            board.shelf.takes[board.stops[n].setup_id][item]
            for n in done
            if board.stops[n].setup_id in board.shelf.takes
        )
        if used > stock:
            return False
    return True
