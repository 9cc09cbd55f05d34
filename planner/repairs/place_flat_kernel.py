"""Sleeves of all pipes at once over flat arrays, where none may lap and no person placed one.

The readable references: `zones.faults_of` and `serves`, `problem.measure`, `place_fit` for what
a sleeve covers and lacks, `place_why.first_bound` for why a span has none.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from planner.compiled import inner, kept
from planner.repairs.place_kernel import solve_alone
from planner.repairs.place_marks import slack_of
from planner.repairs.problem import Problem
from planner.repairs.zones import NOISE_M
from planner.repairs.zones_kernel import (
    CLOSED,
    FROM,
    GAP,
    HALF,
    LATERAL_CLEAR,
    SHUT_FROM,
    SHUT_TO,
    TO,
    UNSOUND,
    WALL_CLEAR,
    WANTED,
    Flat,
    Floats,
    Wholes,
    X,
    problem_on,
    reaches_on,
)

# Columns of `LaidFlat.figures`, one row a case.
SERVED, COST, SLEEVES, LENGTH_CM, AT_WALLS, SLACK, COVERS, WRONG = range(8)


class LaidFlat(NamedTuple):
    """Sleeves of each case, from left to right, and what each serves.

    `figures` are those of `problem.Solution`, whether any sleeve covers a live lateral, and
    whether the raw metres find fault. Sleeves of a case are ``sleeves_at[case]`` to the next;
    `places` from and to [cm], `metres` the same in [m]; `served` are numbers of spans, those of
    a sleeve ``served_at[sleeve]`` to the next.
    """

    figures: Wholes
    sleeves_at: Wholes
    places: Wholes
    metres: Floats
    served_at: Wholes
    served: Wholes


@inner
def measure_flat(problem: Problem, starts: Wholes, ends: Wholes, figures: Wholes) -> None:
    """Do as `problem.measure`; the slack of each sleeve is at least none."""
    for start, end in zip(starts, ends):  # noqa: B905 - numba knows no strict
        for i in range(problem.lengths.size):
            if problem.lengths[i] == end - start:
                figures[COST] += problem.costs[i]
        for place in problem.laterals:
            figures[COST] += problem.reopen if start < place < end else 0
        first = 0
        for i in range(problem.demands.shape[0]):
            if problem.demands[i, 0] < start:
                first += 1
            elif problem.demands[i, 1] <= end:
                figures[SERVED] += 1
        figures[AT_WALLS] += int(start == 0) + int(end == problem.length)
        figures[SLACK] += slack_of(problem, first, start, end)
        figures[LENGTH_CM] += end - start
        figures[SLEEVES] += 1
    figures[COST] += figures[AT_WALLS] * problem.seal


@inner
def _ends_within(at: float, wall: float, low: float, high: float) -> bool:
    return at != wall and low + NOISE_M < at < high - NOISE_M


@inner
def _at_spots(
    flat: Flat, pipe: int, reach: Floats, sleeve: tuple[float, float], far: float
) -> bool:
    """Say whether a sleeve lies on a closed span, or ends on unsound pipe."""
    (start, end), first = sleeve, flat.spots_at[pipe]
    for i in range(reach.size):
        low, high = flat.spot_m[FROM, first + i], flat.spot_m[TO, first + i]
        if flat.spot_is[UNSOUND, first + i] and (
            _ends_within(start, 0.0, low - reach[i], high)
            or _ends_within(end, far, low, high + reach[i])
        ):
            return True
        if flat.spot_is[CLOSED, first + i] and start < high - NOISE_M and end > low + NOISE_M:
            return True
    return False


@inner
def _at_taps(flat: Flat, pipe: int, clear: float, sleeve: tuple[float, float], far: float) -> bool:
    """Say whether a sleeve ends at a lateral."""
    for tap in range(flat.taps_at[pipe], flat.taps_at[pipe + 1]):
        x_m, edge = flat.tap_m[X, tap], flat.tap_m[HALF, tap] + clear
        if _ends_within(sleeve[0], 0.0, x_m - edge, x_m + edge) or _ends_within(
            sleeve[1], far, x_m - edge, x_m + edge
        ):
            return True
    return False


@kept
def is_sound(
    flat: Flat, case: int, reach: Floats, sleeve: tuple[float, float], before: float, length: int
) -> bool:
    """Say whether `zones.faults_of` finds nothing wrong; the last one ends at `before` [m]."""
    pipe, _, rule = flat.cases[:, case]
    start, end = sleeve
    rules, far = flat.rule_m[:, rule], flat.length_m[pipe]
    near = start - before < max(rules[GAP] - NOISE_M, 0.0)
    out = start < 0.0 or end > far + NOISE_M
    wall = rules[WALL_CLEAR]
    at_us = start != 0.0 and start < wall - NOISE_M
    at_ds = end != far and end > length / 100.0 - wall + NOISE_M
    shut = start > rules[SHUT_FROM] + NOISE_M and end < rules[SHUT_TO] - NOISE_M
    if near or out or at_us or at_ds or shut:
        return False
    return not (
        _at_spots(flat, pipe, reach, sleeve, far)
        or _at_taps(flat, pipe, rules[LATERAL_CLEAR], sleeve, far)
    )


@inner
def _serves(flat: Flat, pipe: int, spot: int, reach: float, sleeve: tuple[float, float]) -> bool:
    """Do as `zones.serves`."""
    start, end = sleeve
    low, high = flat.spot_m[FROM, spot], flat.spot_m[TO, spot]
    left = start == 0.0 or start <= low - reach + NOISE_M
    right = end == flat.length_m[pipe] or end >= high + reach - NOISE_M
    return bool(left and right and start < high + NOISE_M and end > low - NOISE_M)


@inner
def covers_tap(flat: Flat, pipe: int, tap: int, sleeve: tuple[float, float]) -> bool:
    """Say whether a live lateral lies inside; one in the wall itself belongs to an end there."""
    start, end, x_m = sleeve[0], sleeve[1], flat.tap_m[X, tap]
    left, right = start < x_m or start == 0.0, x_m < end or end == flat.length_m[pipe]
    return bool(flat.tap_live[tap]) and left and right


@inner
def _metres_of(length_m: float, length: int, start: int, end: int) -> tuple[float, float]:
    """Do as `place_own.in_metres`."""
    if end < length:
        return start / 100.0, end / 100.0
    if start == 0:
        return 0.0, length_m
    return length_m - (end - start) / 100.0, length_m


@inner
def _take_case(flat: Flat, case: int, laid: LaidFlat) -> None:
    """Place the sleeves of one case, behind those of the one before."""
    pipe, figures, count = flat.cases[0, case], laid.figures[case], laid.sleeves_at[case]
    first, last = flat.spots_at[pipe], flat.spots_at[pipe + 1]
    low, high = flat.spot_m[FROM, first:last], flat.spot_m[TO, first:last]
    wanted, reach = flat.spot_is[WANTED, first:last], reaches_on(flat, case)
    problem = problem_on(flat, case, low, high, wanted, reach)
    starts, ends = solve_alone(problem)
    measure_flat(problem, starts, ends, figures)
    got, distinct, before = np.zeros(last - first, dtype=np.bool_), 0, -np.inf
    for at in range(starts.size):
        sleeve = _metres_of(flat.length_m[pipe], problem.length, starts[at], ends[at])
        laid.places[count, 0], laid.places[count, 1] = starts[at], ends[at]
        laid.metres[count, 0], laid.metres[count, 1] = sleeve
        if not is_sound(flat, case, reach, sleeve, before, problem.length):
            figures[WRONG] = 1
        many = laid.served_at[count]
        for i in range(last - first):
            if wanted[i] and _serves(flat, pipe, first + i, reach[i], sleeve):
                laid.served[many] = first + i
                many, distinct, got[i] = many + 1, distinct + int(not got[i]), True
        for tap in range(flat.taps_at[pipe], flat.taps_at[pipe + 1]):
            figures[COVERS] |= int(covers_tap(flat, pipe, tap, sleeve))
        if many == laid.served_at[count]:
            figures[WRONG] = 1
        before = sleeve[1]
        count += 1
        laid.served_at[count] = many
    if distinct < figures[SERVED]:
        figures[WRONG] = 1
    laid.sleeves_at[case + 1] = count


@kept
def lay_flat(flat: Flat) -> LaidFlat:
    """Place the best sleeves of each case."""
    cases = flat.cases.shape[1]
    room = 0
    for case in range(cases):
        pipe = flat.cases[0, case]
        # A span without length may lie in two sleeves, where these touch.
        for spot in range(flat.spots_at[pipe], flat.spots_at[pipe + 1]):
            room += 2 * int(flat.spot_is[WANTED, spot])
    laid = LaidFlat(
        np.zeros((cases, 8), dtype=np.int64),
        np.zeros(cases + 1, dtype=np.int64),
        np.empty((room, 2), dtype=np.int64),
        np.empty((room, 2)),
        np.zeros(room + 1, dtype=np.int64),
        np.empty(2 * room, dtype=np.int64),
    )
    for case in range(cases):
        _take_case(flat, case, laid)
    return laid
