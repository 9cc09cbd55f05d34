"""The placement against two independent ways to find the best: a MILP, and trying all.

References
----------
The MILP places sleeves on real numbers and is solved by HiGHS: Q. Huangfu and
J. A. J. Hall, Parallelizing the dual revised simplex method, Mathematical Programming
Computation 10 (2018). That whole centimetres lose nothing: a feasible system of bounds
on differences with whole-number bounds has a whole-number solution (in any text on
shortest paths, from memory).
"""

from __future__ import annotations

from random import Random

import numpy as np
import pytest
from pipe_problems import Kind, random_problem
from placement_milp import solve_milp

from planner.repairs.place_kernel import place_sleeves_on
from planner.repairs.problem import Problem, Solution, measure, pairs

SHORT = Kind(
    least_m=3.0, most_m=9.0, defects=4, lateral_every_m=3.0, lengths_m=(0.6, 1.0, 1.5, 2.0)
)


@pytest.mark.parametrize("tens", range(10))
def test_no_cheaper_placement_exists(tens: int):
    """On 100 random pipes the MILP serves no span more and costs no cent less."""
    unlike = []
    for seed in range(10 * tens, 10 * tens + 10):
        problem = random_problem(Random(seed), SHORT)
        if not len(problem.demands):
            continue
        ours = place_sleeves_on(problem)
        if (ours.served, ours.cost) != solve_milp(problem):
            unlike.append(seed)
    assert unlike == []


def test_the_random_pipes_ask_enough():
    """Among the 100 are pipes with two sleeves, with laterals covered, with spans left."""
    problems = [random_problem(Random(seed), SHORT) for seed in range(100)]
    solutions = [place_sleeves_on(one) for one in problems]
    pairs_of = list(zip(problems, solutions, strict=True))
    assert sum(len(one.starts) >= 2 for one in solutions) >= 15
    assert sum(0 < one.served < len(p.demands) for p, one in pairs_of) >= 15
    assert sum(one.served == len(p.demands) for p, one in pairs_of) >= 15
    assert sum(one.manhole_ends > 0 for one in solutions) >= 15
    covered = [
        any(a < x < b for x in p.laterals for a, b in zip(one.starts, one.ends, strict=True))
        for p, one in pairs_of
    ]
    assert sum(covered) >= 15


def small(random: Random) -> Problem:
    """Draw a pipe of at most 18 whole units, so that all placements can be tried."""
    length = random.randint(6, 18)

    def some(most: int, longest: int) -> list[tuple[int, int]]:
        starts = [random.randint(-2, length) for _ in range(random.randint(0, most))]
        return [(at, at + random.randint(0, longest)) for at in starts]

    sizes = sorted(random.sample(range(2, 8), random.randint(1, 2)))
    demands = [(max(a, 0), min(b, length)) for a, b in some(4, 4) if a <= length and b >= 0]
    return Problem(
        length=length,
        wall=random.choice([0, 1, 2]),
        gap=random.choice([0, 1, 3]),
        demands=np.array(sorted(demands), dtype=np.int64).reshape(-1, 2),
        left_zones=pairs(some(3, 4)),
        right_zones=pairs(some(3, 4)),
        crosses=pairs(some(1, 3)),
        boxes=pairs(some(1, 5)),
        lengths=np.array(sizes, dtype=np.int64),
        costs=np.array([random.choice([10, 10, 10 + size, 14]) for size in sizes], dtype=np.int64),
        laterals=np.array(sorted(random.sample(range(1, length), random.randint(0, 3))), np.int64),
        reopen=random.choice([0, 3]),
    )


def try_all(problem: Problem) -> Solution:
    """Go through every set of sleeves that may lie on the pipe together."""
    everywhere = [
        (start, start + size)
        for start in range(problem.length + 1)
        for size in problem.lengths.tolist()
        if may_lie(problem, start, start + size)
    ]

    def chains(after: int) -> list[list[tuple[int, int]]]:
        found: list[list[tuple[int, int]]] = [[]]
        for start, end in everywhere:
            if start >= after:
                found += [[(start, end), *rest] for rest in chains(end + problem.gap)]
        return found

    solutions = [
        measure(problem, [a for a, _ in chain], [b for _, b in chain]) for chain in chains(0)
    ]
    return min(solutions, key=lambda one: (*one.rank, one.starts))


def may_lie(problem: Problem, start: int, end: int) -> bool:
    """Try every unit that the sleeve and its ends touch."""
    if end > problem.length:
        return False
    no_start = set(range(1, problem.wall))
    for low, high in problem.left_zones.tolist():
        no_start |= set(range(low + 1, high))
    no_end = set(range(problem.length - problem.wall + 1, problem.length))
    for low, high in problem.right_zones.tolist():
        no_end |= set(range(low + 1, high))
    halves = {2 * at + 1 for at in range(start, end)} | {2 * at for at in range(start + 1, end)}
    for low, high in problem.crosses.tolist():
        inner = set(range(2 * low + 1, 2 * high)) or {2 * low}
        if halves & inner:
            return False
    inside = set(range(start, end + 1))
    taken_in = any({low, high} <= inside for low, high in problem.boxes.tolist())
    start_ok = start == 0 or start not in no_start
    end_ok = end == problem.length or end not in no_end
    return start_ok and end_ok and not taken_in


def test_trying_all_finds_nothing_better():
    """On 400 small pipes the places are those of an exhaustive search, ties included."""
    unlike = []
    chains = 0
    for seed in range(400):
        problem = small(Random(seed))
        ours, best = place_sleeves_on(problem), try_all(problem)
        chains += len(best.starts) >= 2
        if (ours.rank, ours.starts) != (best.rank, best.starts):
            unlike.append(seed)
    assert unlike == []
    assert chains >= 40
