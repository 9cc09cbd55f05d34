"""What a command does with a run that was written: audit it, plan its week again, let it stand."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from planner.contracts import PLAN_CHANGES, TABLES, VISITS
from planner.crews.audit import audit_week
from planner.crews.by_hand import HandMade, make_by_hand
from planner.crews.changes import to_sign
from planner.crews.edited import BY_HAND, Edited, as_written, set_anew
from planner.crews.frozen import Instant
from planner.crews.pinned import in_force
from planner.crews.travel import Travel, travel
from planner.crews.week import dates_of
from planner.errors import FileError
from planner.folder import kept_drives, with_notes, write_run
from planner.inputs.project import read_project
from planner.inputs.visit_edits import read_visit_edits
from planner.outputs.files import write_table
from planner.outputs.read_back import read_record, read_tables
from planner.propose import Engineer, propose
from planner.replan import Again, make_replan
from planner.run_folders import RUNS, own_file, run_number, runs_of
from planner.settings import Settings, Week
from planner.store.chosen import store_of
from planner.tables import empty

# In the folder of a run that was planned again: from when, out of which; who let it stand, or
# left it. In that of a week that was kept as people changed it: who, out of which.
AGAIN, ACCEPTED, LEFT, KEPT = "replan.json", "accepted.json", "left.json", "kept.json"
STANDING_TABLES = (
    "visits", "unserved", "setups", "setup_works", "works", "sleeves", "sleeve_spans",
    "sleeve_laterals",
)  # fmt: skip
# All that a week is audited from.
WEEK_TABLES = (
    "pipes", "nodes", "streets", "sleeves", "choices", "choice_sleeves", "findings", "flows",
    "works", "work_after", "setups", "setup_works", "setup_after", "setup_apart", "setup_hours",
    "visits", "unserved", "crews", "shifts", "packers", "systems", "system_sizes", "process",
    "conditions", "stock", "windows", "closed", "permits", "weather", "notices", "pins",
)  # fmt: skip
# Not written where nobody said anything by hand.
_OPTIONAL = frozenset({"pins"})


@dataclass(frozen=True)
class Run:
    """A run as its folder holds it: tables, drives, settings of the week, first day.

    `at` is the instant from which it was planned again; '' = it was not.
    """

    folder: Path
    tables: dict[str, pd.DataFrame]
    ways: Travel
    week: Week
    first_day: str
    at: str


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
    runs, found = folder / RUNS, runs_of(folder)
    if name:
        number = run_number(name)
        found = [one for one in found if run_number(one.name) == number and number]
    if not found:
        message = f"{runs}: no run{f' {name[:20]}' if name else ''}; sleeveplan plan makes one"
        raise FileError(message)
    return found[-1]


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
    missing = sorted(wanted - tables.keys() - _OPTIONAL)
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
    return Run(run, tables, ways, week, first_day, _again(run).get("at", ""))


def _again(run: Path) -> dict[str, str]:
    """Read from when and out of which run a plan was made again; {} = it was not."""
    path = own_file(run, run / (KEPT if (run / KEPT).is_file() else AGAIN))
    if not path.is_file():
        return {}
    try:
        said = json.loads(path.read_text("utf-8"))
        return {"at": str(said["at"]), "from": str(said["from"])}
    except (KeyError, TypeError, ValueError):
        message = f"{path}: no record of a plan made again"
        raise FileError(message) from None


def hand_made(run: Run, edits: pd.DataFrame) -> HandMade:
    """Give a run's week with what people moved in it since it stands.

    Parameters
    ----------
    run
        The run; what was moved in another is no part of it.
    edits
        Obeys `WEEK_EDITS`.
    """
    own = [said["place"] for said in in_force(edits).values() if "place" in said]
    own = [one for one in own if one["run"] == run.folder.name]
    return make_by_hand(run.tables, own, run.ways, run.week, first_day=run.first_day, at=run.at)


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
    audit = audit_week(week, run.ways, run.week, first_day=run.first_day, at=run.at)
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


def standing_run(folder: Path, name: str = "") -> Path:
    """Give the run that stands: the newest but for those made again that nobody accepted.

    Raises
    ------
    FileError
        If there is none.
    """
    if name:
        return run_folder(folder, name)
    found = [
        one for one in runs_of(folder) if not (one / AGAIN).exists() or (one / ACCEPTED).exists()
    ]
    if not found:
        message = f"{folder / RUNS}: no plan stands; sleeveplan plan makes one"
        raise FileError(message)
    return found[-1]


def replan_project(
    folder: Path,
    at: str,
    name: str = "",
    overrides: Mapping[str, str] | None = None,
    *,
    assume_accepted: bool = False,
    engineer: Engineer = propose,
) -> tuple[Path, list[str]]:
    """Plan the rest of a week again and write it as a run of its own; it stands once accepted.

    Parameters
    ----------
    folder
        Project folder.
    at
        YYYY-MM-DDTHH:MM: nothing is planned before it.
    name
        Number of the run that stands; '' = `standing_run`.
    overrides
        Settings from the command line.
    assume_accepted, engineer
        As for a plan.

    Returns
    -------
    out, lines
        The new run, with ``to_sign.txt``, ``freer_changes.csv`` and table plan_changes; what
        to print.

    Raises
    ------
    PlannerError
        If no run stands, `at` is no instant or lies behind the week, or as for a plan.
    """
    run = standing_run(folder, name)
    record = read_record(run)
    contracts = [table for table in TABLES if table.name in STANDING_TABLES]
    standing = read_tables(run, contracts, str(record.get("local_crs", "")))
    store = store_of(folder)
    inputs = read_project(folder, overrides, store.read_events(), store.read_price_edits())
    _within(at, inputs.settings)
    known, decisions, edits = store.read_known(), store.read_decisions(), store.read_week_edits()
    if (edits["run"] == run.name).any():
        by_hand = hand_made(read_run(run), edits)
        standing |= {"visits": by_hand.visits, "unserved": by_hand.unserved}
    kept = kept_drives(folder, write=True)
    again = make_replan(
        inputs, known, decisions, standing,
        at=at, edits=edits, assume_accepted=assume_accepted, kept=kept, engineer=engineer,
    )  # fmt: skip
    made = again.plan
    if kept is not None and kept.notes:
        made = with_notes(made, kept.notes)
    store.write_known(made.known)
    lines = sign_lines(again, at)

    def beside(part: Path) -> None:
        text = json.dumps({"at": at, "from": run.name}, indent=1) + "\n"
        (part / AGAIN).write_text(text, "utf-8")
        (part / "to_sign.txt").write_text("\n".join(lines) + "\n", "utf-8")
        freer = again.replanned.freer
        changes = freer.changes if freer else empty(PLAN_CHANGES)
        write_table(part / "freer_changes.csv", changes, PLAN_CHANGES)

    out = write_run(made, folder, beside)
    faults = audit_lines(made.tables["audit"])
    return out, [f"standing plan: {RUNS}/{run.name}", *lines, *faults]


def _within(at: str, settings: Settings) -> None:
    """Refuse an instant behind the week, or a project without one."""
    dates = [day for day, _ in dates_of(settings.project.first_day, settings.week)]
    if not dates:
        message = "planner.toml names no first_day: there is no week to plan again"
        raise FileError(message)
    when = Instant.of(at)
    if when.date > dates[-1]:
        message = (
            f"{when.date} lies behind the week from {dates[0]} to {dates[-1]}: move first_day on, "
            f"e.g. --set project.first_day={when.date}"
        )
        raise FileError(message)


def sign_lines(again: Again, at: str) -> list[str]:
    """Say what changed, and what a plan that may change more would save."""
    lines = to_sign(again.replanned.changes, at)
    freer = again.replanned.freer
    if freer is None:
        return lines
    moves = int((freer.changes["change"] != "kept").sum())
    if freer.saves_s <= 0:
        return [*lines, "a plan free to change all else would save nothing"]
    saves = f"a plan free to change all else would save {freer.saves_s / 3600:.1f} h"
    told = f"it changes {moves} set-ups, {freer.notices} with notices anew (freer_changes.csv)"
    return [*lines, f"{saves}: {told}"]


def accept_replan(folder: Path, by: str, on: str, name: str = "") -> str:
    """Let the newest plan that was made again stand from now on.

    Parameters
    ----------
    folder
        Project folder.
    by, on
        Who accepts it, YYYY-MM-DD.
    name
        Number of the run; '' = the newest.

    Returns
    -------
    line
        What to print.

    Raises
    ------
    FileError
        If it is no plan made again, or another plan has come to stand since.
    """
    run = run_folder(folder, name)
    if not (run / AGAIN).is_file():
        message = f"{run}: was not made by replan; nothing is to accept"
        raise FileError(message)
    if (run / ACCEPTED).exists():
        message = f"{run}: is accepted already: {(run / ACCEPTED).read_text('utf-8').strip()}"
        raise FileError(message)
    _refuse_left(run)
    base, stands = _again(run)["from"], standing_run(folder).name
    if base != stands:
        message = f"{run}: was planned from run {base}, but {stands} stands now; replan again"
        raise FileError(message)
    _write_said(run, ACCEPTED, by, on)
    return f"run {run.name} stands from now on: accepted by {by} on {on}"


def waiting_replan(folder: Path) -> Path | None:
    """Give the newest plan made again from the run that stands, if nobody answered to it yet."""
    runs = sorted((folder / RUNS).glob("*/" + AGAIN), key=lambda one: one.parent.name)
    if not runs:
        return None
    run = runs[-1].parent
    answered = (run / ACCEPTED).exists() or (run / LEFT).exists()
    same = not answered and _again(run)["from"] == standing_run(folder).name
    return run if same else None


def leave_replan(folder: Path, by: str, on: str, name: str) -> str:
    """Say that a plan that was made again shall not stand; what stands goes on.

    Raises
    ------
    FileError
        If it is no plan made again, or was accepted.
    """
    run = run_folder(folder, name)
    if not (run / AGAIN).is_file() or (run / ACCEPTED).exists():
        message = f"{run}: is no plan made again that waits for an answer"
        raise FileError(message)
    _write_said(run, LEFT, by, on)
    return f"run {run.name} was left by {by} on {on}"


def _refuse_left(run: Path) -> None:
    if (run / LEFT).exists():
        message = f"{run}: was left already: {(run / LEFT).read_text('utf-8').strip()}"
        raise FileError(message)


def _write_said(run: Path, name: str, by: str, on: str) -> None:
    part = run / f".{name}"
    part.unlink(missing_ok=True)  # what a killed run left, or a link
    with part.open("x", encoding="utf-8") as file:
        file.write(json.dumps({"by": by, "on": on}, ensure_ascii=False) + "\n")
    part.replace(run / name)
