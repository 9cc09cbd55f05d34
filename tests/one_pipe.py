"""Small tables for tests of repairs: pipes, spans with verdicts, sleeves, prices, reports."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import geopandas as gpd
import pandas as pd

from planner.contracts import (
    DECISIONS,
    DONE,
    INSPECTIONS,
    LATERALS,
    NODES,
    PIPES,
    PRICES,
    SLEEVE_LATERALS,
    SLEEVE_SPANS,
    SLEEVES,
    SPANS,
    SYSTEMS,
    VERDICTS,
)
from planner.tables import Table, conform, empty

Rows = Sequence[dict[str, Any]]


def shaped(rows: Rows, table: Table) -> pd.DataFrame:
    frame = gpd.GeoDataFrame(list(rows), geometry=[None] * len(rows), crs="EPSG:25832")
    return conform(frame, table) if rows else empty(table, crs="EPSG:25832")


def pipe(pipe_id: str = "p1", **more: Any) -> dict[str, Any]:
    row = {"us_node": f"{pipe_id}-a", "ds_node": f"{pipe_id}-b", "dn_mm": 200.0, "length_m": 40.0}
    known = {"laterals_known_from_m": 0.0, "laterals_known_to_m": 40.0}
    return {"pipe_id": pipe_id, **row, **known, **more}


def node(node_id: str, access: str = "open") -> dict[str, Any]:
    return {"node_id": node_id, "access": access}


def span(span_id: str, from_m: float, to_m: float, pipe_id: str = "p1") -> dict[str, Any]:
    place = {"span_id": span_id, "pipe_id": pipe_id, "from_m": from_m, "to_m": to_m}
    how = {"kind": "point", "role": "damage", "mechanisms": "crack", "extent_from": "coded"}
    flags = {"soil_visible": False, "void_visible": False, "find_m": 0.3, "counter_node": "a"}
    return {**place, **how, **flags, "state": "open"}


def verdict(span_id: str, pipe_id: str = "p1", **more: Any) -> dict[str, Any]:
    row = {"needs": "mend", "urgency": "programme", "sleeve": "open", "liner": "open"}
    tail = {"dig": "open", "verdict": "sleeve", "assumed": False, "why": "a rule"}
    return {"span_id": span_id, "pipe_id": pipe_id, **row, **tail, **more}


def felt(**more: Any) -> dict[str, Any]:
    row = {"system": "felt", "cure": "ambient", "supply": "mix_on_site", "carrier": "felt"}
    return {**row, **more}


def refer(span_id: str, pipe_id: str = "p1", **more: Any) -> dict[str, Any]:
    row = {"sleeve": "asked", "liner": "asked", "dig": "open", "verdict": "refer", **more}
    return verdict(span_id, pipe_id, **row)


def sleeve(sleeve_id: str, from_m: float, to_m: float, pipe_id: str = "p1", **more: Any) -> dict:
    place = {"sleeve_id": sleeve_id, "pipe_id": pipe_id, "from_m": from_m, "to_m": to_m}
    kind = {"length_m": to_m - from_m, "end": "pipe", "dn_mm": 200.0, "system": "felt"}
    rest = {"counter_node": "a", "counter_m": from_m, "laterals_count": 0}
    return {**place, **kind, **rest, "laterals_unknown": False, "cost_cents": 2_000_00, **more}


def price(item: str, each: int, per_m: int = 0, included_m: float = 0.0) -> dict[str, Any]:
    band = {"dn_from_mm": 100.0, "dn_to_mm": 300.0}
    money = {"each_cents": each, "included_m": included_m, "extra_cents_per_m": per_m}
    return {"price_id": item, "item": item, **band, **money}


def lateral(x_m: float, state: str = "open", pipe_id: str = "p1") -> dict[str, Any]:
    return {"lateral_id": f"{pipe_id}@{x_m}", "pipe_id": pipe_id, "x_m": x_m, "state": state}


def town(
    spans: Rows,
    verdicts: Rows,
    sleeves: Rows = (),
    serves: Sequence[tuple[str, str]] = (),
    **more: Any,
) -> dict[str, pd.DataFrame]:
    """Tables by contract name; `serves` pairs sleeve_id with span_id."""
    pipes = more.get("pipes", [pipe()])
    ends = [row[end] for row in pipes for end in ("us_node", "ds_node")]
    covers = [{"sleeve_id": one, "lateral_id": x} for one, x in more.get("covers", ())]
    pairs = [{"sleeve_id": one, "span_id": other} for one, other in serves]
    runs = [
        {
            "inspection_id": f"i-{row['pipe_id']}",
            "pipe_id": row["pipe_id"],
            "scheme": "en",
            "date": more.get("surveyed_on", "2026-01-10"),
        }
        for row in pipes
    ]
    return {
        "pipes": shaped(pipes, PIPES),
        "nodes": shaped(more.get("nodes", [node(end) for end in ends]), NODES),
        "spans": conform(spans, SPANS),
        "verdicts": conform(verdicts, VERDICTS),
        "sleeves": conform(sleeves, SLEEVES),
        "sleeve_spans": conform(pairs, SLEEVE_SPANS),
        "sleeve_laterals": conform(covers, SLEEVE_LATERALS),
        "laterals": conform(more.get("laterals", ()), LATERALS),
        "inspections": conform(runs, INSPECTIONS),
        "systems": conform(more.get("systems", [felt()]), SYSTEMS),
    }


def prices(*rows: dict[str, Any]) -> pd.DataFrame:
    return conform(rows, PRICES)


def decisions(*rows: dict[str, Any]) -> pd.DataFrame:
    """Decisions numbered in their order."""
    base = {"pipe_id": "p1", "by": "A. Berg", "on": "2026-03-02", "reason": "seen on video"}
    return conform([{**base, "version": at + 1, **row} for at, row in enumerate(rows)], DECISIONS)


def done(*rows: dict[str, Any]) -> pd.DataFrame:
    base = {"pipe_id": "p1", "by": "crew 1", "done_on": "2026-02-26"}
    return conform([{**base, "done_id": f"r{at}", **row} for at, row in enumerate(rows, 1)], DONE)
