"""A week that a person changed: as written, or with its times set anew in the order written."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from planner.contracts import UNSERVED, VISIT_EDITS, VISITS
from planner.contracts.facts import Tables
from planner.crews.board import Board
from planner.crews.hours import TAKEN_OFF
from planner.crews.shelf import Shelf
from planner.crews.ties import Ties
from planner.crews.timetable import Roads, timetable
from planner.crews.travel import Travel
from planner.crews.week import lay_out, visits_of
from planner.settings import Week
from planner.tables import check, conform

BY_HAND = TAKEN_OFF


@dataclass(frozen=True)
class Edited:
    """Visits (`VISITS`), set-ups without one (`UNSERVED`), and days whose order does not fit.

    `misfits` says of each set-up that its day has no time for why, by id.
    """

    visits: pd.DataFrame
    unserved: pd.DataFrame
    misfits: Mapping[str, str] = field(default_factory=dict)


def as_written(edits: pd.DataFrame, unserved: pd.DataFrame) -> Edited:
    """Take edited visits as they stand.

    Parameters
    ----------
    edits
        Obeys `VISIT_EDITS`; a blank crew takes a set-up off the week.
    unserved
        Obeys `UNSERVED`: what the run left out and why.
    """
    rows = check(edits, VISIT_EDITS)
    on = rows[rows["crew"] != ""]
    ids = [f"{c}|{d}|{s}" for c, d, s in on[["crew", "date", "seq"]].itertuples(index=False)]
    times = {name: pd.to_numeric(on[name]).astype("Int64") for name in ("arrive_s", "start_s")}
    times["end_s"] = pd.to_numeric(on["end_s"]).astype("Int64")
    blank = {name: on[name].fillna(0) for name in ("pause_s", "end_pause_s")}
    by_air = on["by_air"].fillna(value=False)
    visits = on.assign(visit_id=ids, by_air=by_air, **times, **blank)
    return Edited(conform(visits, VISITS), _left(rows, unserved))


def _left(
    rows: pd.DataFrame, unserved: pd.DataFrame, misfits: Mapping[str, str] | None = None
) -> pd.DataFrame:
    """Give what has no visit: what the run left out and nobody put in, and what was taken off."""
    off = rows.loc[rows["crew"] == "", "setup_id"]
    reasons = {**dict.fromkeys(off, BY_HAND), **(misfits or {})}
    kept = unserved[~unserved["setup_id"].isin(set(rows["setup_id"]))]
    reasons |= dict(zip(kept["setup_id"], kept["reason"], strict=True))
    return conform([{"setup_id": one, "reason": why} for one, why in reasons.items()], UNSERVED)


def set_anew(
    edits: pd.DataFrame, tables: Tables, ways: Travel, week: Week, first_day: str
) -> Edited:
    """Set the times of edited visits anew, each day in the order written.

    A set-up starts after what must come before it on the same day. A stop that its day
    has no time for after those before it is left out and told.

    Parameters
    ----------
    edits
        Obeys `VISIT_EDITS`; of it crew, date and seq count.
    tables, ways, week, first_day
        As for `plan_week`; of `tables` unserved too.
    """
    rows = check(edits, VISIT_EDITS)
    stops, days = lay_out(tables, ways, week, first_day)
    ties = Ties.of(tables, stops, week, first_day)
    # Who can do what is for the audit: here each order is only timed.
    able = np.ones((len(days), len(stops)), dtype=bool)
    roads = Roads(ways, week.manoeuvre_s)
    board = Board(stops, days, able, roads, Shelf.of(tables), ties, week.overtime_cost_s)
    at = {stop.setup_id: n for n, stop in enumerate(stops)}
    day_of = {(day.crew, day.date): n for n, day in enumerate(days)}
    orders: dict[int, list[int]] = {}
    on = rows[rows["crew"] != ""].sort_values(["crew", "date", "seq"], kind="stable")
    for setup_id, crew, date in on[["setup_id", "crew", "date"]].itertuples(index=False):
        orders.setdefault(day_of[crew, date], []).append(at[setup_id])
    # As often as stops can wait for each other: each pass may move those behind.
    misfits: dict[str, str] = {}
    for _ in range(1 + max((ties.depth(n) for n in range(len(stops))), default=0)):
        misfits = _lay_on(board, orders)
        _wait(board)
    return Edited(visits_of(board), _left(rows, tables["unserved"], misfits), misfits)


def _lay_on(board: Board, orders: dict[int, list[int]]) -> dict[str, str]:
    """Put each day's order on the board, stop by stop; say which do not fit."""
    misfits = {}
    board.routes.clear()
    for day, order in sorted(orders.items()):
        kept: list[int] = []
        for n in order:
            if board.timed(day, [*kept, n]) is None:
                misfits[board.stops[n].setup_id] = _misfit(board, day, n, len(kept))
            else:
                kept.append(n)
        if kept:
            board.routes[day] = kept
    return misfits


def _misfit(board: Board, day: int, stop: int, after: int) -> str:
    own, row = board.stops[stop], board.days[day]
    shut = not own.starts(row.date)
    alone = not shut and timetable(row, [own], board.roads) is None
    why = (
        "it may not start on that date"
        if shut
        else "it does not fit that day even alone"
        if alone
        else f"no time is left for it after {after} stops"
    )
    return f"{row.crew} on {row.date}: {why}"


def _wait(board: Board) -> None:
    """Let each stop start after what comes before it on the same date."""
    when = {
        n: (board.days[day].date, times.end_s)
        for day, order in board.routes.items()
        if (table := board.timed(day, order)) is not None
        for n, times in zip(order, table.visits, strict=True)
    }
    for n, (date, _) in when.items():
        before = [when[one] for one, _ in board.ties.before[n] if one in when]
        ends = [end_s for day, end_s in before if day == date]
        if ends:
            board.floors[n] = max(ends)
