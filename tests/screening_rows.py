"""Spans and pipes for tests of the rules, written as an engineer would say them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import pandas as pd

from planner.contracts import PIPES, SPANS
from planner.contracts.verdicts import SPAN_QUANTITIES
from planner.screening.rulebook import Rulebook, load_rulebook
from planner.screening.screen import Screened, screen
from planner.tables import conform

# A sound pipe of vitrified clay, dry, freshly surveyed: no rule about pipes speaks.
PIPE: dict[str, Any] = {
    "pipe_id": "P1",
    "us_node": "N1",
    "ds_node": "N2",
    "shape": "circular",
    "dn_mm": 300.0,
    "material": "vitrified clay",
    "lined": False,
    "length_m": 40.0,
    "drawn_m": 40.8,
    "length_from": "survey",
    "water_over_crown_m": -1.0,
}
SPAN: dict[str, Any] = {
    "span_id": "D-000001",
    "pipe_id": "P1",
    "from_m": 10.0,
    "to_m": 11.0,
    "kind": "point",
    "role": "damage",
    "mechanisms": "crack",
    "extent_from": "assumed",
    "soil_visible": False,
    "void_visible": False,
    "at_joint": False,
    "at_lateral": False,
    "find_m": 0.3,
    "survey_age_months": 3.0,
    "counter_node": "N1",
}


def span_row(values: Mapping[str, Any]) -> dict[str, Any]:
    """One span; a figure is a number (measured) or a pair [low, high], 'inf' for open."""
    row = dict(SPAN)
    for name, value in values.items():
        if name in SPAN_QUANTITIES:
            low, high = value if isinstance(value, Sequence) else (value, value)
            row[f"{name}_low"] = float(low)
            row[f"{name}_high"] = None if high == "inf" else float(high)
        elif value == "blank":
            row[name] = None
        else:
            row[name] = value
    return row


def spans_of(*rows: Mapping[str, Any]) -> pd.DataFrame:
    """SPANS of such rows."""
    return conform([span_row(row) for row in rows], SPANS)


def pipes_of(*rows: Mapping[str, Any]) -> pd.DataFrame:
    """PIPES of such rows."""
    table = [PIPE | {k: (None if v == "blank" else v) for k, v in row.items()} for row in rows]
    return conform(table, PIPES, crs="EPSG:32633")


def screen_one(
    span: Mapping[str, Any],
    pipe: Mapping[str, Any] | None = None,
    book: Rulebook | None = None,
    defects: pd.DataFrame | None = None,
) -> Screened:
    """Screen one span of one pipe."""
    rules = book or load_rulebook()
    return screen(spans_of(span), pipes_of(pipe or {}), rules, defects=defects)


def screen_many(
    cases: Sequence[tuple[Mapping[str, Any], Mapping[str, Any]]], book: Rulebook
) -> Screened:
    """Screen spans at once, each on a pipe of its own: D-0000 on P-0000 and so on."""
    spans = [span | {"span_id": f"D-{n:04d}", "pipe_id": f"P-{n:04d}"}
             for n, (span, _) in enumerate(cases)]  # fmt: skip
    pipes = [dict(pipe) | {"pipe_id": f"P-{n:04d}"} for n, (_, pipe) in enumerate(cases)]
    return screen(spans_of(*spans), pipes_of(*pipes), book)


def said_of(found: Screened, n: int) -> pd.DataFrame:
    """Findings about the n-th span of `screen_many` and about its pipe."""
    return found.findings[found.findings["key"].isin([f"D-{n:04d}", f"P-{n:04d}"])]


def verdict_one(
    span: Mapping[str, Any],
    pipe: Mapping[str, Any] | None = None,
    book: Rulebook | None = None,
    defects: pd.DataFrame | None = None,
) -> pd.Series:
    """Verdict on one span of one pipe."""
    return screen_one(span, pipe, book, defects).verdicts.iloc[0]
