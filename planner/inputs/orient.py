"""Turn each pipe's line so that it starts at us_node: proved by places of nodes, not by drawing.

On real city data half of the lines are drawn against the nodes that their attributes name,
so the order of vertices proves nothing. A node's place comes from the node layer; where the
layer lacks it, from the far end of a pipe that is proved already, or from the one end that
all pipes at the node share.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely
from shapely import Point
from shapely.geometry.base import BaseGeometry

from planner.inputs.vector import Shapes

Votes = npt.NDArray[np.int8]


@dataclass(frozen=True)
class Ends:
    """The pipes of a network: a line or None, and the names of both nodes, for each."""

    lines: Shapes
    us: Sequence[str]
    ds: Sequence[str]


@dataclass(frozen=True)
class Oriented:
    """Lines that start at us_node where that is proved.

    ``turned`` and ``proved`` have a flag for each pipe, ``torn`` one for a pipe whose two
    nodes ask for opposite directions. ``places`` holds the nodes that were found by their
    pipes.
    """

    lines: Shapes
    turned: npt.NDArray[np.bool_]
    proved: npt.NDArray[np.bool_]
    torn: npt.NDArray[np.bool_]
    places: dict[str, Point]


def orient(ends: Ends, nodes: Mapping[str, BaseGeometry], snap_m: float) -> Oriented:
    """Turn lines that run against their nodes.

    Parameters
    ----------
    ends
        In an order of their own ids, which settles ties.
    nodes
        Places of nodes in the same projection; points, or areas as drawn.
    snap_m
        Farthest distance between a line's end and its node [m].

    Returns
    -------
    oriented
        A line that no node proves stays as drawn.
    """
    places: dict[str, Point] = {}
    known = dict(nodes)
    while True:
        votes, torn = _votes(ends, known, snap_m)
        found = _far_ends(ends, votes, known, snap_m) or _shared_ends(ends, votes, known, snap_m)
        if not found:
            break
        places |= found
        known |= found
    turned = votes < 0
    lines = ends.lines.copy()
    lines[turned] = shapely.reverse(ends.lines[turned])
    return Oriented(lines, turned, votes != 0, torn, places)


def _votes(
    ends: Ends, known: Mapping[str, BaseGeometry], snap_m: float
) -> tuple[Votes, npt.NDArray[np.bool_]]:
    """Give 1 for a line that runs from us to ds, -1 for one against it, 0 for no proof."""
    first, last = shapely.get_point(ends.lines, 0), shapely.get_point(ends.lines, -1)
    us = _vote(first, last, [known.get(name) for name in ends.us], snap_m)
    ds = _vote(last, first, [known.get(name) for name in ends.ds], snap_m)
    torn = us * ds < 0
    return np.where(torn, 0, np.sign(us + ds)).astype(np.int8), torn


def _vote(
    here: Shapes, there: Shapes, nodes: Sequence[BaseGeometry | None], snap_m: float
) -> Votes:
    shapes = np.array(nodes, dtype=object)
    near = np.nan_to_num(shapely.distance(here, shapes), nan=np.inf)
    far = np.nan_to_num(shapely.distance(there, shapes), nan=np.inf)
    forward = (near <= snap_m) & (near < far)
    against = (far <= snap_m) & (far < near)
    return forward.astype(np.int8) - against.astype(np.int8)


def _far_ends(
    ends: Ends, votes: Votes, known: Mapping[str, BaseGeometry], snap_m: float
) -> dict[str, Point]:
    """Place nodes at the far ends of proved pipes, where those agree with each other."""
    first, last = shapely.get_point(ends.lines, 0), shapely.get_point(ends.lines, -1)
    seen: dict[str, list[Point]] = {}
    for place in np.flatnonzero(votes).tolist():
        up, down = (first, last) if votes[place] > 0 else (last, first)
        for name, point in ((ends.us[place], up[place]), (ends.ds[place], down[place])):
            if name and name not in known:
                seen.setdefault(name, []).append(point)
    return {
        name: points[0]
        for name, points in sorted(seen.items())
        if all(points[0].distance(point) <= snap_m for point in points)
    }


def _shared_ends(
    ends: Ends, votes: Votes, known: Mapping[str, BaseGeometry], snap_m: float
) -> dict[str, Point]:
    """Place nodes, none of whose pipes is proved, at the only end that all of these share."""
    at: dict[str, list[int]] = {}
    for place, (up, down) in enumerate(zip(ends.us, ends.ds, strict=True)):
        if ends.lines[place] is None or up == down:
            continue
        for name in (up, down):
            if name and name not in known:
                at.setdefault(name, []).append(place)
    found: dict[str, Point] = {}
    for name, pipes in sorted(at.items()):
        if len(pipes) < 2 or votes[pipes].any():
            continue
        tips = [list(ends.lines[p].boundary.geoms) for p in pipes]
        shared = [
            tip
            for tip in tips[0]
            if all(min(map(tip.distance, others)) <= snap_m for others in tips[1:])
        ]
        if len(shared) == 1:
            found[name] = shared[0]
    return found
