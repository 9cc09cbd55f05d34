"""A week kept as people changed it by hand: a run of its own, which stands from then on."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pandas as pd

from planner.contracts import FINDINGS, TABLES
from planner.contracts.facts import Tables
from planner.crews.audit import audit_week
from planner.crews.legs import draw_legs
from planner.crews.pinned import pins_of
from planner.crews.standing_setups import hours_since
from planner.crews.week import dates_of
from planner.errors import FileError
from planner.folder import write_run
from planner.ground.ids import NOTHING_KNOWN
from planner.inputs.inputs import Inputs
from planner.inputs.project import read_project
from planner.outputs.read_back import read_record, read_tables
from planner.plan import Plan, facts_of
from planner.rule_spans import joined
from planner.runs import KEPT, Run, audit_lines, hand_made, read_run, standing_run
from planner.screening.rulebook import Rulebook, load_rulebook
from planner.screening.screen import screen_visits
from planner.store.chosen import store_of
from planner.tables import conform
from planner.takeoff.estimate import estimate

# What is said of the week as it was searched for; of one made by hand it does not hold.
_OF_THE_SEARCH = ("week_bound", "spare", "what_if", "plan_changes")


def keep_week(
    folder: Path, by: str, on: str, tell: Callable[[str], None] = lambda _: None
) -> tuple[Path, list[str]]:
    """Write the week as it was changed by hand as a run that stands, with map, sheets, totals.

    All but visits is as in the run that stands; nothing is screened or placed anew.

    Parameters
    ----------
    folder
        Project folder.
    by, on
        Who keeps it, YYYY-MM-DD.
    tell
        Hears how far it is.

    Returns
    -------
    out, lines
        The new run, with ``kept.json``; what the audit finds in it.

    Raises
    ------
    FileError
        If no run stands, nobody changed it, or the settings of its week are others now.
    """
    tell("reading the week")
    run = read_run(standing_run(folder))
    store = store_of(folder)
    edits = store.read_week_edits()
    if not (edits["run"] == run.folder.name).any():
        message = f"{run.folder}: nobody changed its week"
        raise FileError(message)
    inputs = read_project(folder, {}, store.read_events())
    _same_week(run, inputs)
    tell("times, totals, audit")
    made = hand_made(run, edits)
    record = read_record(run.folder)
    tables = read_tables(run.folder, list(TABLES), str(record.get("local_crs", "")))
    tables |= {"visits": made.visits, "unserved": made.unserved}
    project = inputs.settings.project
    book = load_rulebook(inputs.rules.book, inputs.rules.overrides, day=project.first_day)
    tables = week_tables(tables, run, edits, book)
    tables |= _whole(tables, run, inputs)
    facts = replace(
        facts_of(inputs),
        not_accepted=bool(tables["choices"]["assumed_accepted"].any()),
        by_air=run.ways.by_air,
        reproducible=bool(record.get("reproducible", False)),
    )
    tell("writing map, sheets and tables")

    def beside(part: Path) -> None:
        said = {"by": by, "on": on, "from": run.folder.name, "at": run.at}
        (part / KEPT).write_text(json.dumps(said, ensure_ascii=False, indent=1) + "\n", "utf-8")

    out = write_run(Plan(tables, facts, inputs, NOTHING_KNOWN), folder, beside)
    told = f"run {out.name}: run {run.folder.name} as changed by hand, kept by {by} on {on}"
    return out, [told, *audit_lines(tables["audit"])]


def week_tables(
    tables: Tables, run: Run, edits: pd.DataFrame, book: Rulebook
) -> dict[str, pd.DataFrame]:
    """Give a run's tables with what hangs on its visits by the visits of `tables`: pins, audit.

    Parameters
    ----------
    tables
        Of the run; visits and unserved as people changed them.
    run
        Its settings and drives.
    edits
        Obeys `WEEK_EDITS`.
    book
        Rules about visits.
    """
    t = dict(tables)
    dates = [day for day, _ in dates_of(run.first_day, run.week)]
    t["pins"] = pins_of(edits, dates)
    t["pins"] = t["pins"][t["pins"]["setup_id"].isin(t["setups"]["setup_id"])]
    if t["pins"].empty:
        del t["pins"]
    others = t["findings"][(t["findings"]["about"] != "visit").to_numpy(bool)]
    warned = screen_visits(t["visits"], t["setups"], t["pipes"], book)
    t["findings"] = joined([conform(others, FINDINGS), warned], FINDINGS)
    t["audit"] = audit_week(t, run.ways, run.week, first_day=run.first_day, at=run.at)
    return t


def _whole(tables: dict[str, pd.DataFrame], run: Run, inputs: Inputs) -> dict[str, pd.DataFrame]:
    for name in _OF_THE_SEARCH:
        tables.pop(name, None)
    found = {
        "setup_hours": hours_since(tables, tables["visits"], run.week, run.first_day, run.at[:10]),
        "legs": draw_legs(tables["visits"], run.ways, inputs.local_crs),
    }
    return found | estimate({**tables, **found}, inputs.settings.takeoff, first_day=run.first_day)


def _same_week(run: Run, inputs: Inputs) -> None:
    """Refuse a week whose settings were changed: its sheets would say what does not hold."""
    settings = inputs.settings
    if settings.project.first_day != run.first_day or settings.week != run.week:
        message = (
            f"{run.folder}: planner.toml names another first day or other settings of the week "
            "now; plan anew"
        )
        raise FileError(message)
