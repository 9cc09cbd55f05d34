"""The placement as one would write it down: every allowed sleeve, then the best chain.

Slow and short. `place_kernel` must give the same answer, sleeve for sleeve.
"""

from __future__ import annotations

import bisect
from typing import Any

from planner.repairs.problem import Problem, Solution, measure, runs_of

Sleeve = tuple[int, int]
"""Where a sleeve starts and ends [cm]."""


def place_plainly(problem: Problem) -> Solution:
    """Find the best sleeves of one pipe by going through all allowed ones.

    Parameters
    ----------
    problem
        The pipe, in whole centimetres.

    Returns
    -------
    solution
        The best one in the sense of `Solution`; without sleeves where none serves. Of
        those that are fixed it holds as many as can lie together.
    """
    runs = [[one] for one in list_sleeves(problem)]
    if problem.lap_to:
        runs = _list_runs(problem)
    runs.sort(key=lambda run: run[-1][1])
    ends = [run[-1][1] for run in runs]
    best_until = [measure(problem, [], [])]  # best chain among the first 0, 1, 2, ... runs
    for run in runs:
        at = bisect.bisect_right(ends, run[0][0] - problem.gap, hi=len(best_until) - 1)
        before = best_until[at]
        starts = [*before.starts, *(start for start, _ in run)]
        chain = measure(problem, starts, [*before.ends, *(end for _, end in run)])
        best_until.append(min(best_until[-1], chain, key=lambda one: _order(problem, one)))
    return slide_runs(problem, best_until[-1])


def _list_runs(problem: Problem) -> list[list[Sleeve]]:
    """List the runs that lap, and single sleeves; of those over one stretch only the best."""
    sizes = problem.lengths.tolist()
    runs: list[list[Sleeve]] = []
    for first in range(problem.length + 1):
        best: dict[int, tuple[tuple[object, ...], list[Sleeve]]] = {}
        todo: dict[Sleeve, tuple[tuple[object, ...], list[Sleeve]]] = {}
        for size in sizes:
            if _may_start(problem, (first, first + size), laps=False):
                _keep(problem, todo, (first, first + size), [(first, first + size)])
        while todo:
            sleeve = min(todo)
            run = todo.pop(sleeve)[1]
            alone, inside = len(run) == 1, _inside(problem, sleeve)
            if _may_end(problem, sleeve, laps=False) and (alone or not inside):
                _keep(problem, best, sleeve[1], run)
            if _may_lap(problem, sleeve, alone=alone):
                for after in _next_ones(problem, sleeve):
                    _keep(problem, todo, after, [*run, after])
        runs += [run for _, run in best.values()]
    return runs


def _next_ones(problem: Problem, sleeve: Sleeve) -> list[Sleeve]:
    """List what may lap a sleeve at its right end."""
    sizes = [one for one in problem.lengths.tolist() if one >= 2 * problem.lap_to]
    starts = range(sleeve[1] - problem.lap_to, sleeve[1] - problem.lap_from + 1)
    found = {(start, start + size) for start in starts if start > sleeve[0] for size in sizes}
    if _row(problem, sleeve):
        rows = [(start, end) for start, end, *_ in problem.fixed.tolist()]
        found |= {
            one for one in rows if sleeve[0] < one[0] < sleeve[1] and one[1] - one[0] in sizes
        }
    return sorted(one for one in found if _may_start(problem, one, laps=True))


def _row(problem: Problem, sleeve: Sleeve) -> list[int]:
    """Give its row of `fixed`; empty where it is none of them."""
    return next((row for row in problem.fixed.tolist() if (row[0], row[1]) == sleeve), [])


def _may_start(problem: Problem, sleeve: Sleeve, *, laps: bool) -> bool:
    row = _row(problem, sleeve)
    return (bool(row) and not row[2]) or start_ok(problem, sleeve[0], laps=laps)


def _may_end(problem: Problem, sleeve: Sleeve, *, laps: bool) -> bool:
    row = _row(problem, sleeve)
    return (bool(row) and not row[3]) or end_ok(problem, sleeve[1], laps=laps)


def _keep(problem: Problem, kept: dict[Any, Any], key: object, run: list[Sleeve]) -> None:
    """Keep the better of two runs; one over what is closed is none."""
    fixed = bool(_row(problem, run[-1]))
    if run[-1][1] > problem.length or not (fixed or lies_free(problem, *run[-1])):
        return
    order = _order(problem, measure(problem, [a for a, _ in run], [b for _, b in run]))
    if key not in kept or order < kept[key][0]:
        kept[key] = (order, run)


def _may_lap(problem: Problem, sleeve: Sleeve, *, alone: bool) -> bool:
    """Say whether the next sleeve may lap this one, the last of its run so far."""
    long_enough = sleeve[1] - sleeve[0] >= 2 * problem.lap_to
    inside = alone and _inside(problem, sleeve)
    return long_enough and not inside and _may_end(problem, sleeve, laps=True)


def _inside(problem: Problem, sleeve: Sleeve) -> bool:
    return any(at < sleeve[0] and sleeve[1] < to for at, to in problem.demands.tolist())


def slide_runs(problem: Problem, solution: Solution) -> Solution:
    """Slide each run of sleeves that lap so that the smaller of its outer overlaps is largest.

    Parameters
    ----------
    problem
        The pipe.
    solution
        Its best sleeves.

    Returns
    -------
    solution
        Of equal rank; a run that ends at a manhole or holds a fixed sleeve stays.
    """
    fast = {(start, end) for start, end, *_ in problem.fixed.tolist()}
    for first, last in runs_of(solution.starts, solution.ends):
        if first == last or solution.starts[first] == 0 or solution.ends[last] == problem.length:
            continue
        if any((solution.starts[at], solution.ends[at]) in fast for at in range(first, last + 1)):
            continue
        best = (-_least_overlap(problem, solution, first, last), 0)
        found = solution
        reach = solution.ends[last] - solution.starts[first]
        for by in range(-reach, reach + 1):
            moved = _moved(problem, solution, (first, last), by)
            if moved is not None:
                worth = (-_least_overlap(problem, moved, first, last), by)
                if worth[0] < best[0]:
                    best, found = worth, moved
        solution = found
    return solution


def _moved(problem: Problem, solution: Solution, run: tuple[int, int], by: int) -> Solution | None:
    """Move one run; None if it may not lie there, or what it comes to is not the same."""
    first, last = run
    starts, ends = list(solution.starts), list(solution.ends)
    for at in range(first, last + 1):
        starts[at], ends[at] = starts[at] + by, ends[at] + by
        left, right = at > first, at < last
        if not (
            lies_free(problem, starts[at], ends[at])
            and start_ok(problem, starts[at], laps=left)
            and end_ok(problem, ends[at], laps=right)
            and (left == right or not _inside(problem, (starts[at], ends[at])))
        ):
            return None
    if first and starts[first] < ends[first - 1] + problem.gap:
        return None
    if last + 1 < len(starts) and starts[last + 1] < ends[last] + problem.gap:
        return None
    moved = measure(problem, starts, ends)
    return moved if moved.rank == solution.rank else None


def _least_overlap(problem: Problem, solution: Solution, first: int, last: int) -> int:
    start, end = solution.starts[first], solution.ends[last]
    inside = [(a, b) for a, b in problem.demands.tolist() if start <= a and b <= end]
    return int(min(min(a for a, _ in inside) - start, end - max(b for _, b in inside)))


def _order(problem: Problem, solution: Solution) -> tuple[object, ...]:
    places = tuple(zip(solution.starts, solution.ends, strict=True))
    held = sum(bool(_row(problem, place)) for place in places)
    return (-held, *solution.rank, places)


def list_sleeves(problem: Problem) -> list[tuple[int, int]]:
    """List every allowed sleeve that serves at least one demand, as (start, end) [cm]."""
    return sorted(
        {
            (start, start + size)
            for size in problem.lengths.tolist()
            for low, high in problem.demands.tolist()
            for start in range(max(high - size, 0), min(low, problem.length - size) + 1)
            if is_allowed(problem, start, start + size)
        }
    )


def is_allowed(problem: Problem, start: int, end: int) -> bool:
    """Say whether a sleeve that laps none may lie from `start` to `end` [cm]."""
    return (
        start_ok(problem, start, laps=False)
        and end_ok(problem, end, laps=False)
        and lies_free(problem, start, end)
    )


def start_ok(problem: Problem, start: int, *, laps: bool) -> bool:
    """Say whether a left end may lie at `start` [cm]; `laps`: on the sleeve before."""
    if laps or start != 0:
        zones = problem.left_lap_zones if laps else problem.left_zones
        return start >= max(problem.wall, 1) and not _within(start, zones.tolist())
    return True


def end_ok(problem: Problem, end: int, *, laps: bool) -> bool:
    """Say whether a right end may lie at `end` [cm]; `laps`: the next sleeve lies on it."""
    if laps or end != problem.length:
        zones = problem.right_lap_zones if laps else problem.right_zones
        most = problem.length - max(problem.wall, 1)
        return end <= most and not _within(end, zones.tolist())
    return True


def lies_free(problem: Problem, start: int, end: int) -> bool:
    """Say whether a sleeve from `start` to `end` [cm] may lie there, whatever its ends."""
    crosses = any(start < to and end > at for at, to in problem.crosses.tolist())
    takes_in = any(start <= at and to <= end for at, to in problem.boxes.tolist())
    shut = start > problem.shut_from and end < problem.shut_to
    return not crosses and not takes_in and not shut


def _within(place: int, zones: list[list[int]]) -> bool:
    return any(at < place < to for at, to in zones)
