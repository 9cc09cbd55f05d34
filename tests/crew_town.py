"""Small tables for tests of crews: pipes in a row, works by hand, crews, packers, process."""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from functools import cache
from typing import Any

import geopandas as gpd
import pandas as pd
from shapely.geometry import Point

from planner.contracts import (
    CHOICE_SLEEVES,
    CHOICES,
    CREWS,
    FINDINGS,
    LATERALS,
    NODES,
    PACKERS,
    PIPES,
    PROCESS,
    SETUP_AFTER,
    SETUP_HOURS,
    SETUP_WORKS,
    SETUPS,
    SHIFTS,
    SLEEVE_LATERALS,
    SLEEVES,
    STOCK,
    STREETS,
    SYSTEM_SIZES,
    SYSTEMS,
    WORK_AFTER,
    WORKS,
)
from planner.crews.apart import find_apart
from planner.crews.hours import find_hours
from planner.crews.setups import make_setups
from planner.crews.travel import Travel, travel
from planner.ground.ids import NOTHING_KNOWN
from planner.settings import Settings, Week, load_settings
from planner.tables import Table, conform, empty

LOCAL = "EPSG:25832"
FIRST_DAY = "2026-03-02"  # a Monday
EAST, NORTH = 400_000.0, 5_900_000.0
Rows = Sequence[dict[str, Any]]
CLEANERS = "check_access+clean+cut_roots+clean_again+prove_laterals+look"
SETTERS = "flow_control+sleeve+reopen+verify"


def settings(**week: Any) -> Settings:
    """Packaged settings with some keys of [week] changed."""
    return load_settings({"week": {"iterations": 300, **week}})


def shaped(rows: Rows, table: Table) -> pd.DataFrame:
    if not rows:
        return empty(table, crs=LOCAL)
    shapes = [row.get("geometry") for row in rows]
    return conform(gpd.GeoDataFrame(list(rows), geometry=shapes, crs=LOCAL), table)


def pipe(pipe_id: str = "p1", us: str = "a", ds: str = "b", **more: Any) -> dict[str, Any]:
    row = {"pipe_id": pipe_id, "us_node": us, "ds_node": ds, "dn_mm": 200.0, "length_m": 40.0}
    return {**row, **more}


def node(node_id: str, x: float = 0.0, y: float = 0.0, **more: Any) -> dict[str, Any]:
    row = {"access": "open", "lid_mm": 600.0, "depth_m": 2.5, "turn_ok": True}
    return {"node_id": node_id, "geometry": Point(EAST + x, NORTH + y), **row, **more}


def work(work_id: str, step: str, pipe_id: str = "p1", **more: Any) -> dict[str, Any]:
    row = {"from_m": 0.0, "to_m": 40.0, "urgency": "programme", "state": "todo", "reason": "so"}
    return {"work_id": work_id, "step": step, "pipe_id": pipe_id, **row, **more}


def sleeve(sleeve_id: str, from_m: float = 10.0, pipe_id: str = "p1", **more: Any) -> dict:
    place = {"sleeve_id": sleeve_id, "pipe_id": pipe_id, "from_m": from_m, "to_m": from_m + 1.0}
    kind = {"length_m": 1.0, "end": "pipe", "dn_mm": 200.0, "system": "felt", "wall_mm": 5.0}
    rest = {"counter_node": "a", "counter_m": from_m, "laterals_count": 0}
    return {**place, **kind, **rest, "laterals_unknown": False, **more}


def sleeve_works(one: dict[str, Any], *, reopen: bool = False, **more: Any) -> list[dict]:
    """The works of one sleeve, named W-<sleeve>-<step>."""
    steps = ["flow_control", "sleeve", *(["reopen"] if reopen else []), "verify"]
    at = {"from_m": one["from_m"], "to_m": one["to_m"], "sleeve_id": one["sleeve_id"]}
    return [
        work(f"W-{one['sleeve_id']}-{step}", step, one["pipe_id"], **at, **more) for step in steps
    ]


def chained(rows: Rows) -> list[tuple[str, str]]:
    """Each work after the one before it in the list."""
    ids = [row["work_id"] for row in rows]
    return list(zip(ids[1:], ids[:-1], strict=True))


def crew(name: str, steps: str, **more: Any) -> dict[str, Any]:
    return {"crew": name, "steps": steps, "yard_x": EAST, "yard_y": NORTH, **more}


def setter(name: str = "Sleeve 1", **more: Any) -> dict[str, Any]:
    return {**crew(name, SETTERS), "systems": "felt", "packers": "small", **more}


def packer(name: str = "small", **more: Any) -> dict[str, Any]:
    row = {"dn_from_mm": 150.0, "dn_to_mm": 300.0, "usable_m": 2.0, "reach_m": 60.0}
    return {"packer": name, **row, "lid_mm": 500.0, "depth_m": 6.0, "cures": "ambient", **more}


def shifts(crews: Rows, start_s: int = 25_200, end_s: int = 61_200) -> list[dict[str, Any]]:
    days = ("mon", "tue", "wed", "thu", "fri")
    return [
        {"crew": one["crew"], "weekday": day, "start_s": start_s, "end_s": end_s}
        for one in crews
        for day in days
    ]


def town(
    works: Rows,
    after: Sequence[tuple[str, str]] = (),
    sleeves: Rows = (),
    crews: Rows | None = None,
    **more: Any,
) -> dict[str, pd.DataFrame]:
    """Tables by contract name; `after` pairs work_id with the work before it."""
    crews = [crew("Cleaning", CLEANERS), setter()] if crews is None else crews
    pipes = more.get("pipes", [pipe()])
    nodes = more.get("nodes", [node("a"), node("b", 40.0)])
    choices = [
        {
            "pipe_id": row["pipe_id"], "method": "sleeve", "state": "accepted", "reason": "said",
            "fingerprint": "f", "assumed_accepted": False,
        }
        for row in pipes
    ]  # fmt: skip
    links = [{"pipe_id": s["pipe_id"], "sleeve_id": s["sleeve_id"]} for s in sleeves]
    covers = [{"sleeve_id": one, "lateral_id": x} for one, x in more.get("covers", ())]
    own = {
        "works": conform(works, WORKS),
        "work_after": conform([{"work_id": b, "after_id": a} for b, a in after], WORK_AFTER),
        "sleeves": conform(sleeves, SLEEVES),
        "sleeve_laterals": conform(covers, SLEEVE_LATERALS),
        "pipes": shaped(pipes, PIPES),
        "nodes": shaped(nodes, NODES),
        "crews": conform(crews, CREWS),
        "shifts": conform(more.get("shifts", shifts(crews)), SHIFTS),
        "choices": conform(choices, CHOICES),
        "choice_sleeves": conform(links, CHOICE_SLEEVES),
    }
    given = {table.name: table for table in (LATERALS, PACKERS, PROCESS, SYSTEM_SIZES, STOCK)}
    own |= {name: conform(more[name], table) for name, table in given.items() if name in more}
    return usual() | own


@cache
def usual() -> dict[str, pd.DataFrame]:
    """Tables that most tests share, never changed by anybody."""
    system = {"system": "felt", "cure": "ambient", "supply": "mix_on_site", "carrier": "felt"}
    size = {"system": "felt", "dn_from_mm": 100.0, "dn_to_mm": 600.0, "wall_mm": 5.0}
    size |= {"plies": 3, "resin_kg_per_l": 1.05, "lengths_m": "1.0+2.0"}
    times = {"prepare_s": 1800.0, "cure_s": 3600.0, "finish_s": 600.0, "pot_life_s": 1800.0}
    ends = [{"system": "felt", "dn_to_mm": 600.0, "wall_c": c, **times} for c in (5.0, 20.0)]
    return {
        "findings": conform([], FINDINGS),
        "laterals": conform([], LATERALS),
        "streets": shaped([], STREETS),
        "packers": conform([packer()], PACKERS),
        "process": conform(ends, PROCESS),
        "systems": conform([system], SYSTEMS),
        "system_sizes": conform([size], SYSTEM_SIZES),
        "stock": conform([], STOCK),
    }


def stop(setup_id: str, x: float = 0.0, y: float = 0.0, **more: Any) -> dict[str, Any]:
    """A set-up of one cleaning at its own manhole; `x`, `y` from the yard [m]."""
    row = {"node_id": f"n-{setup_id}", "pipe_id": f"p-{setup_id}", "counter_node": "", "steps": ""}
    row |= {"counter_node": row["node_id"], "steps": "clean", "longest_m": 0.0, "reach_m": 0.0}
    row |= {"work_s": 3600, "open_s": 28_800, "close_s": 57_600, "value_s": 2_700}
    row |= {"sleeves_count": 0, "resin_g": 0, "geometry": Point(EAST + x, NORTH + y)}
    return {"setup_id": setup_id, **row, **more}


def stop_town(
    stops: Rows, crews: Rows | None = None, after: Sequence[tuple[str, str]] = (), **more: Any
) -> dict[str, pd.DataFrame]:
    """Tables whose set-ups are `stops`, each with one work W-<setup_id> of its first step."""
    crews = [crew("Cleaning", CLEANERS)] if crews is None else crews
    pipes = [
        pipe(row["pipe_id"], row["node_id"], f"{row['node_id']}-far")
        for row in {row["pipe_id"]: row for row in reversed(stops)}.values()
    ]
    nodes = [
        {**node(row["node_id"]), "geometry": row["geometry"]}
        for row in {row["node_id"]: row for row in stops}.values()
    ]
    works = [work(f"W-{row['setup_id']}", row["steps"], row["pipe_id"]) for row in stops]
    tables = town(works, after, (), crews, pipes=pipes, nodes=nodes, **more)
    pairs = [
        {"setup_id": row["setup_id"], "work_id": f"W-{row['setup_id']}", "seq": 1} for row in stops
    ]
    follows = [
        {"setup_id": one.removeprefix("W-"), "after_id": other.removeprefix("W-"), "why": "so",
         "valid_days": more.get("valid_days")}
        for one, other in after
        if one.removeprefix("W-") in {row["setup_id"] for row in stops}
    ]  # fmt: skip
    tables |= {
        "setups": shaped(stops, SETUPS),
        "setup_works": conform(pairs, SETUP_WORKS),
        "setup_after": conform(follows, SETUP_AFTER),
        "setup_hours": hours_from(stops),
    }
    return tables | {"setup_apart": find_apart(tables, guard_m=300.0)}


def hours_from(stops: Rows) -> pd.DataFrame:
    """Each stop between its open_s and close_s, on every day that a test may plan."""
    first = datetime.date.fromisoformat(FIRST_DAY)
    dates = [(first + datetime.timedelta(days=n)).isoformat() for n in range(31)]
    rows = [
        {"setup_id": row["setup_id"], "date": date, "open_s": row["open_s"],
         "close_s": row["close_s"], "promised": False, "notice_days": 0}
        for row in stops
        for date in dates
    ]  # fmt: skip
    return conform(rows, SETUP_HOURS)


def ways_of(tables: dict[str, pd.DataFrame], week: Week) -> Travel:
    return travel(tables["setups"], tables["crews"], tables["streets"], week, source_crs="")


def sleeved(count: int, **more) -> dict[str, pd.DataFrame]:
    """`count` pipes 300 m apart, each with one ready sleeve, as set-ups."""
    rows = range(count)
    sleeves = [
        sleeve(f"S{n}", 10.0, f"p{n}", counter_node=f"a{n}", **more.get("sleeve", {})) for n in rows
    ]
    works = [sleeve_works(one, **more.get("work", {})) for one in sleeves]
    nodes = [node(f"{end}{n}", 300.0 * n + x) for n in rows for end, x in (("a", 0.0), ("b", 40.0))]
    tables = town(
        [row for own in works for row in own],
        [pair for own in works for pair in chained(own)],
        sleeves,
        more.get("crews", [setter()]),
        pipes=[pipe(f"p{n}", f"a{n}", f"b{n}") for n in rows],
        nodes=nodes,
        **{name: more[name] for name in ("shifts", "stock", "packers") if name in more},
    )
    chosen = settings(**more.get("week", {}))
    made = make_setups(tables, NOTHING_KNOWN, chosen.week, chosen.sleeving, first_day=FIRST_DAY)
    assert len(made.setups) == count, made.waiting.to_string()
    tables |= {"setups": made.setups, "setup_works": made.setup_works}
    tables |= {"setup_after": made.setup_after}
    tables |= {"setup_apart": find_apart(tables, guard_m=chosen.week.flow_guard_m)}
    return tables | {"setup_hours": find_hours(tables, chosen.week, FIRST_DAY)}
