"""Hours of streets, days without work and permits, from ``hours.toml``; notices from a CSV."""

from __future__ import annotations

import datetime
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from planner.contracts import CLOSED, NOTICES, PERMITS, WEATHER, WINDOWS
from planner.contracts.hours import DAY_S, WEEKDAYS
from planner.errors import Fault, shown
from planner.inputs.cells import read_clock_time
from planner.inputs.forms import read_form, refuse
from planner.inputs.records import read_records, unknown_keys
from planner.tables import Table, conform

FILE = "hours.toml"
NOTICES_FILE = "notices.csv"
_CLOCK = ("open", "close", "close_next_day")
_WANTED = 'open before close, as "09:00" and "15:00"; past midnight add close_next_day = true'
Record = Mapping[str, Any]


@dataclass(frozen=True)
class HourTables:
    """`WINDOWS`, `CLOSED`, `PERMITS`, `WEATHER`, the faults, and how many records were read."""

    windows: pd.DataFrame
    closed: pd.DataFrame
    permits: pd.DataFrame
    weather: pd.DataFrame
    faults: list[Fault]
    read_count: int


def read_hours(raw: Mapping[str, Any], file: str = FILE) -> HourTables:
    """Read when work may be done in the streets.

    Parameters
    ----------
    raw
        The parsed file. ``[[window]]`` has street_class ('' = every class not named), days =
        ["mon", ...], open and close as "09:00", close_next_day = true where it ends after
        midnight, permit = true where a granted permit is needed, source. ``[[closed]]`` has
        the keys of `CLOSED`, ``[[weather]]`` those of `WEATHER`, ``[[permit]]`` those of
        `PERMITS` with open and close.
    file
        Name in messages.

    Returns
    -------
    HourTables
        Refused: a window or permit that ends before it starts, two windows of a class
        that overlap on a day, a last day before the first, a permit that names neither
        street nor manhole.
    """
    arrays = ("window", "closed", "permit", "weather")
    faults = unknown_keys(raw, arrays, file)
    windows = _windows(raw.get("window", []), file, faults)
    closed, wrong = read_records(raw.get("closed", []), CLOSED, file, prefix="closed")
    faults += wrong
    closed = _in_order(closed, "closed", file, faults)
    permits = _permits(raw.get("permit", []), file, faults)
    weather, wrong = read_records(raw.get("weather", []), WEATHER, file, prefix="weather")
    faults += wrong
    twice = dict.fromkeys(weather.index[weather.duplicated(["date", "weather"])], "a day once")
    weather = refuse(weather, twice, "weather.date", file, faults)
    records = [raw.get(name) for name in arrays]
    count = sum(len(part) for part in records if isinstance(part, list))
    return HourTables(
        windows, conform(closed, CLOSED), permits, conform(weather, WEATHER), faults, count
    )


def _windows(records: object, file: str, faults: list[Fault]) -> pd.DataFrame:
    """Lay out one row for each weekday of each window."""
    timed = [_timed(one) for one in _list_of(records)]
    plain = [{k: v for k, v in one.items() if k != "days"} for one in timed]
    days = [one.get("days") for one in timed]
    derived = ("weekday", "open_s", "close_s")
    more = ("days", *_CLOCK)
    frame, hours = _read(plain, WINDOWS, ("window", file, derived, more), faults)
    rows: list[dict[str, Any]] = []
    taken: dict[tuple[str, str], list[tuple[int, int]]] = {}
    for record in frame.to_dict("records"):
        row = int(record["row"])
        names = days[row - 1]
        if not isinstance(names, list) or not names or any(one not in WEEKDAYS for one in names):
            wanted = f"a list of weekdays out of {', '.join(WEEKDAYS)}"
            faults.append(Fault(file, row, "window.days", shown(str(names)), wanted))
            continue
        open_s, close_s = hours[row]
        for name in dict.fromkeys(names):
            own = taken.setdefault((str(record["street_class"]), name), [])
            if any(open_s < close and start < close_s for start, close in own):
                found = f"{name} {_clock(open_s)} to {_clock(close_s)}"
                wanted = "hours that no window of this class has taken on that day"
                faults.append(Fault(file, row, "window.open", found, wanted))
                continue
            own.append((open_s, close_s))
            permit = False if pd.isna(record["permit"]) else bool(record["permit"])
            hour = {"weekday": name, "open_s": open_s, "close_s": close_s, "permit": permit}
            rows.append({str(k): v for k, v in record.items()} | hour)
    return conform(rows, WINDOWS)


def _permits(records: object, file: str, faults: list[Fault]) -> pd.DataFrame:
    timed = [_timed(one) for one in _list_of(records)]
    frame, hours = _read(timed, PERMITS, ("permit", file, ("open_s", "close_s"), _CLOCK), faults)
    frame = _in_order(frame, "permit", file, faults)
    nowhere = frame.index[(frame["street"] == "") & (frame["node_id"] == "")]
    bad = dict.fromkeys(nowhere, "a street or a node_id")
    frame = refuse(frame, bad, "permit.street", file, faults)
    rows = frame["row"].astype(int)
    frame = frame.assign(
        open_s=[hours[row][0] for row in rows], close_s=[hours[row][1] for row in rows]
    )
    return conform(frame, PERMITS)


def _list_of(records: object) -> list[Any]:
    return records if isinstance(records, list) else []


def _timed(record: object) -> dict[str, Any]:
    return dict(record) if isinstance(record, Mapping) else {}


def _read(
    records: Sequence[Record],
    table: Table,
    how: tuple[str, str, tuple[str, ...], tuple[str, ...]],
    faults: list[Fault],
) -> tuple[pd.DataFrame, dict[int, tuple[int, int]]]:
    """Read records with clock times; gives those whose hours can be read, and the hours by row.

    `how`: name of the array, of the file, columns filled later, and keys of times.
    """
    prefix, file, derived, more = how
    plain = [{k: v for k, v in one.items() if k not in more} for one in records]
    if table is WINDOWS:
        plain = [{"permit": False, **one} for one in plain]
    frame, wrong = read_records(plain, table, file, derived=derived, prefix=prefix)
    faults += wrong
    hours: dict[int, tuple[int, int]] = {}
    bad: dict[Any, str] = {}
    for i, row in frame["row"].astype(int).items():
        found = hours_of(records[row - 1], "open", "close")
        if found is None:
            record = records[row - 1]
            said = shown(f"{record.get('open')} to {record.get('close')}")
            faults.append(Fault(file, row, f"{prefix}.open", said, _WANTED))
            bad[i] = _WANTED
        else:
            hours[row] = found
    return frame.drop(index=list(bad)), hours


def hours_of(record: Record, start: str, end: str) -> tuple[int, int] | None:
    """Read two clock times [s from midnight]; None where they are none or in the wrong order.

    Parameters
    ----------
    record
        With the keys `start`, `end` and, where the end is on the next day, ``<end>_next_day``.
    start, end
        Names of the keys.
    """
    one, other = _seconds(record.get(start)), _seconds(record.get(end))
    later = record.get(f"{end}_next_day", False)
    if one is None or other is None or not isinstance(later, bool):
        return None
    other += DAY_S if later else 0
    return (one, other) if one < other <= one + DAY_S else None


def _seconds(value: object) -> int | None:
    if isinstance(value, datetime.time):
        return value.hour * 3600 + value.minute * 60 + value.second
    return read_clock_time(value) if isinstance(value, str) else None


def _in_order(frame: pd.DataFrame, prefix: str, file: str, faults: list[Fault]) -> pd.DataFrame:
    turned = frame.index[frame["from_date"] > frame["to_date"]]
    bad = dict.fromkeys(turned, "a last day no earlier than the first")
    return refuse(frame, bad, f"{prefix}.to_date", file, faults)


def _clock(seconds: int) -> str:
    return f"{seconds // 3600 % 24:02d}:{seconds % 3600 // 60:02d}"


def read_notices(path: Path, *, file: str = "") -> tuple[pd.DataFrame, list[Fault]]:
    """Read the notices to residents.

    Parameters
    ----------
    path
        A CSV with the columns of `NOTICES`: pipe_id, address, for_date, sent_on, by.
    file
        Name in messages.

    Returns
    -------
    notices, faults
        Obeys `NOTICES`; one that was sent after the day that it names is refused.

    Raises
    ------
    FileError
        If the file is no CSV, or lacks a column that may not be blank.
    """
    name = file or path.name
    frame, faults = read_form(
        path, NOTICES, derived=("notice_id",), as_written=("by", "address"), file=file
    )
    late = frame.index[(frame["sent_on"] != "") & (frame["sent_on"] > frame["for_date"])]
    bad = dict.fromkeys(late, "a day no later than for_date")
    frame = refuse(frame, bad, "sent_on", name, faults)
    ids = [f"{name}:{row}" for row in frame["row"]]
    return conform(frame.assign(notice_id=ids, file=name), NOTICES), faults
