"""What one stop of a run sheet says: manholes, distances, sleeve, works, strip."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import pandas as pd

from planner.contracts.facts import RunFacts, Tables
from planner.ground.packers import carried_m
from planner.ground.quantities import items_of
from planner.outputs.curing import Curing, cure_words
from planner.outputs.palette import DAMAGE_COLOUR, SLEEVE_COLOUR
from planner.outputs.strip import Mark, Strip, Tap, draw_strip
from planner.outputs.wording import STEP_WORDS, clock, flow_rate, hours, mass, metres, size, way
from planner.units import factor

Row = dict[str, Any]
ENDS = {
    "us_manhole": "one end closes at the wall of the upstream manhole: seal that end",
    "ds_manhole": "one end closes at the wall of the downstream manhole: seal that end",
    "both": "both ends close at manhole walls: seal both",
}


@dataclass(frozen=True)
class Stop:
    """Content of one stop, and the steps and cures that decide which cautions are printed."""

    content: dict[str, object]
    steps: tuple[str, ...]
    cures: tuple[str, ...]


@dataclass(frozen=True)
class DayTables:
    """The tables of a run as look-ups for one day's sheet."""

    pipes: dict[str, Row]
    nodes: dict[str, Row]
    setups: dict[str, Row]
    sleeves: dict[str, Row]
    works: dict[str, Row]
    cures: dict[str, str]
    setup_works: pd.DataFrame
    sleeve_laterals: pd.DataFrame
    sleeve_spans: pd.DataFrame
    laterals: pd.DataFrame
    spans: pd.DataFrame
    resin_g: dict[str, int]
    packers: pd.DataFrame
    crews: dict[str, Row]
    warnings: dict[str, list[str]]
    checked: set[str]
    flows: dict[str, Row]
    curing: Curing
    units: str

    @classmethod
    def of(cls, tables: Tables, facts: RunFacts) -> DayTables:
        """Index the tables by id."""
        return cls(
            _by(tables["pipes"], "pipe_id"),
            _by(tables["nodes"], "node_id"),
            _by(tables["setups"], "setup_id"),
            _by(tables["sleeves"], "sleeve_id"),
            _by(tables["works"], "work_id"),
            dict(zip(tables["systems"]["system"], tables["systems"]["cure"], strict=True)),
            tables["setup_works"],
            tables["sleeve_laterals"],
            tables["sleeve_spans"],
            tables["laterals"],
            tables["spans"],
            _resin_of(tables),
            tables["packers"],
            _by(tables["crews"], "crew"),
            _warnings(tables["findings"]),
            _checked(tables["works"]),
            _by(tables["flows"], "sleeve_id") if "flows" in tables else {},
            Curing.of(tables),
            facts.units,
        )


def _by(frame: pd.DataFrame, key: str) -> dict[str, Row]:
    plain = pd.DataFrame(frame.drop(columns="geometry", errors="ignore"))
    return {str(row[key]): row for row in plain.to_dict("records")}  # type: ignore[misc]


def _checked(works: pd.DataFrame) -> set[str]:
    """Give the pipes whose access somebody has checked."""
    done = works[(works["step"] == "check_access") & (works["state"] == "done")]
    return set(done["pipe_id"])


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


def stop_of(visit: Row, look_up: DayTables) -> Stop:
    """Say what one visit is about.

    Parameters
    ----------
    visit : dict
        One row of `VISITS`.
    look_up : DayTables
        The tables of the run by id.
    """
    setup = look_up.setups[visit["setup_id"]]
    pipe = look_up.pipes[setup["pipe_id"]]
    part = look_up.setup_works[look_up.setup_works["setup_id"] == visit["setup_id"]]
    works = [look_up.works[w] for w in part.sort_values("seq")["work_id"]]
    ids = [str(w["sleeve_id"]) for w in works if w["step"] == "sleeve" and w["sleeve_id"]]
    sleeves = [look_up.sleeves[one] for one in ids]
    node = look_up.nodes.get(setup["node_id"], {})
    units = look_up.units
    content: dict[str, object] = {
        "number": f"{visit['seq']}.",
        "start": clock(visit["start_s"]),
        "end": clock(visit["end_s"]),
        "street": str(node.get("street") or "street not known"),
        "drive": f"{hours(visit['drive_s'])}, {way(float(visit['drive_m']), units)}",
        "stand": setup["node_id"],
        "other": setup["other_node_id"] or "not known",
        "pipe": pipe["pipe_id"],
        "size": size(pipe["dn_mm"], units),
        "material": str(pipe["material"]) or "material not known",
        "length": metres(pipe["length_m"], units),
        "sleeves": [_sleeve(one, visit, setup, look_up) for one in sleeves],
        "works": [_work(work, setup, pipe, units) for work in works],
        "notes": [
            *_notes(node, setup, look_up),
            *dict.fromkeys(_flow(look_up.flows[one], units) for one in ids if one in look_up.flows),
            *look_up.warnings.get(visit["visit_id"], []),
        ],
        "whole": len(sleeves) <= 3 and len(works) <= 12,
        "strip": _strip(pipe, sleeves, look_up) if _in_pipe(works) else "",
    }
    cures = tuple(sorted({look_up.cures.get(str(s["system"]), "") for s in sleeves}))
    return Stop(content, tuple(str(w["step"]) for w in works), cures)


def _in_pipe(works: list[Row]) -> bool:
    return any(work["step"] != "check_access" for work in works)


def _counter(x_m: float, node: str, pipe: Row) -> float:
    """Turn a place on the pipe [m from us_node] into what the counter from `node` reads [m]."""
    return x_m if node == pipe["us_node"] else float(pipe["length_m"]) - x_m


def _sleeve(sleeve: Row, visit: Row, setup: Row, look_up: DayTables) -> dict[str, object]:
    pipe, units = look_up.pipes[sleeve["pipe_id"]], look_up.units
    node = str(sleeve["counter_node"])
    ends = sorted(_counter(float(sleeve[k]), node, pipe) for k in ("from_m", "to_m"))
    wall = float(sleeve["wall_mm"])
    known = math.isfinite(wall)
    return {
        "counter_node": node,
        "counter": metres(ends[0], units),
        "counter_end": metres(ends[1], units),
        "length": metres(float(sleeve["length_m"]), units),
        "size": size(float(sleeve["dn_mm"]), units),
        "system": str(sleeve["system"]),
        "wall": f"wall {wall:.1f} mm, {sleeve['plies']} plies" if known else "wall not known",
        "resin": _resin(sleeve, look_up),
        "packer": _packers(sleeve, visit, setup, look_up),
        "end": ENDS.get(str(sleeve["end"]), ""),
        "laterals": _laterals(sleeve, node, pipe, look_up),
        "damages": _damages(sleeve, node, pipe, look_up),
        "placed": f"Placed by a person: {sleeve['placed_by']}" if sleeve["placed_by"] else "",
        **cure_words(sleeve, look_up.curing, units),
    }


def _resin(sleeve: Row, look_up: DayTables) -> str:
    grams = look_up.resin_g.get(str(sleeve["sleeve_id"]))
    return "resin not known" if grams is None else f"resin {mass(grams, look_up.units)} net"


def _packers(sleeve: Row, visit: Row, setup: Row, look_up: DayTables) -> str:
    """Name the packers on this van that carry the sleeve and reach the place."""
    packers = look_up.packers
    carried = str(look_up.crews.get(visit["crew"], {}).get("packers", "")).split("+")
    cure = look_up.cures.get(str(sleeve["system"]), "")
    fits = (
        packers["packer"].isin(carried)
        & (packers["dn_from_mm"] <= float(sleeve["dn_mm"]))
        & (packers["dn_to_mm"] >= float(sleeve["dn_mm"]))
        & (carried_m(packers, cure) >= float(sleeve["length_m"]))
        & (packers["reach_m"] >= float(setup["reach_m"]))
    )
    return " or ".join(packers.loc[fits, "packer"]) or "none of this van fits: ask"


def _laterals(sleeve: Row, node: str, pipe: Row, look_up: DayTables) -> list[str]:
    part = look_up.sleeve_laterals
    covered = set(part.loc[part["sleeve_id"] == sleeve["sleeve_id"], "lateral_id"])
    rows = look_up.laterals[look_up.laterals["lateral_id"].isin(covered)]
    lines = []
    for row in rows.to_dict("records"):
        at = metres(_counter(float(row["x_m"]), node, pipe), look_up.units)
        hour = row["clock_h"]
        seen = "clock not known"
        if math.isfinite(hour):
            seen = f"at {hour:.0f} o'clock seen downstream"
        mm = row["size_mm"]
        wide = f"{mm:.0f} mm" if math.isfinite(mm) else "size not known"
        lines.append(f"Reopen connection at counter {at}, {seen}, {wide}, {row['state']}")
    if bool(sleeve["laterals_unknown"]):
        lines.append("Connections are not known here: prove them before the sleeve")
    return lines


def _damages(sleeve: Row, node: str, pipe: Row, look_up: DayTables) -> list[str]:
    part = look_up.sleeve_spans
    ids = set(part.loc[part["sleeve_id"] == sleeve["sleeve_id"], "span_id"])
    lines = []
    for row in look_up.spans[look_up.spans["span_id"].isin(ids)].to_dict("records"):
        a, b = sorted(_counter(float(row[k]), node, pipe) for k in ("from_m", "to_m"))
        words = str(row["mechanisms"]).replace("+", ", ").replace("_", " ")
        place = f"counter {metres(a, look_up.units)} to {metres(b, look_up.units)}"
        lines.append(
            f"Covers {words} at {place}, find within {metres(row['find_m'], look_up.units)}"
        )
    return lines


def _work(work: Row, setup: Row, pipe: Row, units: str) -> str:
    words = STEP_WORDS.get(str(work["step"]), str(work["step"]))
    length = float(pipe["length_m"])
    if work["step"] == "check_access":
        return f"{words}: lid opens, key, parking, depth, clear opening at both manholes"
    if float(work["from_m"]) <= 0.01 and float(work["to_m"]) >= length - 0.01:
        return f"{words}, whole pipe"
    node = str(setup["counter_node"])
    a, b = sorted(_counter(float(work[k]), node, pipe) for k in ("from_m", "to_m"))
    return f"{words}, counter from {node}: {metres(a, units)} to {metres(b, units)}"


def _notes(node: Row, setup: Row, look_up: DayTables) -> list[str]:
    notes = []
    access = str(node.get("access", "unknown"))
    if access != "open":
        seen = ", checked beforehand" if setup["pipe_id"] in look_up.checked else ""
        notes.append(f"Access at {setup['node_id']}: {access}{seen}")
    if setup["counter_node"] != setup["node_id"]:
        notes.append(
            f"Distances count from {setup['counter_node']}, the packer goes in at "
            f"{setup['node_id']}"
        )
    doubts = str(setup["doubts"])
    return [*notes, *(["Not known: " + doubts] if doubts else [])]


def _flow(row: Row, units: str) -> str:
    """Say how the flow at a sleeve could be controlled; the whole reckoning is in explain."""
    what = f"Flow at {row['sleeve_id']}"
    if row["state"] != "reckoned":
        return f"Flow {row['state']}"
    deep = f"up to {row['depth_pct_high']:.0f} % deep"
    words = {"through_flow": "packer with through-flow"}.get(row["control"], row["control"])
    held = row["hold_back_s"]
    holds = f", holds {hours(held)}" if row["control"] == "plug" else ""
    most = flow_rate(row["peak_l_s_high"], units)
    return f"{what} up to {most}, {deep} in dry weather: {words}{holds} ({row['standing']})"


def _strip(pipe: Row, sleeves: list[Row], look_up: DayTables) -> str:
    if not float(pipe["length_m"]) > 0:
        return ""
    ids = {str(s["sleeve_id"]) for s in sleeves}
    part = look_up.sleeve_spans
    spans = look_up.spans[
        look_up.spans["span_id"].isin(set(part.loc[part["sleeve_id"].isin(ids), "span_id"]))
    ]
    covered = set(
        look_up.sleeve_laterals.loc[look_up.sleeve_laterals["sleeve_id"].isin(ids), "lateral_id"]
    )
    here = look_up.laterals[look_up.laterals["pipe_id"] == pipe["pipe_id"]]
    taps = tuple(
        Tap(
            float(row["x_m"]),
            float(row["clock_h"]) if math.isfinite(row["clock_h"]) else 0.0,
            row["lateral_id"] in covered,
        )
        for row in here.to_dict("records")
    )
    damages = tuple(
        Mark(
            float(r["from_m"]),
            float(r["to_m"]),
            str(r["mechanisms"]).split("+")[0].replace("_", " "),
        )
        for r in spans.to_dict("records")
    )
    marks = tuple(
        Mark(float(s["from_m"]), float(s["to_m"]), f"sleeve {metres(s['length_m'], look_up.units)}")
        for s in sleeves
    )
    return draw_strip(
        Strip(
            float(pipe["length_m"]),
            str(pipe["us_node"]),
            str(pipe["ds_node"]),
            marks,
            damages,
            taps,
            SLEEVE_COLOUR,
            DAMAGE_COLOUR,
            *(("ft", factor("ft", "m")) if look_up.units == "us" else ("m", 1.0)),
        )
    )
