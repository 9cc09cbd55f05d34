"""A week of crew-days for the sheets: eight stops a day, no two alike, all tables filled."""

from __future__ import annotations

from datetime import date, timedelta

import pandas as pd

from planner.contracts import (
    CREWS,
    CURES,
    DEFECTS,
    DONE,
    FINDINGS,
    FLOWS,
    LATERALS,
    NODES,
    PACKERS,
    PIPES,
    PRESSURE_STEPS,
    QUANTITY_SUMS,
    SETUP_WORKS,
    SETUPS,
    SLEEVE_LATERALS,
    SLEEVE_SPANS,
    SLEEVES,
    SPAN_ROWS,
    SPANS,
    SYSTEM_SIZES,
    SYSTEMS,
    VISITS,
    WORK_AFTER,
    WORKS,
)
from planner.inputs.order_of_work import read_order
from planner.tables import Table, conform

STOPS = 8
LENGTH_M = 50.0
STEPS = (
    ("flow_control", "sleeve", "reopen", "verify"),
    ("clean", "cut_roots", "clean_again"),
    ("look",),
    ("flow_control", "sleeve", "verify"),
    ("clean", "look"),
    ("flow_control", "sleeve", "reopen", "verify"),
    ("clean",),
    ("prove_laterals", "look"),
)
EARLIER = ("check_access", "clean", "look")
Rows = list[dict[str, object]]


def sheet_week(days: int) -> dict[str, pd.DataFrame]:
    """Give the tables of `days` crew-days, each of `STOPS` stops on pipes of their own."""
    rows: dict[Table, Rows] = {
        table: []
        for table in (PIPES, NODES, SLEEVES, SLEEVE_LATERALS, LATERALS, SPANS, SLEEVE_SPANS,
                      SPAN_ROWS, DEFECTS, WORKS, WORK_AFTER, SETUPS, SETUP_WORKS, VISITS, CURES,
                      QUANTITY_SUMS, FINDINGS, FLOWS)
    }  # fmt: skip
    rows |= _supply()
    for day in range(days):
        for stop in range(STOPS):
            _stop(rows, day, stop)
        name = (date(2026, 1, 12) + timedelta(days=day)).isoformat()
        rows[QUANTITY_SUMS] += [
            {"level": "route", "key": f"Crew|{name}", "item": f"sleeve DN 200 x {n}.00 m light",
             "unit": "pieces", "kind": "sleeve", "net": n} for n in (1, 2, 3)
        ]  # fmt: skip
    tables = {table.name: conform(part, table, crs="EPSG:25832") for table, part in rows.items()}
    tables["order_of_work"], _ = read_order([], tables["systems"], "systems.toml")
    return tables


def _supply() -> dict[Table, Rows]:
    return {
        SYSTEMS: [{"system": "light", "cure": "light", "supply": "made_before",
                   "carrier": "glass"}],
        SYSTEM_SIZES: [{"system": "light", "dn_from_mm": 100.0, "dn_to_mm": 300.0, "wall_mm": 4.0,
                        "plies": 3, "resin_kg_per_l": 0.8, "lengths_m": "1.0"}],
        PRESSURE_STEPS: [{"system": "light", "dn_to_mm": 300.0, "seq": n, "at_min": 2.0 * n,
                          "pressure_bar": 0.2 + 0.2 * n} for n in range(1, 4)],
        PACKERS: [{"packer": "L2", "dn_from_mm": 150.0, "dn_to_mm": 250.0, "usable_m": 2.0,
                   "reach_m": 60.0, "cures": "light"}],
        CREWS: [{"crew": "Crew", "steps": "sleeve", "packers": "L2", "yard_x": 0, "yard_y": 0}],
        DONE: [{"done_id": "done.csv:1", "step": "look", "pipe_id": "P0",
                "done_on": "2026-01-09", "by": "Ada", "inside_mm": 198.0}],
    }  # fmt: skip


def _stop(rows: dict[Table, Rows], day: int, stop: int) -> None:
    """Add one stop with its pipe, two spans, eight connections, works before and now."""
    n = day * STOPS + stop
    pipe, us, ds, sleeve = f"P{n}", f"A{n}", f"B{n}", f"S{n}"
    steps = STEPS[stop]
    start = 5.0 + (n * 7 % 350) / 10
    rows[PIPES].append({"pipe_id": pipe, "us_node": us, "ds_node": ds, "dn_mm": 200.0,
                        "length_m": LENGTH_M, "material": "clay"})  # fmt: skip
    rows[NODES] += [{"node_id": node, "access": "key", "street": f"Lane {n}", "depth_m": 2.5,
                     "lid_mm": 600.0} for node in (us, ds)]  # fmt: skip
    rows[LATERALS] += [
        {"lateral_id": f"{pipe}-{k}", "pipe_id": pipe, "x_m": (start + 0.5 + 6 * k) % LENGTH_M,
         "clock_h": float(1 + (n + k) % 12), "size_mm": 150.0, "state": "open"} for k in range(8)
    ]  # fmt: skip
    _spans(rows, n, pipe, ds, start)
    if "sleeve" in steps:
        rows[SLEEVES].append({
            "sleeve_id": sleeve, "pipe_id": pipe, "from_m": start, "to_m": start + 1.0,
            "length_m": 1.0, "end": "pipe", "dn_mm": 200.0, "system": "light", "wall_mm": 4.0,
            "plies": 3, "counter_node": ds, "counter_m": LENGTH_M - start - 1.0,
            "laterals_count": 1, "laterals_unknown": False,
        })  # fmt: skip
        rows[SLEEVE_LATERALS].append({"sleeve_id": sleeve, "lateral_id": f"{pipe}-0"})
        rows[SLEEVE_SPANS].append({"sleeve_id": sleeve, "span_id": f"D{n}-0"})
        rows[CURES].append({
            "sleeve_id": sleeve, "pipe_id": pipe, "system": "light", "cure": "light",
            "cold_c": 10.0, "cold_from": "wall", "warm_c": 10.0, "warm_from": "resin",
            "prepare_s": 1800, "cure_s": 900 + n, "cooldown_s": 300, "drawdown_s": 120,
            "finish_s": 600, "batch_s": 1800, "pot_life_held": "yes", "length_m": 1.0,
            "lit_m": 2.2, "lamp_w": 1200, "energy_asked_mj_cm2": 9000, "light_held": "yes",
            "why": "w",
        })  # fmt: skip
    _works(rows, day, stop, pipe, (start, start + 1.0), sleeve if "sleeve" in steps else "")


def _spans(rows: dict[Table, Rows], n: int, pipe: str, node: str, start: float) -> None:
    for k, what in enumerate(("crack+joint_gap", "roots")):
        low = (start + 0.4 + 20 * k) % (LENGTH_M - 1)
        rows[SPANS].append({
            "span_id": f"D{n}-{k}", "pipe_id": pipe, "from_m": low, "to_m": low + 0.2,
            "kind": "point", "role": "damage", "mechanisms": what, "extent_from": "coded",
            "soil_visible": False, "void_visible": False, "find_m": 0.3, "counter_node": node,
        })  # fmt: skip
        rows[SPAN_ROWS].append(
            {"span_id": f"D{n}-{k}", "observation_id": f"O{n}-{k}", "part": "own"}
        )
        rows[DEFECTS].append({
            "observation_id": f"O{n}-{k}", "inspection_id": "R", "code": "BAB",
            "mechanism": "crack", "role": "damage", "pipe_id": pipe, "x_from_m": low,
            "x_to_m": low + 0.2, "from_m": low, "to_m": low + 0.2, "kind": "point",
            "extent_from": "coded", "counter_node": node, "counter_m": LENGTH_M - low,
            "find_m": 0.3, "clock_h": float(1 + n % 12), "arc_h": 2.0,
        })  # fmt: skip


def _works(
    rows: dict[Table, Rows], day: int, stop: int, pipe: str, place: tuple[float, float], sleeve: str
) -> None:
    n = day * STOPS + stop
    name = (date(2026, 1, 12) + timedelta(days=day)).isoformat()
    begin = 28_800 + stop * 3_600
    own = {"sleeve_id": sleeve, "from_m": place[0], "to_m": place[1]}
    whole = {"from_m": 0.0, "to_m": LENGTH_M}
    for k, step in enumerate(STEPS[stop]):
        where = own if sleeve else whole
        rows[WORKS].append({"work_id": f"W{n}-{k}", "step": step, "pipe_id": pipe, **where,
                            "state": "todo", "reason": "x"})  # fmt: skip
        rows[SETUP_WORKS].append({"setup_id": f"U{n}", "work_id": f"W{n}-{k}", "seq": k + 1})
    for k, step in enumerate(EARLIER if sleeve else EARLIER[:1]):
        rows[WORKS].append({"work_id": f"E{n}-{k}", "step": step, "pipe_id": pipe, **whole,
                            "state": "done", "done_by": "done.csv:1", "reason": "x"})  # fmt: skip
        rows[WORK_AFTER].append({"work_id": f"W{n}-0", "after_id": f"E{n}-{k}"})
    rows[SETUPS].append({
        "setup_id": f"U{n}", "node_id": f"B{n}", "other_node_id": f"A{n}", "pipe_id": pipe,
        "counter_node": f"B{n}", "steps": "+".join(STEPS[stop]), "longest_m": 1.0, "reach_m": 45.0,
        "work_s": 3000, "value_s": 0, "sleeves_count": int(bool(sleeve)), "resin_g": 0,
    })  # fmt: skip
    rows[VISITS].append({
        "visit_id": f"V{n}", "setup_id": f"U{n}", "crew": "Crew", "date": name, "seq": stop + 1,
        "arrive_s": begin, "start_s": begin, "end_s": begin + 3000, "drive_s": 600,
        "drive_m": 2000.0, "pause_s": 0, "end_pause_s": 0, "back_s": 0, "back_m": 0.0,
        "by_air": False,
    })  # fmt: skip
