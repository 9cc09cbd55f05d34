"""One plain line from whatever a pipe's geometry is, or the reason why there is none."""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import combinations

import numpy as np
import shapely
from shapely import LineString
from shapely.geometry.base import BaseGeometry

from planner.inputs.vector import Shapes

LEAST_M = 0.01
# Parts of one line whose ends are closer than this are joined; a wider gap is not closed.
JOIN_M = 0.05
_A_LINE = "one line from node to node"


@dataclass
class Lines:
    """A line or None for each shape; by position, why there is none and what was done."""

    lines: Shapes
    faults: dict[int, tuple[str, str]] = field(default_factory=dict)
    notes: dict[int, str] = field(default_factory=dict)


def one_line_each(shapes: Shapes) -> Lines:
    """Make one line of each shape.

    Parameters
    ----------
    shapes
        2D geometries in a metric projection [m]; None is allowed.

    Returns
    -------
    lines
        One-part multi-lines are taken as they are; several parts are joined where they make
        one line; for a missing, empty, closed, branched, interrupted or zero-length shape,
        or one that is no line, there is None and a pair (found, wanted).
    """
    out = Lines(np.full(len(shapes), None, dtype=object))
    for place, shape in enumerate(shapes):
        found, wanted = "", _A_LINE
        if shape is None or shape.is_empty:
            found = "no geometry" if shape is None else "an empty geometry"
        elif shape.geom_type == "LineString":
            out.lines[place] = shape
        elif shape.geom_type == "MultiLineString":
            line, note = _join(shape)
            out.lines[place] = line
            if line is None:
                found = note
            elif note:
                out.notes[place] = note
        else:
            found = f"a {shape.geom_type}"
        if out.lines[place] is not None:
            found = _unfit(out.lines[place])
        if found:
            out.lines[place] = None
            out.faults[place] = (found, wanted)
    return out


def same_lines(lines: Shapes) -> list[list[int]]:
    """List the positions of lines that cover each other to the centimetre, in groups."""
    groups: dict[bytes, list[int]] = {}
    rounded = shapely.normalize(shapely.set_precision(lines, LEAST_M))
    for place, key in enumerate(shapely.to_wkb(rounded)):
        if key is not None:
            groups.setdefault(key, []).append(place)
    return [group for group in groups.values() if len(group) > 1]


def _unfit(line: LineString) -> str:
    if line.length < LEAST_M:
        return "a line of no length"
    return "a closed ring, as a tank or chamber is drawn" if line.is_ring else ""


def _join(shape: BaseGeometry) -> tuple[LineString | None, str]:
    """Join the parts of a multi-line; give the line, or None, and a word on it."""
    parts = [part for part in shapely.get_parts(shape) if part.length > 0]
    kept: list[LineString] = []
    for part in parts:
        if not any(part.equals(other) for other in kept):
            kept.append(part)
    if len(kept) == 1:
        doubled = len(parts) - len(kept)
        return kept[0], f"{doubled} doubled part(s) of its line were left away" if doubled else ""
    if not kept:
        return LineString(shapely.get_coordinates(shape)[:1].repeat(2, axis=0)), ""
    merged = shapely.line_merge(shapely.multilinestrings(_snapped(kept)))
    if merged.geom_type == "LineString":
        return merged, f"its line was joined from {len(parts)} parts"
    return None, f"{len(parts)} parts that do not make one line"


def _snapped(parts: list[LineString]) -> list[LineString]:
    """Move ends that nearly meet onto each other."""
    coordinates = [shapely.get_coordinates(part) for part in parts]
    ends = [(i, end) for i in range(len(parts)) for end in (0, -1)]
    for (i, a), (j, b) in combinations(ends, 2):
        gap = coordinates[i][a] - coordinates[j][b]
        if i != j and 0 < np.hypot(gap[0], gap[1]) <= JOIN_M:
            coordinates[j][b] = coordinates[i][a]
    return [LineString(xy) for xy in coordinates]
