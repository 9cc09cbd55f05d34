"""One walk over the coded rows of a part, compiled: what is left, and where the others lie.

`position` lays the arrays out and says what they mean; `tests/plain_places.py` says the same
step by step.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from planner.screening.bands import compiled, within

Numbers = npt.NDArray[np.float64]
Codes = npt.NDArray[np.int32]
Whole = npt.NDArray[np.int64]
Marks = npt.NDArray[np.bool_]
Bits = npt.NDArray[np.uint8]

# Lengths that differ by less than this are equal: no verdict hangs on float noise [m].
SAME_M = 1e-6
# Distances are written to the centimetre: less than half of one is no step back [m].
FALL_M = 0.005

# What words say, as bits of one number for each word; of a row also where its counter began.
AT_JOINT, IS_LATERAL, IS_NODE, LONG, MEASURED, LENGTHWISE, FROM_US = (
    1, 2, 4, 8, 16, 32, 64,
)  # fmt: skip
# What is doubtful of a row, as bits.
PAST_END, ALIKE, ALL_ROUND = 1, 2, 4
# Where the length of a row comes from.
CODED, QUANTITY, ASSUMED = range(3)
# Why a row has no place.
NO_RUN, NOT_USED, NO_DISTANCE, TOO_FAR = range(1, 5)


class RowFigures(NamedTuple):
    """Coded rows: their run (-1 = none) and row number, figures, and texts by number."""

    run: Whole
    number: Whole
    s_m: Numbers
    low: Numbers
    high: Numbers
    clock_from_h: Numbers
    clock_to_h: Numbers
    at_joint: Marks
    mechanism: Codes
    role: Codes
    detail: Codes
    quantity: Codes


class Runs(NamedTuple):
    """What placing takes of camera runs, one entry for each.

    `used` marks those whose rows have a place, and `from_us` those whose counter ran from
    us_node; `part_m` is what it reads at the wall of the start manhole, `length_m` and `doubt_m`
    are the pipe's, and `shift_m` is how far the run reads too high along the axis, 0 for most [m].
    """

    used: Marks
    from_us: Marks
    part_m: Numbers
    length_m: Numbers
    doubt_m: Numbers
    shift_m: Numbers


class WordBits(NamedTuple):
    """What each word of a column says."""

    mechanism: Codes
    role: Codes
    detail: Codes
    quantity: Codes


class Limits(NamedTuple):
    """Settings of the walk."""

    past_end_m: float
    past_end_ratio: float
    find_least_m: float
    find_ratio: float
    joint_extent_m: float
    point_extent_m: float


class Found(NamedTuple):
    """Room for what is found: of the rows that have a place, of the others, and of runs.

    `falls` has of each run the first row at which its distances fall, -1 = none.
    """

    at: Whole
    x_m: Numbers
    over_m: Numbers
    from_m: Numbers
    to_m: Numbers
    find_m: Numbers
    clock_h: Numbers
    arc_h: Numbers
    origin: Codes
    doubts: Bits
    left: Whole
    why: Bits
    past_m: Numbers
    told: Marks
    falls: Whole


class Walk(NamedTuple):
    """All that the walk takes, and where it writes."""

    rows: RowFigures
    runs: Runs
    words: WordBits
    limits: Limits
    out: Found


# Few of them take the whole walk: to hand over its arrays takes long to compile.


@within
def _extent(low_m: float, high_m: float, said: int, limits: Limits) -> tuple[float, int]:
    """Give how long a row is [m], and where that comes from; its own figure may be unknown."""
    joint = said & AT_JOINT
    extent = 0.0
    if said & LONG:
        extent = limits.joint_extent_m if joint else limits.point_extent_m
    if said & MEASURED and not np.isnan(high_m):
        return high_m, QUANTITY
    if said & MEASURED and low_m > extent:
        return low_m, ASSUMED
    return extent, ASSUMED if extent > 0.0 and not joint else CODED


@within
def _clock(first: float, last: float, said: int) -> tuple[float, float, int]:
    """Turn a clock reading to the view downstream: hour, hours it spans, and doubts."""
    start = last if np.isnan(first) else first
    turn, arc, doubt = start, np.nan, 0
    if not np.isnan(first):
        arc = 0.0
        if not np.isnan(last):
            # Seen from the other side a range starts where it ended.
            turn, arc = last, (last - first) % 12.0
            if arc == 0.0:
                arc = 12.0 if first == 12.0 else np.nan
                doubt = ALIKE if np.isnan(arc) else (ALL_ROUND if said & LENGTHWISE else 0)
    if said & FROM_US or np.isnan(start):
        return start, arc, doubt
    turned = (12.0 - turn) % 12.0
    return 12.0 if turned == 0.0 else turned, arc, doubt


@within
def _place(walk: Walk, i: int, k: int) -> float:
    """Put a row on its pipe as the k-th and give -1; else how far past an end it lies [m]."""
    rows, words, runs, limits, out = walk.rows, walk.words, walk.runs, walk.limits, walk.out
    run = rows.run[i]
    length, part, from_us = runs.length_m[run], runs.part_m[run], runs.from_us[run]
    s_wall = rows.s_m[i] - part
    x = (s_wall if from_us else length - s_wall) - runs.shift_m[run]
    if np.isnan(x) or np.isnan(length):
        return np.nan
    past = max(-x, x - length, 0.0)
    if not past <= max(limits.past_end_m, limits.past_end_ratio * length) + SAME_M:
        return float(past)
    x = min(max(x, 0.0), length) + 0.0  # no place is -0.0: a counter may be written so
    said = words.mechanism[rows.mechanism[i]] | words.role[rows.role[i]]
    said |= words.detail[rows.detail[i]] | words.quantity[rows.quantity[i]]
    said |= int(rows.at_joint[i]) * AT_JOINT | int(from_us) * FROM_US
    extent, out.origin[k] = _extent(rows.low[i] / 1000.0, rows.high[i] / 1000.0, said, limits)
    back = 0.0 if from_us else extent
    if said & (AT_JOINT | IS_LATERAL):
        back = 0.5 * extent
    # A place right at an end keeps at least itself.
    out.from_m[k] = min(max(x - back, 0.0), x)
    out.to_m[k] = max(min(x - back + extent, length), x)
    find = max(limits.find_least_m, limits.find_ratio * abs(rows.s_m[i]))
    doubt_m = 0.0 if from_us or np.isnan(runs.doubt_m[run]) else runs.doubt_m[run]
    out.find_m[k] = find + doubt_m
    clock, arc, doubts = _clock(rows.clock_from_h[i], rows.clock_to_h[i], said)
    # With the zero at the manhole's centre both nodes lie outside the walls: no doubt.
    if past > SAME_M and not (said & IS_NODE and past <= part + SAME_M):
        doubts |= PAST_END
    out.clock_h[k], out.arc_h[k], out.doubts[k] = clock, arc, doubts
    out.at[k], out.x_m[k], out.over_m[k] = i, x, past
    return -1.0


@compiled
def walk_rows(walk: Walk) -> tuple[int, int, bool]:
    """Place the rows; give how many have a place and how many not, and whether falls are told.

    Falls are told where the rows of each run lie together in the order of their numbers.
    """
    rows, out = walk.rows, walk.out
    # No constant to begin with: what it is handed to would be compiled for it alone as well.
    kept = left = len(rows.run) - len(rows.run)
    run, number, s_m, ordered = -1, 0, np.nan, True
    for i in range(len(rows.run)):
        own = rows.run[i]
        why = NO_RUN
        if own >= 0:
            why = 0 if walk.runs.used[own] else NOT_USED
        if why == 0:
            out.told[own] = True
            s = rows.s_m[i]
            if np.isnan(s):
                why = NO_DISTANCE
            else:
                if own == run:
                    ordered &= rows.number[i] >= number
                    if s - s_m < -FALL_M and out.falls[own] < 0:
                        out.falls[own] = i
                else:
                    ordered &= own > run
                run, number, s_m = own, rows.number[i], s
                past = _place(walk, i, kept)
                if past == -1.0:
                    kept += 1
                else:
                    why = TOO_FAR
                    out.past_m[left] = past
        if why:
            out.left[left], out.why[left] = i, why
            left += 1
    return kept, left, ordered
