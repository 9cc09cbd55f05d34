"""Sleeves that lie fast on a pipe, and the best of the others beside them or lapping them."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from planner.repairs.place_kernel import place_sleeves_on, place_with_fixed
from planner.repairs.problem import Problem, Solution, measure, pairs

Ends = tuple[bool, bool]
"""Of the end nearer us_node and of the other one."""
Held = tuple[int, int, int, int]
"""From and to [cm], and which ends keep what the placement asks: a row of `Problem.fixed`."""


def as_held(place: tuple[int, int], bound: Ends) -> Held:
    """Put together from and to [cm] and which ends are bound."""
    return (*place, int(bound[0]), int(bound[1]))


def around(problem: Problem, held: Iterable[Held]) -> Solution | None:
    """Find the best sleeves beside those that lie fast, these among them.

    Where sleeves may lap, those that lie fast may be lapped as well; else the stretch of
    each, widened by the gap, is closed to the others.

    Parameters
    ----------
    problem
        The pipe.
    held
        Sleeves that lie fast, each clear of the others or lapping its neighbour.

    Returns
    -------
    solution
        None where they can lie in no way as they are bound.
    """
    rows = sorted(set(held))
    if not rows:
        return place_sleeves_on(problem)
    if problem.lap_to:
        return place_with_fixed(problem._replace(fixed=np.array(rows, dtype=np.int64)))
    wide = [(start - problem.gap, end + problem.gap) for start, end, *_ in rows]
    crosses = pairs([*map(tuple, problem.crosses.tolist()), *wide])
    rest = place_sleeves_on(problem._replace(crosses=crosses))
    places = [*zip(rest.starts, rest.ends, strict=True), *((row[0], row[1]) for row in rows)]
    every = sorted(places)
    return measure(problem, [start for start, _ in every], [end for _, end in every])


def neighbours(held: Held, taken: Iterable[Held]) -> list[Held]:
    """Give the nearest one that starts at or before it, and the nearest that starts after."""
    before = [one for one in taken if one[0] <= held[0]]
    after = [one for one in taken if one[0] > held[0]]
    return [*([max(before)] if before else []), *([min(after)] if after else [])]


def lie_clear(problem: Problem, one: Held, other: Held) -> bool:
    """Say whether two sleeves lie at least the gap apart."""
    return one[1] + problem.gap <= other[0] or other[1] + problem.gap <= one[0]


def laps_well(problem: Problem, one: Held, other: Held) -> bool:
    """Say whether two sleeves lap as the placement would have them lap."""
    first, second = sorted((one, other))
    shorter = min(end - start for start, end, *_ in (one, other))
    fits = problem.lap_from <= first[1] - second[0] <= problem.lap_to
    return problem.lap_to > 0 and fits and shorter >= 2 * problem.lap_to
