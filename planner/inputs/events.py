"""The form on which the field reports: what was done, failed, put off, measured, moved."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from pathlib import Path

import pandas as pd

from planner.contracts import EVENTS
from planner.contracts.journal import OF_STOCK
from planner.errors import Fault
from planner.inputs.cells import read_date
from planner.inputs.forms import read_form, refuse

DERIVED = ("event_id", "works")
AS_WRITTEN = ("work_id", "pipe_id", "node_id", "by", "crew", "lot", "note", "photo")
OF_WORK = ("done", "started", "failed", "deferred", "freed", "chargeable")
MEASURES = (
    "find_from_m",
    "find_to_m",
    "inside_mm",
    "laterals_known_from_m",
    "laterals_known_to_m",
    "void_visible",
)
_PAIRS = (
    ("from_m", "to_m"),
    ("find_from_m", "find_to_m"),
    ("laterals_known_from_m", "laterals_known_to_m"),
)
_TIME = re.compile(r"(\d{4}-\d{2}-\d{2})[T ]([01]\d|2[0-3]):([0-5]\d)(?::[0-5]\d)?")
# Which kinds a column is for; elsewhere it must be blank, or a slip of the pen would be lost.
_ONLY_FOR: dict[str, tuple[str, ...]] = {
    "reason": ("failed", "deferred"),
    "until": ("deferred",),
    "spent": ("failed",),
    "in_pipe": ("failed",),
    "about": ("agreed", "taken_back"),
    "item": OF_STOCK,
    "pieces_count": OF_STOCK,
    "mass_kg": ("done", "failed", *OF_STOCK),
    **dict.fromkeys(MEASURES, ("done", "measured")),
}
Marks = pd.Series


def read_events(path: Path, *, today: str = "", file: str = "") -> tuple[pd.DataFrame, list[Fault]]:
    """Read a form of events; nothing is looked up yet.

    Parameters
    ----------
    path
        A CSV with the columns of `EVENTS` but event_id and works; kind, at and by are needed.
    today
        YYYY-MM-DD: nothing can have happened later; '' = not held against a day.
    file
        Name in messages.

    Returns
    -------
    events, faults
        Columns of `EVENTS` and ``row``, in the order of the form, without numbers. Refused
        is a row that lacks what its kind asks, or says what its kind does not have.

    Raises
    ------
    FileError
        If the file is no CSV, or lacks a column that may not be blank.
    """
    name = file or path.name
    frame, faults = read_form(path, EVENTS, derived=DERIVED, as_written=AS_WRITTEN, file=file)
    frame = frame.assign(event_id="", works="")

    def without(marks: Marks, column: str, wanted: str | Callable[[int], str]) -> None:
        nonlocal frame
        told = {i: wanted if isinstance(wanted, str) else wanted(i) for i in frame.index[marks]}
        frame = refuse(frame, told, column, name, faults)

    read = frame["at"].map(_time)
    without(read == "", "at", "a day and time as YYYY-MM-DDTHH:MM")
    frame = frame.assign(at=read.loc[frame.index].astype("str"))
    if today:
        without(frame["at"].str[:10] > today, "at", f"a day no later than {today}")
    for low, high in _PAIRS:
        without(frame[low].isna() != frame[high].isna(), low, f"{low} and {high}, or neither")
        turned = (frame[low] > frame[high]).fillna(value=False).astype(bool)
        without(turned, low, f"{low} no larger than {high}")
    for column, kinds in _ONLY_FOR.items():
        told = ", ".join(kinds)
        without(
            _said(frame, column) & ~frame["kind"].isin(kinds), column, f"blank: only for {told}"
        )
    for column, wanted, lacks in _lacking():
        without(lacks(frame), column, wanted)
    faults.sort(key=lambda fault: fault.row)
    return frame.reset_index(drop=True), faults


def _time(text: str) -> str:
    found = _TIME.fullmatch(text.strip())
    day = read_date(found[1]) if found else None
    return f"{day}T{found[2]}:{found[3]}" if found and day else ""


def _said(frame: pd.DataFrame, column: str) -> Marks:
    values = frame[column]
    return values.notna() if EVENTS[column].kind not in ("text", "date") else values != ""


def _any(frame: pd.DataFrame, columns: Iterable[str]) -> Marks:
    return pd.concat([_said(frame, one) for one in columns], axis=1).any(axis=1)


def _lacking() -> list[tuple[str, str, Callable[[pd.DataFrame], Marks]]]:
    """List what a row can lack: column, what is wanted, and which rows lack it."""

    def of(kinds: Iterable[str]) -> Callable[[pd.DataFrame], Marks]:
        return lambda f: f["kind"].isin(list(kinds))

    def blank(column: str, where: Callable[[pd.DataFrame], Marks]) -> Callable[..., Marks]:
        return lambda f: where(f) & ~_said(f, column)

    placed = of(OF_WORK)

    def by_place(f: pd.DataFrame) -> Marks:
        return placed(f) & (f["work_id"] == "")

    def nowhere(f: pd.DataFrame) -> Marks:
        return (f["pipe_id"] == "") & (f["node_id"] == "")

    def moved(item: str) -> Callable[[pd.DataFrame], Marks]:
        return lambda f: of(OF_STOCK)(f) & (f["item"] == item)

    def nothing(column: str, item: str) -> Callable[[pd.DataFrame], Marks]:
        return lambda f: moved(item)(f) & ~(f[column] > 0).fillna(value=False).astype(bool)

    either = "a pipe_id, or for check_access a node_id"
    sleeve_by_place = "from_m and to_m of the sleeve, or its work_id"
    return [
        ("step", "a step, or a work_id", lambda f: by_place(f) & (f["step"] == "")),
        ("pipe_id", either, lambda f: by_place(f) & nowhere(f)),
        ("pipe_id", either, lambda f: by_place(f) & (f["pipe_id"] == "")
         & (f["step"] != "check_access")),
        ("from_m", sleeve_by_place, lambda f: by_place(f) & (f["step"] == "sleeve")
         & f["from_m"].isna()),
        ("reason", "a reason code", blank("reason", of(("failed", "deferred")))),
        ("note", "what it was, with reason 'other'",
         lambda f: (f["reason"] == "other") & (f["note"] == "")),
        ("until", "a day after that of at",
         lambda f: (f["until"] != "") & (f["until"] <= f["at"].str[:10])),
        ("pipe_id", "the pipe that was measured", blank("pipe_id", of(("measured",)))),
        ("inside_mm", f"one of {', '.join(MEASURES)}",
         lambda f: of(("measured",))(f) & ~_any(f, MEASURES)),
        ("inside_mm", "more than 0", lambda f: (f["inside_mm"] <= 0).fillna(value=False)),
        ("item", "sleeve or resin", blank("item", of(OF_STOCK))),
        ("system", "a sleeve system", blank("system", of(OF_STOCK))),
        ("dn_mm", "a figure, for sleeve", blank("dn_mm", moved("sleeve"))),
        ("length_m", "a figure, for sleeve", blank("length_m", moved("sleeve"))),
        ("pieces_count", "at least 1, for sleeve", nothing("pieces_count", "sleeve")),
        ("mass_kg", "more than 0, for resin", nothing("mass_kg", "resin")),
        ("about", "the event that is meant, as E-000001", blank("about",
                                                               of(("agreed", "taken_back")))),
        ("step", "the work that is agreed to", blank("step", of(("agreed",)))),
    ]  # fmt: skip
