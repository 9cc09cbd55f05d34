"""What the map draws of the ground: manholes, connections, streets."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import shapely

from planner.outputs.layers import Sheet
from planner.outputs.packing import Layer, has_shape, known, records, shapes_of


def nodes_layer(sheet: Sheet) -> Layer:
    """Draw each manhole, chamber and end that has a point."""
    nodes = sheet.tables["nodes"]
    part = nodes.loc[has_shape(nodes)].reset_index(drop=True)
    rows = records(part)
    text = sheet.length
    fields = {
        "Node": [row["node_id"] for row in rows],
        "Kind": [row["kind"] for row in rows],
        "Street": [row["street"] for row in rows],
        "Access": [row["access"] for row in rows],
        "Depth": _each(rows, "depth_m", text),
        "Lid": _each(rows, "lid_mm", lambda mm: f"{mm:.0f} mm"),
    }
    classes = ["open" if row["access"] == "open" else "shut" for row in rows]
    return Layer(shapes_of(part), part.crs, classes, fields)


def _each(rows: list[dict[str, Any]], name: str, text: Callable[[float], str]) -> list[str]:
    return [text(row[name]) if known(row[name]) else "" for row in rows]


def laterals_layer(sheet: Sheet) -> Layer:
    """Draw each connection as a tick on the side of the pipe that its clock hour says."""
    laterals = sheet.tables["laterals"]
    part = laterals.loc[sheet.axis.holds(laterals["pipe_id"])].reset_index(drop=True)
    points, along = sheet.axis.points(part["pipe_id"], part["x_m"])
    rows = records(part)
    text = sheet.length
    fields = {
        "Connection": [row["lateral_id"] for row in rows],
        "Pipe": [row["pipe_id"] for row in rows],
        "Place": [f"{text(row['x_m'])} from the upstream node" for row in rows],
        "Clock": [
            f"{row['clock_h']:g} o'clock seen downstream" if known(row["clock_h"]) else ""
            for row in rows
        ],
        "Size": _each(rows, "size_mm", lambda mm: f"{mm:.0f} mm"),
        "State": [
            "not known, counts as live" if row["state"] == "unknown" else row["state"]
            for row in rows
        ],
        "Source": [row["source"] for row in rows],
    }
    classes = ["closed" if row["state"] == "closed" else "live" for row in rows]
    sides = [_side(row["clock_h"]) for row in rows]
    angles = [None if b is None else a + b for a, b in zip(along, sides, strict=True)]
    return Layer(points, sheet.crs, classes, fields, angles=angles)


def _side(clock_h: float) -> int | None:
    """Give the quarter turn [deg] towards a clock hour seen downstream, None up, down, unknown."""
    if not known(clock_h) or clock_h in (6, 12):
        return None
    return 90 if clock_h < 6 else -90


def streets_layer(sheet: Sheet) -> Layer:
    """Draw the streets in grey, those of one name as one line; names are written along them."""
    streets = sheet.tables["streets"]
    part = streets.loc[has_shape(streets)].reset_index(drop=True)
    pieces, owner = shapely.get_parts(shapes_of(part), return_index=True)
    names = part["name"].to_numpy(dtype=object)[owner]
    whole = [
        (str(name), shapely.line_merge(shapely.multilinestrings(pieces[names == name])))
        for name in sorted(set(names))
    ]
    lines = [(name, line) for name, shape in whole for line in shapely.get_parts(shape)]
    geometry = np.array([line for _, line in lines], dtype=object)
    return Layer(
        geometry, part.crs, ["street"] * len(lines), {"Street": [name for name, _ in lines]}
    )
