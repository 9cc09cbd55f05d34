"""Exact least-cost sleeves of one pipe by dynamic programming on the centimetre grid.

Why a grid is exact: fix which sleeves, in which order, on which side of each zone
every end lies. The cost is then constant, and what remains are bounds on differences
of places. With whole-number bounds such a system has a whole-number solution if it
has any, so some best solution lies on the grid.

Recurrence, from the far end back: ``best[s]`` is the best of all chains whose first
sleeve starts at ``s`` or beyond. A sleeve of length ``l`` at ``s`` adds its cost, its
reopenings and what it serves to ``best[s + l + gap]``. Walking back makes the first
of equals the one with the smallest starts from left to right.

`place_lap_kernel` has the recurrence where sleeves may lap, `place_marks` what decides.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

from planner.compiled import cache_folder, kept
from planner.repairs.place_lap_kernel import solve_with_laps
from planner.repairs.place_marks import (
    COUNT,
    LENGTH,
    add_range,
    ends_allowed,
    is_better,
    is_equal,
    laterals_before,
    reward_of,
    slack_of,
)
from planner.repairs.place_plain import slide_runs
from planner.repairs.problem import Problem, Solution, measure


def place_sleeves_on(problem: Problem) -> Solution:
    """Find the best sleeves of one pipe.

    Parameters
    ----------
    problem
        The pipe, in whole centimetres.

    Returns
    -------
    solution
        The best one in the sense of `Solution`; without sleeves where none serves.

    Raises
    ------
    ValueError
        If sleeves of `fixed` cannot lie together as they are fixed.
    """
    if not problem.lap_to:
        starts, ends = _solve(problem)
        return measure(problem, starts.tolist(), ends.tolist())
    found = place_with_fixed(problem)
    if found is None:
        message = "the fixed sleeves cannot lie as they are fixed"
        raise ValueError(message)
    return found


def place_with_fixed(problem: Problem) -> Solution | None:
    """Find the best sleeves of one pipe where some lie fast and may be lapped.

    Parameters
    ----------
    problem
        The pipe, in whole centimetres, with ``lap_to > 0``.

    Returns
    -------
    solution
        The best one in the sense of `Solution` among those that hold each of `fixed`;
        None where there is none.
    """
    starts, ends = solve_with_laps(problem)
    if starts.size and starts[0] < 0:
        return None
    return slide_runs(problem, measure(problem, starts.tolist(), ends.tolist()))


def kernel_cache() -> Path | None:
    """Give the folder in which the kernel is kept once compiled; None where it is not."""
    return cache_folder(ends_allowed)


def warm_up() -> None:
    """Compile the kernel without laps, or load it from disk, so that no pipe pays for it."""
    none, pairs = np.empty(0, np.int64), np.empty((0, 2), np.int64)
    demand, one = np.array([[300, 340]], np.int64), np.array([100], np.int64)
    easy = Problem(1000, 30, 50, demand, pairs, pairs, pairs, pairs, one, one, none, 0)
    place_sleeves_on(easy)


@kept
def _served(problem: Problem) -> tuple[np.ndarray, np.ndarray]:
    """Count by length and start what a sleeve serves, 0 where it may not lie; and by start."""
    length, many = problem.length, problem.lengths.size
    served = np.zeros((many, length + 2), dtype=np.int32)
    any_here = np.zeros(length + 2, dtype=np.int32)
    barred = np.zeros(length + 2, dtype=np.int32)
    for kind in range(many):
        size = problem.lengths[kind]
        barred[:] = 0
        for at, to in problem.demands:
            add_range(served[kind], to - size, min(at, length - size))
            add_range(any_here, to - size, min(at, length - size))
        for at, to in problem.crosses:
            add_range(barred, at - size + 1, to - 1)
        for at, to in problem.boxes:
            add_range(barred, to - size, at)
        run = 0
        stop = 0
        for start in range(length + 1):
            run += served[kind, start]
            stop += barred[start]
            served[kind, start] = run if stop == 0 else 0
    run = 0
    for start in range(length + 1):
        run += any_here[start]
        any_here[start] = run
    return served, any_here


@kept
def _walk_back(problem: Problem) -> tuple[np.ndarray, np.ndarray]:
    """Give for each place the best first sleeve at or beyond it: start (-1 none), length."""
    length, gap = problem.length, problem.gap
    starts, ends = ends_allowed(problem, problem.left_zones, problem.right_zones)
    served, any_here = _served(problem)
    laterals = laterals_before(problem)
    reward = reward_of(problem)
    best = np.zeros((length + 2, 3), dtype=np.int64)
    first_start = np.full(length + 2, -1, dtype=np.int64)
    first_kind = np.zeros(length + 2, dtype=np.int64)
    first = problem.demands.shape[0]
    for start in range(length, -1, -1):
        best[start] = best[start + 1]
        first_start[start] = first_start[start + 1]
        first_kind[start] = first_kind[start + 1]
        while first > 0 and problem.demands[first - 1, 0] >= start:
            first -= 1
        if any_here[start] == 0 or not starts[start]:
            continue
        for kind in range(problem.lengths.size):
            here = served[kind, start]
            if here == 0:
                continue
            end = start + problem.lengths[kind]
            if not ends[end] or (start > problem.shut_from and end < problem.shut_to):
                continue
            rest = best[min(end + gap, length + 1)]
            covered = laterals[end - 1] - laterals[start]
            manholes = int(start == 0) + int(end == length)
            money = problem.costs[kind] + covered * problem.reopen + manholes * problem.seal
            money += rest[0] - here * reward
            if money > best[start, 0]:
                continue
            size = COUNT + problem.lengths[kind] * LENGTH + manholes + rest[1]
            slack = rest[2] - slack_of(problem, first, start, end)
            if is_better(best[start], money, size, slack) or (
                # Of equals the smallest start counts; at one start the shortest length.
                first_start[start] != start and is_equal(best[start], money, size, slack)
            ):
                best[start, 0], best[start, 1], best[start, 2] = money, size, slack
                first_start[start], first_kind[start] = start, kind
    return first_start, first_kind


@kept
def _solve(problem: Problem) -> tuple[np.ndarray, np.ndarray]:
    """Follow the best first sleeves from the near end."""
    found = np.empty((2, problem.length + 1), dtype=np.int64)
    if problem.lengths.size == 0 or problem.demands.shape[0] == 0:
        return found[0, :0], found[1, :0]
    first_start, first_kind = _walk_back(problem)
    count, place = 0, 0
    while place <= problem.length and first_start[place] >= 0:
        start = first_start[place]
        end = start + problem.lengths[first_kind[place]]
        found[0, count], found[1, count] = start, end
        count += 1
        place = end + problem.gap
    return found[0, :count], found[1, :count]
