"""The walk over coded rows said step by step, each a line over whole columns.

What `position.place` gives of rows it must give too (`test_position`, properties).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from planner.coded_text import Coded, Columns, alike
from planner.screening.position import JOINT_MECHANISMS, LATERAL_MECHANISMS, ORIGINS, ROUND
from planner.screening.row_kernel import SAME_M
from planner.settings import Survey

Numbers = npt.NDArray[np.float64]
Marks = npt.NDArray[np.bool_]
Texts = npt.NDArray[np.object_]

_CODED, _QUANTITY, _ASSUMED = range(3)
_LENGTHS = ("break_mm", "missing_mm")
_NODES = ("node_start", "node_end")


@dataclass(frozen=True)
class Spots:
    """Rows on their pipe: one entry per row.

    `x_m` is the place, `from_us` whether the counter ran from us_node, `length_m` the
    pipe's, `past_m` how far the reading lay past an end, `refused` marks those too far.
    """

    x_m: Numbers
    from_us: Marks
    length_m: Numbers
    past_m: Numbers
    allowed_m: Numbers
    refused: Marks
    doubts: Texts


def place(rows: Columns, settings: Survey, shift_m: Numbers) -> Spots:
    """Put counter readings on the pipe's own axis.

    Parameters
    ----------
    rows
        s_m, part_m, length_m [m], mechanism, counter_node, us_node of each row.
    settings
        How far past an end a reading may lie.
    shift_m
        How far each row's survey reads too high along the axis [m], 0 for most.

    Returns
    -------
    Spots
        ``x = s`` from us_node, ``x = length - s`` from the other end; s from the wall.
    """
    part, length = rows["part_m"], rows["length_m"]
    s_wall = rows["s_m"] - part
    counter, us_node = alike([rows["counter_node"], rows["us_node"]])
    from_us = counter.codes == us_node.codes
    x = np.where(from_us, s_wall, length - s_wall) - shift_m
    past = np.maximum(np.maximum(-x, x - length), 0.0)
    allowed = np.maximum(settings.past_end_m, settings.past_end_ratio * length)
    refused = ~(past <= allowed + SAME_M)
    doubts = np.full(len(x), "", dtype=object)
    # With the zero at the manhole's centre both nodes lie outside the walls: no doubt.
    at_node = rows["mechanism"].among(_NODES)
    at_node &= past <= part + SAME_M
    for i in np.flatnonzero((past > SAME_M) & ~refused & ~at_node):
        doubts[i] = f"{past[i]:.2f} m past the end of the pipe: set to the end"
    x = np.clip(x, 0.0, length)
    return Spots(x, from_us, length, past, allowed, refused, doubts)


def find_doubt(rows: Columns, from_us: Marks, settings: Survey) -> Numbers:
    """Give the doubt of finding each row again by the counter [m].

    Parameters
    ----------
    rows
        s_m [m] and length_doubt_m [m] of the pipe.
    from_us
        Whether the counter ran from us_node; else the pipe's length is doubtful too.
    settings
        Least doubt and its share of the reading.

    References
    ----------
    City of Sunny Isles Beach FL, sec. 02762: 0.5 % or 1 ft, the larger governs.
    """
    s = np.abs(rows["s_m"])
    doubt = np.maximum(settings.find_least_m, settings.find_ratio * s)
    length_doubt = np.where(np.isnan(rows["length_doubt_m"]), 0.0, rows["length_doubt_m"])
    found: Numbers = np.where(from_us, doubt, doubt + length_doubt)
    return found


@dataclass(frozen=True)
class Extents:
    """Where each row begins and ends with its length [m], and where that comes from: `ORIGINS`."""

    from_m: Numbers
    to_m: Numbers
    origin: Coded


def point_extents(rows: Columns, spots: Spots, settings: Survey) -> Extents:
    """Give coded points their length.

    Parameters
    ----------
    rows
        mechanism, role, at_joint, detail, quantity, quantity_low, quantity_high.
    spots
        Their places.
    settings
        Lengths of a point at a joint and of any other.

    Returns
    -------
    Extents
        At a joint, round the pipe or at a connection: centred. Else forward in the
        direction of the survey. A coded length (broken or missing wall) replaces the
        assumed one; a coded "more than" only lengthens it. Nodes and remarks have none.
    """
    damaged = rows["role"].among(("damage", "condition", "flag"))
    joint = rows["at_joint"] | rows["detail"].holds(ROUND)
    joint |= rows["mechanism"].among((*JOINT_MECHANISMS, *LATERAL_MECHANISMS))
    lateral = rows["mechanism"].holds("lateral")
    extent = np.where(joint, settings.joint_extent_m, settings.point_extent_m)
    extent = np.where(damaged | rows["mechanism"].holds("existing_repair"), extent, 0.0)
    origin = np.where((extent > 0.0) & ~joint, _ASSUMED, _CODED)

    low, high = rows["quantity_low"] / 1000.0, rows["quantity_high"] / 1000.0
    measured = rows["quantity"].among(_LENGTHS) | lateral
    known = measured & ~np.isnan(high)
    extent = np.where(known, high, extent)
    origin[known] = _QUANTITY
    more = measured & np.isnan(high) & ~np.isnan(low)
    origin[more & (low > extent)] = _ASSUMED
    extent = np.where(more, np.fmax(low, extent), extent)
    return _spread(spots, extent, joint | lateral, ORIGINS[origin])


def _spread(spots: Spots, extent: Numbers, centred: Marks, origin: Coded) -> Extents:
    back = np.where(centred, 0.5 * extent, np.where(spots.from_us, 0.0, extent))
    start = np.maximum(spots.x_m - back, 0.0)
    end = np.minimum(spots.x_m - back + extent, spots.length_m)
    # A place right at an end keeps at least itself.
    return Extents(np.minimum(start, spots.x_m), np.maximum(end, spots.x_m), origin)


@dataclass(frozen=True)
class Clocks:
    """Clock from [h] as seen looking downstream, hours it spans [h], and what is doubtful."""

    clock_h: Numbers
    arc_h: Numbers
    doubts: Texts


def downstream_clocks(rows: Columns, from_us: Marks) -> Clocks:
    """Turn clock readings to the view downstream and say how many hours they span.

    Parameters
    ----------
    rows
        clock_from_h, clock_to_h [clock h] as seen in the direction of the survey, detail.
    from_us
        Whether the survey looked downstream. Else the dial is mirrored, and the two ends
        of a range change places.

    Returns
    -------
    Clocks
        From-to runs clockwise, through 12 where it must; 12 to 12 is all round. Any other
        hour to itself is doubtful and spans an unknown arc.
    """
    first, last = rows["clock_from_h"], rows["clock_to_h"]
    ranged = ~np.isnan(first) & ~np.isnan(last)
    arc = np.where(ranged, np.mod(last - first, 12.0), np.where(np.isnan(first), np.nan, 0.0))
    same = ranged & (arc == 0.0)
    whole = same & (first == 12.0)
    arc = np.where(whole, 12.0, np.where(same, np.nan, arc))
    start = np.where(np.isnan(first), last, first)
    # Seen from the other side a range starts where it ended.
    turned = np.mod(12.0 - np.where(ranged, last, start), 12.0)
    turned = np.where(turned == 0.0, 12.0, turned)
    clock = np.where(from_us, start, turned)
    doubts = np.full(len(first), "", dtype=object)
    doubts[same & ~whole] = "clock from and to are alike: one hour or all round"
    lengthwise = rows["detail"].holds("longitudinal") & whole
    doubts[lengthwise] = "lengthwise, yet coded all round the clock"
    return Clocks(clock, arc, doubts)
