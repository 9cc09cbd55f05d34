"""What a run sheet says of work that sets no sleeve: what lies there, what to report back."""

from __future__ import annotations

import math
from collections.abc import Sequence

import pandas as pd

from planner.outputs.counter import Counter
from planner.outputs.sheet_tables import Row, SheetTables
from planner.outputs.sleeve_block import damage_words, lateral_brief, lateral_words
from planner.outputs.wording import metres, size

CLEANS = ("clean", "clean_again", "cut_roots", "cut_intrusion", "descale")
CUTS = {"cut_roots", "cut_intrusion", "descale"}
LOOKS = ("look", "prove_laterals")
TO_CLEAN = {"roots", "deposit_attached", "deposit_settled", "obstruction", "soil_ingress",
            "lateral_intruding", "seal_intruding", "unknown"}  # fmt: skip
"""Mechanisms that cleaning or cutting is about."""
WEAK = {"break", "missing_wall", "collapse", "fracture", "invert_drop", "unknown"}
"""Mechanisms at which a jet can wash out what still stands; common practice, no source."""
LEAKS = {"infiltration", "exfiltration", "porous_wall", "unknown"}
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
        ``title``, ``lines`` to read, ``head`` and ``rows`` of a table whose empty cells are
        to be filled in, ``fields`` to fill in.
    """
    pipe = look_up.pipes[setup["pipe_id"]]
    blocks = []
    if "check_access" in steps:
        blocks.append(_access(setup, look_up))
    if steps & set(CLEANS):
        blocks.append(_clean(pipe, counter, look_up, steps))
    if steps & set(LOOKS):
        blocks.append(_look(pipe, counter, look_up, told=bool(steps & set(CLEANS))))
    if "grout" in steps:
        blocks.append(_grout(pipe, counter, look_up))
    if steps & {"reopen", "verify"}:
        blocks.append(_after(pipe, steps, counter, look_up))
    return blocks


def _block(
    title: str,
    lines: Sequence[str],
    fields: Sequence[str],
    head: Sequence[str] = (),
    rows: Sequence[Sequence[str]] = (),
) -> dict[str, object]:
    return {
        "title": title,
        "lines": list(lines),
        "head": list(head),
        "rows": [list(row) for row in rows],
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
    """Ask at both manholes for what a crew with a packer needs."""
    units = look_up.units
    names = [str(name) for name in (setup["node_id"], setup["other_node_id"]) if name]
    small_unit, unit = ("in", "ft") if units == "us" else ("mm", "m")
    asked = (
        "lid opens, with which key",
        "van can stand; from when to when",
        f"clear opening [{small_unit}]",
        f"depth to the invert [{unit}]",
        "steps, channel, room for a packer",
        "water, current",
    )
    said = [manhole_words(look_up.nodes.get(name, {}), units) for name in names]
    rows = [["on the list", *said], *([one, *([""] * len(names))] for one in asked)]
    return _block("Find out at both manholes", [], [], ["", *names], rows)


def _clean(pipe: Row, counter: Counter, look_up: SheetTables, steps: set[str]) -> dict[str, object]:
    """List what is to come out, where the jet could do harm, where sleeves will sit."""
    spans = look_up.spans.get(str(pipe["pipe_id"]), [])
    weak = [row for row in spans if _names(row) & WEAK or _open_ground(row)]
    lines = [f"Mind the jet, ask first: {damage_words(row, counter)}" for row in weak]
    lines += _sleeves_to_come(pipe, counter, look_up)
    rows = [[damage_words(row, counter), ""] for row in spans if _names(row) & TO_CLEAN]
    fields = ["passes", "came out: what, how much"]
    cuts = bool(steps & CUTS)
    fields += ["what still stands in, at counter"] if cuts else []
    fields += ["left in the pipe, at counter", "water standing at counter"]
    head = ("to come out, by the survey", "now")
    return _block("Clean and cut" if cuts else "Clean", lines, fields, head, _few(rows))


def _names(row: Row) -> set[str]:
    return set(str(row["mechanisms"]).split("+"))


def _open_ground(row: Row) -> bool:
    """Say whether soil or a void is seen through a span."""
    return any(
        not pd.isna(row[name]) and bool(row[name]) for name in ("soil_visible", "void_visible")
    )


def _sleeves_to_come(pipe: Row, counter: Counter, look_up: SheetTables) -> list[str]:
    works = look_up.works_of.get(str(pipe["pipe_id"]), [])
    return [
        f"A sleeve will sit at counter {counter.stretch(work['from_m'], work['to_m'])}: the wall "
        "must be bare there"
        for work in works
        if work["step"] == "sleeve" and work["state"] == "todo"
    ]


def _look(pipe: Row, counter: Counter, look_up: SheetTables, *, told: bool) -> dict[str, object]:
    """List damage and connections to find; what is measured frees or stops the sleeve.

    `told` says that the sleeves to come stand in another block of the same visit.
    """
    spans = look_up.spans.get(str(pipe["pipe_id"]), [])
    laterals = _along(look_up.laterals.get(str(pipe["pipe_id"]), []), counter)
    rows = [[damage_words(row, counter), ""] for row in spans]
    rows += [[f"connection {lateral_brief(row, counter)}", ""] for row in laterals]
    lines = [
        "Zero the counter at the wall of the manhole. Measure the inside size where each sleeve "
        "sits."
    ]
    lines += [] if told else _sleeves_to_come(pipe, counter, look_up)
    if counter.upstream:
        whole = metres(counter.length_m, look_up.units)
        lines.append(
            f"In the journal places count from {pipe['us_node']}: write {whole} less the counter."
        )
    unit = "in" if look_up.units == "us" else "mm"
    fields = [
        "damage found at counter, from",
        "to",
        "connections proved at counter, from",
        "to",
        f"inside size [{unit}], named {size(pipe['dn_mm'], look_up.units)}",
        "film",
    ]
    return _block("Film and measure", lines, fields, ("expected", "found at counter"), _few(rows))


def _along(laterals: Sequence[Row], counter: Counter) -> list[Row]:
    return sorted(laterals, key=lambda row: counter.reads_m(float(row["x_m"])))


def _few(rows: list[list[str]]) -> list[list[str]]:
    if len(rows) <= LISTED:
        return rows
    return [*rows[:LISTED], [f"and {len(rows) - LISTED} more: see the map", ""]]


def _grout(pipe: Row, counter: Counter, look_up: SheetTables) -> dict[str, object]:
    spans = look_up.spans.get(str(pipe["pipe_id"]), [])
    rows = [[damage_words(row, counter), ""] for row in spans if _names(row) & LEAKS]
    unit = "lb" if look_up.units == "us" else "kg"
    fields = [f"grout used [{unit}]", "lot", "no water runs after [min]", "film"]
    return _block("Stop the water", [], fields, ("leaks, by the survey", "now"), _few(rows))


def _after(pipe: Row, steps: set[str], counter: Counter, look_up: SheetTables) -> dict[str, object]:
    """List the connections under sleeves of the pipe where they are reopened or filmed alone."""
    covered = {one for ids in look_up.sleeve_laterals.values() for one in ids}
    laterals = _along(look_up.laterals.get(str(pipe["pipe_id"]), []), counter)
    rows = [
        [f"connection at {lateral_words(row, counter)}", ""]
        for row in laterals
        if row["lateral_id"] in covered
    ]
    reopens = "reopen" in steps
    fields = ["opened to [% of its size]", "cut-out pieces taken out"] if reopens else []
    title = "Reopen connections" if reopens else "Film the result"
    more = ["ends, folds, dry places", "film"]
    return _block(title, [], [*fields, *more], ("under a sleeve", "now"), rows)
