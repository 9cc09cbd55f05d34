"""Sleeve systems with sizes, process times, pressure steps and order of work; packers."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import pandas as pd

from planner.contracts import (
    MATERIALS,
    PACKERS,
    PARTS,
    PRESSURE_STEPS,
    PROCESS,
    SYSTEM_SIZES,
    SYSTEMS,
)
from planner.contracts.repairs import CURE_KINDS
from planner.errors import Fault
from planner.inputs.cells import read_number
from planner.inputs.forms import nearest, refuse
from planner.inputs.order_of_work import read_order
from planner.inputs.pressure import check_pressure, read_pressure
from planner.inputs.process_rows import check_process, tell_packers, tell_process
from planner.inputs.records import read_records, unknown_keys
from planner.inputs.refusals import covered_sizes, refuse_strange_systems
from planner.inputs.wound_from import read_materials, read_parts
from planner.tables import Table, conform

_CHILDREN = ("size", "material", "part", "process", "pressure", "order")


@dataclass(frozen=True)
class SystemTables:
    """Systems and packers by the names of their contracts, faults, and records read."""

    systems: pd.DataFrame
    system_sizes: pd.DataFrame
    materials: pd.DataFrame
    parts: pd.DataFrame
    process: pd.DataFrame
    pressure_steps: pd.DataFrame
    order_of_work: pd.DataFrame
    packers: pd.DataFrame
    faults: list[Fault]
    read_count: int


def read_systems(raw: Mapping[str, Any], file: str = "systems.toml") -> SystemTables:
    """Read systems, what a sleeve is made of, process times, steps, order of work, packers.

    Parameters
    ----------
    raw
        The parsed file: ``[[system]]`` tables with the keys of `SYSTEMS`, each with
        ``[[system.size]]``, ``[[system.material]]``, ``[[system.part]]``,
        ``[[system.process]]``, ``[[system.pressure]]`` and ``[[system.order]]``;
        ``[[packer]]`` tables.
    file
        Name in messages.
    """
    faults = unknown_keys(raw, ("system", "packer"), file)
    records = raw.get("system", [])
    heads, children = _part(records)
    systems, more = read_records(heads, SYSTEMS, file, prefix="system")
    faults += more
    systems = refuse(systems, _plain_names(systems, "system"), "system.system", file, faults)
    names = systems["system"].tolist()
    size_frame, more = _children(children["size"], SYSTEM_SIZES, names, "system.size", file)
    faults += more
    size_frame = _check_sizes(size_frame, file, faults)
    made = set(systems.loc[systems["supply"] == "made_before", "system"])
    bare = size_frame.index[(size_frame["lengths_m"] == "") & size_frame["system"].isin(made)]
    bad = dict.fromkeys(bare, "the lengths that it is made in, e.g. [0.5, 1.0]")
    size_frame = refuse(size_frame, bad, "system.size.lengths_m", file, faults)
    process_frame, more = _children(children["process"], PROCESS, names, "system.process", file)
    faults += more
    cures = dict(zip(systems["system"], systems["cure"], strict=True))
    process_frame = check_process(process_frame, cures, file, faults)
    faults += tell_process(process_frame, size_frame, file)
    packers, more = read_records(raw.get("packer", []), PACKERS, file, prefix="packer")
    faults += more
    packers = _check_packers(packers, file, faults)
    faults += tell_packers(systems, size_frame, packers, file)
    materials, more = read_materials(children["material"], names, file)
    faults += more
    parts, more = read_parts(children["part"], names, file)
    faults += more
    step_frame, more = read_pressure(children["pressure"], names, file)
    faults += more
    step_frame, more = check_pressure(step_frame, systems, packers, file)
    faults += more
    order_frame, more = read_order(children["order"], systems, file)
    faults += more
    listed = (heads, *children.values(), raw.get("packer", []))
    count = sum(len(part) for part in listed if isinstance(part, list))
    return SystemTables(
        conform(systems, SYSTEMS),
        conform(size_frame, SYSTEM_SIZES),
        conform(materials, MATERIALS),
        conform(parts, PARTS),
        conform(process_frame, PROCESS),
        conform(step_frame, PRESSURE_STEPS),
        order_frame,
        conform(packers, PACKERS),
        faults,
        count,
    )


def _part(records: object) -> tuple[object, dict[str, list[object]]]:
    """Part each system from its rows of sizes, materials and the like, which take its name."""
    children: dict[str, list[object]] = {name: [] for name in _CHILDREN}
    if not isinstance(records, list):
        return records, children
    heads: list[object] = []
    for record in records:
        if not isinstance(record, Mapping):
            heads.append(record)
            continue
        heads.append({key: value for key, value in record.items() if key not in _CHILDREN})
        for key, rows in children.items():
            found = record.get(key, [])
            for child in found if isinstance(found, list) else [found]:
                named = isinstance(child, Mapping)
                rows.append({"system": record.get("system"), **child} if named else child)
    return heads, children


def _children(
    records: list[object], table: Table, names: list[str], prefix: str, file: str
) -> tuple[pd.DataFrame, list[Fault]]:
    frame, faults = read_records(records, table, file, prefix=prefix)
    frame = refuse_strange_systems(frame, names, prefix, file, faults)
    twice = frame.index[frame.duplicated(list(table.key))]
    wanted = f"one row for each {' and '.join(table.key)}"
    column = f"{prefix}.{table.key[1]}"
    return refuse(frame, dict.fromkeys(twice, wanted), column, file, faults), faults


def _check_sizes(frame: pd.DataFrame, file: str, faults: list[Fault]) -> pd.DataFrame:
    turned = frame.index[frame["dn_from_mm"] > frame["dn_to_mm"]]
    bad = dict.fromkeys(turned, "dn_to_mm, which is no smaller")
    frame = refuse(frame, bad, "system.size.dn_from_mm", file, faults)
    thick = frame.index[2 * frame["wall_mm"] >= frame["dn_from_mm"].clip(lower=1.0)]
    bad = dict.fromkeys(thick, "a wall that leaves a bore")
    frame = refuse(frame, bad, "system.size.wall_mm", file, faults)
    lengths = {
        i: "lengths in m above 0, e.g. [0.5, 1.0]"
        for i, text in frame["lengths_m"].items()
        if text and not all((read_number(part) or 0) > 0 for part in text.split("+"))
    }
    frame = refuse(frame, lengths, "system.size.lengths_m", file, faults)
    bad = covered_sizes(frame, ("system",), "system")
    return refuse(frame, bad, "system.size.dn_from_mm", file, faults)


def _check_packers(frame: pd.DataFrame, file: str, faults: list[Fault]) -> pd.DataFrame:
    frame = refuse(frame, _plain_names(frame, "packer"), "packer.packer", file, faults)
    turned = frame.index[frame["dn_from_mm"] > frame["dn_to_mm"]]
    bad = dict.fromkeys(turned, "dn_to_mm, which is no smaller")
    frame = refuse(frame, bad, "packer.dn_from_mm", file, faults)
    cures: dict[Any, str] = {}
    for i, text in frame["cures"].items():
        wrong = [cure for cure in text.split("+") if cure not in CURE_KINDS]
        if wrong:
            cures[i] = f"{', '.join(CURE_KINDS)}{nearest(wrong[0], CURE_KINDS)}"
    return refuse(frame, cures, "packer.cures", file, faults)


def _plain_names(frame: pd.DataFrame, column: str) -> dict[Any, str]:
    """Find names that stand twice or hold the sign that joins names in lists."""
    bad = dict.fromkeys(frame.index[frame.duplicated(column)], "a name used once")
    joined = frame.index[frame[column].str.contains("+", regex=False).astype(bool)]
    return bad | dict.fromkeys(joined, "a name without '+'")
