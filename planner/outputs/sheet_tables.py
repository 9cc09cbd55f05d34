"""The tables of a run as look-ups for its sheets, made once for all days."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from planner.contracts.facts import RunFacts, Tables
from planner.ground.order_of_work import Line, parse_line
from planner.ground.packers import carried_m
from planner.ground.quantities import items_of
from planner.outputs.curing import Curing
from planner.tables import records_in

Row = dict[str, Any]
Rows = dict[str, list[Row]]


@dataclass(frozen=True)
class Order:
    """A system's order of work: its lines, why they are not printed, and whose they are."""

    lines: tuple[Line, ...]
    refused: str
    source: str


@dataclass(frozen=True)
class SheetTables:
    """What the sheets of a week look up, by id; only what its visits touch is held."""

    pipes: dict[str, Row]
    nodes: dict[str, Row]
    setups: dict[str, Row]
    sleeves: dict[str, Row]
    works: dict[str, Row]
    works_of: Rows
    setup_works: Rows
    after: dict[str, list[str]]
    planned: dict[str, Row]
    done: dict[str, Row]
    cures: dict[str, str]
    sleeve_spans: dict[str, list[str]]
    sleeve_laterals: dict[str, list[str]]
    spans: Rows
    laterals: Rows
    defects: Rows
    resin_g: dict[str, int]
    packers: list[Row]
    carried_m: dict[str, dict[str, float]]
    crews: dict[str, Row]
    warnings: dict[str, list[str]]
    flows: dict[str, Row]
    curing: Curing
    orders: dict[str, Order]
    sums: Rows
    kits: Rows
    picks: Rows
    units: str

    @classmethod
    def of(cls, tables: Tables, facts: RunFacts) -> SheetTables:
        """Index the tables of a run."""
        setups = _by(_part(tables, "setups", "setup_id", tables["visits"]["setup_id"]), "setup_id")
        pipes = {row["pipe_id"] for row in setups.values()}
        nodes = {row[name] for row in setups.values() for name in ("node_id", "other_node_id")}
        works = _part(tables, "works", "pipe_id", pipes)
        spans = _part(tables, "spans", "pipe_id", pipes)
        systems = tables["systems"]
        return cls(
            pipes=_by(_part(tables, "pipes", "pipe_id", pipes), "pipe_id"),
            nodes=_by(_part(tables, "nodes", "node_id", nodes), "node_id"),
            setups=setups,
            sleeves=_by(_part(tables, "sleeves", "pipe_id", pipes), "sleeve_id"),
            works=_by(works, "work_id"),
            works_of=_lists(works, "pipe_id"),
            setup_works=_lists(tables["setup_works"].sort_values(["setup_id", "seq"]), "setup_id"),
            after=_pairs(tables, "work_after", "work_id", "after_id", set(works["work_id"])),
            planned=_planned(tables),
            done=_by(tables["done"], "done_id") if "done" in tables else {},
            cures=dict(zip(systems["system"], systems["cure"], strict=True)),
            sleeve_spans=_pairs(tables, "sleeve_spans", "sleeve_id", "span_id"),
            sleeve_laterals=_pairs(tables, "sleeve_laterals", "sleeve_id", "lateral_id"),
            spans=_lists(spans, "pipe_id"),
            laterals=_lists(_part(tables, "laterals", "pipe_id", pipes), "pipe_id"),
            defects=_defects(tables, set(spans["span_id"])),
            resin_g=_resin_of(tables),
            packers=_records(tables["packers"]),
            carried_m=_carried(tables["packers"], set(systems["cure"])),
            crews=_by(tables["crews"], "crew"),
            warnings=_warnings(tables["findings"]),
            flows=_by(tables["flows"], "sleeve_id") if "flows" in tables else {},
            curing=Curing.of(tables),
            orders=_orders(tables),
            sums=_lists(_routes(tables, "quantity_sums"), "key"),
            kits=_lists(_routes(tables, "orders"), "key"),
            picks=_picks(tables),
            units=facts.units,
        )


def _part(tables: Tables, name: str, key: str, ids: Iterable[object]) -> pd.DataFrame:
    frame = tables[name]
    kept: pd.DataFrame = frame[frame[key].isin(set(ids))]
    return kept


def _records(frame: pd.DataFrame) -> list[Row]:
    return records_in(frame[[name for name in frame.columns if name != "geometry"]])


def _by(frame: pd.DataFrame, key: str) -> dict[str, Row]:
    return {str(row[key]): row for row in _records(frame)}


def _lists(frame: pd.DataFrame, key: str) -> Rows:
    found: Rows = {}
    for row in _records(frame):
        found.setdefault(str(row[key]), []).append(row)
    return found


def _pairs(
    tables: Tables, name: str, key: str, other: str, wanted: set[str] | None = None
) -> dict[str, list[str]]:
    """Give what belongs to each key of a table of two ids."""
    found: dict[str, list[str]] = {}
    if name in tables:
        for one, two in zip(tables[name][key], tables[name][other], strict=True):
            if wanted is None or one in wanted:
                found.setdefault(str(one), []).append(str(two))
    return found


def _planned(tables: Tables) -> dict[str, Row]:
    """Give the visit in which each work of the week is planned."""
    visits = {str(row["setup_id"]): row for row in _records(tables["visits"])}
    rows = zip(tables["setup_works"]["setup_id"], tables["setup_works"]["work_id"], strict=True)
    return {str(work): visits[setup] for setup, work in rows if setup in visits}


def _defects(tables: Tables, spans: set[str]) -> Rows:
    """Give each span's own rows whose hour on the clock is known."""
    if "span_rows" not in tables or "defects" not in tables:
        return {}
    rows, defects = tables["span_rows"], tables["defects"]
    rows = rows[rows["span_id"].isin(spans) & (rows["part"] == "own")]
    known = defects[np.isfinite(defects["clock_h"].to_numpy(dtype=float))]
    return _lists(rows.merge(known, on="observation_id"), "span_id")


def _carried(packers: pd.DataFrame, cures: set[str]) -> dict[str, dict[str, float]]:
    """Give by cure and packer the longest sleeve that it carries [m]."""
    names = packers["packer"].tolist()
    return {
        cure: dict(zip(names, carried_m(packers, cure).tolist(), strict=True))
        for cure in sorted(cures)
    }


def _warnings(findings: pd.DataFrame) -> dict[str, list[str]]:
    """Give what the rulebook says of visits, by visit."""
    about = findings[(findings["about"] == "visit") & (findings["effect"] != "note")]
    said: dict[str, list[str]] = {}
    for key, why in zip(about["key"], about["why"], strict=True):
        said.setdefault(str(key), []).append(f"Mind: {why}")
    return said


def _resin_of(tables: Tables) -> dict[str, int]:
    """Give the resin of each sleeve [g] that has a row in its system's table."""
    items = items_of(tables["sleeves"], tables["system_sizes"])
    resin = items[items["unit"] == "g"]
    return dict(zip(resin["sleeve_id"], resin["net"].astype(int), strict=True))


def _routes(tables: Tables, name: str) -> pd.DataFrame:
    """Give the rows of a table of levels that are about one route."""
    if name not in tables:
        return pd.DataFrame(columns=["key"])
    frame = tables[name]
    return pd.DataFrame(frame[frame["level"] == "route"])


def _picks(tables: Tables) -> Rows:
    """Give the lots that are picked, by route."""
    found: Rows = {}
    if "picks" in tables:
        picks = tables["picks"]
        for row in _records(picks[picks["lot"] != ""]):
            found.setdefault(f"{row['crew']}|{row['date']}", []).append(row)
    return found


def _orders(tables: Tables) -> dict[str, Order]:
    """Split the lines of each system's order of work."""
    if "order_of_work" not in tables:
        return {}
    orders = {}
    for system, rows in _lists(tables["order_of_work"], "system").items():
        refused = next((row["refused"] for row in rows if row["refused"]), "")
        lines = () if refused else tuple(parse_line(row["say"]) for row in rows)
        orders[system] = Order(lines, refused, str(rows[0]["source"]))
    return orders
