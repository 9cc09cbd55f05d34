"""What the field reports of a planned week up to an instant, for tests and benchmarks."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from typing import Any

import pandas as pd

from planner.contracts.journal import WORK_STATES
from planner.tables import conform

Frames = dict[str, pd.DataFrame]
LAST_S = 23 * 3600 + 59 * 60


@dataclass(frozen=True)
class Reports:
    """States of works (`WORK_STATES`) and the tables with what is done marked so."""

    states: pd.DataFrame
    tables: Frames


def reports(
    tables: Frames,
    visits: pd.DataFrame,
    at: str,
    *,
    failed: Collection[str] = (),
    deferred: Collection[str] = (),
    silent: Collection[str] = (),
) -> Reports:
    """All that was to end by `at` is done, what was to have begun is started.

    `failed`, `deferred` and `silent` name set-ups of which that is reported instead, or
    nothing.
    """
    date, noon_s = at[:10], int(at[11:13]) * 3600 + int(at[14:16]) * 60
    links = tables["setup_works"]
    rows: list[dict[str, Any]] = []
    for visit in visits.to_dict("records"):
        setup_id, day = visit["setup_id"], visit["date"]
        begun = (day, visit["start_s"]) < (date, noon_s)
        over = (day, visit["end_s"]) <= (date, noon_s)
        if not begun or setup_id in silent:
            continue
        state, when = ("done", visit["end_s"]) if over else ("started", visit["start_s"])
        state = "failed" if setup_id in failed else state
        state = "deferred" if setup_id in deferred else state
        for work_id in links.loc[links["setup_id"] == setup_id, "work_id"]:
            row = {"work_id": work_id, "state": state, "at": clock_at(day, when)}
            rows.append({**row, "crew": visit["crew"], "reason": "so" if state != "done" else ""})
    states = conform(rows, WORK_STATES)
    works = tables["works"].copy()
    done = set(states.loc[states["state"] == "done", "work_id"])
    works.loc[works["work_id"].isin(done), "state"] = "done"
    return Reports(states, {**tables, "works": works})


def clock_at(date: str, seconds: int) -> str:
    """Write an instant of a date; what ends after midnight counts as the end of the day."""
    seconds = min(int(seconds), LAST_S)
    return f"{date}T{seconds // 3600:02d}:{seconds % 3600 // 60:02d}"


def last_of(visits: pd.DataFrame, at: str) -> str:
    """Give the set-up that ended last before an instant, on its date."""
    noon_s = int(at[11:13]) * 3600 + int(at[14:16]) * 60
    rows = visits[(visits["date"] == at[:10]) & (visits["end_s"] <= noon_s)]
    return str(rows.sort_values(["end_s", "crew"])["setup_id"].iloc[-1])
