"""How far the week may be from the best possible: the better of two bounds below its cost."""

from __future__ import annotations

import numpy as np
import pandas as pd

from planner.contracts import WEEK_BOUND
from planner.crews.board import Board
from planner.crews.bound_assign import assignment_bound
from planner.crews.bound_columns import Column, column_bound
from planner.crews.bound_kinds import Kind, Side, kinds_of
from planner.settings import Week
from planner.tables import conform


def bound_week(board: Board, week: Week) -> pd.DataFrame:
    """Give the cost of a week beside a cost that no week of the same set-ups can go below.

    Cost is driving, overtime at its price and the value of what is left out, in seconds, as
    `Board.cost_s` counts it. What the bounds leave out of what binds a week is told in
    `bound_kinds`.

    Parameters
    ----------
    board
        The week as it was dealt, over all set-ups that some crew can do on some day.
    week
        Rounds and steps of the search, its buckets, the gap up to which a bound is shown.

    Returns
    -------
    bound
        Obeys `WEEK_BOUND`, one row.
    """
    cost_s = board.cost_s
    kinds, side, price = kinds_of(board), Side.of(board), board.overtime_cost_s
    if not kinds:
        return _row(cost_s, 0, 0, 0, week, closed=False)
    assigned, prices = assignment_bound(kinds, side, price)
    found = column_bound(kinds, side, _driven(board, kinds), week, price, prices)
    return _row(cost_s, assigned, found.bound_s, found.rounds, week, closed=found.closed)


def _driven(board: Board, kinds: list[Kind]) -> list[Column]:
    """Give the week's own days to begin with."""
    kind_of = {day: n for n, kind in enumerate(kinds) for day in kind.days}
    columns = []
    for day, order in sorted(board.routes.items()):
        table = board.timed(day, order)
        if table is not None:
            cost_s = table.drive_s + board.overtime_cost_s * table.over_s
            columns.append(Column(kind_of[day], cost_s, np.array(order, dtype=np.int64)))
    return columns


def _row(
    cost_s: int, assigned: int, by_columns: int, rounds: int, week: Week, *, closed: bool
) -> pd.DataFrame:
    bound_s = max(assigned, by_columns)
    gap = cost_s / bound_s - 1.0 if bound_s else np.nan
    shown = cost_s == 0 or 0.0 <= gap <= week.bound_shown_ratio
    which = "columns" if by_columns >= assigned else "assignment"
    row = {
        "cost_s": cost_s,
        "bound_s": bound_s,
        "gap_ratio": 0.0 if cost_s == 0 else gap,
        "which": which if bound_s else "",
        "assignment_s": assigned,
        "columns_s": by_columns,
        "rounds": rounds,
        "closed": closed,
        "shown": shown,
        "why": _why(cost_s, gap, shown=shown),
    }
    return conform([row], WEEK_BOUND)


def _why(cost_s: int, gap: float, *, shown: bool) -> str:
    if cost_s == 0:
        return "nothing is driven and nothing is left out"
    if gap < 0:
        return "no useful bound: it lies above the week, which a bound never does; report this"
    if shown:
        return f"the week is within {np.ceil(gap * 1000) / 10:.1f} % of the best possible"
    return "no useful bound: how far the week is from the best possible is not known"
