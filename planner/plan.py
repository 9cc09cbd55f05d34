"""The whole way: a project folder in, a week of routes and its totals out.

Read `make_plan` and `plan_works` first: each line is one step, and each step is one module. The
first half, `propose.propose`, is the engineer's: rows on pipes, spans, verdicts, sleeves,
choices. The second, `plan_works`, is the planner's and the estimator's.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from importlib.metadata import version

import pandas as pd

from planner.collecting import rarely
from planner.contracts import FINDINGS, FLAGS, ORPHANS, WEEK_EDITS, WHAT_IF
from planner.contracts.facts import RunFacts
from planner.crews.apart import find_apart
from planner.crews.asked import Asked
from planner.crews.audit import audit_week
from planner.crews.bound import bound_week
from planner.crews.hours import find_hours
from planner.crews.legs import draw_legs
from planner.crews.pinned import locks_of, pins_here, pins_of
from planner.crews.setups import make_setups
from planner.crews.solver import Told
from planner.crews.spare import spare_days
from planner.crews.street_doubts import street_flags
from planner.crews.travel import KeptDrives, Travel, travel
from planner.crews.week import dates_of, plan_week
from planner.crews.what_if import what_if
from planner.crews.zones import Dealer
from planner.ground.ids import KnownIds, learn
from planner.inputs.inputs import Inputs
from planner.propose import Engineer, Proposed, propose
from planner.repairs.accept import find_orphans
from planner.repairs.budget import plan_budget
from planner.repairs.cure import find_cures
from planner.repairs.field import event_orphans
from planner.repairs.flow import find_flows
from planner.repairs.works import make_works
from planner.rule_spans import Tables, joined
from planner.screening.rulebook import Rulebook
from planner.screening.screen import screen_visits
from planner.tables import empty
from planner.takeoff.estimate import estimate


@dataclass(frozen=True)
class Plan:
    """One run: every table by its contract's name, the facts, what was read, ids known now."""

    tables: Tables
    facts: RunFacts
    inputs: Inputs
    known: KnownIds


@rarely
def make_plan(  # noqa: PLR0913 - the keywords are the run's own switches
    inputs: Inputs,
    known: KnownIds,
    decisions: pd.DataFrame,
    *,
    edits: pd.DataFrame | None = None,
    assume_accepted: bool = False,
    kept: KeptDrives | None = None,
    ask_what_if: bool = False,
    tell: Callable[[Told], None] | None = None,
    engineer: Engineer = propose,
) -> Plan:
    """Go the whole way from what was read to routes and totals; write nothing.

    Parameters
    ----------
    inputs : Inputs
        What `inputs.project.read_project` gave.
    known : KnownIds
        Ids given in earlier runs.
    decisions : DataFrame, contract `DECISIONS`
        What people decided, as the store holds it.
    edits : DataFrame, contract `WEEK_EDITS`
        What people changed in the week by hand, as the store holds it; None = nothing.
    assume_accepted : bool
        Take proposed choices as accepted; every output then says NOT ACCEPTED.
    kept : KeptDrives
        Drives of earlier runs, taken where places and streets are the same.
    ask_what_if : bool
        Say what one more crew-day or packer would bring; each is a week planned anew.
    tell : callable
        Hears how far the search for the week is; changes nothing.
    engineer : callable
        Who goes the engineer's half; a city goes it part by part, to the same tables.

    Returns
    -------
    Plan
        All tables of the run, by contract name.
    """
    ready = ready_works(inputs, known, decisions, engineer, assume_accepted=assume_accepted)
    return plan_works(ready, edits=edits, kept=kept, ask_what_if=ask_what_if, tell=tell)


def plan_works(
    ready: Ready,
    *,
    edits: pd.DataFrame | None = None,
    kept: KeptDrives | None = None,
    ask_what_if: bool = False,
    tell: Callable[[Told], None] | None = None,
    dealer: Dealer | None = None,
) -> Plan:
    """Go from works to routes and totals; the planner's and the estimator's half of `make_plan`.

    `dealer` deals the zones of a week that is cut into some; None = this process.
    """
    t, inputs, settings = ready.tables, ready.inputs, ready.inputs.settings
    week, first_day = settings.week, settings.project.first_day
    setups = make_setups(t, ready.known, week, settings.sleeving, first_day=first_day)
    t |= {"setups": setups.setups, "setup_works": setups.setup_works, "waiting": setups.waiting}
    ready = with_pins(ready, edits)
    t |= {"setup_after": setups.setup_after, "setup_hours": find_hours(t, week, first_day)}
    t["setup_apart"] = find_apart(t, guard_m=week.flow_guard_m)
    known = learn(ready.known, "setup", setups.members, setups.members["setup_id"])
    ways = travel(
        t["setups"], t["crews"], t["streets"], week, source_crs=inputs.source_crs, kept=kept  # type: ignore[arg-type]
    )  # fmt: skip
    locks = locks_of(t["pins"]) if "pins" in t else {}
    seed, asked = settings.project.seed, Asked(locks, tell=tell, dealer=dealer)
    days = plan_week(t, ways, week, first_day=first_day, seed=seed, asked=asked)
    t |= {"visits": days.visits, "unserved": days.unserved}
    t |= {"week_bound": bound_week(days.board, week), "spare": spare_days(days.board)}
    if tell is not None:
        tell(told_bound(t["week_bound"], days.iterations))
    gains = what_if(t, days, ready.known, settings, inputs.source_crs) if ask_what_if else None
    t["what_if"] = empty(WHAT_IF) if gains is None else gains
    return finish(replace(ready, known=known), ways, reproducible=days.reproducible)


def with_pins(ready: Ready, edits: pd.DataFrame | None) -> Ready:
    """Add what people said of the week by hand (`PINS`), where they said anything."""
    t, settings = ready.tables, ready.inputs.settings
    dates = [day for day, _ in dates_of(settings.project.first_day, settings.week)]
    pins, flags = pins_here(
        pins_of(empty(WEEK_EDITS) if edits is None else edits, dates), t["setups"]
    )
    if len(pins):
        t["pins"] = pins
    return replace(ready, flags=joined([ready.flags, flags], FLAGS)) if len(flags) else ready


def told_bound(bound: pd.DataFrame, iterations: int) -> Told:
    """Say at the end of a search how its week stands to the best possible."""
    (row,) = bound.to_dict("records")
    found = int(row["bound_s"]) or None
    return Told("found", iterations, iterations, int(row["cost_s"]), found)


@dataclass(frozen=True)
class Ready:
    """A run up to its works: tables, ids known after them, what comes of the engineer's half.

    `lost` holds earlier ids without an heir (kind, id, pipe_id).
    """

    tables: Tables
    known: KnownIds
    book: Rulebook
    lost: pd.DataFrame
    inputs: Inputs
    decisions: pd.DataFrame
    flags: pd.DataFrame


def ready_works(
    inputs: Inputs,
    known: KnownIds,
    decisions: pd.DataFrame,
    engineer: Engineer = propose,
    *,
    assume_accepted: bool,
) -> Ready:
    """Go from coded rows to works; the first half of `make_plan`, and of a plan made again."""
    made = engineer(inputs, known, decisions, assume_accepted=assume_accepted)
    return works_of(made, inputs, decisions)


def works_of(made: Proposed, inputs: Inputs, decisions: pd.DataFrame) -> Ready:
    """Go from choices to works."""
    t, settings = made.tables, inputs.settings
    week, first_day = settings.week, settings.project.first_day
    t["budget"], t["budget_bound"] = plan_budget(t, settings.budget)
    works = make_works(t, inputs.done, made.known, week, first_day=first_day)
    t |= works.tables
    t["flows"] = find_flows(t, settings.flow, week.stated_wall_c)
    t["cures"] = find_cures(t, week.stated_wall_c)
    known = learn(made.known, "work", works.works, works.works["work_id"])
    lost = pd.concat(made.lost_ids)
    return Ready(t, known, made.book, lost, inputs, decisions, works.flags)


def finish(ready: Ready, ways: Travel, *, reproducible: bool, at: str = "") -> Plan:
    """Draw, audit and add up a week whose visits are settled; the last third of `make_plan`.

    `at` is the instant from which the week was planned again, '' = from its first day.
    """
    t, inputs = ready.tables, ready.inputs
    week, first_day = inputs.settings.week, inputs.settings.project.first_day
    t["legs"] = draw_legs(t["visits"], ways, inputs.local_crs)
    warned = screen_visits(t["visits"], t["setups"], t["pipes"], ready.book)
    t["findings"] = joined([t["findings"], warned], FINDINGS)
    t["audit"] = audit_week(t, ways, week, first_day=first_day, at=at)
    t |= estimate(t, inputs.settings.takeoff, first_day=first_day)
    lost = find_orphans(ready.decisions, ready.lost, t["choices"])
    t["orphans"] = joined([lost, event_orphans(t)], ORPHANS)
    t["flags"] = joined([t["flags"], ready.flags, street_flags(ways, week)], FLAGS)
    facts = replace(
        facts_of(inputs),
        not_accepted=bool(t["choices"]["assumed_accepted"].any()),
        by_air=ways.by_air,
        reproducible=reproducible and bool(t["budget_bound"]["reproducible"].all()),
    )
    return Plan(t, facts, inputs, ready.known)


def facts_of(inputs: Inputs) -> RunFacts:
    """Give the facts of a run that its inputs alone settle."""
    project = inputs.settings.project
    return RunFacts(
        name=project.name,
        first_day=project.first_day,
        currency=project.currency,
        units=project.units,
        source_crs=inputs.source_crs,
        local_crs=inputs.local_crs,
        not_accepted=False,
        by_air=False,
        reproducible=True,
        version=version("sleeveplan"),
        invented=project.invented,
        media=inputs.media,
    )
