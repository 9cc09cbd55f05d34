"""Sleeves at a person's own place: the rest is still the best there is, by MILP and by trying all.

References
----------
The MILP is solved by HiGHS: Q. Huangfu and J. A. J. Hall, Parallelizing the dual revised
simplex method, Mathematical Programming Computation 10 (2018).
"""

from __future__ import annotations

from random import Random

import pytest
from pipe_problems import Kind, random_pipe
from placement_milp import solve_milp
from published.test_placement_milp import may_lie, small, try_all

from planner.ground.own_place import OwnPlace
from planner.repairs.place_held import around
from planner.repairs.place_kernel import place_sleeves_on
from planner.repairs.place_own import Own, in_metres, solve_own
from planner.repairs.place_plain import list_sleeves
from planner.repairs.problem import Problem
from planner.repairs.zones import Line, Rules, serves, set_problem

BRIEF = Kind(least_m=3.0, most_m=7.0, defects=4, lateral_every_m=3.0, lengths_m=(0.6, 1.0, 1.5))
LONG = Kind(least_m=8.0, most_m=16.0, defects=6, lateral_every_m=4.0)


def own(span_id: str, size: int, place: tuple[int, int] | None = None) -> Own:
    return Own(span_id, "p", OwnPlace(size, place), "A. Berg")


def under(line: Line, rules: Rules, problem: Problem, place: tuple[int, int]) -> list[str]:
    """Give the spans that a sleeve serves with all that is asked."""
    sleeve = in_metres(line, problem.length, *place)
    return [spot.span_id for spot in line.wanted if serves(line, rules, spot, sleeve)]


@pytest.mark.parametrize("tens", range(10))
def test_beside_a_fixed_sleeve_no_cheaper_placement_exists(tens: int):
    """On 100 random pipes with one sleeve drawn from all allowed ones, and laid there, the MILP
    with that very sleeve forced serves no span more and costs no cent less."""
    unlike, tried = [], 0
    for seed in range(10 * tens, 10 * tens + 10):
        random = Random(seed)
        line, offer, rules = random_pipe(random, BRIEF)
        problem = set_problem(line, offer, rules)
        allowed = list_sleeves(problem)
        if not allowed:
            continue
        place = random.choice(allowed)
        span_id = under(line, rules, problem, place)[0]
        wish = own(span_id, place[1] - place[0], place)
        found, fixed = solve_own(line, offer, rules, problem, [wish])
        tried += 1
        assert fixed.places == (place,)
        if (found.served, found.cost) != solve_milp(problem, [place]):
            unlike.append(seed)
    assert unlike == []
    assert tried >= 6


def test_a_length_alone_is_laid_where_nothing_is_better():
    """On 60 random pipes one span is given a length: the MILP in which the sleeve over that
    span must have it serves no span more and costs no cent less."""
    unlike, tried, other = [], 0, 0
    for seed in range(60):
        random = Random(seed)
        line, offer, rules = random_pipe(random, BRIEF)
        problem = set_problem(line, offer, rules)
        allowed = list_sleeves(problem)
        demands = problem.demands.tolist()
        if not allowed:
            continue
        start, end = random.choice(allowed)
        inside = [at for at, (a, b) in enumerate(demands) if start <= a and b <= end]
        spans = under(line, rules, problem, (start, end))
        if len(inside) != 1 or len(spans) != 1:
            continue  # which demand is which span would be a guess
        wish = own(spans[0], end - start)
        found, fixed = solve_own(line, offer, rules, problem, [wish])
        tried += 1
        other += found != place_sleeves_on(problem)
        assert [b - a for a, b in fixed.places] == [end - start]
        if (found.served, found.cost) != solve_milp(problem, length_of={inside[0]: end - start}):
            unlike.append(seed)
    assert unlike == []
    assert tried >= 20
    assert other >= 5


def test_the_best_sleeves_laid_by_hand_are_the_best_sleeves():
    """On 60 pipes each sleeve of the best placement, fixed at its place or its length alone
    named, gives the same sleeves, figures and ties."""
    unlike, tried = [], 0
    for seed in range(60):
        line, offer, rules = random_pipe(Random(seed), LONG)
        problem = set_problem(line, offer, rules)
        best = place_sleeves_on(problem)
        for place in zip(best.starts, best.ends, strict=True):
            span_id = under(line, rules, problem, place)[0]
            for where in (place, None):
                wish = own(span_id, place[1] - place[0], where)
                tried += 1
                if solve_own(line, offer, rules, problem, [wish])[0] != best:
                    unlike.append((seed, place, where))
    assert unlike == []
    assert tried >= 100


def test_trying_all_beside_fixed_sleeves_finds_nothing_better():
    """On 200 small pipes with one or two sleeves fixed the places are those of an exhaustive
    search among all sets that hold them, ties included."""
    unlike, pairs_ = [], 0
    for seed in range(200):
        random = Random(seed)
        problem = small(random)
        sizes = problem.lengths.tolist()
        every = [(a, a + size) for a in range(problem.length + 1) for size in sizes]
        every = [place for place in every if may_lie(problem, *place)]
        random.shuffle(every)
        if not every:
            continue
        first = every[0]
        apart = [p for p in every if p[0] >= first[1] + problem.gap][:1]
        places = (first, *apart)
        pairs_ += len(places) == 2
        ours = around(problem, [(*place, 0, 0) for place in places])
        best = try_all(problem, places)
        assert ours is not None
        if (ours.rank, ours.starts) != (best.rank, best.starts):
            unlike.append(seed)
    assert unlike == []
    assert pairs_ >= 40
