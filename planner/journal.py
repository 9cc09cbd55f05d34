"""Take a form of events into the journal: each row once, and say what became of it."""

from __future__ import annotations

import csv
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from planner.contracts import EVENTS
from planner.contracts.books import IDS
from planner.errors import printable
from planner.inputs.event_checks import World, keys_of, sift_events
from planner.inputs.events import DERIVED, read_events
from planner.inputs.inputs import Inputs
from planner.inputs.journal import STEP
from planner.inputs.project import read_project
from planner.store.chosen import store_of
from planner.store.decisions import Store
from planner.tables import conform


def report_form(folder: Path, form: Path, today: str) -> list[str]:
    """Take the rows of a form into the journal, each once; say what was refused and why.

    Parameters
    ----------
    folder : Path
        Project folder.
    form : Path
        CSV with the columns of `EVENTS`; see docs/journal.md.
    today : str
        YYYY-MM-DD: what lies later cannot have happened.

    Returns
    -------
    list of str
        One line per refused row, per row that is in the journal already, per row taken with
        the works it is about, per thing that does not fit; then the counts.

    Raises
    ------
    PlannerError
        If the form, the project or the store cannot be read.
    """
    return _report(folder, form, today, form.name).lines


@dataclass(frozen=True)
class Reported:
    """Lines to show, how many events were taken, how many rows were refused."""

    lines: list[str]
    taken: int
    refused: int


def report_rows(folder: Path, rows: Sequence[Mapping[str, str]], today: str) -> Reported:
    """Take rows that were filled in on a page into the journal, by the checks of a form.

    They are one report: where one of them is refused, none is taken. Who is told that something
    was refused sends the whole again.

    Parameters
    ----------
    folder
        Project folder.
    rows
        Cells by the column of `EVENTS`; a column that is not there is blank.
    today
        As for `report_form`.

    Raises
    ------
    PlannerError
        If the project or the store cannot be read.
    """
    names = [name for name in EVENTS.names if any(row.get(name) for row in rows)]
    names = list(dict.fromkeys([*(one.name for one in EVENTS.columns if not one.blank), *names]))
    names = [name for name in names if name not in DERIVED]
    with tempfile.TemporaryDirectory() as aside:
        form = Path(aside) / "report.csv"
        with form.open("w", newline="", encoding="utf-8") as file:
            writer = csv.writer(file)
            writer.writerow(names)
            writer.writerows([row.get(name, "") for name in names] for row in rows)
        return _report(folder, form, today, "report", whole=True)


def _report(folder: Path, form: Path, today: str, name: str, *, whole: bool = False) -> Reported:
    rows, faults = read_events(form, today=today, file=name)
    store = store_of(folder)
    stored = store.read_events()
    inputs = read_project(folder, {}, stored)
    sifted = sift_events(rows, _world(inputs, store, stored), file=name)
    faults = sorted([*faults, *sifted.faults], key=lambda fault: fault.row)
    lost = len({fault.row for fault in faults if fault.lost})
    if whole and lost:
        counts = f"0 events taken, {lost} refused"
        return Reported([*(printable(str(fault)) for fault in faults), counts], 0, lost)
    taken = store.append_events(sifted.events, keys_of)
    lines = [*(str(fault) for fault in faults), *sifted.known, *sifted.told]
    if len(taken):
        lines += _new_doubts(inputs, read_project(folder, {}, store.read_events()))
    lines.append(f"{len(taken)} events taken, {lost} refused, {len(sifted.known)} known already")
    return Reported([printable(line) for line in lines], len(taken), lost)


def _world(inputs: Inputs, store: Store, stored: pd.DataFrame) -> World:
    known = store.read_known().table
    works = known[(known["kind"] == "work").to_numpy(dtype=bool)]
    ends = inputs.pipes[["pipe_id", "us_node", "ds_node"]].to_numpy(dtype=object)
    by_form = inputs.done[(inputs.done["file"] != "").to_numpy(dtype=bool)]
    return World(
        works=conform(works, IDS),
        ends={str(pipe): (str(us), str(ds)) for pipe, us, ds in ends},
        nodes=frozenset(inputs.nodes["node_id"].astype(str)),
        systems=frozenset(inputs.systems["system"].astype(str)),
        done=by_form,
        events=conform(stored, EVENTS),
    )


def _new_doubts(before: Inputs, after: Inputs) -> list[str]:
    """Say what the new events leave open: stock below nothing, a sleeve nobody can name."""
    old = set(map(tuple, before.flags.to_numpy(dtype=object)))
    return [
        f"{key}: {what}"
        for step, key, what in after.flags.itertuples(index=False)
        if step == STEP and (step, key, what) not in old
    ]
