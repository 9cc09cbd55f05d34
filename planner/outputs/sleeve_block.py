"""What a run sheet says of one sleeve: place, make, cure, order of work, fields to fill in."""

from __future__ import annotations

import math

import pandas as pd

from planner.ground.order_of_work import Figure, fill_line
from planner.outputs.counter import Counter
from planner.outputs.curing import CureWords, cure_words, lamp_speed, pot_life_said
from planner.outputs.drawings import clock_of, inset_of
from planner.outputs.sheet_tables import Row, SheetTables
from planner.outputs.wording import mass, metres, size, small
from planner.units import factor

ENDS = {
    "us_manhole": "one end closes at the wall of the upstream manhole: seal that end",
    "ds_manhole": "one end closes at the wall of the downstream manhole: seal that end",
    "both": "both ends close at manhole walls: seal both",
}
NO_PACKER = "none of this van fits: ask"


def sleeve_block(sleeve: Row, visit: Row, setup: Row, look_up: SheetTables) -> dict[str, object]:
    """Gather what the sheet prints of one sleeve.

    Parameters
    ----------
    sleeve, visit, setup
        Rows of `SLEEVES`, `VISITS` and `SETUPS`.
    look_up
        The tables of the run by id.
    """
    pipe, units = look_up.pipes[sleeve["pipe_id"]], look_up.units
    counter = Counter.of(str(sleeve["counter_node"]), pipe, units)
    ends = counter.ends(float(sleeve["from_m"]), float(sleeve["to_m"]))
    packers = _packers(sleeve, visit, setup, look_up)
    cure = cure_words(sleeve, look_up.curing, units)
    known = math.isfinite(float(sleeve["wall_mm"]))
    grams = look_up.resin_g.get(str(sleeve["sleeve_id"]))
    other = counter.node != setup["counter_node"]
    return {
        "id": sleeve["sleeve_id"],
        "counter_node": counter.node,
        "looks": counter.looks,
        "counter": ends[0],
        "counter_end": ends[1],
        "other_zero": f"Mind: this sleeve counts from {counter.node}" if other else "",
        "length": metres(float(sleeve["length_m"]), units),
        "size": size(float(sleeve["dn_mm"]), units),
        "system": str(sleeve["system"]),
        "wall": f"wall {small(sleeve['wall_mm'], units)}, {sleeve['plies']} plies"
        if known
        else "wall not known",
        "resin": "resin not known" if grams is None else f"resin {mass(grams, units)} net",
        "packer": " or ".join(str(one["packer"]) for one in packers) or NO_PACKER,
        "end": ENDS.get(str(sleeve["end"]), ""),
        "laterals": _laterals(sleeve, counter, look_up),
        "damages": _damages(sleeve, counter, look_up),
        "placed": f"Placed by a person: {sleeve['placed_by']}" if sleeve["placed_by"] else "",
        "inset": inset_of(pipe, sleeve, counter, look_up),
        "clock": clock_of(sleeve, counter, look_up),
        "cure_known": bool(cure.row),
        "cure_at": cure.at,
        "times": [list(pair) for pair in cure.times],
        "steps": [list(pair) for pair in cure.steps],
        "cure_notes": list(cure.notes),
        "cure_faults": list(cure.faults),
        "degree": "\u00b0F" if units == "us" else "\u00b0C",
        "resin_unit": "lb" if units == "us" else "kg",
        **_order(sleeve, setup, packers, cure, look_up),
    }


def _packers(sleeve: Row, visit: Row, setup: Row, look_up: SheetTables) -> list[Row]:
    """Give the packers on this van that carry the sleeve and reach the place."""
    carried = str(look_up.crews.get(visit["crew"], {}).get("packers", "")).split("+")
    cure = look_up.cures.get(str(sleeve["system"]), "")
    dn, length = float(sleeve["dn_mm"]), float(sleeve["length_m"])
    return [
        one
        for one in look_up.packers
        if one["packer"] in carried
        and one["dn_from_mm"] <= dn <= one["dn_to_mm"]
        and look_up.carried_m[cure][one["packer"]] >= length
        and one["reach_m"] >= float(setup["reach_m"])
    ]


def covered_laterals(sleeve: Row, look_up: SheetTables) -> list[Row]:
    """Give the connections under a sleeve, in order along the pipe."""
    covered = set(look_up.sleeve_laterals.get(str(sleeve["sleeve_id"]), []))
    rows = look_up.laterals.get(str(sleeve["pipe_id"]), [])
    return sorted((r for r in rows if r["lateral_id"] in covered), key=lambda r: float(r["x_m"]))


def lateral_words(row: Row, counter: Counter) -> str:
    """Say of one connection where it lies, how large it is, and whether it is in use."""
    wide = small(float(row["size_mm"]), counter.units)
    use = {"open": "in use", "closed": "closed", "unknown": "use not known: counts as in use"}
    place = f"counter {counter.at(float(row['x_m']))}, {counter.clock(float(row['clock_h']))}"
    return f"{place}, {wide}, {use[str(row['state'])]}"


def lateral_brief(row: Row, counter: Counter) -> str:
    """Say the same in a table's cell, where all counter readings are from one manhole."""
    wide = small(float(row["size_mm"]), counter.units)
    use = {"open": "in use", "closed": "closed", "unknown": "use?"}[str(row["state"])]
    return f"{counter.at(float(row['x_m']))}, {counter.hour(float(row['clock_h']))}, {wide}, {use}"


def _laterals(sleeve: Row, counter: Counter, look_up: SheetTables) -> list[str]:
    lines = [
        f"Reopen connection at {lateral_words(row, counter)}"
        for row in covered_laterals(sleeve, look_up)
    ]
    if bool(sleeve["laterals_unknown"]):
        lines.append("Connections are not known here: prove them before the sleeve")
    return lines


def _damages(sleeve: Row, counter: Counter, look_up: SheetTables) -> list[str]:
    served = set(look_up.sleeve_spans.get(str(sleeve["sleeve_id"]), []))
    rows = look_up.spans.get(str(sleeve["pipe_id"]), [])
    return [f"Covers {damage_words(row, counter)}" for row in rows if row["span_id"] in served]


def damage_words(row: Row, counter: Counter) -> str:
    """Say of one span what it is, where the counter reads it and how far it may be off."""
    words = str(row["mechanisms"]).replace("+", ", ").replace("_", " ")
    joint = " at a joint" if not pd.isna(row["at_joint"]) and row["at_joint"] else ""
    doubt = metres(row["find_m"], counter.units)
    place = counter.stretch(float(row["from_m"]), float(row["to_m"]))
    return f"{words}{joint} at counter {place}, \u00b1 {doubt}"


def _order(
    sleeve: Row, setup: Row, packers: list[Row], cure: CureWords, look_up: SheetTables
) -> dict[str, object]:
    """Fill in the order of work of the sleeve's system."""
    order = look_up.orders.get(str(sleeve["system"]))
    if order is None:
        return {"order": [], "order_by": "", "order_refused": ""}
    if order.refused:
        refused = f"Order of work not printed: {order.source}, {order.refused}"
        return {"order": [], "order_by": order.source, "order_refused": refused}
    values = _figures(sleeve, setup, packers, cure, look_up)
    values |= _words(sleeve, setup, packers, cure, look_up)
    lines = [fill_line(line, values) for line in order.lines]
    return {"order": lines, "order_by": order.source, "order_refused": ""}


def _figures(
    sleeve: Row, setup: Row, packers: list[Row], cure: CureWords, look_up: SheetTables
) -> dict[str, Figure | str]:
    """Give the figures that an order of work may name, in the units of the project."""
    us = look_up.units == "us"
    pipe = look_up.pipes[sleeve["pipe_id"]]
    stand = Counter.of(str(setup["node_id"]), pipe, look_up.units)
    near, far = sorted(stand.reads_m(float(sleeve[k])) for k in ("from_m", "to_m"))
    grams = look_up.resin_g.get(str(sleeve["sleeve_id"]))
    cold = float(cure.row.get("cold_c", math.nan))

    def length(value_m: float) -> Figure:
        return Figure(value_m * factor("m", "ft"), "ft", 1) if us else Figure(value_m, "m", 2)

    kilos = math.nan if grams is None else grams / 1000
    wall = float(sleeve["wall_mm"])
    return {
        "sleeve": length(float(sleeve["length_m"])),
        "lit": length(_lit_m(packers, cure)),
        "mark": length(near),
        "mark_far": length(far),
        "wall": Figure(wall * factor("mm", "in"), "in", 2) if us else Figure(wall, "mm", 1),
        "resin": Figure(kilos * factor("kg", "lb"), "lb", 1) if us else Figure(kilos, "kg", 2),
        "temperature": Figure(cold * 1.8 + 32, "\u00b0F", 0) if us else Figure(cold, "\u00b0C", 0),
    }


def _lit_m(packers: list[Row], cure: CureWords) -> float:
    """Give the lit length [m]: as the process table states it, else of the one packer."""
    stated = float(cure.row.get("lit_m", math.nan))
    if math.isfinite(stated):
        return stated
    lit = {float(one["lit_m"]) for one in packers}
    return lit.pop() if len(lit) == 1 else math.nan


def _words(
    sleeve: Row, setup: Row, packers: list[Row], cure: CureWords, look_up: SheetTables
) -> dict[str, Figure | str]:
    """Give the words that an order of work may name; '' where the plan does not say."""
    pipe, units = look_up.pipes[sleeve["pipe_id"]], look_up.units
    counter = Counter.of(str(sleeve["counter_node"]), pipe, units)
    stretch = counter.stretch(float(sleeve["from_m"]), float(sleeve["to_m"]))
    count = len(covered_laterals(sleeve, look_up))
    plies = sleeve["plies"]
    watts = float(cure.row.get("lamp_w", math.nan))
    batch = cure.minutes("batch_s")
    return {
        "size": size(float(sleeve["dn_mm"]), units),
        "stand": str(setup["node_id"]),
        "other": str(setup["other_node_id"]),
        "counter": f"{stretch} from {counter.node}",
        "packer": " or ".join(str(one["packer"]) for one in packers) or NO_PACKER,
        "plies": "" if pd.isna(plies) else str(plies),
        "steps": cure.steps_said,
        "batch": batch,
        "pot_life": pot_life_said(cure.row, units),
        "cure": cure.minutes("cure_s"),
        "cooldown": _or_none(cure, "cooldown_s"),
        "drawdown": _or_none(cure, "drawdown_s"),
        "finish": cure.minutes("finish_s"),
        "lamp_speed": lamp_speed(cure.row, units) or ("stands still" if cure.row else ""),
        "lamp_power": f"{watts:g} W" if math.isfinite(watts) else "",
        "reopen": "none" if not count else f"{count} connection{'s' if count > 1 else ''}",
    }


def _or_none(cure: CureWords, name: str) -> str:
    """Write a time that a process table may leave blank, which means none."""
    return "no time stated" if cure.row.get(name) == 0 else cure.minutes(name)
