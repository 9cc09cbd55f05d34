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
from planner.repairs.problem import Problem, Solution, measure, pairs, runs_of

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


BRIEF = Kind(least_m=3.0, most_m=6.0, defects=3, lateral_every_m=3.0, lengths_m=(0.6, 1.0, 1.5))


def harder(random: Random, problem: Problem) -> Problem:
    """The same pipe with laps, sealed ends and, on some, a stretch that is shut to packers."""
    least = random.choice([10, 20])
    third = problem.length // 3
    shut = (third, 2 * third) if random.random() < 0.3 else (problem.length, -1)
    return problem._replace(
        lap_from=least,
        lap_to=least + random.choice([0, 0, 5]),
        left_lap_zones=problem.left_zones[::2],
        right_lap_zones=problem.right_zones[::2],
        seal=random.choice([0, 100, 400]),
        shut_from=shut[0],
        shut_to=shut[1],
    )


@pytest.mark.parametrize("tens", range(5))
def test_no_cheaper_placement_exists_with_laps_and_seals(tens: int):
    """On 50 random pipes, runs among them, the MILP serves no more and costs no cent less."""
    unlike, laps = [], 0
    for seed in range(10 * tens, 10 * tens + 10):
        problem = harder(Random(seed), random_problem(Random(seed), BRIEF))
        if not len(problem.demands):
            continue
        ours = place_sleeves_on(problem)
        laps += len(runs_of(ours.starts, ours.ends)) < len(ours.starts)
        if (ours.served, ours.cost) != solve_milp(problem):
            unlike.append(seed)
    assert unlike == []
    assert laps >= 1


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


def try_all(problem: Problem, fixed: tuple[tuple[int, int], ...] = ()) -> Solution:
    """Go through every set of sleeves that may lie on the pipe together, `fixed` among them."""
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
        measure(problem, [a for a, _ in chain], [b for _, b in chain])
        for chain in chains(0)
        if set(fixed) <= set(chain)
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


def small_with_laps(random: Random) -> Problem:
    problem = small(random)
    zones = [problem.left_zones[:1], problem.right_zones[:1]]
    least = random.choice([1, 1, 2])
    return problem._replace(
        lap_from=least,
        lap_to=least + random.choice([0, 1]),
        left_lap_zones=zones[0],
        right_lap_zones=zones[1],
        seal=random.choice([0, 5]),
        shut_from=random.choice([problem.length + 9, problem.length // 3]),
        shut_to=problem.length - problem.length // 4,
    )


def try_all_runs(problem: Problem) -> Solution:
    """Go through every set of sleeves, lapped or apart, by the words of `Problem` alone."""
    sleeves = [
        (start, start + size)
        for start in range(problem.length + 1)
        for size in problem.lengths.tolist()
        if start + size <= problem.length
    ]

    def follows(one: tuple[int, int], other: tuple[int, int]) -> bool:
        lap = one[1] - other[0]
        long_enough = min(one[1] - one[0], other[1] - other[0]) >= 2 * problem.lap_to
        lapped = problem.lap_from <= lap <= problem.lap_to and long_enough and one[0] < other[0]
        return other[0] >= one[1] + problem.gap or lapped

    def chains(rest: list[list[tuple[int, int]]], before: tuple[int, int] | None) -> None:
        chain = rest[-1]
        for one in sleeves:
            if before is None or (one > before and follows(before, one)):
                rest.append([*chain, one])
                chains(rest, one)

    found: list[list[tuple[int, int]]] = [[]]
    chains(found, None)
    fine = [
        measure(problem, [a for a, _ in chain], [b for _, b in chain])
        for chain in found
        if all(lies_well(problem, chain, at) for at in range(len(chain)))
    ]
    return min(fine, key=lambda one: one.rank)


def lies_well(problem: Problem, chain: list[tuple[int, int]], at: int) -> bool:
    """Say whether one sleeve of a chain may lie there; its ends lap or do not."""
    start, end = chain[at]
    back = at > 0 and start < chain[at - 1][1]
    on = at + 1 < len(chain) and chain[at + 1][0] < end
    if (back and start == 0) or (on and end == problem.length):
        return False
    inside = any(a < start and end < b for a, b in problem.demands.tolist())
    if back != on and inside:
        return False
    bounds = problem._replace(
        left_zones=problem.left_lap_zones if back else problem.left_zones,
        right_zones=problem.right_lap_zones if on else problem.right_zones,
    )
    shut = start > problem.shut_from and end < problem.shut_to
    return not shut and may_lie(bounds, start, end)


def test_trying_all_runs_finds_nothing_better():
    """On 120 small pipes with laps, seals and shut stretches the figures are those of all sets."""
    unlike, laps = [], 0
    for seed in range(120):
        problem = small_with_laps(Random(seed))
        ours, best = place_sleeves_on(problem), try_all_runs(problem)
        laps += len(runs_of(ours.starts, ours.ends)) < len(ours.starts)
        if ours.rank != best.rank:
            unlike.append(seed)
    assert unlike == []
    assert laps >= 8
