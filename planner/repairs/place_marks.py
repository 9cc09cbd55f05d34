"""What both kernels of the placement reckon with: where ends may lie, and what decides.

What decides is kept in three whole numbers that add up sleeve by sleeve, compared in
order: money less a reward for each demand that outweighs any money; sleeves, length
and manhole ends packed into one; the overlap beyond what is asked, negated.
"""

from __future__ import annotations

import numpy as np

from planner.compiled import inner
from planner.repairs.problem import Problem

# Packed into one number: sleeves above 2**40, length in cm above 2**8, manhole ends below.
COUNT, LENGTH = 1 << 40, 1 << 8
NEVER = 1 << 61  # money of what cannot be


@inner
def ends_allowed(
    problem: Problem, left_zones: np.ndarray, right_zones: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Mark where a left and a right end may lie, given the zones that hold for them."""
    length, wall = problem.length, problem.wall
    starts = np.ones(length + 1, dtype=np.bool_)
    ends = np.ones(length + 1, dtype=np.bool_)
    for at, to in left_zones:
        starts[max(at + 1, 0) : max(min(to, length + 1), 0)] = False
    for at, to in right_zones:
        ends[max(at + 1, 0) : max(min(to, length + 1), 0)] = False
    starts[: min(wall, length + 1)] = False
    ends[max(length - wall + 1, 0) :] = False
    starts[0] = True
    ends[length] = True
    return starts, ends


@inner
def add_range(counts: np.ndarray, first: int, last: int) -> None:
    """Count one more on first..last, as steps that a running sum turns into counts."""
    first = max(first, 0)
    last = min(last, counts.size - 2)
    if first <= last:
        counts[first] += 1
        counts[last + 1] -= 1


@inner
def laterals_before(problem: Problem) -> np.ndarray:
    """Count the laterals up to each place, itself included."""
    counts = np.zeros(problem.length + 1, dtype=np.int64)
    for place in problem.laterals:
        counts[min(max(place, 0), problem.length)] += 1
    return np.cumsum(counts)


@inner
def slack_of(problem: Problem, first: int, start: int, end: int) -> int:
    """Give the smaller overlap beyond what is asked; `first` demand begins at or after start."""
    left, right = -1, -1
    for i in range(first, problem.demands.shape[0]):
        if problem.demands[i, 0] > end:
            break
        if problem.demands[i, 1] <= end:
            if left < 0:
                left = problem.demands[i, 0] - start
            if right < 0 or end - problem.demands[i, 1] < right:
                right = end - problem.demands[i, 1]
    if start == 0 and end == problem.length:
        return 0
    if start == 0:
        return right
    if end == problem.length:
        return left
    return min(left, right)


@inner
def reward_of(problem: Problem) -> int:
    """Give a figure above whatever all sleeves of the pipe can cost together."""
    most = problem.length // problem.lengths[0] + 1
    if problem.lap_to > 0:  # two sleeves may lie over one place, and over one lateral
        most *= 2
    reopened = (2 if problem.lap_to > 0 else 1) * problem.laterals.size
    return int(most * np.max(problem.costs) + reopened * problem.reopen + 2 * problem.seal + 1)


@inner
def is_better(best: np.ndarray, money: int, size: int, slack: int) -> bool:
    """Say whether three figures go before those of `best`."""
    if money != best[0]:
        return bool(money < best[0])
    if size != best[1]:
        return bool(size < best[1])
    return bool(slack < best[2])


@inner
def is_equal(best: np.ndarray, money: int, size: int, slack: int) -> bool:
    """Say whether three figures are those of `best`."""
    return bool(money == best[0] and size == best[1] and slack == best[2])
