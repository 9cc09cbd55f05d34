"""Published routing problems through the tables of a week: against PyVRP alone and the best known.

The problems are test material that is no part of the project: where they are not, this
cannot run.
"""

from __future__ import annotations

import time
from dataclasses import dataclass
from functools import partial
from itertools import pairwise
from pathlib import Path
from typing import Any
from unittest.mock import patch

import pyvrp
from pyvrp.stop import MaxIterations

from planner.crews import solver, stages
from planner.crews.solver import Solved
from planner.crews.week import plan_week
from tests.bench.frame import BenchResult, timed
from tests.bench.vrp_files import MUST_S, Problem, as_week, read_problem

NAME = Path("shared", "samples", "vrp")
ABOVE = [folder / NAME for folder in Path(__file__).resolve().parents[3:]]
PROBLEMS = next((path for path in ABOVE if path.is_dir()), ABOVE[0])
SEED = 1
SAME_ITERATIONS = 300
"""Iterations of the runs that are held against PyVRP alone."""


@dataclass(frozen=True)
class Known:
    """A file, how its figures are made whole, its best known cost, how far we may be above it."""

    file: str
    how: str
    cost: int
    most_over: float


KNOWN = (
    Known("X-n101-k25", "round", 27_591, 0.005),
    Known("RC208", "x10", 7_761, 0.005),
    Known("RC1_10_1-prize", "x10", 248_104, 0.03),
)
"""Best known as the README beside the files states them: Uchoa et al. 2017 (CVRPLIB); from
memory, reached by PyVRP there; the .sol file beside the instance."""
_HOW_OF_PYVRP = {"round": "round", "x10": "dimacs"}


def run(size: int) -> BenchResult:
    """Give each problem `size` seconds of search, of one core's time: others may run beside."""
    missing = [one.file for one in KNOWN if not (PROBLEMS / f"{one.file}.vrp").exists()]
    if missing:
        message = f"{PROBLEMS} does not hold {', '.join(missing)}: no part of the project"
        raise RuntimeError(message)
    rows: list[dict[str, object]] = []
    ratios: dict[str, float] = {}
    goals: dict[str, list[object]] = {}
    for known in KNOWN:
        problem = read_problem(PROBLEMS / f"{known.file}.vrp", known.how)
        ours = planned(problem, SAME_ITERATIONS)
        alone_s, alone = timed(partial(by_pyvrp_alone, known, ours.params, required=False))
        strict_s, strict = timed(partial(by_pyvrp_alone, known, ours.params, required=True))
        long = planned(problem, rounds_in(size, problem, ours))
        rows += [
            row(known, "PyVRP alone, required", SAME_ITERATIONS, strict, strict_s),
            row(known, "PyVRP alone, of such worth", SAME_ITERATIONS, alone, alone_s),
            row(known, "ours, as many", SAME_ITERATIONS, ours.cost, ours.search_s),
            row(known, f"ours, {size} s", long.iterations, long.cost, long.search_s),
        ]
        apart, over = f"{known.file}: unlike PyVRP alone", f"{known.file}: over best known"
        ratios[apart] = float(abs(ours.cost - alone))
        ratios[over] = long.cost / known.cost - 1.0
        ratios[f"{known.file}: planned week / search"] = long.week_cost / long.cost
        goals[apart] = ["<=", 0]
        if size >= 60:
            goals[over] = ["<=", known.most_over]
    return BenchResult(rows, ratios, goals)


def rounds_in(seconds: float, problem: Problem, short: Found) -> int:
    """Give the iterations that a search of so many seconds will hold: it is told its length."""
    more = planned(problem, 5 * short.iterations)
    each_s = (more.search_s - short.search_s) / (more.iterations - short.iterations)
    first_s = short.search_s - each_s * short.iterations
    return max(short.iterations, int((seconds - first_s) / max(each_s, 1e-6)))


def row(known: Known, what: str, rounds: int, cost: int, seconds: float) -> dict[str, object]:
    return {
        "problem": known.file,
        "what": what,
        "iterations": rounds,
        "cost": cost,
        "over_best": f"{cost / known.cost - 1.0:.2%}",
        "seconds": round(seconds, 1),
    }


@dataclass(frozen=True)
class Found:
    """What our way found: cost of the search's routes and of the week, its length, parameters."""

    cost: int
    week_cost: int
    iterations: int
    search_s: float
    params: dict[str, Any]


def planned(problem: Problem, iterations: int) -> Found:
    """Plan a problem as a week; watch what goes to PyVRP and what comes back."""
    town = as_week(problem, iterations=iterations)
    solved: list[tuple[float, Solved]] = []
    handed: list[dict[str, Any]] = []
    solve, search = stages.solve, pyvrp.solve

    def kept(*args: Any) -> Solved:
        start_s = time.process_time()
        found = solve(*args)
        solved.append((time.process_time() - start_s, found))
        return found

    def watched(*args: Any, **named: Any) -> pyvrp.Result:
        handed.append(named)
        return search(*args, **named)

    with patch.object(stages, "solve", kept), patch.object(solver.pyvrp, "solve", watched):
        week = plan_week(town.tables, town.ways, town.week, first_day=town.first_day, seed=SEED)
    if len(solved) != 1:
        message = f"a week without ties is searched once, not {len(solved)} times"
        raise RuntimeError(message)
    seconds, one = solved[0]
    own = [
        [town.ways.setup_at[one] for one in day.sort_values("seq")["setup_id"]]
        for _, day in week.visits.groupby(["crew", "date"])
    ]
    # The stops of the search stand in order of their names, one behind the depot.
    routes = [[n + 1 for n in order] for order in one.routes.values()]
    return Found(
        cost_of(problem, routes), cost_of(problem, own), one.iterations, seconds, handed[0]
    )


def _optional(client: pyvrp.Client) -> pyvrp.Client:
    return pyvrp.Client(
        location=client.location,
        delivery=client.delivery,
        service_duration=client.service_duration,
        tw_early=client.tw_early,
        tw_late=client.tw_late,
        prize=client.prize or MUST_S,
        required=False,
    )


def cost_of(problem: Problem, routes: list[list[int]]) -> int:
    """Check routes against the file's own figures; give driving and the worth of what is left."""
    done = [n for order in routes for n in order]
    if len(done) != len(set(done)) or len(routes) > problem.vehicles:
        message = "a client is served twice, or more vehicles go than there are"
        raise RuntimeError(message)
    driven = 0
    for order in routes:
        if problem.demand[order].sum() > problem.capacity:
            message = f"a vehicle takes more than {problem.capacity}"
            raise RuntimeError(message)
        now_s = int(problem.open_s[0])
        for before, here in pairwise([0, *order, 0]):
            drive_s = int(problem.drive_s[before, here])
            now_s, driven = max(now_s + drive_s, int(problem.open_s[here])), driven + drive_s
            if now_s > problem.close_s[here]:
                message = f"client {here} is reached at {now_s}, open to {problem.close_s[here]}"
                raise RuntimeError(message)
            now_s += int(problem.service_s[here])
    left = sorted(set(range(1, len(problem.demand))) - set(done))
    return driven + int(problem.prize_s[left].sum())


def by_pyvrp_alone(known: Known, named: dict[str, Any], *, required: bool) -> int:
    """Solve a file as PyVRP itself reads it, with the same seed, length and parameters.

    `required` leaves what must be served as it is read; else it is worth `MUST_S`, as with us.
    """
    data = pyvrp.read(PROBLEMS / f"{known.file}.vrp", round_func=_HOW_OF_PYVRP[known.how])
    if not required:
        data = data.replace(clients=[_optional(client) for client in data.clients()])
    found = pyvrp.solve(data, MaxIterations(SAME_ITERATIONS), **named)
    return int(found.cost())
