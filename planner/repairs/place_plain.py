"""The placement as one would write it down: every allowed sleeve, then the best chain.

Slow and short. `place_kernel` must give the same answer, sleeve for sleeve.
"""

from __future__ import annotations

import bisect

from planner.repairs.problem import Problem, Solution, measure


def place_plainly(problem: Problem) -> Solution:
    """Find the best sleeves of one pipe by going through all allowed ones.

    Parameters
    ----------
    problem
        The pipe, in whole centimetres.

    Returns
    -------
    solution
        The best one in the sense of `Solution`; without sleeves where none serves.
    """
    sleeves = sorted(list_sleeves(problem), key=lambda sleeve: sleeve[1])
    ends = [end for _, end in sleeves]
    nothing = measure(problem, [], [])
    best_until = [nothing]  # best chain among the first 0, 1, 2, ... sleeves by their end
    for start, end in sleeves:
        before = best_until[bisect.bisect_right(ends, start - problem.gap, hi=len(best_until) - 1)]
        chain = measure(problem, [*before.starts, start], [*before.ends, end])
        best_until.append(min(best_until[-1], chain, key=_order))
    return best_until[-1]


def _order(solution: Solution) -> tuple[object, ...]:
    places = zip(solution.starts, solution.ends, strict=True)
    return (*solution.rank, tuple(places))


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
    """Say whether a sleeve may lie from `start` to `end` [cm]; its length is not asked."""
    start_ok = start == 0 or (
        start >= problem.wall and not _within(start, problem.left_zones.tolist())
    )
    end_ok = end == problem.length or (
        end <= problem.length - problem.wall and not _within(end, problem.right_zones.tolist())
    )
    crosses = any(start < to and end > at for at, to in problem.crosses.tolist())
    takes_in = any(start <= at and to <= end for at, to in problem.boxes.tolist())
    return start_ok and end_ok and not crosses and not takes_in


def _within(place: int, zones: list[list[int]]) -> bool:
    return any(at < place < to for at, to in zones)
