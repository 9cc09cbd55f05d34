"""What sleeves of `place_flat_kernel` cover, lack and cost for doubt, and why spans have none.

The readable references: `place_fit.row_of` and `allowance_cents`, `place_why.first_bound`.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from planner.compiled import inner, kept
from planner.repairs.place_flat_kernel import (
    COST,
    LENGTH_CM,
    SERVED,
    LaidFlat,
    covers_tap,
    measure_flat,
)
from planner.repairs.place_kernel import solve_alone
from planner.repairs.problem import Problem
from planner.repairs.zones_kernel import (
    BARE_FROM,
    BARE_TO,
    FROM,
    HALF,
    OVERLAP,
    TO,
    UNSOUND,
    Flat,
    Floats,
    Wholes,
    X,
    demands_of,
    doubts_on,
    ends_on,
    problem_on,
    reaches_on,
    sizes_on,
)

# Rows of `FlatFigures.metres` and `FlatFigures.wholes`.
ALLOWANCE, OVERLAP_US, OVERLAP_DS, EDGE = range(4)
COVERED, AT_WALLS, BARE_COST = range(3)
# Why a span has no sleeve, in the order in which bounds are taken up, and which it is.
TOO_LONG, WALLS, CROSSED, TAPPED, SOUND, REACHED, RULED, NEIGHBOURS = range(8)


class FlatFigures(NamedTuple):
    """Figures of sleeves, one column each, in [m] and whole; and the laterals that they cover.

    BARE_COST is what the spans of a sleeve would cost without doubt, -1 where it would save
    nothing. `covered` are numbers of laterals, those of a sleeve ``covered_at[i]`` to the next.
    """

    metres: Floats
    wholes: Wholes
    covered_at: Wholes
    covered: Wholes


@inner
def _may_save(problem: Problem, before: int) -> bool:
    """Say whether a sleeve shorter than `before` [cm] is long enough for the longest demand."""
    longest, saves = 0, False
    for i in range(problem.demands.shape[0]):
        longest = max(longest, problem.demands[i, 1] - problem.demands[i, 0])
    for size in problem.lengths:
        saves |= longest <= size < before
    return saves


@inner
def _bare_cost(flat: Flat, case: int, served: Wholes, before: int) -> int:
    """Do as `place_fit.allowance_cents`: the cost without doubt, -1 where nothing is saved.

    A sleeve for the longest span alone that is no shorter than `before` [cm] saves nothing.
    """
    pipe, _, rule = flat.cases[:, case]
    first, last = flat.spots_at[pipe], flat.spots_at[pipe + 1]
    low, high = flat.spot_m[FROM, first:last].copy(), flat.spot_m[TO, first:last].copy()
    wanted = np.zeros(last - first, dtype=np.bool_)
    for spot in served:
        low[spot - first] = flat.spot_m[BARE_FROM, spot]
        high[spot - first] = flat.spot_m[BARE_TO, spot]
        wanted[spot - first] = True
    reach = np.full(last - first, flat.rule_m[OVERLAP, rule])
    problem = problem_on(flat, case, low, high, wanted, reach)
    if not _may_save(problem, before):
        return -1
    starts, ends = solve_alone(problem)
    figures = np.zeros(8, dtype=np.int64)
    measure_flat(problem, starts, ends, figures)
    if figures[SERVED] < served.size or figures[LENGTH_CM] >= before:
        return -1
    return int(figures[COST])


@inner
def _edge_of(flat: Flat, pipe: int, start: float, end: float) -> float:
    """Give how far a sleeve ends from the nearest lateral beside it [m]; NaN without any."""
    nearest = np.nan
    for tap in range(flat.taps_at[pipe], flat.taps_at[pipe + 1]):
        x_m, half = flat.tap_m[X, tap], flat.tap_m[HALF, tap]
        if x_m <= start and not start - x_m - half >= nearest:
            nearest = start - x_m - half
        if x_m >= end and not x_m - half - end >= nearest:
            nearest = x_m - half - end
    return 0.0 if nearest < 0.0 else nearest


@inner
def _metres_on(
    flat: Flat, case: int, served: Wholes, sleeve: tuple[float, float], metres: Floats
) -> None:
    """Fill in what a sleeve is longer for doubt, and its overlaps, as `place_fit.row_of` does."""
    pipe, _, rule = flat.cases[:, case]
    length_m, overlap = flat.length_m[pipe], flat.rule_m[OVERLAP, rule]
    doubts, first = doubts_on(flat, case), flat.spots_at[pipe]
    asked_left = bare_left = sound_left = np.inf
    asked_right = bare_right = sound_right = -np.inf
    for spot in served:
        low, high, doubt = flat.spot_m[FROM, spot], flat.spot_m[TO, spot], doubts[spot - first]
        asked_left = min(asked_left, low - (overlap + doubt))
        asked_right = max(asked_right, high + (overlap + doubt))
        bare_left = min(bare_left, flat.spot_m[BARE_FROM, spot] - overlap)
        bare_right = max(bare_right, flat.spot_m[BARE_TO, spot] + overlap)
        sound_left = min(sound_left, low - doubt)
        sound_right = max(sound_right, high + doubt)
    right = min(length_m, asked_right) - min(length_m, bare_right)
    left = max(0.0, bare_left) - max(0.0, asked_left)
    metres[ALLOWANCE] = max(0.0, left + right)
    metres[OVERLAP_US] = max(0.0, sound_left - sleeve[0])
    metres[OVERLAP_DS] = max(0.0, sleeve[1] - sound_right)
    metres[EDGE] = _edge_of(flat, pipe, sleeve[0], sleeve[1])


@kept
def figures_flat(flat: Flat, laid: LaidFlat, cases: Wholes, sleeves: Wholes) -> FlatFigures:
    """Give the figures of `sleeves`, of which each is one of the case beside it."""
    many, room = sleeves.size, 0
    for case in cases:
        pipe = flat.cases[0, case]
        room += flat.taps_at[pipe + 1] - flat.taps_at[pipe]
    found = FlatFigures(
        np.empty((4, many)),
        np.zeros((3, many), dtype=np.int64),
        np.zeros(many + 1, dtype=np.int64),
        np.empty(room, dtype=np.int64),
    )
    for i in range(many):
        case, at = cases[i], sleeves[i]
        pipe = flat.cases[0, case]
        sleeve = (laid.metres[at, 0], laid.metres[at, 1])
        served = laid.served[laid.served_at[at] : laid.served_at[at + 1]]
        _metres_on(flat, case, served, sleeve, found.metres[:, i])
        count = found.covered_at[i]
        for tap in range(flat.taps_at[pipe], flat.taps_at[pipe + 1]):
            if covers_tap(flat, pipe, tap, sleeve):
                found.covered[count] = tap
                count += 1
        found.covered_at[i + 1] = count
        found.wholes[COVERED, i] = count - found.covered_at[i]
        at_end = int(sleeve[1] == flat.length_m[pipe])
        found.wholes[AT_WALLS, i] = int(sleeve[0] == 0.0) + at_end
        before = int(np.rint(100 * (sleeve[1] - sleeve[0])))
        found.wholes[BARE_COST, i] = _bare_cost(flat, case, served, before)
    return found


@inner
def _within(at: int, wall: int, zones: Wholes, first: int, last: int) -> bool:
    """Say whether an end lies in one of some zones; one at the `wall` lies in none."""
    if at == wall:
        return False
    inside = False
    for i in range(first, last):
        inside |= zones[i, 0] < at < zones[i, 1]
    return inside


@inner
def _ends_in(problem: Problem, start: int, end: int, first: int, last: int) -> bool:
    """Say whether an end of a sleeve lies in one of some of the zones."""
    return _within(start, 0, problem.left_zones, first, last) or _within(
        end, problem.length, problem.right_zones, first, last
    )


@inner
def _bound_of(problem: Problem, start: int, end: int, own: int, unsound: int) -> int:
    """Give the first bound that a sleeve breaks; `own` zone, -1 none, of those at `unsound`."""
    length, wall, zones = problem.length, problem.wall, problem.left_zones.shape[0]
    bound = NEIGHBOURS  # the last bound first: the first one broken stays
    for i in range(problem.boxes.shape[0]):
        if start <= problem.boxes[i, 0] and problem.boxes[i, 1] <= end:
            bound = RULED
    if start > problem.shut_from and end < problem.shut_to:
        bound = REACHED
    if _ends_in(problem, start, end, 0, unsound):
        bound = SOUND
    if _ends_in(problem, start, end, unsound, zones) or (
        own >= 0 and _ends_in(problem, start, end, own, own + 1)
    ):
        bound = TAPPED
    for i in range(problem.crosses.shape[0]):
        if start < problem.crosses[i, 1] and end > problem.crosses[i, 0]:
            bound = CROSSED
    if (start != 0 and start < wall) or (end != length and end > length - wall):
        bound = WALLS
    return bound


@inner
def _why(flat: Flat, case: int, spot: int) -> tuple[int, int]:
    """Do as `place_why.first_bound`: the bound that leaves no place, and what is needed [cm]."""
    pipe, offer, _ = flat.cases[:, case]
    first, last = flat.spots_at[pipe], flat.spots_at[pipe + 1]
    wanted = np.zeros(last - first, dtype=np.bool_)
    wanted[spot - first] = True
    low, high = flat.spot_m[FROM, first:last], flat.spot_m[TO, first:last]
    reach, (length, wall, far) = reaches_on(flat, case), ends_on(flat, case)
    at, to = demands_of(low, high, wanted, reach, far, (length, wall))[0]
    sizes, _ = sizes_on(flat, offer, length if far[0] > 0.0 else -1)
    # Most are: no more of the pipe is looked at then.
    if sizes.size == 0 or sizes[-1] < to - at:
        return TOO_LONG, to - at
    problem = problem_on(flat, case, low, high, wanted, reach)
    unsound, own, bound = 0, -1, WALLS
    for i in range(first, last):
        if flat.spot_is[UNSOUND, i]:
            own = unsound if i == spot else own
            unsound += 1
    for size in problem.lengths:
        for start in range(max(to - size, 0), min(at, problem.length - size) + 1):
            bound = max(bound, _bound_of(problem, start, start + size, own, unsound))
    return bound, to - at


@kept
def why_flat(flat: Flat, cases: Wholes, spots: Wholes) -> Wholes:
    """Give for each span with the case beside it why none serves it, and what it needs [cm]."""
    found = np.empty((spots.size, 2), dtype=np.int64)
    for i in range(spots.size):
        found[i, 0], found[i, 1] = _why(flat, cases[i], spots[i])
    return found
