"""Crews and their shifts, from ``crews.toml``."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd

from planner.contracts import CREWS, SHIFTS
from planner.contracts.hours import DAY_S, WEEKDAYS
from planner.contracts.repairs import STEPS
from planner.errors import Fault, shown
from planner.inputs.forms import nearest, refuse
from planner.inputs.hours import hours_of
from planner.inputs.records import read_records, unknown_keys
from planner.tables import conform

_SHIFT_KEYS = ("days", "start", "end", "end_next_day", "overtime_s")
_BREAK_KEYS = ("break_from", "break_to")


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
        ``[[crew.shift]]`` tables ``days = ["mon", ...], start = "07:00", end = "16:00"``, of
        a night with ``end_next_day = true``, and overtime_s where overtime may be planned. A
        pause is ``break_s = 1800, break_from = "11:30", break_to = "13:30"``.
    file
        Name in messages.
    """
    faults = unknown_keys(raw, ("crew",), file)
    records = raw.get("crew", [])
    known = [
        {key: value for key, value in record.items() if key not in ("shift", *_BREAK_KEYS)}
        if isinstance(record, Mapping)
        else record
        for record in (records if isinstance(records, list) else [])
    ]
    plain = known if isinstance(records, list) else records
    derived = ("break_from_s", "break_to_s")
    frame, more = read_records(plain, CREWS, file, derived=derived, prefix="crew")
    faults += more
    frame = refuse(frame, _unknown_steps(frame), "crew.steps", file, faults)
    frame = _with_breaks(frame, records, file, faults)
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


def _with_breaks(
    frame: pd.DataFrame, records: Sequence[Mapping[str, Any]], file: str, faults: list[Fault]
) -> pd.DataFrame:
    """Read when each crew's pause begins; a crew whose pause cannot be read is refused."""
    rows = frame["row"].astype(int)
    found = [hours_of(records[row - 1], *_BREAK_KEYS) for row in rows]
    said = [[key in records[row - 1] for key in _BREAK_KEYS] for row in rows]
    length = frame["break_s"].fillna(0).astype(int)
    bad = {
        i: 'break_s, and break_from before break_to as "11:30" and "13:30"'
        for i, hours, there, pause_s in zip(frame.index, found, said, length, strict=True)
        if (any(there) or pause_s) and (hours is None or not pause_s)
    }
    frame = frame.assign(
        break_from_s=pd.array([one[0] if one else None for one in found], dtype="Int64"),
        break_to_s=pd.array([one[1] if one else None for one in found], dtype="Int64"),
    )
    return refuse(frame, bad, "crew.break_s", file, faults)


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
    taken: dict[str, tuple[int, int]] = {}
    for shift in found:
        days, times, fault = _shift_of(shift, row, file)
        if fault or times is None:
            faults += [fault] if fault else []
            continue
        faults += unknown_keys(shift, _SHIFT_KEYS, file, row=row, prefix="crew.shift.")
        start, end, over = times
        for day in days:
            if day in taken:
                wanted = "one shift on a weekday"
                faults.append(Fault(file, row, "crew.shift.days", f"{day} twice", wanted))
                continue
            run_on = _runs_into(day, (start, end + over), taken)
            if run_on:
                wanted = "shifts that do not overlap"
                faults.append(Fault(file, row, "crew.shift.days", run_on, wanted))
                continue
            taken[day] = start, end + over
            shown_s = {"start_s": start, "end_s": end, "overtime_s": over}
            rows.append({"crew": crew, "weekday": day, **shown_s})
    return rows, faults


def _runs_into(day: str, own: tuple[int, int], taken: Mapping[str, tuple[int, int]]) -> str:
    """Say that a shift with its overtime runs into the next day's, or the day before's into it."""
    at = WEEKDAYS.index(day)
    after, before = WEEKDAYS[(at + 1) % 7], WEEKDAYS[at - 1]
    if after in taken and own[1] - DAY_S > taken[after][0]:
        return f"the shift of {day} runs into that of {after}"
    if before in taken and taken[before][1] - DAY_S > own[0]:
        return f"the shift of {before} runs into that of {day}"
    return ""


def _shift_of(
    shift: object, row: int, file: str
) -> tuple[list[str], tuple[int, int, int] | None, Fault | None]:
    if not isinstance(shift, Mapping):
        return [], None, Fault(file, row, "crew.shift", shown(str(shift)), "a [[crew.shift]] table")
    days = shift.get("days", [])
    if not isinstance(days, list) or not days or any(day not in WEEKDAYS for day in days):
        wanted = f"a list of weekdays out of {', '.join(WEEKDAYS)}"
        return [], None, Fault(file, row, "crew.shift.days", shown(str(days)), wanted)
    hours, over = hours_of(shift, "start", "end"), shift.get("overtime_s", 0)
    if hours is None:
        found = shown(f"{shift.get('start')} to {shift.get('end')}")
        wanted = 'start before end, as "07:00" and "16:00"; of a night add end_next_day = true'
        return [], None, Fault(file, row, "crew.shift.start", found, wanted)
    if isinstance(over, bool) or not isinstance(over, int) or over < 0:
        wanted = "whole seconds, 0 or more"
        return [], None, Fault(file, row, "crew.shift.overtime_s", shown(str(over)), wanted)
    return [str(day) for day in days], (*hours, over), None
