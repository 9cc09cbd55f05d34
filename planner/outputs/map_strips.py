"""The strips of this week's pipes for the map: the same drawings that the run sheets hold."""

from __future__ import annotations

from planner.contracts.facts import RunFacts, Tables
from planner.outputs.counter import Counter
from planner.outputs.drawings import strip_of
from planner.outputs.sheet_tables import SheetTables


def strips_of_week(tables: Tables, facts: RunFacts) -> dict[str, str]:
    """Draw each pipe that is visited this week and gets sleeves, by pipe.

    A strip is some kB, so that all pipes of a city would make the page too heavy; the week's
    are bounded by its crews' hours.

    Parameters
    ----------
    tables
        All tables of the run.
    facts
        Units.
    """
    look_up = SheetTables.of(tables, facts)
    chosen = set(tables["choice_sleeves"]["sleeve_id"])
    found = {}
    for pipe_id, pipe in sorted(look_up.pipes.items()):
        sleeves = [
            one
            for one in look_up.sleeves.values()
            if one["pipe_id"] == pipe_id and one["sleeve_id"] in chosen
        ]
        counter = Counter.of(str(pipe["us_node"]), pipe, facts.units)
        drawn = strip_of(pipe, sleeves, counter, look_up) if sleeves else ""
        if drawn:
            found[pipe_id] = str(drawn)
    return found
