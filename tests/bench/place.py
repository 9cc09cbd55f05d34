"""How fast sleeves are placed, and what a walk from left to right would lose."""

from __future__ import annotations

import time
from collections.abc import Callable
from random import Random

from planner.repairs.place_kernel import place_sleeves_on
from planner.repairs.place_plain import is_allowed, list_sleeves, place_plainly, start_ok
from planner.repairs.problem import Problem, Solution, measure
from tests.bench.frame import BenchResult
from tests.pipe_problems import Kind, random_problem
from tests.placement_milp import solve_milp

FULL = Kind(least_m=20.0, most_m=120.0, defects=4)
SHORT = Kind(least_m=3.0, most_m=6.5, defects=3, lateral_every_m=3.0, lengths_m=(0.6, 1.0, 1.5))
LEAST_MILP = 1_000
"""Pipes that the MILP solves, at least, where the size is no smaller."""
GOALS: dict[str, tuple[str, float]] = {
    "kernel pipes a second": (">=", 3000.0),
    "MILP time / kernel time": (">=", 1000.0),
    "plain time / kernel time": (">=", 100.0),
    "MILP mismatches": ("<=", 0.0),
    "plain mismatches": ("<=", 0.0),
    "greedy cost / kernel cost": (">=", 1.0),
    "pipes where a walk is cheaper": ("<=", 0.0),
}


def run(size: int) -> BenchResult:
    """Place sleeves on `size` pipes of 20 to 120 m with four defects each.

    The plain reference and the careful walk take a hundredth of them, at least 20 and
    100; the MILP takes short pipes (3 to 6.5 m), as many as the size and at most 1 000;
    the plain walk takes all.
    """
    few, some = max(20, size // 100), min(size, max(100, size // 100))
    full = [random_problem(Random(seed), FULL) for seed in range(size)]
    short = [random_problem(Random(seed), SHORT) for seed in range(2 * LEAST_MILP)]
    short = [one for one in short if len(one.demands)][: min(size, LEAST_MILP)]
    compile_s, _ = timed(place_sleeves_on, full[:1])
    kernel_s, ours = timed(place_sleeves_on, full)
    plain_s, plain = timed(place_plainly, full[:few])
    walk_s, walked = timed(walk, full)
    careful_s, careful = timed(place_greedily, full[:some])
    short_s, ours_short = timed(place_sleeves_on, short)
    milp_s, milp = timed(solve_milp, short)
    cost_ratio, no_answer, dearer, cheaper = compare(full, ours, walked)
    careful_ratio, careful_none, careful_dearer, more = compare(full[:some], ours[:some], careful)
    rows = [
        row("ours: kernel", size, kernel_s, f"first call with its compile {compile_s:.2f} s"),
        row("plain reference", few, plain_s, "same pipes"),
        row(
            "naive: left to right", size, walk_s, f"no answer {no_answer:.1%}, dearer {dearer:.1%}"
        ),
        row(
            "left to right, all places weighed",
            some,
            careful_s,
            f"no answer {careful_none:.1%}, dearer {careful_dearer:.1%}",
        ),
        row("ours: kernel, short pipes", len(short), short_s, "3 to 6.5 m"),
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
        "careful walk cost / kernel cost": careful_ratio,
        "careful walk share without an answer": careful_none,
        "pipes where a walk is cheaper": float(cheaper + more),
        "MILP pipes": float(len(short)),
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
) -> tuple[float, float, float, int]:
    """Give cost ratio where both serve as much, share without an answer, share dearer; cheaper.

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
    both_ways = zip(ours, walked, strict=True)
    beaten = sum((-b.served, b.cost) < (-a.served, a.cost) for a, b in both_ways)
    return ratio, lost / max(1, len(asked)), dearer, beaten


def walk(problem: Problem) -> Solution:
    """Walk from left to right as one would by hand: begin as late as may be, take what reaches.

    For the first demand not served yet: the rightmost start that may be, clear of the
    one before, and the shortest length that reaches and may end there. Costs are not
    looked at, and a demand without a place is left.
    """
    starts: list[int] = []
    ends: list[int] = []
    lengths = problem.lengths.tolist()
    for low, high in problem.demands.tolist():
        if any(a <= low and high <= b for a, b in zip(starts, ends, strict=True)):
            continue
        clear = ends[-1] + problem.gap if ends else 0
        places = range(low, clear - 1, -1)
        start = next((one for one in places if start_ok(problem, one, laps=False)), -1)
        fits = (
            size
            for size in lengths
            if start >= 0
            and high <= start + size <= problem.length
            and is_allowed(problem, start, start + size)
        )
        size = next(fits, 0)
        if size:
            starts.append(start)
            ends.append(start + size)
    return measure(problem, starts, ends)


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
