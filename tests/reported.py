"""Events for tests: rows of the journal, and forms as a crew would send them."""

from __future__ import annotations

import csv
import io
from pathlib import Path
from typing import Any

import pandas as pd

from planner.contracts import AS_BUILT, EVENTS, MEASURED
from planner.tables import conform

COLUMNS = [name for name in EVENTS.names if name not in ("event_id", "works")]


def events(*rows: dict[str, Any]) -> pd.DataFrame:
    """Events E-000001 and on, of pipe p1 unless they say otherwise."""
    base = {"at": "2026-03-02T10:00", "by": "Ada", "crew": "north", "pipe_id": "p1"}
    return conform(
        [{**base, "event_id": f"E-{n:06d}", **row} for n, row in enumerate(rows, 1)], EVENTS
    )


def built(*rows: dict[str, Any]) -> pd.DataFrame:
    """Sleeves as built that are filmed and hold, unless they say otherwise."""
    base = {"pipe_id": "p1", "installed_at": "2026-02-10T10:00", "verified_at": "2026-02-10T12:00"}
    marks = {"failed": False, "chargeable": False}
    return conform(
        [{**base, **marks, "event_id": f"B{n}", **row} for n, row in enumerate(rows, 1)], AS_BUILT
    )


def measured(*rows: dict[str, Any]) -> pd.DataFrame:
    base = {"pipe_id": "p1", "at": "2026-02-10T10:00", "by": "Ada"}
    return conform(
        [{**base, "event_id": f"M{n}", **row} for n, row in enumerate(rows, 1)], MEASURED
    )


def write_events(path: Path, *rows: dict[str, Any]) -> Path:
    """Write a form of events; what a row does not say is blank."""
    out = io.StringIO()
    writer = csv.DictWriter(out, COLUMNS, restval="", lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    path.write_text(out.getvalue(), "utf-8")
    return path
