"""The way once more within a week: keep what is done, under way or promised, plan the rest.

`make_replan` goes the way of `plan.make_plan`; only set-ups and visits are made otherwise.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import pandas as pd

from planner.contracts.facts import Tables
from planner.contracts.journal import WORK_STATES
from planner.crews.apart import find_apart
from planner.crews.frozen import Instant, facts_of
from planner.crews.pinned import locks_of, pins_since
from planner.crews.replan import Replanned, replan_week
from planner.crews.setups import make_setups
from planner.crews.standing_setups import forget, hours_since, notices_since, with_facts
from planner.crews.travel import KeptDrives, travel
from planner.crews.week import dates_of
from planner.ground.ids import KnownIds, learn
from planner.inputs.inputs import Inputs
from planner.plan import Plan, finish, ready_works, with_pins
from planner.propose import Engineer, propose
from planner.tables import conform


@dataclass(frozen=True)
class Again:
    """A run made again: its plan, and what changed against the standing one."""

    plan: Plan
    replanned: Replanned


def make_replan(  # noqa: PLR0913 - as make_plan, and what it is planned from
    inputs: Inputs,
    known: KnownIds,
    decisions: pd.DataFrame,
    standing: Tables,
    *,
    at: str,
    edits: pd.DataFrame | None = None,
    assume_accepted: bool = False,
    kept: KeptDrives | None = None,
    engineer: Engineer = propose,
) -> Again:
    """Plan the rest of a week again; write nothing.

    Parameters
    ----------
    inputs, known, decisions, edits, assume_accepted, kept, engineer
        As for `make_plan`.
    standing
        Tables of the standing plan: visits, unserved, setups, setup_works, works, sleeves.
    at
        YYYY-MM-DDTHH:MM: nothing is planned before it.

    Returns
    -------
    again
        Table plan_changes is among those of its plan.

    Raises
    ------
    TableError
        If `at` is no instant.
    """
    when, settings = Instant.of(at), inputs.settings
    week, first_day = settings.week, settings.project.first_day
    ready = ready_works(inputs, known, decisions, engineer, assume_accepted=assume_accepted)
    t = ready.tables
    states = t["work_states"] if "work_states" in t else states_of(t["works"], inputs.done)
    facts = facts_of(standing["visits"], standing["setup_works"], states, when)
    known = forget(ready.known, facts)
    setups = make_setups(t, known, week, settings.sleeving, first_day=first_day)
    t |= {"setups": setups.setups, "setup_works": setups.setup_works, "waiting": setups.waiting}
    t["setup_after"] = setups.setup_after
    dates = {date for date, _ in dates_of(first_day, week)}
    here = {one: fact for one, fact in facts.items() if fact.date in dates}
    t |= with_facts(t, standing, here, week)
    ready = with_pins(ready, edits)
    if "pins" in t:
        t["pins"] = pins_since(t["pins"], when.date)
    t["setup_hours"] = hours_since(t, standing["visits"], week, first_day, when.date)
    t["setup_apart"] = find_apart(t, guard_m=week.flow_guard_m)
    ids = learn(known, "setup", setups.members, setups.members["setup_id"])
    ways = travel(
        t["setups"], t["crews"], t["streets"], week, source_crs=inputs.source_crs, kept=kept  # type: ignore[arg-type]
    )  # fmt: skip
    found = replan_week(
        t, ways, week, standing, states, at=at, first_day=first_day, seed=settings.project.seed,
        locks=locks_of(t["pins"]) if "pins" in t else {},
    )  # fmt: skip
    t |= {"visits": found.visits, "unserved": found.unserved, "plan_changes": found.changes}
    t["notices"] = notices_since(t, when.date)
    made = finish(replace(ready, known=ids), ways, reproducible=found.reproducible, at=at)
    return Again(made, found)


def states_of(works: pd.DataFrame, done: pd.DataFrame) -> pd.DataFrame:
    """Say where works stand by the rows of done.csv alone; they name no hour and no crew.

    Parameters
    ----------
    works
        Obeys `WORKS`.
    done
        Obeys `DONE`.

    Returns
    -------
    states
        Obeys `WORK_STATES`.
    """
    on = dict(zip(done["done_id"], done["done_on"], strict=True))
    rows = []
    for work_id, state, by in works[["work_id", "state", "done_by"]].itertuples(index=False):
        days = [on[one] for one in str(by).split("+") if one in on]
        at = f"{max(days)}T00:00" if days else ""
        word = "done" if state == "done" else "open"
        rows.append({"work_id": work_id, "state": word, "at": at, "event_id": by})
    return conform(rows, WORK_STATES)
