"""How fast sleeves are placed, and what a walk from left to right would lose."""

from __future__ import annotations

import time
from collections.abc import Callable
from random import Random

from planner.repairs.place_kernel import place_sleeves_on
from planner.repairs.place_plain import list_sleeves, place_plainly
from planner.repairs.problem import Problem, Solution, measure
from tests.bench.frame import BenchResult
from tests.pipe_problems import Kind, random_problem
from tests.placement_milp import solve_milp

FULL = Kind(least_m=20.0, most_m=120.0, defects=4)
SHORT = Kind(least_m=3.0, most_m=9.0, defects=4, lateral_every_m=3.0, lengths_m=(0.6, 1.0, 1.5))
GOALS: dict[str, tuple[str, float]] = {
    "kernel pipes a second": (">=", 3000.0),
    "MILP time / kernel time": (">=", 1000.0),
    "MILP mismatches": ("<=", 0.0),
    "plain mismatches": ("<=", 0.0),
    "greedy cost / kernel cost": (">=", 1.0),
}


def run(size: int) -> BenchResult:
    """Place sleeves on `size` pipes of 20 to 120 m with four defects each.

    The plain reference takes a hundredth of them, the MILP as many short pipes (3 to
    9 m), each at least 20; the greedy walk takes them all.
    """
    few = max(20, size // 100)
    full = [random_problem(Random(seed), FULL) for seed in range(size)]
    short = [random_problem(Random(seed), SHORT) for seed in range(few)]
    short = [one for one in short if len(one.demands)]
    compile_s, _ = timed(place_sleeves_on, full[:1])
    kernel_s, ours = timed(place_sleeves_on, full)
    plain_s, plain = timed(place_plainly, full[:few])
    walk_s, walked = timed(place_greedily, full)
    short_s, ours_short = timed(place_sleeves_on, short)
    milp_s, milp = timed(solve_milp, short)
    cost_ratio, no_answer, dearer = compare(full, ours, walked)
    rows = [
        row("ours: kernel", size, kernel_s, f"first call with its compile {compile_s:.2f} s"),
        row("plain reference", few, plain_s, "same pipes"),
        row(
            "naive: left to right", size, walk_s, f"no answer {no_answer:.1%}, dearer {dearer:.1%}"
        ),
        row("ours: kernel, short pipes", len(short), short_s, "3 to 9 m"),
        row("MILP, continuous places", len(short), milp_s, "same short pipes, HiGHS, 1 thread"),
    ]
    ratios = {
        "kernel pipes a second": size / kernel_s,
        "plain time / kernel time": (plain_s / few) / (kernel_s / size),
        "MILP time / kernel time": milp_s / short_s,
        "plain mismatches": float(sum(a != b for a, b in zip(ours, plain, strict=False))),
        "MILP mismatches": float(
            sum((a.served, a.cost) != b for a, b in zip(ours_short, milp, strict=True))
        ),
        "greedy cost / kernel cost": cost_ratio,
        "greedy share without an answer": no_answer,
    }
    return BenchResult(rows, ratios, {name: list(goal) for name, goal in GOALS.items()})


def row(name: str, pipes: int, seconds: float, note: str) -> dict[str, object]:
    return {
        "what": name,
        "pipes": pipes,
        "seconds": round(seconds, 4),
        "pipes_per_s": round(pipes / seconds, 1),
        "note": note,
    }


def timed(solve: Callable[[Problem], object], problems: list[Problem]) -> tuple[float, list]:
    start = time.perf_counter()
    found = [solve(problem) for problem in problems]
    return time.perf_counter() - start, found


def compare(
    problems: list[Problem], ours: list[Solution], walked: list[Solution]
) -> tuple[float, float, float]:
    """Give cost ratio where both serve all, share without an answer, share dearer.

    A walk has no answer where it leaves a span that the kernel serves.
    """
    both = [
        (one.cost, other.cost)
        for one, other in zip(ours, walked, strict=True)
        if one.served == other.served
    ]
    asked = [one for one, problem in zip(ours, problems, strict=True) if len(problem.demands)]
    lost = sum(other.served < one.served for one, other in zip(ours, walked, strict=True))
    ratio = sum(other for _, other in both) / max(1, sum(one for one, _ in both))
    dearer = sum(other > one for one, other in both) / max(1, len(both))
    return ratio, lost / max(1, len(asked)), dearer


def place_greedily(problem: Problem) -> Solution:
    """Walk from left to right and never turn back, as one would by hand.

    For the first demand not served yet: of the sleeves that may lie there, clear of the
    one before, the one that serves most demands, then the cheapest, then the rightmost.
    A demand that no sleeve can serve on the way is left.
    """
    allowed = list_sleeves(problem)
    price = dict(zip(problem.lengths.tolist(), problem.costs.tolist(), strict=True))
    demands = problem.demands.tolist()
    starts: list[int] = []
    ends: list[int] = []

    def worth(sleeve: tuple[int, int]) -> tuple[int, int, int]:
        start, end = sleeve
        served = sum(start <= a and b <= end for a, b in demands)
        covered = sum(start < x < end for x in problem.laterals.tolist())
        return (-served, price[end - start] + covered * problem.reopen, -start)

    for low, high in demands:
        if any(a <= low and high <= b for a, b in zip(starts, ends, strict=True)):
            continue
        clear = ends[-1] + problem.gap if ends else 0
        options = [(a, b) for a, b in allowed if clear <= a <= low and high <= b]
        if options:
            start, end = min(options, key=worth)
            starts.append(start)
            ends.append(end)
    return measure(problem, starts, ends)
