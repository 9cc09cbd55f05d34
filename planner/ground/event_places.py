"""Whether two reports are about one place: what journal, works and sleeves are matched by."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import Any

import pandas as pd

from planner.tables import records_in

Row = Mapping[str, Any]
# Steps that stand for each other: a pipe is clean whichever of the two was reported.
ALIKE = {"clean_again": "clean"}


def reports_of(done: pd.DataFrame) -> list[dict[str, Any]]:
    """Give rows of done.csv as events: their hour is not known, and stands as 00:00."""
    return [
        {**row, "event_id": row["done_id"], "at": f"{row['done_on']}T00:00", "crew": row["by"]}
        for row in records_in(done)
    ]


def standing(events: pd.DataFrame) -> list[dict[str, Any]]:
    """Give the events that count, in the order in which they happened.

    Parameters
    ----------
    events
        Obeys `EVENTS`; what was taken back, and the taking back, count for nothing.
    """
    rows = records_in(events)
    gone = {row["about"] for row in rows if row["kind"] == "taken_back"}
    kept = (r for r in rows if r["kind"] != "taken_back" and r["event_id"] not in gone)
    return in_time(kept)


def in_time(rows: Iterable[dict[str, Any]]) -> list[dict[str, Any]]:
    """Sort events by when they happened, then as they were taken in."""
    return sorted(rows, key=lambda row: (row["at"], str(row["event_id"])))


def ends_of(row: Row) -> tuple[float, float]:
    """Give from and to of a row [m]; blank means the pipe's end."""
    start, end = float(row["from_m"]), float(row["to_m"])
    return (0.0 if math.isnan(start) else start), (math.inf if math.isnan(end) else end)


def overlap_by_half(one: Row, other: Row) -> bool:
    """Say whether two stretches overlap by half of the shorter, as ids are matched.

    Examples
    --------
    >>> overlap_by_half({"from_m": 4.5, "to_m": 6.5}, {"from_m": 5.0, "to_m": 9.0})
    True
    >>> overlap_by_half({"from_m": 4.5, "to_m": 6.5}, {"from_m": 6.0, "to_m": 9.0})
    False
    """
    (a, b), (c, d) = ends_of(one), ends_of(other)
    shared, shorter = min(b, d) - max(a, c), min(b - a, d - c)
    if math.isinf(shorter):
        return True
    return shared >= 0.5 * shorter - 1e-9


def holds(outer: Row, inner: Row, doubt_m: float = 0.0) -> bool:
    """Say whether `inner` lies in `outer`, each end within `doubt_m` [m]."""
    (a, b), (c, d) = ends_of(outer), ends_of(inner)
    return a <= c + doubt_m + 1e-9 and b >= d - doubt_m - 1e-9


def same_work(one: Row, other: Row) -> bool:
    """Say whether two rows are of one step at one place: node, or stretch of a pipe."""
    if one["step"] != other["step"]:
        return False
    if one.get("node_id") or other.get("node_id"):
        return bool(one.get("node_id") == other.get("node_id"))
    return bool(one["pipe_id"] == other["pipe_id"]) and overlap_by_half(one, other)
