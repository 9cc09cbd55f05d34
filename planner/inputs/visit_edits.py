"""A week's visits as a person changed them: who, when, in which order, perhaps at which time."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pandas as pd

from planner.contracts import SHIFTS, VISIT_EDITS
from planner.contracts.facts import Tables
from planner.contracts.hours import WEEKDAYS
from planner.errors import Fault, FileError
from planner.inputs.cells import read_clock_time, read_whole
from planner.inputs.forms import nearest, read_form, refuse
from planner.tables import check, conform

# Without these a visit has no times: they are asked unless all times are set anew.
TIMES = ("arrive_s", "pause_s", "start_s", "end_s", "drive_s", "drive_m", "back_s", "back_m")


def read_visit_edits(
    path: Path, tables: Tables, days: tuple[str, str], *, timed: bool, file: str = ""
) -> tuple[pd.DataFrame, list[Fault]]:
    """Read an edited table of visits.

    Parameters
    ----------
    path
        A CSV with the columns of a run's ``visits.csv``; setup_id, crew, date and seq are
        needed, any other may be missing where times are set anew.
    tables
        Of it: setups, crews, shifts of the run.
    days
        First and last date of the week.
    timed
        Whether each visit must have its times.
    file
        Name in messages.

    Returns
    -------
    edits, faults
        Obeys `VISIT_EDITS`, times in seconds; a blank crew is a set-up taken off the week.
        Refused: a set-up or crew that is not there, a set-up that stands twice, a date
        outside the week or on which the crew has no shift, a place that stands twice in a
        day, a time that is none.

    Raises
    ------
    FileError
        If the file is no CSV, or lacks a needed column, or all times where they are needed.
    """
    name = file or path.name
    # visit_id follows from crew, date and place: it is not read.
    frame, faults = read_form(
        path, VISIT_EDITS, derived=("visit_id",), as_written=("crew", "setup_id"), file=file
    )
    for column in ("setup_id", "crew"):
        frame[column] = frame[column].str.removeprefix("'")
    frame = _known(frame, tables, name, faults)
    frame = _dated(frame, check(tables["shifts"], SHIFTS), days, name, faults)
    frame = _clocked(frame, name, faults, timed=timed)
    return conform(frame, VISIT_EDITS), faults


def _known(frame: pd.DataFrame, tables: Tables, file: str, faults: list[Fault]) -> pd.DataFrame:
    setups, crews = (set(tables[t][c]) for t, c in (("setups", "setup_id"), ("crews", "crew")))
    frame = _refuse_unknown(frame, "setup_id", setups, file, faults)
    first: dict[str, int] = {}
    bad: dict[object, str] = {}
    for index, setup_id, row in frame[["setup_id", "row"]].itertuples():
        if setup_id in first:
            bad[index] = f"each set-up once; it stands in row {first[setup_id]}"
        first.setdefault(setup_id, row)
    frame = refuse(frame, bad, "setup_id", file, faults)
    return _refuse_unknown(frame, "crew", {*crews, ""}, file, faults)


def _refuse_unknown(
    frame: pd.DataFrame, column: str, known: set[str], file: str, faults: list[Fault]
) -> pd.DataFrame:
    what = "a set-up of the run" if column == "setup_id" else "a crew of the run"
    bad = {
        index: f"{what}{nearest(str(name), known - {''})}"
        for index, name in frame[column].items()
        if name not in known
    }
    return refuse(frame, bad, column, file, faults)


def _dated(
    frame: pd.DataFrame, shifts: pd.DataFrame, days: tuple[str, str], file: str, faults: list[Fault]
) -> pd.DataFrame:
    on = frame["crew"] != ""
    half = frame.index[on != (frame["date"] != "")]
    frame = refuse(frame, dict.fromkeys(half, "crew and date, or neither"), "date", file, faults)
    works = {(str(c), str(w)) for c, w in shifts[["crew", "weekday"]].itertuples(index=False)}
    bad: dict[object, str] = {}
    for index, crew, day in frame.loc[frame["crew"] != "", ["crew", "date"]].itertuples():
        weekday = WEEKDAYS[date.fromisoformat(day).weekday()]
        if not days[0] <= day <= days[1]:
            bad[index] = f"a day of the week from {days[0]} to {days[1]}"
        elif (crew, weekday) not in works:
            bad[index] = f"a day with a shift of {crew}: it has none on {weekday}"
    frame = refuse(frame, bad, "date", file, faults)
    on = frame["crew"] != ""
    none = frame.index[on & frame["seq"].isna()]
    frame = refuse(frame, dict.fromkeys(none, "its place in the day"), "seq", file, faults)
    on = frame["crew"] != ""
    twice = frame.index[on & frame.duplicated(["crew", "date", "seq"])]
    wanted = "each place in a day once"
    return refuse(frame, dict.fromkeys(twice, wanted), "seq", file, faults)


def _clocked(frame: pd.DataFrame, file: str, faults: list[Fault], *, timed: bool) -> pd.DataFrame:
    frame = frame.copy()
    for column in ("arrive_s", "start_s", "end_s"):
        seconds = {text: _seconds(text) for text in frame[column].unique()}
        bad = frame.index[(frame[column] != "") & frame[column].map(seconds).isna()]
        wanted = "seconds from midnight or H:MM"
        frame = refuse(frame, dict.fromkeys(bad, wanted), column, file, faults)
        frame[column] = ["" if seconds[t] is None else str(seconds[t]) for t in frame[column]]
    for column in TIMES if timed else ():
        blank = frame[column].isna() | (frame[column].astype(str) == "")
        if blank.all() and len(frame):
            message = f"{file}: no figures in column {column}; --retime FILE sets all times anew"
            raise FileError(message)
        bad = frame.index[blank & (frame["crew"] != "")]
        wanted = "a figure; --retime FILE sets all times anew"
        frame = refuse(frame, dict.fromkeys(bad, wanted), column, file, faults)
    return frame


def _seconds(text: str) -> int | None:
    clock = read_clock_time(text)
    return read_whole(text) if clock is None else clock
