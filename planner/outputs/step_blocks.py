"""What a run sheet says of work that sets no sleeve: what lies there, what to report back."""

from __future__ import annotations

import math
from collections.abc import Sequence

import pandas as pd

from planner.outputs.counter import Counter
from planner.outputs.sheet_tables import Row, SheetTables
from planner.outputs.sleeve_block import damage_words, lateral_words
from planner.outputs.wording import metres, size

CLEANS = ("clean", "clean_again", "cut_roots", "cut_intrusion", "descale")
LOOKS = ("look", "prove_laterals")
LISTED = 14
"""So many things of a pipe are listed; the rest is counted."""


def step_blocks(
    steps: set[str], setup: Row, counter: Counter, look_up: SheetTables
) -> list[dict[str, object]]:
    """Gather a block for each kind of work of a visit that sets no sleeve.

    Parameters
    ----------
    steps
        Steps of the visit.
    setup
        A row of `SETUPS`.
    counter
        Of the pipe, from the visit's own zero.
    look_up
        The tables of the run by id.

    Returns
    -------
    blocks
        ``title``, ``lines`` to read, ``finds`` (a table to fill in: what, where expected),
        ``fields`` to fill in.
    """
    pipe = look_up.pipes[setup["pipe_id"]]
    blocks = []
    if "check_access" in steps:
        blocks.append(_access(setup, look_up))
    if steps & set(CLEANS):
        blocks.append(_clean(pipe, counter, look_up, cuts=bool(steps - {"clean", "look"})))
    if steps & set(LOOKS):
        blocks.append(_look(pipe, counter, look_up))
    if "grout" in steps:
        blocks.append(_grout(pipe, counter, look_up))
    if steps & {"reopen", "verify"}:
        blocks.append(_after(pipe, steps, counter, look_up))
    return blocks


def _block(
    title: str,
    lines: Sequence[str],
    fields: Sequence[str],
    finds: Sequence[tuple[str, str]] = (),
    head: str = "",
) -> dict[str, object]:
    return {
        "title": title,
        "lines": list(lines),
        "head": head,
        "finds": [list(find) for find in finds],
        "fields": list(fields),
    }


def manhole_words(node: Row, units: str) -> str:
    """Say of a manhole what the list knows: access, depth, lid."""
    access = str(node.get("access", "unknown"))
    said = ["access not known" if access == "unknown" else f"access {access}"]
    depth, lid = node.get("depth_m"), node.get("lid_mm")
    if depth is not None and math.isfinite(float(depth)):
        said.append(f"depth {metres(float(depth), units)}")
    if lid is not None and math.isfinite(float(lid)):
        wide = f"{lid / 25.4:.0f} in" if units == "us" else f"{lid:.0f} mm"
        said.append(f"lid {wide}")
    return ", ".join(said)


def _access(setup: Row, look_up: SheetTables) -> dict[str, object]:
    """Ask at both manholes for what a packer needs; nothing is opened without a gas test."""
    units = look_up.units
    found = []
    for name in (str(setup["node_id"]), str(setup["other_node_id"])):
        if name:
            found.append((name, manhole_words(look_up.nodes.get(name, {}), units)))
    small_unit, unit = ("in", "ft") if units == "us" else ("mm", "m")
    fields = [
        "lid opens, with which key",
        "van can stand, from when to when",
        f"clear opening [{small_unit}]",
        f"depth to the invert [{unit}]",
        "steps, channel, room for a packer",
        "water, current",
    ]
    return _block("Access: at both manholes", [], fields, found, "manhole; what the list says")


def _clean(pipe: Row, counter: Counter, look_up: SheetTables, *, cuts: bool) -> dict[str, object]:
    """List what lies in the pipe, where jetting could do harm, where sleeves will sit."""
    spans = look_up.spans.get(str(pipe["pipe_id"]), [])
    open_ground = [row for row in spans if _seen(row, "soil_visible") or _seen(row, "void_visible")]
    lines = [
        f"Soil or a void is seen at counter {counter.stretch(row['from_m'], row['to_m'])}: "
        "ask before jetting there"
        for row in open_ground
    ]
    lines += _sleeves_to_come(pipe, counter, look_up)
    finds = [(damage_words(row, counter), "") for row in spans]
    fields = ["passes", "came out: what and how much"]
    fields += ["cut back to: what still stands in"] if cuts else []
    fields += ["left in the pipe, at counter", "water standing at counter"]
    return _block(
        "Clean" + (" and cut" if cuts else ""),
        lines,
        fields,
        _few(finds),
        "seen by the survey; now",
    )


def _seen(row: Row, name: str) -> bool:
    return not pd.isna(row[name]) and bool(row[name])


def _sleeves_to_come(pipe: Row, counter: Counter, look_up: SheetTables) -> list[str]:
    works = look_up.works_of.get(str(pipe["pipe_id"]), [])
    return [
        f"A sleeve will sit at counter {counter.stretch(work['from_m'], work['to_m'])}: the wall "
        "must be bare there"
        for work in works
        if work["step"] == "sleeve" and work["state"] == "todo"
    ]


def _look(pipe: Row, counter: Counter, look_up: SheetTables) -> dict[str, object]:
    """List damage and connections to find; what is measured frees or stops the sleeve."""
    spans = look_up.spans.get(str(pipe["pipe_id"]), [])
    laterals = sorted(
        look_up.laterals.get(str(pipe["pipe_id"]), []), key=lambda row: counter.reads_m(row["x_m"])
    )
    finds = [(damage_words(row, counter), "") for row in spans]
    finds += [(f"connection at {lateral_words(row, counter)}", "") for row in laterals]
    lines = _sleeves_to_come(pipe, counter, look_up)
    lines.append(
        "Zero the counter at the wall of the manhole; measure inside size where each sleeve sits"
    )
    if counter.upstream:
        whole = metres(counter.length_m, look_up.units)
        lines.append(
            f"In the journal places count from {pipe['us_node']}: {whole} less the counter"
        )
    unit = "in" if look_up.units == "us" else "mm"
    fields = [
        "damage found at counter, from",
        "to",
        f"inside size measured [{unit}], named {size(pipe['dn_mm'], look_up.units)}",
        "connections proved at counter, from",
        "to",
        "film",
    ]
    return _block("Film and measure", lines, fields, _few(finds), "expected; found at counter")


def _few(finds: list[tuple[str, str]]) -> list[tuple[str, str]]:
    if len(finds) <= LISTED:
        return finds
    rest = f"and {len(finds) - LISTED} more: see the map"
    return [*finds[:LISTED], (rest, "")]


def _grout(pipe: Row, counter: Counter, look_up: SheetTables) -> dict[str, object]:
    spans = look_up.spans.get(str(pipe["pipe_id"]), [])
    finds = [(damage_words(row, counter), "") for row in spans if row["mechanisms"] != ""]
    unit = "lb" if look_up.units == "us" else "kg"
    fields = [f"grout used [{unit}]", "lot", "water stands still after [min]", "film"]
    return _block("Stop the water", [], fields, _few(finds), "seen by the survey; now")


def _after(pipe: Row, steps: set[str], counter: Counter, look_up: SheetTables) -> dict[str, object]:
    """List the connections under sleeves of the pipe where they are reopened or filmed alone."""
    covered = {one for ids in look_up.sleeve_laterals.values() for one in ids}
    rows = look_up.laterals.get(str(pipe["pipe_id"]), [])
    finds = [
        (f"connection at {lateral_words(row, counter)}", "")
        for row in sorted(rows, key=lambda row: counter.reads_m(row["x_m"]))
        if row["lateral_id"] in covered
    ]
    fields = ["opened to [% of its size]", "coupons taken out"] if "reopen" in steps else []
    title = "Reopen connections" if "reopen" in steps else "Film the result"
    return _block(title, [], [*fields, "ends, folds, dry places", "film"], finds, "connection; now")
