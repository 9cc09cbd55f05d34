"""The kernel against its plain reference, and what both mean by best."""

from __future__ import annotations

from random import Random

import numpy as np
import pytest
from pipe_problems import Kind, random_problem

from planner.repairs.place_kernel import place_sleeves_on
from planner.repairs.place_plain import list_sleeves, place_plainly
from planner.repairs.problem import Problem, pairs, runs_of


def problem(**given) -> Problem:
    """A pipe of 1000 cm, ends 30 cm clear of the walls, sleeves 50 cm apart."""
    rows = {"length": 1000, "wall": 30, "gap": 50, "reopen": 100}
    for name in ("demands", "left_zones", "right_zones", "crosses", "boxes"):
        rows[name] = pairs(given.pop(name, []))
    for name, usual in (("lengths", [60, 100, 200]), ("costs", [10, 10, 12]), ("laterals", [])):
        rows[name] = np.array(given.pop(name, usual), dtype=np.int64)
    return Problem(**rows, **given)


BOTH = pytest.mark.parametrize("solve", [place_sleeves_on, place_plainly])


@pytest.mark.parametrize("kind", [Kind(3.0, 9.0, 4, 3.0), Kind(8.0, 16.0, 6, 4.0, 0.1, 0.2)])
def test_kernel_and_plain_reference_give_the_same_sleeves(kind: Kind):
    """Figures and places are equal on 60 random pipes of each kind, ties included."""
    unlike = []
    several = 0
    for seed in range(60):
        one = random_problem(Random(seed), kind)
        ours = place_sleeves_on(one)
        several += len(ours.starts) >= 2
        if ours != place_plainly(one):
            unlike.append(seed)
    assert unlike == []
    assert several >= 5


@BOTH
def test_without_a_demand_or_a_length_there_is_no_sleeve(solve):
    """Nothing asked, or nothing to serve with."""
    assert solve(problem()).starts == ()
    bare = problem(demands=[(400, 450)], lengths=[], costs=[])
    assert solve(bare).starts == ()


@BOTH
def test_cost_goes_before_the_number_of_sleeves(solve):
    """Two of 60 cm at 3 each are cheaper than one of 200 cm at 7; at 6 the one is."""
    demands = [(400, 440), (520, 560)]
    dear = problem(demands=demands, costs=[3, 3, 7])
    assert len(solve(dear).starts) == 2
    assert len(solve(dear._replace(costs=np.array([3, 3, 6]))).starts) == 1


@BOTH
def test_of_equal_cost_and_number_the_shorter_length_is_taken(solve):
    """60 and 100 cm cost alike."""
    assert solve(problem(demands=[(400, 450)])).length == 60


@BOTH
def test_of_equal_length_the_end_off_the_manhole_is_taken(solve):
    """Demand 30..80: from the wall 0..60 would not reach, 0..100 would, and so does 30..90."""
    found = solve(problem(demands=[(30, 80)], lengths=[100], costs=[10]))
    assert (found.starts, found.manhole_ends) == ((30,), 0)
    barred = problem(demands=[(30, 80)], lengths=[100], costs=[10], left_zones=[(29, 40)])
    assert (solve(barred).starts, solve(barred).manhole_ends) == ((0,), 1)


@BOTH
def test_each_sleeve_slides_to_the_middle_of_its_slack(solve):
    """Demand 400..450 under 60 cm: 10 cm of slack, 5 at each end; of 11 the smaller start."""
    assert solve(problem(demands=[(400, 450)])).starts == (395,)
    assert solve(problem(demands=[(400, 449)])).starts == (394,)


@BOTH
def test_a_zone_is_open_at_its_edges(solve):
    """No start inside 390..400, but at 400 and at 390."""
    inside = problem(demands=[(400, 440)], left_zones=[(390, 400)])
    # Slack 20: 390 gives (10, 10).
    assert solve(inside).starts == (390,)
    wider = problem(demands=[(400, 440)], left_zones=[(385, 400)])
    # 385 gives min(15, 5) = 5; 400 gives 0.
    assert solve(wider).starts == (385,)


@BOTH
def test_a_closed_stretch_of_no_length_is_not_lain_on(solve):
    """A point at 430 inside the demand leaves no sleeve; one at its edge leaves a sleeve."""
    assert solve(problem(demands=[(400, 440)], crosses=[(430, 430)])).served == 0
    assert solve(problem(demands=[(400, 440)], crosses=[(440, 440)])).starts == (380,)


@BOTH
def test_a_lateral_is_dodged_only_where_that_is_cheaper(solve):
    """A lateral at 445: the sleeve of 60 cm goes to one side of it rather than reopen it."""
    found = solve(problem(demands=[(400, 440)], laterals=[445]))
    assert (found.starts, found.cost) == ((385,), 10)
    taken = solve(problem(demands=[(400, 440)], laterals=[420]))
    assert (taken.starts, taken.cost) == ((390,), 110)


@BOTH
def test_more_served_goes_before_any_money(solve):
    """A second demand is served at whatever cost."""
    found = solve(problem(demands=[(100, 140), (700, 880)], costs=[1, 1, 1_000_000]))
    assert (found.served, found.cost) == (2, 1_000_001)


def test_every_sleeve_of_the_plain_reference_serves_something():
    """Its list holds no idle sleeve."""
    one = problem(demands=[(400, 450)])
    assert len(list_sleeves(one)) == 11 + 51 + 151


def with_laps(one: Problem, random: Random) -> Problem:
    """The same pipe, where sleeves may lap and ends at a manhole cost."""
    least = random.choice([10, 20])
    return one._replace(
        lap_from=least,
        lap_to=least + random.choice([0, 3]),
        seal=random.choice([0, 100]),
        left_lap_zones=one.left_zones[:1],
        right_lap_zones=one.right_zones[-1:],
    )


def test_kernel_and_plain_reference_agree_on_laps():
    """On 20 short pipes figures and places are equal; some of them hold runs."""
    kind = Kind(1.5, 3.0, 3, 3.0, lengths_m=(0.6, 1.0, 1.5))
    unlike, laps = [], 0
    for seed in range(20):
        one = with_laps(random_problem(Random(seed), kind), Random(seed))
        ours = place_sleeves_on(one)
        laps += len(runs_of(ours.starts, ours.ends)) < len(ours.starts)
        if ours != place_plainly(one):
            unlike.append(seed)
    assert unlike == []
    assert laps >= 2


@BOTH
def test_a_run_serves_what_no_sleeve_alone_can(solve):
    """280 cm with 100 and 200 cm, lapped by 20: 200 + 100 - 20 = 280, the shorter first."""
    one = problem(demands=[(300, 580)], lap_from=20, lap_to=20)
    found = solve(one)
    assert (found.starts, found.ends) == ((300, 380), (400, 580))
    assert (found.served, found.cost) == (1, 22)
    assert solve(one._replace(lap_from=0, lap_to=0)).served == 0


@BOTH
def test_a_sleeve_shorter_than_two_laps_laps_none(solve):
    """60 cm against laps of 31: else its two neighbours would lap each other."""
    one = problem(demands=[(300, 390)], lengths=[60], costs=[10], lap_from=31, lap_to=31)
    assert solve(one).served == 0
    assert solve(one._replace(lap_from=30, lap_to=30)).starts == (300, 330)


@BOTH
def test_the_shut_stretch_holds_no_sleeve_with_both_ends(solve):
    """Shut from 350 to 500: 60 cm lie inside; 100 cm from 350 on begin at its edge.

    Of 100 cm from 340 to 350 the smaller overlap is 10 cm at 350 and none at 340.
    """
    found = solve(problem(demands=[(400, 440)], shut_from=350, shut_to=500))
    assert (found.starts, found.ends) == ((350,), (450,))
    assert solve(problem(demands=[(400, 440)])).length == 60
    none = problem(demands=[(400, 440)], shut_from=100, shut_to=900)
    assert solve(none).served == 0


@BOTH
def test_the_sealing_of_an_end_decides(solve):
    """Demand 0..50 ends at the wall whatever it costs; 30..80 goes to the wall to pay less."""
    assert solve(problem(demands=[(0, 50)], seal=7)).cost == 17
    free = problem(demands=[(30, 80)], lengths=[60, 100], costs=[30, 10], seal=25)
    # 60 cm in the open for 30, or 100 cm from 30 in the open for 10.
    assert (solve(free).starts, solve(free).cost) == ((30,), 10)
    barred = free._replace(left_zones=pairs([(25, 31)]))
    assert (solve(barred).starts, solve(barred).cost) == ((0,), 35)
