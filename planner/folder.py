"""What a command does in a project folder: plan and keep ids, write a run, take in a form."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Mapping
from pathlib import Path

import pandas as pd

from planner.errors import FileError
from planner.inputs.decisions import read_decisions
from planner.inputs.project import Inputs, read_project
from planner.outputs.files import write_tables
from planner.outputs.map import draw_map
from planner.outputs.record import write_record
from planner.outputs.sheets import write_sheets
from planner.plan import Plan, make_plan, propose
from planner.repairs.accept import sift_decisions, stamp
from planner.store.decisions import Store, open_store

STORE = "project.gpkg"
RUNS = "out"


def run_project(
    folder: Path,
    overrides: Mapping[str, str] | None = None,
    *,
    assume_accepted: bool = False,
    keep_ids: bool = True,
) -> Plan:
    """Read a project folder and its store, plan, and keep the ids given.

    Parameters
    ----------
    folder : Path
        Project folder, with planner.toml in it.
    overrides : mapping
        Settings from the command line, ``{"week.days": "3"}``.
    assume_accepted : bool
        Take proposed choices as accepted.
    keep_ids : bool
        False to leave the store as it is, e.g. only to look something up.

    Raises
    ------
    PlannerError
        If nothing can be made: no pipes, no project file, a store in use.
    """
    inputs = read_project(folder, overrides)
    store = open_store(folder / STORE)
    known, decisions = store.read_known(), store.read_decisions()
    made = make_plan(inputs, known, decisions, assume_accepted=assume_accepted)
    if keep_ids:
        store.write_known(made.known)
    return made


def write_run(made: Plan, folder: Path) -> Path:
    """Write map, sheets, tables and run.json into the next numbered folder under ``out/``.

    All is written aside and renamed at the end: a killed run leaves no half folder
    under its final name.

    Returns
    -------
    Path
        The folder of this run.

    Raises
    ------
    FileError
        If ``out`` leads out of the project folder.
    """
    runs = folder / RUNS
    if runs.is_symlink():
        message = f"{runs}: is a link to another folder; nothing is written through it"
        raise FileError(message)
    runs.mkdir(exist_ok=True)
    part = Path(tempfile.mkdtemp(dir=runs, prefix=".part-"))
    try:
        (part / "map.html").write_text(draw_map(made.tables, made.facts), "utf-8")
        write_sheets(made.tables, made.facts, part / "sheets")
        write_tables(made.tables, made.facts, part)
        write_record(
            part,
            made.inputs.settings,
            made.inputs.hashes,
            reproducible=made.facts.reproducible,
        )
        part.chmod(0o755)
        return part.rename(_next_run(runs))
    finally:
        shutil.rmtree(part, ignore_errors=True)


def _next_run(runs: Path) -> Path:
    numbers = [int(path.name) for path in runs.iterdir() if path.name.isdigit()]
    return runs / f"{max(numbers, default=0) + 1:04d}"


def accept_form(folder: Path, form: Path) -> list[str]:
    """Take the rows of a form into the store, each once; say what was refused and why.

    Decisions on spans are taken first: they can free a pipe that the same form then
    accepts. What is accepted is the choice as it stands now.

    Parameters
    ----------
    folder : Path
        Project folder.
    form : Path
        CSV with pipe_id, span_id, decision, by, on, reason.

    Returns
    -------
    list of str
        One line per refused row, then the count of rows taken.

    Raises
    ------
    PlannerError
        If the form, the project or the store cannot be read.
    """
    rows, faults = read_decisions(form)
    inputs = read_project(folder, {})
    store = open_store(folder / STORE)
    lines = [str(fault) for fault in faults]
    taken = 0
    for about_spans in (True, False):
        part = rows[(rows["span_id"] != "") == about_spans]
        count, said = _take(inputs, store, part)
        taken += count
        lines += said
    lines.append(f"{taken} decisions taken, {len(rows) + len(faults) - taken} refused or known")
    return lines


def _take(inputs: Inputs, store: Store, part: pd.DataFrame) -> tuple[int, list[str]]:
    """Take in rows that are all about spans, or all about pipes."""
    if part.empty:
        return 0, []
    stored = store.read_decisions()
    # A person may decide a span anew: it is held against what the rules alone say of it.
    others = stored[(stored["span_id"] == "") | ~stored["span_id"].isin(set(part["span_id"]))]
    made = propose(inputs, store.read_known(), others)
    store.write_known(made.known)
    tables = made.tables
    kept, refused = sift_decisions(part, tables["verdicts"], tables["choices"])
    taken, known = store.append_decisions(stamp(kept, tables["choices"]))
    left = pd.concat([refused, known])
    return len(taken), [
        f"{key}: {why}" for key, why in zip(left["key"], left["reason"], strict=True)
    ]
