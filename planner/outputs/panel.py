"""What the panel beside the map says: name, warnings, legend with counts, totals."""

from __future__ import annotations

from collections import Counter
from typing import Any

from planner.contracts.facts import RunFacts
from planner.outputs.layers import Sheet, pipe_classes, undrawn
from planner.outputs.packing import Packed
from planner.outputs.palette import DAYS, DRAW_ORDER, LOOKS
from planner.outputs.routes import heads, week_totals
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
        "notes": _notes(facts),
        "legend": _legend(sheet, layers),
        "counts": {name: len(layer["n"]) for name, layer in layers.items()},
        "heads": heads(facts.units),
        "total": week_totals(sheet.tables).cells(facts.units),
        "left": _left(sheet),
        "undrawn": undrawn(sheet),
    }


def looks() -> dict[str, Any]:
    """Write the palette for the map's script."""
    return {
        "order": list(DRAW_ORDER),
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
            for name, look in LOOKS.items()
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


def _notes(facts: RunFacts) -> list[str]:
    notes = []
    if facts.not_accepted:
        notes.append("Proposals were taken as accepted for this plan. Nobody has signed them.")
    if facts.invented:
        notes.append("Invented data: no real town, no real pipes.")
    if facts.by_air:
        notes.append("Drives are reckoned by air, not on streets.")
    if not facts.reproducible:
        notes.append("Not reproducible: the clock stopped the route solver.")
    return notes


def _legend(sheet: Sheet, layers: dict[str, Packed]) -> list[dict[str, Any]]:
    """Count pipes, their length and defects by class, worst first."""
    tables = sheet.tables
    pipes = tables["pipes"]
    classes = pipe_classes(tables)
    us = sheet.facts.units == "us"
    one = factor("m", "mile") if us else 0.001
    length: dict[str, float] = dict.fromkeys(LOOKS, 0.0)
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
        for name in reversed(DRAW_ORDER)
    ]


def _left(sheet: Sheet) -> list[str]:
    tables = sheet.tables
    held = int((tables["choices"]["state"] == "held").sum())
    counts = (
        (held, "pipes held until somebody decides"),
        (len(tables["waiting"]), "works not ready"),
        (len(tables["unserved"]), "set-ups that found no place this week"),
        (len(tables["left_over"]), "rows that could not be used"),
    )
    return [f"{count} {what}" for count, what in counts if count]
