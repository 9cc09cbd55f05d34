"""The recurrence of `place_kernel` where sleeves may lap, and where some of them lie fast.

There is a second table beside ``best[s]``: of all that begins with a sleeve at ``s``
that laps the one before it. A sleeve that is fixed is the only one that may start
where it starts, and no chain passes that place over.
"""

from __future__ import annotations

import numpy as np

from planner.compiled import kept
from planner.repairs.place_marks import (
    COUNT,
    LENGTH,
    NEVER,
    add_range,
    ends_allowed,
    is_better,
    is_equal,
    laterals_before,
    reward_of,
    slack_of,
)
from planner.repairs.problem import Problem


@kept
def _barred(problem: Problem) -> np.ndarray:
    """Mark by length and start where a sleeve may not lie, whatever its ends."""
    length, many = problem.length, problem.lengths.size
    barred = np.zeros((many, length + 2), dtype=np.int32)
    for kind in range(many):
        size = problem.lengths[kind]
        for at, to in problem.crosses:
            add_range(barred[kind], at - size + 1, to - 1)
        for at, to in problem.boxes:
            add_range(barred[kind], to - size, at)
        if problem.shut_from < length:
            add_range(barred[kind], problem.shut_from + 1, problem.shut_to - size - 1)
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
def _fixed_at(problem: Problem) -> np.ndarray:
    """Give by place which row of `fixed` starts there, -1 none."""
    rows = np.full(problem.length + 1, -1, dtype=np.int64)
    for number in range(problem.fixed.shape[0]):
        rows[problem.fixed[number, 0]] = number
    return rows


@kept
def _walk_back_with_laps(problem: Problem) -> tuple[np.ndarray, np.ndarray]:
    """Give first start, kind and next start (-1 none) of runs [0], and of what laps back [1].

    ``best[0, s]`` is the best of all that begins at or beyond ``s``, ``best[1, s]`` of
    all whose first sleeve is at ``s`` and laps the one before. A demand counts for the
    last sleeve of its run that begins at or before it. Where that sleeve laps the next,
    the run reaches beyond the demand: else its last sleeve would lie inside it.
    """
    length = problem.length
    free = ends_allowed(problem, problem.left_zones, problem.right_zones)
    lapped = ends_allowed(problem, problem.left_lap_zones, problem.right_lap_zones)
    lapped[0][0] = False
    lapped[1][length] = False
    barred, laterals = _barred(problem), laterals_before(problem)
    rows, following = _fixed_at(problem), NEVER
    best = np.zeros((2, length + 2, 3), dtype=np.int64)
    best[1, :, 0] = NEVER
    chosen = np.full((2, length + 2, 3), -1, dtype=np.int64)
    for start in range(length, -1, -1):
        row = rows[start]
        best[0, start, 0] = NEVER
        if row < 0:
            best[0, start] = best[0, start + 1]
            chosen[0, start] = chosen[0, start + 1]
        free_start = row >= 0 and not problem.fixed[row, 2]
        free_end = row >= 0 and not problem.fixed[row, 3]
        for back in range(2):
            if not (free_start or (lapped[0][start] if back else free[0][start])):
                continue
            for kind in range(problem.lengths.size):
                end = start + problem.lengths[kind]
                wanted = barred[kind, start] == 0 if row < 0 else end == problem.fixed[row, 1]
                if end <= length and wanted:
                    _try_sleeve(
                        problem,
                        (free_end or free[1][end], free_end or lapped[1][end]),
                        best,
                        chosen,
                        (back, start, kind),
                        (laterals[end - 1] - laterals[start], row, following),
                    )
        if row >= 0:
            following = start
    return best, chosen


@kept
def _try_sleeve(
    problem: Problem,
    may_end: tuple[bool, bool],
    best: np.ndarray,
    chosen: np.ndarray,
    sleeve: tuple[int, int, int],
    here: tuple[int, int, int],
) -> None:
    """Weigh one sleeve that laps back or not: before one that laps it, and as the last of a run.

    `here`: laterals under it, its own row of `fixed`, -1 none, and where the next one starts.
    """
    back, start, kind = sleeve
    covered, row, following = here
    reward, size = reward_of(problem), problem.lengths[kind]
    end = start + size
    laps = size >= 2 * problem.lap_to
    if back and not laps:
        return
    cost = problem.costs[kind] + covered * problem.reopen
    packed = COUNT + size * LENGTH
    inside = _counts(problem, start, end, end)[1]
    if laps and may_end[1] and (back or not inside):
        wall = int(start == 0)
        first, last = max(end - problem.lap_to, start + 1), end - problem.lap_from
        if row >= 0 and following < end:
            first, last = following, following
        for after in range(first, min(last, following) + 1):
            rest = best[1, after]
            if rest[0] < NEVER:
                count = _counts(problem, start, after, problem.length)[0]
                money = cost + wall * problem.seal - count * reward + rest[0]
                more = end - after - problem.lap_from
                worth = (money, packed + wall + rest[1], rest[2] + more)
                _take(best, chosen, sleeve, after, worth)
    rest = best[0, min(end + problem.gap, problem.length + 1)]
    if may_end[0] and not (back and inside) and end + problem.gap <= following:
        if rest[0] >= NEVER:
            return
        count = _counts(problem, start, end + 1, end)[0]
        wall = int(start == 0) + int(end == problem.length)
        money = cost + wall * problem.seal - count * reward + rest[0]
        slack = 0 if back or not count else slack_of(problem, 0, start, end)
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
    if is_better(here, *worth) or (chosen[back, start, 0] != start and is_equal(here, *worth)):
        here[0], here[1], here[2] = worth
        chosen[back, start, 0], chosen[back, start, 1] = start, kind
        chosen[back, start, 2] = after


@kept
def solve_with_laps(problem: Problem) -> tuple[np.ndarray, np.ndarray]:
    """Follow the best sleeves from the near end, from run to run and inside each.

    A start of -1 says that there is no way to lay the fixed ones.
    """
    found = np.empty((2, 2 * problem.length + 2), dtype=np.int64)
    nothing = problem.demands.shape[0] == 0 and problem.fixed.shape[0] == 0
    if problem.lengths.size == 0 or nothing:
        return found[0, :0], found[1, :0]
    best, chosen = _walk_back_with_laps(problem)
    if best[0, 0, 0] >= NEVER:
        found[0, 0] = -1
        return found[0, :1], found[1, :1]
    count, place, back = 0, 0, 0
    while place <= problem.length and chosen[back, place, 0] >= 0:
        start, kind, after = chosen[back, place]
        end = start + problem.lengths[kind]
        found[0, count], found[1, count] = start, end
        count += 1
        back = 1 if after >= 0 else 0
        place = after if after >= 0 else end + problem.gap
    return found[0, :count], found[1, :count]
