"""Exact least-cost sleeves of one pipe by dynamic programming on the centimetre grid.

Why a grid is exact: fix which sleeves, in which order, on which side of each zone
every end lies. The cost is then constant, and what remains are bounds on differences
of places. With whole-number bounds such a system has a whole-number solution if it
has any, so some best solution lies on the grid.

Recurrence, from the far end back: ``best[s]`` is the best of all chains whose first
sleeve starts at ``s`` or beyond. A sleeve of length ``l`` at ``s`` adds its cost, its
reopenings and what it serves to ``best[s + l + gap]``. Walking back makes the first
of equals the one with the smallest starts from left to right. Most of a pipe serves
nothing, so only the places are kept at which ``best`` changes.

`place_lap_kernel` has the recurrence where sleeves may lap, `place_marks` what decides.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

from planner.compiled import cache_folder, inner, kept
from planner.repairs.place_lap_kernel import solve_with_laps
from planner.repairs.place_marks import (
    COUNT,
    LENGTH,
    ends_allowed,
    is_better,
    is_equal,
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
        starts, ends = solve_alone(problem)
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


@inner
def _next_at(starts: np.ndarray, count: int, place: int) -> int:
    """Give which of `starts`, from right to left, is the first at or beyond `place`; -1 none."""
    low, high = 0, count
    while low < high:
        middle = (low + high) // 2
        if starts[middle] >= place:
            low = middle + 1
        else:
            high = middle
    return low - 1


@inner
def _lies_free(problem: Problem, start: int, end: int) -> bool:
    """Say whether a sleeve may lie there, whatever its ends."""
    if start > problem.shut_from and end < problem.shut_to:
        return False
    for i in range(problem.crosses.shape[0]):
        if start < problem.crosses[i, 1] and end > problem.crosses[i, 0]:
            return False
    for i in range(problem.boxes.shape[0]):
        if start <= problem.boxes[i, 0] and problem.boxes[i, 1] <= end:
            return False
    return True


@inner
def _counts_from(problem: Problem, first: int, start: int, end: int) -> tuple[int, int]:
    """Count demands and laterals inside a sleeve; `first` demand begins at or after start."""
    served, covered = 0, 0
    for i in range(first, problem.demands.shape[0]):
        if problem.demands[i, 0] > end:
            break
        served += int(problem.demands[i, 1] <= end)
    for place in problem.laterals:
        covered += int(start < place < end)
    return served, covered


@inner
def _room(problem: Problem) -> int:
    """Give at how many places a sleeve may start that serves a demand, at most."""
    count = 0
    for at, to in problem.demands:
        count += max(min(at, problem.length) - max(to - problem.lengths[-1], 0) + 1, 0)
    return min(count, problem.length + 1)


@inner
def _best_kind(
    problem: Problem,
    may_end: np.ndarray,
    here: tuple[int, int, int],
    found: np.ndarray,
    best: np.ndarray,
    count: int,
) -> int:
    """Give which length at a start is better than all beyond it, -1 none; ``best[count]`` is now.

    `here`: the start, the first demand at or after it, and what each one served is worth.
    """
    start, first, reward = here
    chosen, now = -1, best[count]
    for kind in range(problem.lengths.size):
        end = start + problem.lengths[kind]
        if end > problem.length or not may_end[end] or not _lies_free(problem, start, end):
            continue
        served, covered = _counts_from(problem, first, start, end)
        if served == 0:
            continue
        rest = best[_next_at(found[0], count, end + problem.gap)]
        manholes = int(start == 0) + int(end == problem.length)
        money = problem.costs[kind] + covered * problem.reopen + manholes * problem.seal
        money += rest[0] - served * reward
        if money > now[0]:
            continue
        size = COUNT + problem.lengths[kind] * LENGTH + manholes + rest[1]
        slack = rest[2] - slack_of(problem, first, start, end)
        if is_better(now, money, size, slack) or (
            # Of equals the smallest start counts; at one start the shortest length.
            chosen < 0 and is_equal(now, money, size, slack)
        ):
            now[0], now[1], now[2] = money, size, slack
            chosen = kind
    return chosen


@inner
def _walk_back(problem: Problem) -> tuple[np.ndarray, int]:
    """List where the best first sleeve changes: start and length, from right to left; how many.

    Only places are walked at which a sleeve would serve a demand; between them what is best
    stays as it is.
    """
    may_start, may_end = ends_allowed(problem, problem.left_zones, problem.right_zones)
    room, reward = _room(problem), reward_of(problem)
    found = np.empty((2, room), dtype=np.int64)
    # best[i] stands beside found[:, i]; nothing lies beyond the first, which is best[-1].
    best = np.zeros((room + 2, 3), dtype=np.int64)
    count, first = 0, problem.demands.shape[0]
    lowest = problem.length - problem.lengths[0] + 1
    for demand in range(problem.demands.shape[0] - 1, -1, -1):
        at, to = problem.demands[demand]
        last = max(to - problem.lengths[-1], 0)
        for start in range(min(at, lowest - 1), last - 1, -1):
            if not may_start[start]:
                continue
            while first > 0 and problem.demands[first - 1, 0] >= start:
                first -= 1
            chosen = _best_kind(problem, may_end, (start, first, reward), found, best, count)
            if chosen >= 0:
                found[0, count], found[1, count] = start, problem.lengths[chosen]
                count += 1
                best[count] = best[count - 1]
        lowest = min(lowest, last)
    return found, count


@kept
def solve_alone(problem: Problem) -> tuple[np.ndarray, np.ndarray]:
    """Follow the best first sleeves from the near end."""
    # A demand without length may lie in two sleeves, where these touch.
    places = np.empty((2, 2 * problem.demands.shape[0]), dtype=np.int64)
    if problem.lengths.size == 0 or problem.demands.shape[0] == 0:
        return places[0, :0], places[1, :0]
    found, many = _walk_back(problem)
    count, at = 0, many - 1
    while at >= 0:
        places[0, count], places[1, count] = found[0, at], found[0, at] + found[1, at]
        at = _next_at(found[0], many, places[1, count] + problem.gap)
        count += 1
    return places[0, :count], places[1, :count]
