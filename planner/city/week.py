"""The week of a city: planned from the choices of all parts, as `plan` does from those of a run.

Works, set-ups and drives are made in this process, of all parts together. Only what takes
long, the search for routes, is given to the workers, zone by zone.
"""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from planner.city.gather import OWN
from planner.city.split import Tables
from planner.crews.zones import Dealer
from planner.folder import kept_drives
from planner.ground.ids import KnownIds
from planner.inputs.inputs import Inputs
from planner.plan import Plan, plan_works, works_of
from planner.propose import Proposed
from planner.rule_spans import READ, book_of, joined


@dataclass(frozen=True)
class Said:
    """What people said, as the store holds it: `DECISIONS`, `WEEK_EDITS`."""

    decisions: pd.DataFrame
    edits: pd.DataFrame


def plan_city_week(
    inputs: Inputs, chosen: Tables, known: KnownIds, said: Said, dealer: Dealer
) -> Plan:
    """Plan the week of a city.

    Parameters
    ----------
    inputs
        The project.
    chosen
        Tables of all parts up to the choices, see `all_parts`.
    known
        Ids known after the parts.
    said
        What people decided, and what they changed in the week by hand.
    dealer
        Deals the zones of a week that is cut into some.

    Returns
    -------
    plan
        As `plan.make_plan` gives it of the same project in one piece.
    """
    tables = {**{name: getattr(inputs, name) for name in READ}, **chosen}
    ids = known.table
    # What has no heir is kept as no longer live: such an id was lost now or earlier.
    lost = ids[~ids["live"].astype(bool) & ids["kind"].isin(["span", "sleeve"])]
    made = Proposed(tables, known, (lost,), book_of(inputs))
    return plan_works(
        works_of(made, inputs, said.decisions),
        edits=said.edits,
        kept=kept_drives(inputs.folder, write=True),
        dealer=dealer,
    )


def with_week(plan: Plan, chosen: Tables, central: Tables) -> Tables:
    """Add to `central` the rows that the week adds to those of the parts."""
    found = dict(central)
    for table in OWN:
        made = plan.tables.get(table.name)
        if made is None or not len(made):
            continue
        if table.name in chosen:
            names = list(table.key)
            old = pd.MultiIndex.from_frame(pd.DataFrame(chosen[table.name][names]))
            new = pd.MultiIndex.from_frame(pd.DataFrame(made[names]))
            made = made[~new.isin(old)]
        if len(made):
            found[table.name] = joined([*_one(central, table.name), made], table)
    return found


def _one(tables: Tables, name: str) -> list[pd.DataFrame]:
    return [tables[name]] if name in tables else []


def week_lines(plan: Plan) -> list[str]:
    """Say what the week came to."""
    t, facts = plan.tables, plan.facts
    if not facts.first_day:
        return ["week       not dated: set first_day in planner.toml"]
    days = t["visits"][["crew", "date"]].drop_duplicates()
    said = f"week       from {facts.first_day}: {len(t['visits'])} visits on {len(days)} crew-days"
    lines = [f"{said}, {len(t['unserved'])} set-ups without a place"]
    if len(t["audit"]):
        lines.append(f"audit      {len(t['audit'])} faults, see the table audit")
    if not facts.reproducible:
        lines.append("           not reproducible: the clock stopped the solver")
    return lines
