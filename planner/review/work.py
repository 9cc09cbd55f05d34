"""The long work that desks begin: each a function that runs in a process of its own."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from planner.review.jobs import Telling

if TYPE_CHECKING:
    from planner.crews.solver import Told


def read_check(tell: Telling, folder: str) -> list[str]:
    """Read a project, so that a fault in a file shows before what stands is given up."""
    from planner.inputs.project import read_project

    tell("reading the files")
    inputs = read_project(Path(folder), {})
    lines = [f"{len(inputs.pipes)} pipes, {len(inputs.observations)} coded rows"]
    lost = int(inputs.faults["lost"].sum())
    return [*lines, f"{lost} rows refused; sleeveplan check lists them"] if lost else lines


def plan_run(tell: Telling, folder: str) -> list[str]:
    """Make the plan anew and write its run, as ``sleeveplan plan`` does."""
    from planner.folder import run_project, write_run
    from planner.outputs.summary import summary_lines

    tell("reading, screening and placing")
    made = run_project(Path(folder), tell=lambda told: tell(*_said(told)))
    tell("writing map, sheets and tables")
    out = write_run(made, Path(folder))
    return [f"run {out.name}", *summary_lines(made.tables, made.facts)]


def replan_run(tell: Telling, folder: str, at: str) -> list[str]:
    """Plan the rest of the week again, as ``sleeveplan replan --at`` does; it waits for a yes."""
    from planner.runs import replan_project

    tell("planning the rest of the week again")
    out, lines = replan_project(Path(folder), at)
    return [f"run {out.name} waits for an answer", *lines]


def keep_run(tell: Telling, folder: str, by: str, on: str) -> list[str]:
    """Write the week as it was changed by hand as a run that stands."""
    from planner.kept import keep_week

    return keep_week(Path(folder), by, on, tell)[1]


def _said(told: Told) -> tuple[str, float | None]:
    share = told.iterations / told.most if told.most else None
    cost = "" if told.cost_s is None else f", {told.cost_s / 3600:.1f} h driven or left out"
    return f"week: {told.what}{cost}", share
