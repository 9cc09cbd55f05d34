"""Exact least-cost sleeves of one pipe by dynamic programming on the centimetre grid.

Why a grid is exact: fix which sleeves, in which order, on which side of each zone
every end lies. The cost is then constant, and what remains are bounds on differences
of places. With whole-number bounds such a system has a whole-number solution if it
has any, so some best solution lies on the grid.

Recurrence, from the far end back: ``best[s]`` is the best of all chains whose first
sleeve starts at ``s`` or beyond. A sleeve of length ``l`` at ``s`` adds its cost, its
reopenings and what it serves to ``best[s + l + gap]``. Walking back makes the first
of equals the one with the smallest starts from left to right.

Where sleeves may lap there is a second such table: of all that begins with a sleeve at
``s`` that laps the one before it.

What decides is kept in three whole numbers that add up sleeve by sleeve, compared in
order: money less a reward for each demand that outweighs any money; sleeves, length
and manhole ends packed into one; the overlap beyond what is asked, negated.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

from planner.compiled import cache_folder, kept
from planner.repairs.place_plain import slide_runs
from planner.repairs.problem import Problem, Solution, measure

# Packed into one number: sleeves above 2**40, length in cm above 2**8, manhole ends below.
_COUNT, _LENGTH = 1 << 40, 1 << 8
_NEVER = 1 << 61  # money of what cannot be


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
    """
    if not problem.lap_to:
        starts, ends = _solve(problem)
        return measure(problem, starts.tolist(), ends.tolist())
    starts, ends = _solve_with_laps(problem)
    return slide_runs(problem, measure(problem, starts.tolist(), ends.tolist()))


def kernel_cache() -> Path | None:
    """Give the folder in which the kernel is kept once compiled; None where it is not."""
    return cache_folder(_allowed)


def warm_up() -> None:
    """Compile the kernel without laps, or load it from disk, so that no pipe pays for it."""
    none, pairs = np.empty(0, np.int64), np.empty((0, 2), np.int64)
    demand, one = np.array([[300, 340]], np.int64), np.array([100], np.int64)
    easy = Problem(1000, 30, 50, demand, pairs, pairs, pairs, pairs, one, one, none, 0)
    place_sleeves_on(easy)


@kept
def _allowed(
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


@kept
def _add_range(counts: np.ndarray, first: int, last: int) -> None:
    """Count one more on first..last, as steps that a running sum turns into counts."""
    first = max(first, 0)
    last = min(last, counts.size - 2)
    if first <= last:
        counts[first] += 1
        counts[last + 1] -= 1


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
            _add_range(served[kind], to - size, min(at, length - size))
            _add_range(any_here, to - size, min(at, length - size))
        for at, to in problem.crosses:
            _add_range(barred, at - size + 1, to - 1)
        for at, to in problem.boxes:
            _add_range(barred, to - size, at)
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
def _laterals_before(problem: Problem) -> np.ndarray:
    """Count the laterals up to each place, itself included."""
    counts = np.zeros(problem.length + 1, dtype=np.int64)
    for place in problem.laterals:
        counts[min(max(place, 0), problem.length)] += 1
    return np.cumsum(counts)


@kept
def _slack(problem: Problem, first: int, start: int, end: int) -> int:
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


@kept
def _reward(problem: Problem) -> int:
    """Give a figure above whatever all sleeves of the pipe can cost together."""
    most = problem.length // problem.lengths[0] + 1
    if problem.lap_to > 0:  # two sleeves may lie over one place, and over one lateral
        most *= 2
    reopened = (2 if problem.lap_to > 0 else 1) * problem.laterals.size
    return int(most * np.max(problem.costs) + reopened * problem.reopen + 2 * problem.seal + 1)


@kept
def _walk_back(problem: Problem) -> tuple[np.ndarray, np.ndarray]:
    """Give for each place the best first sleeve at or beyond it: start (-1 none), length."""
    length, gap = problem.length, problem.gap
    starts, ends = _allowed(problem, problem.left_zones, problem.right_zones)
    served, any_here = _served(problem)
    laterals = _laterals_before(problem)
    reward = _reward(problem)
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
            size = _COUNT + problem.lengths[kind] * _LENGTH + manholes + rest[1]
            slack = rest[2] - _slack(problem, first, start, end)
            if _is_better(best[start], money, size, slack) or (
                # Of equals the smallest start counts; at one start the shortest length.
                first_start[start] != start and _is_equal(best[start], money, size, slack)
            ):
                best[start, 0], best[start, 1], best[start, 2] = money, size, slack
                first_start[start], first_kind[start] = start, kind
    return first_start, first_kind


@kept
def _is_better(best: np.ndarray, money: int, size: int, slack: int) -> bool:
    if money != best[0]:
        return bool(money < best[0])
    if size != best[1]:
        return bool(size < best[1])
    return bool(slack < best[2])


@kept
def _is_equal(best: np.ndarray, money: int, size: int, slack: int) -> bool:
    return bool(money == best[0] and size == best[1] and slack == best[2])


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


@kept
def _barred(problem: Problem) -> np.ndarray:
    """Mark by length and start where a sleeve may not lie, whatever its ends."""
    length, many = problem.length, problem.lengths.size
    barred = np.zeros((many, length + 2), dtype=np.int32)
    for kind in range(many):
        size = problem.lengths[kind]
        for at, to in problem.crosses:
            _add_range(barred[kind], at - size + 1, to - 1)
        for at, to in problem.boxes:
            _add_range(barred[kind], to - size, at)
        if problem.shut_from < length:
            _add_range(barred[kind], problem.shut_from + 1, problem.shut_to - size - 1)
        run = 0
        for start in range(length + 1):
            run += barred[kind, start]
            barred[kind, start] = run
    return barred


@kept
def _counts(problem: Problem, start: int, until: int, end: int) -> tuple[int, bool]:
    """Count demands from `start` to `end` that begin before `until`; say if one holds both."""
    count, held = 0, False
    for at, to in problem.demands:
        count += int(start <= at < until and to <= end)
        held = held or (at < start and end < to)
    return count, held


@kept
def _walk_back_with_laps(problem: Problem) -> tuple[np.ndarray, np.ndarray]:
    """Give first start, kind and next start (-1 none) of runs [0], and of what laps back [1].

    ``best[0, s]`` is the best of all that begins at or beyond ``s``, ``best[1, s]`` of
    all whose first sleeve is at ``s`` and laps the one before. A demand counts for the
    last sleeve of its run that begins at or before it. Where that sleeve laps the next,
    the run reaches beyond the demand: else its last sleeve would lie inside it.
    """
    length = problem.length
    free = _allowed(problem, problem.left_zones, problem.right_zones)
    lapped = _allowed(problem, problem.left_lap_zones, problem.right_lap_zones)
    lapped[0][0] = False
    lapped[1][length] = False
    barred, laterals = _barred(problem), _laterals_before(problem)
    best = np.zeros((2, length + 2, 3), dtype=np.int64)
    best[1, :, 0] = _NEVER
    chosen = np.full((2, length + 2, 3), -1, dtype=np.int64)
    for start in range(length, -1, -1):
        best[0, start] = best[0, start + 1]
        chosen[0, start] = chosen[0, start + 1]
        for back in range(2):
            if not (lapped[0][start] if back else free[0][start]):
                continue
            for kind in range(problem.lengths.size):
                end = start + problem.lengths[kind]
                if end <= length and barred[kind, start] == 0:
                    _try_sleeve(
                        problem,
                        (free[1][end], lapped[1][end]),
                        best,
                        chosen,
                        (back, start, kind),
                        laterals[end - 1] - laterals[start],
                    )
    return best, chosen


@kept
def _try_sleeve(
    problem: Problem,
    may_end: tuple[bool, bool],
    best: np.ndarray,
    chosen: np.ndarray,
    sleeve: tuple[int, int, int],
    covered: int,
) -> None:
    """Weigh one sleeve that laps back or not: before one that laps it, and as the last of a run."""
    back, start, kind = sleeve
    reward, size = _reward(problem), problem.lengths[kind]
    end = start + size
    laps = size >= 2 * problem.lap_to
    if back and not laps:
        return
    cost = problem.costs[kind] + covered * problem.reopen
    packed = _COUNT + size * _LENGTH
    inside = _counts(problem, start, end, end)[1]
    if laps and may_end[1] and (back or not inside):
        wall = int(start == 0)
        first = max(end - problem.lap_to, start + 1)
        for after in range(first, end - problem.lap_from + 1):
            rest = best[1, after]
            if rest[0] < _NEVER:
                count = _counts(problem, start, after, problem.length)[0]
                money = cost + wall * problem.seal - count * reward + rest[0]
                more = end - after - problem.lap_from
                worth = (money, packed + wall + rest[1], rest[2] + more)
                _take(best, chosen, sleeve, after, worth)
    if may_end[0] and not (back and inside):
        rest = best[0, min(end + problem.gap, problem.length + 1)]
        count = _counts(problem, start, end + 1, end)[0]
        wall = int(start == 0) + int(end == problem.length)
        money = cost + wall * problem.seal - count * reward + rest[0]
        slack = 0 if back or not count else _slack(problem, 0, start, end)
        worth = (money, packed + wall + rest[1], rest[2] - slack)
        _take(best, chosen, sleeve, -1, worth)


@kept
def _take(
    best: np.ndarray,
    chosen: np.ndarray,
    sleeve: tuple[int, int, int],
    after: int,
    worth: tuple[int, int, int],
) -> None:
    """Keep what is better; of equals the smallest start counts, then what was found first."""
    back, start, kind = sleeve
    here = best[back, start]
    if _is_better(here, *worth) or (chosen[back, start, 0] != start and _is_equal(here, *worth)):
        here[0], here[1], here[2] = worth
        chosen[back, start, 0], chosen[back, start, 1] = start, kind
        chosen[back, start, 2] = after


@kept
def _solve_with_laps(problem: Problem) -> tuple[np.ndarray, np.ndarray]:
    """Follow the best sleeves from the near end, from run to run and inside each."""
    found = np.empty((2, 2 * problem.length + 2), dtype=np.int64)
    if problem.lengths.size == 0 or problem.demands.shape[0] == 0:
        return found[0, :0], found[1, :0]
    chosen = _walk_back_with_laps(problem)[1]
    count, place, back = 0, 0, 0
    while place <= problem.length and chosen[back, place, 0] >= 0:
        start, kind, after = chosen[back, place]
        end = start + problem.lengths[kind]
        found[0, count], found[1, count] = start, end
        count += 1
        back = 1 if after >= 0 else 0
        place = after if after >= 0 else end + problem.gap
    return found[0, :count], found[1, :count]
