"""A small invented grid town with one row and more in every table that the map shows."""

from __future__ import annotations

import geopandas as gpd
import pandas as pd
from pyproj import CRS
from shapely.geometry import LineString, Point

from planner.contracts import TABLES
from planner.contracts.facts import RunFacts
from planner.tables import conform, empty

LOCAL = CRS.from_proj4(
    "+proj=tmerc +lat_0=51.5 +lon_0=7.2 +k=1 +x_0=0 +y_0=0 +datum=WGS84 +units=m"
)
CONTRACTS = {table.name: table for table in TABLES}
BLOCK_M = 60.0
LENGTH_M = 59.2  # wall to wall; the drawing runs from centre to centre
METHODS = ("sleeve", "sleeve", "liner", "dig", "watch", "maintain", "sleeve", "nothing")
VERDICT = {"nothing": "none"}
NAMES = ("Quarry Lane", "Mill Street", "Heron Way", "Chapel Rise", "Tannery Row", "Ferry Road")

_KIND = {"pieces": "sleeve", "mm": "length", "g": "resin"}


def facts(**changed):
    """Facts of a run on the town."""
    plain = {
        "name": "Gridwick (invented)", "first_day": "2026-01-12", "currency": "EUR",
        "units": "metric", "source_crs": LOCAL.to_wkt(), "local_crs": LOCAL.to_wkt(),
        "not_accepted": False, "by_air": False, "reproducible": True, "version": "0.1.0",
        "invented": True,
    }  # fmt: skip
    return RunFacts(**{**plain, **changed})


def no_tables():
    """Every table of the contracts without a row."""
    return {t.name: empty(t, crs=LOCAL if t.geometry else None) for t in TABLES}


def put(tables, name, rows):
    """Replace one table by `rows`."""
    tables[name] = conform(rows, CONTRACTS[name], crs=LOCAL if CONTRACTS[name].geometry else None)


def town(columns=8, rows=6, *, evil=""):
    """All tables of a grid of `columns` by `rows` manholes; `evil` is put into every free text."""
    tables = no_tables()
    nodes = {f"N{c:02d}{r:02d}": (c * BLOCK_M, r * BLOCK_M)
             for c in range(columns) for r in range(rows)}  # fmt: skip
    pairs = [(f"N{c:02d}{r:02d}", f"N{c + 1:02d}{r:02d}")
             for c in range(columns - 1) for r in range(rows)]  # fmt: skip
    pairs += [(f"N{c:02d}{r:02d}", f"N{c:02d}{r + 1:02d}")
              for c in range(0, columns, 2) for r in range(rows - 1)]  # fmt: skip
    _network(tables, nodes, pairs, columns, rows)
    _survey(tables)
    _repairs(tables)
    _week(tables, nodes)
    if evil:
        for name in tables:
            tables[name] = _poisoned(tables[name], CONTRACTS[name], evil)
    return tables


def _network(tables, nodes, pairs, columns, rows):
    put(tables, "nodes", [
        {"node_id": node, "kind": "manhole", "depth_m": 2.4, "lid_mm": 600.0, "turn_ok": True,
         "access": ("open", "open", "key", "buried")[i % 4], "street": NAMES[i % 6],
         "geometry": Point(xy)}
        for i, (node, xy) in enumerate(nodes.items())
    ])  # fmt: skip
    put(tables, "pipes", [
        {"pipe_id": f"P{i:04d}", "us_node": a, "ds_node": b, "use": "foul", "shape": "circular",
         "height_mm": 200.0, "width_mm": 200.0, "dn_mm": 200.0, "material": "clay",
         "stated_m": 59.5, "drawn_m": BLOCK_M, "length_m": LENGTH_M, "length_from": "survey",
         "length_doubt_m": 0.0, "placing": "stopped" if i == 5 else "ok",
         "geometry": LineString([nodes[a], nodes[b]])}
        for i, (a, b) in enumerate(pairs)
    ])  # fmt: skip
    put(tables, "streets", [
        {"street_id": f"S{r}", "name": NAMES[r % 6], "class": "residential", "speed_kmh": 30.0,
         "oneway": False, "geometry": LineString([(-30, r * BLOCK_M + 4),
                                                  (columns * BLOCK_M, r * BLOCK_M + 4)])}
        for r in range(rows)
    ])  # fmt: skip
    put(tables, "laterals", [
        {"lateral_id": f"{pipe}-{x}", "pipe_id": pipe, "x_m": float(x), "clock_h": hour,
         "size_mm": 150.0, "state": "open" if x < 30 else "closed", "source": "survey"}
        for pipe in tables["pipes"]["pipe_id"] for x, hour in ((12, 2.0), (27, 10.0), (44, None))
    ])  # fmt: skip


def _survey(tables):
    surveyed = [pipe for i, pipe in enumerate(tables["pipes"]["pipe_id"]) if i % 5 != 4]
    put(tables, "inspections", [
        {"inspection_id": f"I-{pipe}", "pipe_ref": pipe, "pipe_id": pipe, "matched_by": "exact",
         "start_node": "a", "end_node": "b", "counter_node": "a", "direction": "down",
         "date": "2025-06-03", "zero_at": "wall", "surveyed_m": LENGTH_M, "complete": True,
         "laterals_coded": "yes", "scheme": "EN 13508-2", "file": "surveys.csv", "row": 1}
        for pipe in surveyed
    ])  # fmt: skip
    defects, spans, span_rows, verdicts = [], [], [], []
    us = dict(zip(tables["pipes"]["pipe_id"], tables["pipes"]["us_node"], strict=True))
    for i, pipe in enumerate(surveyed):
        for k in range((3, 1, 2, 0)[i % 4]):
            at = 9.0 + 17.3 * k + (i % 3)
            span, one = f"D-{i:04d}{k}", f"O-{i:04d}{k}"
            word = "refer" if i % 11 == 3 else METHODS[(i + k) % 8]
            word = VERDICT.get(word, word)
            place = {"from_m": at, "to_m": at + 0.6, "find_m": 0.3, "counter_node": us[pipe]}
            defects.append({
                **place, "observation_id": one, "inspection_id": f"I-{pipe}", "s_m": at,
                "code": "BAB", "char1": "B", "char2": "A", "q1": "3", "clock_from_h": 2.0,
                "remark": "beside the joint", "photo": f"p{i}.jpg", "video": "v.mp4",
                "video_s": 12.0, "mechanism": "crack", "role": "damage", "quantity": "crack_mm",
                "quantity_low": 3.0, "quantity_high": 3.0, "file": "surveys.csv", "row": i + 1,
                "pipe_id": pipe, "x_from_m": at, "x_to_m": at + 0.6, "kind": "point",
                "extent_from": "assumed", "counter_m": at, "clock_h": 2.0, "arc_h": 1.0,
                "seen_on": "2025-06-03",
            })  # fmt: skip
            spans.append({
                **place, "span_id": span, "pipe_id": pipe, "kind": "point", "role": "damage",
                "mechanisms": "crack+infiltration", "extent_from": "assumed", "state": "open",
                "soil_visible": False, "void_visible": False,
            })  # fmt: skip
            span_rows.append({"span_id": span, "observation_id": one, "part": "own"})
            verdicts.append({
                "span_id": span, "pipe_id": pipe, "needs": "mend", "urgency": "programme",
                "sleeve": "open", "liner": "open", "dig": "open", "verdict": word,
                "assumed": False, "why": "crack 3 mm, limit 5 mm: a sleeve serves it",
            })  # fmt: skip
    for name, rows in (("defects", defects), ("spans", spans), ("span_rows", span_rows),
                       ("verdicts", verdicts)):  # fmt: skip
        put(tables, name, rows)


def _repairs(tables):
    choices, sleeves, links = [], [], []
    verdicts = tables["verdicts"]
    for i, (pipe, part) in enumerate(verdicts.groupby("pipe_id", sort=True)):
        words = list(part["verdict"])
        held = "refer" in words
        order = ("dig", "liner", "sleeve", "watch", "maintain", "none")
        word = next((w for w in order if w in words), "none")
        method = "nothing" if word == "none" else word
        cost = {"sleeve": 210000, "liner": 640000, "dig": 1200000}.get(method)
        choices.append({
            "pipe_id": pipe, "method": method, "cost_cents": cost,
            "system": "lamp felt" if method == "sleeve" else "",
            "state": "held" if held else "accepted", "by": "" if held else "R. Engineer",
            "on": "" if held else "2026-01-05",
            "reason": "span waits for a decision" if held else "cheapest that serves every place",
            "fingerprint": "f", "assumed_accepted": False, "urgency": "programme",
        })  # fmt: skip
        if method != "sleeve":
            continue
        spans = tables["spans"].set_index("span_id").loc[list(part["span_id"])]
        for k, (_, span) in enumerate(spans.iterrows()):
            sleeve = f"S-{i:04d}{k}"
            sleeves.append({
                "sleeve_id": sleeve, "pipe_id": pipe, "from_m": span["from_m"] - 0.4,
                "to_m": span["to_m"] + 0.4, "length_m": 1.4, "end": "pipe", "dn_mm": 200.0,
                "system": "lamp felt", "wall_mm": 5.0, "plies": 2, "counter_node": "N0000",
                "counter_m": span["from_m"] - 0.4, "laterals_count": k, "laterals_unknown": False,
                "cost_cents": 210000,
            })  # fmt: skip
            links.append({"pipe_id": pipe, "sleeve_id": sleeve})
    put(tables, "choices", choices)
    put(tables, "sleeves", sleeves)
    put(tables, "choice_sleeves", links)


def _week(tables, nodes):
    sleeves = tables["sleeves"].iloc[:30]
    pipes = tables["pipes"].set_index("pipe_id")
    works, setups, links, visits, sums = [], [], [], [], []
    crews = ("Heron", "Otter")
    for i, row in enumerate(sleeves.to_dict("records")):
        pipe = pipes.loc[row["pipe_id"]]
        day, crew, seq = f"2026-01-{12 + i // 6 % 5:02d}", crews[i % 2], i % 6 // 2 + 1
        works.append({"work_id": f"W{i:03d}", "step": "sleeve", "pipe_id": row["pipe_id"],
                      "sleeve_id": row["sleeve_id"], "from_m": row["from_m"], "to_m": row["to_m"],
                      "urgency": "programme", "state": "todo", "reason": "chosen"})  # fmt: skip
        setups.append({
            "setup_id": f"U{i:03d}", "node_id": pipe["us_node"], "other_node_id": pipe["ds_node"],
            "pipe_id": row["pipe_id"], "counter_node": pipe["us_node"],
            "steps": "flow_control+sleeve+verify", "system": "lamp felt", "packer_dn": "200",
            "longest_m": 1.4, "reach_m": 30.0, "work_s": 9000, "open_s": 28800, "close_s": 50400,
            "value_s": 2700, "sleeves_count": 1, "resin_g": 5200, "urgency": "programme",
            "geometry": Point(nodes[pipe["us_node"]]),
        })  # fmt: skip
        links.append({"setup_id": f"U{i:03d}", "work_id": f"W{i:03d}", "seq": 1})
        start = 28800 + (seq - 1) * 9600
        visits.append({
            "visit_id": f"{crew}|{day}|{seq}", "setup_id": f"U{i:03d}", "crew": crew, "date": day,
            "seq": seq, "arrive_s": start, "start_s": start + 600, "end_s": start + 9000,
            "drive_s": 600, "drive_m": 1500.0, "back_s": 600 if seq == 3 else 0,
            "pause_s": 0, "end_pause_s": 0,
            "back_m": 1500.0 if seq == 3 else 0.0, "by_air": False,
        })  # fmt: skip
    for (crew, day), part in pd.DataFrame(visits).groupby(["crew", "date"]):
        for item, unit, one in (
            ("sleeve DN 200 x 1.40 m lamp felt", "pieces", 1),
            ("sleeve length", "mm", 1400),
            ("resin lamp felt", "g", 5200),
        ):
            sums.append({"level": "route", "key": f"{crew}|{day}", "item": item, "unit": unit,
                         "kind": _KIND[unit],
                         "net": one * len(part)})  # fmt: skip
    for item, unit, one in (
        ("sleeve DN 200 x 1.40 m lamp felt", "pieces", 1),
        ("sleeve length", "mm", 1400),
        ("resin lamp felt", "g", 5200),
    ):
        sums.append({"level": "week", "key": "2026-01-12", "item": item, "unit": unit,
                         "kind": _KIND[unit],
                     "net": one * len(visits)})  # fmt: skip
    put(
        tables,
        "crews",
        [{"crew": crew, "steps": "sleeve", "yard_x": -40.0, "yard_y": -50.0} for crew in crews],
    )
    legs = _legs(visits, {row["setup_id"]: row["geometry"] for row in setups})
    for name, rows in (("works", works), ("setups", setups), ("setup_works", links),
                       ("visits", visits), ("legs", legs), ("quantity_sums", sums)):  # fmt: skip
        put(tables, name, rows)


def _legs(visits, at):
    """Straight ways from the yard from stop to stop and home."""
    yard, legs = Point(-40.0, -50.0), []
    for _, day in pd.DataFrame(visits).sort_values("seq").groupby(["crew", "date"]):
        before = yard
        for visit, setup in zip(day["visit_id"], day["setup_id"], strict=True):
            legs.append({"visit_id": visit, "part": "to", "by_air": False,
                         "geometry": LineString([before, at[setup]])})  # fmt: skip
            before = at[setup]
        legs.append({"visit_id": visit, "part": "home", "by_air": False,
                     "geometry": LineString([before, yard])})  # fmt: skip
    return legs


def _poisoned(frame, contract, evil):
    """Append `evil` to each text that is neither a date nor one of a closed list."""
    out = frame.copy()
    for column in contract.columns:
        if column.kind == "text" and not column.one_of:
            out[column.name] = out[column.name] + evil
    if isinstance(frame, gpd.GeoDataFrame):
        out = gpd.GeoDataFrame(out, geometry="geometry", crs=frame.crs)
    return out
