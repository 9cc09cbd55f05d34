"""What the panel beside the map says: name, warnings, legend with counts, totals."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import Any

from planner.contracts.facts import RunFacts, Tables
from planner.outputs.layers import DRAWN_ROLES, Sheet, pipe_classes, unchosen, undrawn
from planner.outputs.packing import Packed, records
from planner.outputs.palette import DAYS, DRAW_ORDER, LOOKS, SLEEVE_COLOUR, Look
from planner.outputs.routes import heads, week_totals
from planner.outputs.wording import unstated
from planner.units import factor

BAND = "NOT ACCEPTED"


def panel_of(sheet: Sheet, layers: dict[str, Packed]) -> dict[str, Any]:
    """Write everything the panel shows as texts.

    Parameters
    ----------
    sheet : Sheet
        Tables and facts of the run.
    layers : dict
        The packed layers, whose features are counted.
    """
    facts = sheet.facts
    return {
        "title": facts.name or "Plan",
        "week": f"Week from {facts.first_day}" if facts.first_day else "",
        "made_by": f"sleeveplan {facts.version}",
        "band": BAND if facts.not_accepted else "",
        "notes": _notes(facts, sheet.tables),
        "legend": legend(sheet, layers, pipe_classes(sheet.tables), DRAW_ORDER),
        "counted": _counted(sheet, layers["defects"]),
        "counts": {name: len(layer["n"]) for name, layer in layers.items()},
        "heads": heads(facts.units),
        "total": week_totals(sheet.tables).cells(facts.units),
        "lists": [["Not in this week", _left(sheet)], ["Not on the map", undrawn(sheet)]],
    }


def looks(classes: dict[str, Look] = LOOKS, order: Sequence[str] = DRAW_ORDER) -> dict[str, Any]:
    """Write a palette for the map's script; `order` runs from the bottom to the top."""
    return {
        "order": list(order),
        "sleeve": SLEEVE_COLOUR,
        "classes": {
            name: {
                "word": look.word,
                "colour": look.colour,
                "dash": [float(part) for part in look.dash.split()],
                "width": look.width,
                "edge": look.edge,
                "shape": look.shape,
                "meaning": look.meaning,
            }
            for name, look in classes.items()
        },
        "days": [
            {
                "colour": day.colour,
                "text": day.text,
                "dash": [float(part) for part in day.dash.split()],
            }
            for day in DAYS
        ],
    }


def _notes(facts: RunFacts, tables: Tables) -> list[str]:
    notes = [f"{note}."] if (note := unstated(tables)) else []
    if facts.not_accepted:
        notes.append("Proposals were taken as accepted for this plan. Nobody has signed them.")
    if facts.invented:
        notes.append("Invented data: no real town, no real pipes.")
    if facts.by_air:
        notes.append("Drives are reckoned by air, not on streets.")
    if not facts.reproducible:
        notes.append("Not reproducible: the clock stopped the route solver.")
    return notes


def legend(
    sheet: Sheet, layers: dict[str, Packed], classes: Sequence[str], order: Sequence[str]
) -> list[dict[str, Any]]:
    """Count pipes, their length and defects by class, worst first.

    Parameters
    ----------
    sheet : Sheet
        Tables and facts of the run.
    layers : dict
        The packed layers.
    classes : sequence of str
        Class of each pipe.
    order : sequence of str
        The classes from the bottom of the map to the top.
    """
    pipes = sheet.tables["pipes"]
    us = sheet.facts.units == "us"
    one = factor("m", "mile") if us else 0.001
    length: dict[str, float] = dict.fromkeys(order, 0.0)
    for word, metres in zip(
        classes, pipes["length_m"].fillna(pipes["drawn_m"]).fillna(0.0), strict=True
    ):
        length[word] += float(metres)
    count = Counter(classes)
    drawn = layers["defects"]["class"]
    words = drawn.get("all") or [drawn["words"][at] for at in drawn.get("at", [])]
    defects = Counter(words)
    return [
        {
            "class": name,
            "pipes": count[name],
            "length": f"{length[name] * one:.1f} {'mi' if us else 'km'}",
            "defects": defects[name],
        }
        for name in reversed(order)
    ]


def _counted(sheet: Sheet, defects: Packed) -> str:
    """Say what the legend's defects are: coded rows, of which several may lie in one place."""
    rows, spans = len(defects["n"]), sheet.tables["spans"]
    linked = set(sheet.tables["span_rows"]["observation_id"])
    drawn = sheet.tables["defects"]
    drawn = drawn[drawn["role"].isin(DRAWN_ROLES) & sheet.axis.holds(drawn["pipe_id"])]
    outside = int((~drawn["observation_id"].isin(linked)).sum())
    places = "1 place" if len(spans) == 1 else f"{len(spans)} places"
    text = f"Counted are coded rows: {rows - outside} in the {places} of the summary"
    return text + (f", {outside} in none, as of an older survey." if outside else ".")


def _left(sheet: Sheet) -> list[str]:
    tables = sheet.tables
    bare = sum(unchosen(row) for row in records(tables["choices"]))
    held = int((tables["choices"]["state"] == "held").sum()) - bare
    counts = (
        (bare, "pipes for which no method can be chosen yet"),
        (held, "pipes held until somebody decides"),
        (len(tables["waiting"]), "works not ready"),
        (len(tables["unserved"]), "set-ups that found no place this week"),
        (len(tables["left_over"]), "rows that could not be used"),
    )
    return [f"{count} {what}" for count, what in counts if count]
