"""Take a form of events into the journal: each row once, and say what became of it."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from planner.contracts import EVENTS
from planner.contracts.books import IDS
from planner.errors import printable
from planner.folder import STORE
from planner.inputs.event_checks import World, keys_of, sift_events
from planner.inputs.events import read_events
from planner.inputs.journal import STEP
from planner.inputs.project import Inputs, read_project
from planner.store.decisions import Store, open_store
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
    rows, faults = read_events(form, today=today)
    store = open_store(folder / STORE)
    stored = store.read_events()
    inputs = read_project(folder, {}, stored)
    sifted = sift_events(rows, _world(inputs, store, stored), file=form.name)
    faults = sorted([*faults, *sifted.faults], key=lambda fault: fault.row)
    taken = store.append_events(sifted.events, keys_of)
    lines = [*(str(fault) for fault in faults), *sifted.known, *sifted.told]
    if len(taken):
        lines += _new_doubts(inputs, read_project(folder, {}, store.read_events()))
    lost = len({fault.row for fault in faults if fault.lost})
    lines.append(f"{len(taken)} events taken, {lost} refused, {len(sifted.known)} known already")
    return [printable(line) for line in lines]


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
