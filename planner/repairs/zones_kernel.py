"""`zones.set_problem` over flat arrays: all pipes of a run in metres, one of them to centimetres.

`zones` is the readable reference, and sets the pipes where sleeves may lap.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from planner.compiled import inner, kept
from planner.repairs.problem import FAR_CM, Problem
from planner.repairs.zones import NOISE_M

Floats = npt.NDArray[np.float64]
Wholes = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

# Rows of `spot_m`, `spot_is`, `tap_m`, `offer_cents`, `rule_m` and `cases`.
FROM, TO, FIND, BARE_FROM, BARE_TO = range(5)
WANTED, UNSOUND, CLOSED = range(3)
X, HALF = range(2)
REOPEN, SEAL = range(2)
OVERLAP, PLACE, LATERAL_CLEAR, WALL_CLEAR, GAP, SHUT_FROM, SHUT_TO = range(7)
RULE = 2


class Flat(NamedTuple):
    """Pipes, offers, rules, and cases: which offer is tried on which pipe under which rules.

    A column is one thing, a row one of its figures [m], [cents] or flags; names of rows stand
    above. Things of the i-th pipe (offer, rule) are ``at[i]`` to ``at[i + 1]``. Lengths of an
    offer ascend [cm], each once.
    """

    length_m: Floats
    spots_at: Wholes
    spot_m: Floats
    spot_is: Flags
    taps_at: Wholes
    tap_m: Floats
    tap_live: Flags
    sizes_at: Wholes
    size_cm: Wholes
    size_cents: Wholes
    offer_longest_m: Floats
    offer_cents: Wholes
    rule_m: Floats
    by_counter: Flags
    boxes_at: Wholes
    box_m: Floats
    cases: Wholes


@kept
def parts_cm(metres: float) -> int:
    """Give ten-thousandths of a centimetre, rounded as Python's ``round(100 * metres, 4)``.

    That rounds the number itself, which the product by 10 000 may miss by a last bit: what the
    product lost (Dekker 1971, from memory) decides where it lies on a half.
    """
    cm = metres * 100.0
    product = cm * 1e4
    wide = cm * 134217729.0  # 2**27 + 1: halves the digits
    high = wide - (wide - cm)
    lost = (high * 1e4 - product) + (cm - high) * 1e4
    whole = np.rint(product)  # to even on a half, as Python
    if product - whole == 0.5 and lost > 0.0:
        whole += 1.0
    elif product - whole == -0.5 and lost < 0.0:
        whole -= 1.0
    return int(whole)


@kept
def down_whole_cm(metres: float) -> int:
    """Do as `zones.down_cm`."""
    return parts_cm(metres) // 10_000


@kept
def up_whole_cm(metres: float) -> int:
    """Do as `zones.up_cm`."""
    return -((-parts_cm(metres)) // 10_000)


@inner
def doubts_on(flat: Flat, case: int) -> Floats:
    """Give for each span of the pipe the doubt at each end of a sleeve over it [m]."""
    pipe, _, rule = flat.cases[:, case]
    first, last = flat.spots_at[pipe], flat.spots_at[pipe + 1]
    if flat.by_counter[rule]:
        return flat.spot_m[FIND, first:last].copy()
    return np.full(last - first, flat.rule_m[PLACE, rule])


@inner
def reaches_on(flat: Flat, case: int) -> Floats:
    """Give for each span of the pipe how far beyond it a sleeve must reach [m]."""
    reach = doubts_on(flat, case)
    for i in range(reach.size):
        reach[i] = flat.rule_m[OVERLAP, flat.cases[RULE, case]] + reach[i]
    return reach


@inner
def ends_on(flat: Flat, case: int) -> tuple[int, int, tuple[float, float]]:
    """Give length of the pipe and how clear of its walls [cm], and `far` as `_left_cm` wants it."""
    pipe, offer, rule = flat.cases[:, case]
    length_m = flat.length_m[pipe]
    length, wall = down_whole_cm(length_m), up_whole_cm(flat.rule_m[WALL_CLEAR, rule])
    lost = length_m - length / 100.0
    lost = lost if lost > NOISE_M else 0.0
    return length, wall, (lost, length_m - (flat.offer_longest_m[offer] + 0.02))


@inner
def _left_cm(metres: float, far: tuple[float, float]) -> int:
    """Round a left edge down; `far`: what rounding took off the pipe, and from where it counts."""
    return down_whole_cm(metres - far[0] if far[0] > 0.0 and metres > far[1] else metres)


@inner
def demands_of(
    low: Floats,
    high: Floats,
    wanted: Flags,
    reach: Floats,
    far: tuple[float, float],
    walls: tuple[int, int],
) -> Wholes:
    """Give the demands in order; `walls`: length of the pipe, and how clear of its walls [cm]."""
    length, wall = walls
    rows = np.empty((wanted.size, 2), dtype=np.int64)
    count = 0
    for i in range(low.size):
        if wanted[i]:
            start, end = _left_cm(low[i] - reach[i], far), up_whole_cm(high[i] + reach[i])
            start, end = 0 if start < wall else start, length if end > length - wall else end
            at = count
            while at > 0 and (
                rows[at - 1, 0] > start or (rows[at - 1, 0] == start and rows[at - 1, 1] > end)
            ):
                rows[at, 0], rows[at, 1] = rows[at - 1, 0], rows[at - 1, 1]
                at -= 1
            rows[at, 0], rows[at, 1] = start, end
            count += 1
    return rows[:count]


@inner
def _zones_of(
    flat: Flat, case: int, low: Floats, high: Floats, reach: Floats, far: tuple[float, float]
) -> tuple[Wholes, Wholes]:
    """Give where no left and no right end may lie: first at unsound spans, then at laterals."""
    pipe, _, rule = flat.cases[:, case]
    first = flat.spots_at[pipe]
    taps = range(flat.taps_at[pipe], flat.taps_at[pipe + 1])
    room = low.size + len(taps)
    lefts, rights = np.empty((room, 2), dtype=np.int64), np.empty((room, 2), dtype=np.int64)
    count = 0
    for i in range(low.size):
        if flat.spot_is[UNSOUND, first + i]:
            rights[count, 0] = down_whole_cm(low[i])
            rights[count, 1] = up_whole_cm(high[i] + reach[i])
            lefts[count, 0] = _left_cm(low[i] - reach[i], far)
            lefts[count, 1] = up_whole_cm(high[i])
            count += 1
    for tap in taps:
        x_m, edge = flat.tap_m[X, tap], flat.tap_m[HALF, tap] + flat.rule_m[LATERAL_CLEAR, rule]
        rights[count, 0] = down_whole_cm(x_m - edge)
        lefts[count, 0] = _left_cm(x_m - edge, far)
        rights[count, 1] = lefts[count, 1] = up_whole_cm(x_m + edge)
        count += 1
    return lefts[:count], rights[:count]


@inner
def _closed_on(flat: Flat, pipe: int, low: Floats, high: Floats) -> Wholes:
    """Give what no sleeve may lie on."""
    first, count = flat.spots_at[pipe], 0
    rows = np.empty((low.size, 2), dtype=np.int64)
    for i in range(low.size):
        if flat.spot_is[CLOSED, first + i]:
            rows[count, 0], rows[count, 1] = down_whole_cm(low[i]), up_whole_cm(high[i])
            count += 1
    return rows[:count]


@inner
def _boxes_of(flat: Flat, rule: int, length: int, far: tuple[float, float]) -> Wholes:
    """Give what no sleeve may take in whole."""
    first, last = flat.boxes_at[rule], flat.boxes_at[rule + 1]
    rows = np.empty((last - first, 2), dtype=np.int64)
    for i in range(last - first):
        rows[i, 0] = max(_left_cm(flat.box_m[0, first + i], far), 0)
        rows[i, 1] = min(up_whole_cm(flat.box_m[1, first + i]), length)
    return rows


@inner
def _live_on(flat: Flat, pipe: int, length: int) -> Wholes:
    """Give the laterals to be opened again."""
    first, last = flat.taps_at[pipe], flat.taps_at[pipe + 1]
    places = np.empty(last - first, dtype=np.int64)
    count = 0
    for tap in range(first, last):
        if flat.tap_live[tap]:
            place = int(np.rint(flat.tap_m[X, tap] * 100))
            places[count] = min(max(place, 1), length - 1)
            count += 1
    return places[:count]


@inner
def sizes_on(flat: Flat, offer: int, but: int) -> tuple[Wholes, Wholes]:
    """Give the lengths but one, which would miss a wall of the rounded pipe, and their costs."""
    first, last = flat.sizes_at[offer], flat.sizes_at[offer + 1]
    rows, count = np.empty((2, last - first), dtype=np.int64), 0
    for i in range(first, last):
        if flat.size_cm[i] != but:
            rows[0, count], rows[1, count] = flat.size_cm[i], flat.size_cents[i]
            count += 1
    return rows[0, :count], rows[1, :count]


@inner
def problem_on(
    flat: Flat, case: int, low: Floats, high: Floats, wanted: Flags, reach: Floats
) -> Problem:
    """Do as `zones.set_problem` where no sleeve may lap.

    Parameters
    ----------
    flat, case
        The pipe, the offer and the rules.
    low, high, wanted, reach
        Of each span of the pipe from_m, to_m [m], whether it is to be served, and how far
        beyond it a sleeve must reach [m].
    """
    pipe, offer, rule = flat.cases[:, case]
    length_m, shut = flat.length_m[pipe], (flat.rule_m[SHUT_FROM, rule], flat.rule_m[SHUT_TO, rule])
    length, wall, far = ends_on(flat, case)
    lefts, rights = _zones_of(flat, case, low, high, reach, far)
    sizes, costs = sizes_on(flat, offer, length if far[0] > 0.0 else -1)
    shut_from, shut_to = FAR_CM, -1
    if shut[0] < shut[1]:
        shut_from = down_whole_cm(max(shut[0], -1.0))
        shut_to = up_whole_cm(min(shut[1], length_m + 1.0))
    none = np.empty((0, 2), dtype=np.int64)
    return Problem(
        length,
        wall,
        up_whole_cm(flat.rule_m[GAP, rule]),
        demands_of(low, high, wanted, reach, far, (length, wall)),
        lefts,
        rights,
        _closed_on(flat, pipe, low, high),
        _boxes_of(flat, rule, length, far),
        sizes,
        costs,
        _live_on(flat, pipe, length),
        flat.offer_cents[REOPEN, offer],
        flat.offer_cents[SEAL, offer],
        shut_from,
        shut_to,
        0,
        0,
        none,
        none,
        np.empty((0, 4), dtype=np.int64),
    )
