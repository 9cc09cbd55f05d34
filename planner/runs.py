"""What a command does with a run that was written: audit it, also after a person changed it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from planner.contracts import TABLES, VISITS
from planner.crews.audit import audit_week
from planner.crews.edited import BY_HAND, Edited, as_written, set_anew
from planner.crews.travel import Travel, travel
from planner.crews.week import dates_of
from planner.errors import FileError
from planner.inputs.visit_edits import read_visit_edits
from planner.outputs.files import write_table
from planner.outputs.read_back import read_record, read_tables
from planner.settings import Week

RUNS = "out"
# All that a week is audited from.
WEEK_TABLES = (
    "pipes", "nodes", "streets", "sleeves", "choices", "choice_sleeves", "findings", "flows",
    "works", "work_after", "setups", "setup_works", "setup_after", "setup_apart", "setup_hours",
    "visits", "unserved", "crews", "shifts", "packers", "systems", "system_sizes", "process",
    "conditions", "stock", "windows", "closed", "permits", "weather", "notices",
)  # fmt: skip


@dataclass(frozen=True)
class Run:
    """A run as its folder holds it: tables, drives, settings of the week, first day."""

    folder: Path
    tables: dict[str, pd.DataFrame]
    ways: Travel
    week: Week
    first_day: str
    record: dict[str, Any]


@dataclass(frozen=True)
class Audited:
    """Lines to print, and whether a fault is among them."""

    lines: list[str]
    faulty: bool


def run_folder(folder: Path, name: str = "") -> Path:
    """Give the folder of a run: the newest, or the one named.

    Raises
    ------
    FileError
        If there is none.
    """
    runs = folder / RUNS
    found = sorted(one for one in runs.glob("*") if one.name.isdigit() and one.is_dir())
    if name:
        found = [one for one in found if int(one.name) == int(name)] if name.isdigit() else []
    if not found:
        message = f"{runs}: no run{f' {name}' if name else ''}; sleeveplan plan makes one"
        raise FileError(message)
    return max(found, key=lambda one: int(one.name))


def read_run(run: Path, *, without: Iterable[str] = ()) -> Run:
    """Read what a week is audited and planned again from.

    Parameters
    ----------
    run
        Folder of the run.
    without
        Tables that are not read.

    Raises
    ------
    FileError
        If a table is missing or damaged.
    """
    record = read_record(run)
    wanted = set(WEEK_TABLES) - set(without)
    contracts = [table for table in TABLES if table.name in wanted]
    tables = read_tables(run, contracts, str(record.get("local_crs", "")))
    missing = sorted(wanted - tables.keys())
    if missing:
        message = f"{run / 'tables'}: {', '.join(missing)} not there"
        raise FileError(message)
    said = record["settings"]
    week = Week(**{key: one["value"] for key, one in said["week"].items()})
    source = str(record.get("source_crs", ""))
    ways = travel(
        tables["setups"], tables["crews"], tables["streets"], week, source_crs=source  # type: ignore[arg-type]
    )  # fmt: skip
    first_day = str(said["project"]["first_day"]["value"])
    return Run(run, tables, ways, week, first_day, record)


def audit_run(
    folder: Path, name: str = "", visits: Path | None = None, retimed: Path | None = None
) -> Audited:
    """Audit the week of a run from its tables alone, as it was planned or as a person changed it.

    Parameters
    ----------
    folder
        Project folder.
    name
        Number of the run; '' = the newest.
    visits
        An edited copy of the run's ``tables/visits.csv``; None = that file itself.
    retimed
        Where visits are written with their times set anew in the order given, and audited;
        None = times are audited as they stand.

    Raises
    ------
    FileError
        If there is no run, or a table cannot be read.
    """
    run = read_run(run_folder(folder, name), without=("visits",))
    path = visits or run.folder / "tables" / "visits.csv"
    dates = [day for day, _ in dates_of(run.first_day, run.week)] or [""]
    edits, faults = read_visit_edits(
        path, run.tables, (dates[0], dates[-1]), timed=retimed is None, file=str(path)
    )
    lines = [str(fault) for fault in faults]
    edited = as_written(edits, run.tables["unserved"]) if retimed is None else set_anew(
        edits, run.tables, run.ways, run.week, run.first_day
    )  # fmt: skip
    lines += [f"time: {one}: found {why}" for one, why in sorted(edited.misfits.items())]
    lines += _promises(edited, run.tables["setup_hours"])
    week = {**run.tables, "visits": edited.visits, "unserved": edited.unserved}
    audit = audit_week(week, run.ways, run.week, first_day=run.first_day)
    lines += audit_lines(audit)
    if retimed is not None:
        write_table(retimed, edited.visits, VISITS)
    count = f"{len(edited.visits)} visits of run {run.folder.name}"
    told = f"{len(lines)} faults in {count}" if lines else f"{count}: no fault"
    off = edited.unserved.loc[edited.unserved["reason"] == BY_HAND, "setup_id"]
    notes = [f"{one}: {BY_HAND}" for one in off]
    return Audited([*lines, *notes, told], bool(lines))


def audit_lines(audit: pd.DataFrame) -> list[str]:
    """Say each fault in one line: what, where, found, limit."""
    rows = audit[["rule", "visit_id", "found", "limit"]].itertuples(index=False)
    return [f"{rule}: {where}: found {found}; wanted {limit}" for rule, where, found, limit in rows]


def _promises(edited: Edited, hours: pd.DataFrame) -> list[str]:
    """Tell each promised day of a set-up that a person took off the week."""
    off = set(edited.unserved.loc[edited.unserved["reason"] == BY_HAND, "setup_id"])
    rows = hours[hours["promised"] & hours["setup_id"].isin(off) & (hours["reason"] == "")]
    told = rows.groupby("setup_id", sort=True)["date"].agg(
        lambda days: ", ".join(sorted(set(days)))
    )
    return [
        f"promise: {setup_id}: found no visit; wanted one on {days}, which was promised"
        for setup_id, days in told.items()
    ]
