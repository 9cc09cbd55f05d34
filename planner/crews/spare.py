"""What is left of each crew's day: hours, sleeves, resin."""

from __future__ import annotations

import pandas as pd

from planner.contracts import SPARE
from planner.crews.board import Board
from planner.crews.timetable import NO_LIMIT
from planner.tables import conform


def spare_days(board: Board) -> pd.DataFrame:
    """Give for each crew-day of the week what is not planned.

    Parameters
    ----------
    board
        The week as it was dealt.

    Returns
    -------
    spare
        Obeys `SPARE`; a crew that stays in the yard has the whole of it.
    """
    rows = []
    for number, day in enumerate(board.days):
        order = board.routes.get(number, [])
        table = board.timed(number, order) if order else None
        used = [sum(board.stops[n].loads[load] for n in order) for load in range(3)]
        left = [None if held >= NO_LIMIT else held - own
                for held, own in zip(day.holds, used, strict=True)]  # fmt: skip
        away_s = table.home_s - table.leave_s if table else 0
        rows.append(
            {
                "crew": day.crew,
                "date": day.date,
                "most_s": day.most_s,
                "spare_s": max(0, day.most_s - away_s),
                "over_s": table.over_s if table else 0,
                "van_sleeves_left_count": left[0],
                "van_resin_left_g": left[1],
                "sleeves_left_ratio": 1.0 - used[2] / day.holds[2],
            }
        )
    return conform(rows, SPARE)
