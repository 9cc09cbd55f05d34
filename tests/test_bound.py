"""The bound of a week: never above the least cost, tight where that is told by hand."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from bound_weeks import random_board
from crew_town import CLEANERS, FIRST_DAY, crew, settings, shifts, stop, stop_town, ways_of
from exhaustive_week import least_cost

from planner.crews.board import Board
from planner.crews.bound import bound_week
from planner.crews.bound_kinds import kinds_of
from planner.crews.bound_price import trace, walks
from planner.crews.solver import Search
from planner.crews.stages import deal
from planner.crews.week import plan_week

WEEK = settings().week
# 1 km by air x 1.4 at 30 km/h = 168 s, there and back.
TRIP_S = 336


def board_of(rows: list[dict], **week) -> Board:
    """The dealt board of one cleaning crew on one day of 10 h, of which all may be planned."""
    crews = [crew("Cleaning", CLEANERS)]
    tables = stop_town(rows, crews, shifts=shifts(crews, 25_200, 61_200))
    chosen = settings(days=1, fill_ratio=1.0, **week).week
    ways = ways_of(tables, chosen)
    return plan_week(tables, ways, chosen, first_day=FIRST_DAY, seed=1).board


def test_one_stop_costs_the_way_there_and_back():
    """Worth 45 min, a trip of 336 s: no week costs less, and the plan costs no more."""
    row = bound_week(board_of([stop("U1", 600.0, 800.0)]), WEEK).iloc[0]
    assert (row["cost_s"], row["columns_s"], row["bound_s"]) == (TRIP_S, TRIP_S, TRIP_S)
    assert row["why"] == "the week is within 0.0 % of the best possible"
    assert bool(row["shown"])


def test_crews_of_one_yard_and_alike_make_one_kind():
    """Two crews at one place are two days of one kind; from two places they are two kinds."""
    for away_m, days in ((0.0, [2]), (500.0, [1, 1])):
        crews = [crew("One", CLEANERS), crew("Other", CLEANERS)]
        crews[1]["yard_x"] += away_m
        tables = stop_town([stop("U1", 600.0, 800.0)], crews, shifts=shifts(crews))
        chosen = settings(days=1).week
        plan = plan_week(tables, ways_of(tables, chosen), chosen, first_day=FIRST_DAY, seed=1)
        assert len({day.yard for day in plan.board.days}) == 2
        assert [len(kind.days) for kind in kinds_of(plan.board)] == days


def test_a_stop_that_is_not_worth_its_way_costs_its_value():
    """Worth 300 s, 36 s less than its trip: it is left, and the columns know it.

    By hours alone half of both drives go with the stop, the other half with the share of a
    day that it takes: 3600 + 600 + 168 of 36000 - 168 s; 168 + 168 x 4368 / 35832 = 188.5 s.
    """
    row = bound_week(board_of([stop("U1", 600.0, 800.0, value_s=300)]), WEEK).iloc[0]
    assert (row["cost_s"], row["assignment_s"], row["columns_s"]) == (300, 189, 300)


def test_hours_leave_out_what_does_not_fit():
    """Ten stops of 3 h at the yard, 10 min to park at each, one day of 10 h from 7:00.

    Three fit by time alone (3 x 11400 = 34200 of 36000 s): 7 x 2700 s are left. By hours
    alone the day holds 36000 / 11400 = 3.158 of them, so 6.842 x 2700 = 18474 s are left.
    """
    rows = [stop(f"U{n}", work_s=10_800, open_s=25_800, close_s=61_200) for n in range(10)]
    row = bound_week(board_of(rows), WEEK).iloc[0]
    assert row["columns_s"] == 7 * 2700
    assert row["assignment_s"] == pytest.approx(18_474, abs=1)
    assert (row["cost_s"], row["which"]) == (7 * 2700, "columns")


def test_a_cleaning_left_out_leaves_its_sleeve_out():
    """The first is worth 100 s and takes the trip; the second, at the yard, cannot go alone.

    Served both: 336 s. Left both: 100 + 150 = 250 s, the least; alone the second would cost
    nothing and leave 100 s.
    """
    rows = [stop("U1", 600.0, 800.0, value_s=100), stop("U2", value_s=150)]
    board = board_of(rows)
    before: tuple = ((), ((0, None),))
    tied = replace(board, ties=replace(board.ties, before=before, later=((1,), ())), routes={})
    assert least_cost(tied) == tied.cost_s == 250
    assert bound_week(tied, WEEK).iloc[0]["bound_s"] == 250


def any_week(seed: int) -> Board:
    """A week of 3 to 6 stops and at most 3 crew-days with all that may bind them."""
    rng = np.random.default_rng(seed)
    more: dict = {"chained": 0.5 * (seed % 7 < 3), "span_m": float(rng.choice([2e3, 9e3, 2e4]))}
    more["work_s"] = [(600, 3000), (1800, 7200), (3600, 12_000)][seed % 3]
    more["pause"] = seed % 3 == 0
    if seed % 2:
        more |= {"over_s": int(rng.integers(600, 7200)), "price": int(rng.integers(0, 3))}
    if seed % 4 == 0:
        more["stock"] = 1
    if seed % 5 == 0:
        more["shift_s"] = int(rng.integers(14_400, 30_000))
    crews, days = [(1, 1), (1, 2), (2, 1), (1, 3)][seed % 4]
    return random_board(seed, int(rng.integers(3, 7)), crews, days, **more)


@pytest.mark.parametrize("seed", range(40))
def test_no_bound_is_above_the_least_cost(seed):
    """The least cost is found by trying all orders of all sets of stops on all days."""
    board = any_week(seed)
    row = bound_week(board, WEEK).iloc[0]
    least = least_cost(board)
    assert row["assignment_s"] <= least
    assert row["columns_s"] <= least


def test_most_small_weeks_are_proven_to_the_second():
    """A bound that is always 0 would pass the test above: half of the weeks must be tight."""
    boards = [any_week(seed) for seed in range(16)]
    tight = [bound_week(one, WEEK).iloc[0]["bound_s"] == least_cost(one) for one in boards]
    assert sum(tight) >= 8


@pytest.mark.parametrize("seed", range(2))
def test_a_dealt_week_costs_no_less_than_its_bound_and_the_bound_says_something(seed):
    """Sixty stops, three crews, five days: routing.md proves such weeks to within 7 %."""
    board = deal(random_board(seed, 60, 3, 5, over_s=900 * seed), Search(WEEK, 1)).board
    row = bound_week(board, WEEK).iloc[0]
    assert row["bound_s"] <= row["cost_s"] == board.cost_s
    assert row["gap_ratio"] < 0.10
    assert bool(row["closed"])
    again = bound_week(board, WEEK)
    assert again.iloc[0].to_dict() == row.to_dict()


def test_a_bound_may_be_stopped_anywhere_and_stays_one():
    """Fewer rounds give no better bound; without steps only the assignment is left."""
    board = deal(random_board(5, 30, 2, 3), Search(WEEK, 1)).board
    found = [
        bound_week(board, WEEK.model_copy(update={"bound_rounds": rounds})).iloc[0]
        for rounds in (0, 3, 8, 60)
    ]
    bounds = [int(row["columns_s"]) for row in found]
    assert bounds == sorted(bounds)
    assert bounds[0] == 0 < bounds[-1] <= board.cost_s
    out = bound_week(board, WEEK.model_copy(update={"bound_steps_count": 10})).iloc[0]
    assert (out["columns_s"], out["rounds"], out["which"]) == (0, 0, "assignment")
    assert bool(out["closed"]) is False


def test_a_gap_too_wide_is_not_shown():
    """A week that serves nothing though two stops are worth it: no gap is told."""
    board = board_of([stop("U1", 600.0, 800.0), stop("U2", 600.0, -800.0, value_s=6000)])
    left = replace(board, routes={}, floors={})
    assert left.cost_s > 1.25 * bound_week(left, WEEK).iloc[0]["bound_s"]
    row = bound_week(left, WEEK).iloc[0]
    assert not row["shown"]
    assert row["why"].startswith("no useful bound")


def plain_walks(cost, step, first, end, loads) -> list[int]:
    """Least cost by last stop over all walks that do not go back at once, tried one by one."""
    load, held, latest = loads
    stops, buckets = end.shape
    best = [1 << 50] * stops

    def go(here, before, bucket, carried, so_far):
        if bucket >= buckets or bucket > latest[here] or carried > held:
            return
        best[here] = min(best[here], so_far + int(end[here, bucket]))
        for after in range(stops):
            if step[here, after] >= 0 and after != before:
                go(after, here, bucket + step[here, after], carried + load[after],
                   so_far + int(cost[here, after]))  # fmt: skip

    for one in range(stops):
        go(one, -1, first[1][one], load[one], int(first[0][one]))
    return best


@pytest.mark.parametrize("rough", [False, True])
@pytest.mark.parametrize("seed", range(25))
def test_the_compiled_walks_are_the_plain_ones(seed, rough):
    """Costs equal, or no less where the search is rough; a traced walk adds up to its cost."""
    rng = np.random.default_rng(seed)
    stops, buckets = int(rng.integers(2, 6)), int(rng.integers(4, 11))
    cost = rng.integers(-50, 30, (stops, stops))
    step = np.where(rng.random((stops, stops)) < 0.8, rng.integers(1, 4, (stops, stops)), -1)
    np.fill_diagonal(step, -1)
    first = (rng.integers(-50, 30, stops), rng.integers(1, 3, stops))
    end = np.sort(rng.integers(0, 60, (stops, buckets)), axis=1)
    loads = (rng.integers(0, 3, stops), int(rng.integers(0, 7)), rng.integers(2, buckets, stops))
    plain = plain_walks(cost, step, first, end, loads)
    best, state, labels, _ = walks(cost, step, first, end, loads, (10**9, rough))
    if rough:
        assert (best >= plain).all()
        assert (best < 1 << 49).any() == (min(plain) < 1 << 49)
    else:
        assert best.tolist() == plain
    for last in range(stops):
        if best[last] < 1 << 49:
            walk = trace(labels, last, state[last], step, loads[0], loads[1])
            total = first[0][walk[0]] + end[last, state[last][0]]
            total += sum(cost[a, b] for a, b in pairwise(walk))
            assert total == best[last]
            assert walk[-1] == last
