"""Crews and their shifts, from ``crews.toml``."""

from __future__ import annotations

import datetime
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import pandas as pd

from planner.contracts import CREWS, SHIFTS
from planner.contracts.repairs import STEPS
from planner.errors import Fault
from planner.inputs.cells import read_clock_time
from planner.inputs.csv_text import shown
from planner.inputs.forms import nearest, refuse
from planner.inputs.records import read_records, unknown_keys
from planner.tables import conform

WEEKDAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
_SHIFT_KEYS = ("days", "start", "end")


@dataclass(frozen=True)
class CrewTables:
    """Crews (`CREWS`), their shifts (`SHIFTS`), the faults, and how many records were read."""

    crews: pd.DataFrame
    shifts: pd.DataFrame
    faults: list[Fault]
    read_count: int


def read_crews(raw: Mapping[str, Any], file: str = "crews.toml") -> CrewTables:
    """Read crews and shifts.

    Parameters
    ----------
    raw
        The parsed file: ``[[crew]]`` tables with the keys of `CREWS`, each with
        ``[[crew.shift]]`` tables ``days = ["mon", ...], start = "07:00", end = "16:00"``.
    file
        Name in messages.
    """
    faults = unknown_keys(raw, ("crew",), file)
    records = raw.get("crew", [])
    known = [
        {key: value for key, value in record.items() if key != "shift"}
        if isinstance(record, Mapping)
        else record
        for record in (records if isinstance(records, list) else [])
    ]
    plain = known if isinstance(records, list) else records
    frame, more = read_records(plain, CREWS, file, prefix="crew")
    faults += more
    frame = refuse(frame, _unknown_steps(frame), "crew.steps", file, faults)
    bad = dict.fromkeys(frame.index[frame.duplicated("crew")], "a name used once")
    frame = refuse(frame, bad, "crew.crew", file, faults)
    shifts: list[dict[str, object]] = []
    count = len(known)
    for row, crew in frame[["row", "crew"]].itertuples(index=False):
        found = records[int(row) - 1].get("shift", [])
        rows, wrong = _read_shifts(found, crew, int(row), file)
        shifts += rows
        faults += wrong
        if not rows:
            fault = Fault(file, int(row), "crew.shift", "", "a shift; it never works", lost=False)
            faults.append(fault)
    return CrewTables(conform(frame, CREWS), conform(shifts, SHIFTS), faults, count)


def _unknown_steps(frame: pd.DataFrame) -> dict[Any, str]:
    bad: dict[Any, str] = {}
    for i, steps in frame["steps"].items():
        wrong = [step for step in steps.split("+") if step not in STEPS]
        if wrong:
            bad[i] = f"steps out of {', '.join(STEPS)}{nearest(wrong[0], STEPS)}"
    return bad


def _read_shifts(
    found: object, crew: str, row: int, file: str
) -> tuple[list[dict[str, object]], list[Fault]]:
    """Read the shifts of one crew; of two shifts on one weekday the second is refused."""
    if not isinstance(found, list):
        return [], [Fault(file, row, "crew.shift", shown(str(found)), "[[crew.shift]] tables")]
    rows: list[dict[str, object]] = []
    faults = []
    taken: set[str] = set()
    for shift in found:
        days, start, end, fault = _shift_of(shift, row, file)
        if fault:
            faults.append(fault)
            continue
        faults += unknown_keys(shift, _SHIFT_KEYS, file, row=row, prefix="crew.shift.")
        for day in days:
            if day in taken:
                wanted = "one shift on a weekday"
                faults.append(Fault(file, row, "crew.shift.days", f"{day} twice", wanted))
                continue
            taken.add(day)
            rows.append({"crew": crew, "weekday": day, "start_s": start, "end_s": end})
    return rows, faults


def _shift_of(shift: object, row: int, file: str) -> tuple[list[str], int, int, Fault | None]:
    if not isinstance(shift, Mapping):
        fault = Fault(file, row, "crew.shift", shown(str(shift)), "a [[crew.shift]] table")
        return [], 0, 0, fault
    days = shift.get("days", [])
    if not isinstance(days, list) or not days or any(day not in WEEKDAYS for day in days):
        wanted = f"a list of weekdays out of {', '.join(WEEKDAYS)}"
        return [], 0, 0, Fault(file, row, "crew.shift.days", shown(str(days)), wanted)
    start, end = _seconds(shift.get("start")), _seconds(shift.get("end"))
    if start is None or end is None or end <= start:
        found = shown(f"{shift.get('start')} to {shift.get('end')}")
        wanted = 'start and end on one day, as "07:00" and "16:00"'
        return [], 0, 0, Fault(file, row, "crew.shift.start", found, wanted)
    return [str(day) for day in days], start, end, None


def _seconds(value: object) -> int | None:
    if isinstance(value, datetime.time):
        return value.hour * 3600 + value.minute * 60 + value.second
    return read_clock_time(value) if isinstance(value, str) else None
