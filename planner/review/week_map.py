"""The routes of the week as they stand, and the ground beneath, for the small map of the desk."""

from __future__ import annotations

from typing import Any

from planner.contracts.facts import RunFacts
from planner.crews.legs import draw_legs
from planner.outputs.layers import Sheet
from planner.outputs.packing import has_shape, pack_shapes, shapes_of
from planner.outputs.palette import DAYS
from planner.outputs.routes import routes_of
from planner.review.week_now import WeekNow


def week_map(now: WeekNow, facts: RunFacts) -> dict[str, Any]:
    """Give routes with their stops, and how days look; texts are data, never markup.

    Parameters
    ----------
    now
        The week as it stands.
    facts
        Systems of coordinates, units.
    """
    tables = dict(now.tables)
    if now.changed:
        tables["legs"] = draw_legs(now.visits, now.run.ways, facts.local_crs)
    days = [{"colour": day.colour, "dash": day.dash, "text": day.text} for day in DAYS]
    return {"routes": routes_of(Sheet(tables, facts)), "days": days}


def ground_of(now: WeekNow) -> dict[str, Any]:
    """Give streets and pipes as lines."""
    found = {}
    for name in ("streets", "pipes"):
        table = now.tables[name]
        part = table.loc[has_shape(table)]
        crs = getattr(table, "crs", None)
        found[name] = pack_shapes(shapes_of(part), crs) if len(part) else {"n": [], "xy": []}
    return found
