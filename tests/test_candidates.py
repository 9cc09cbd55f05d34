"""What goes on the list of a week, and weeks in zones."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pandas as pd
import pytest
from bound_weeks import random_board
from crew_town import (
    CLEANERS,
    FIRST_DAY,
    crew,
    setter,
    settings,
    shifts,
    sleeved,
    stop,
    stop_town,
    ways_of,
)

from planner.crews.audit import audit_week
from planner.crews.board import Board
from planner.crews.candidates import pick_candidates
from planner.crews.parts import part_of
from planner.crews.solver import Search
from planner.crews.stages import deal
from planner.crews.week import Days, plan_week
from planner.crews.zones import cut_zones, deal_in_zones

WEEK = settings().week


def planned(tables: dict[str, pd.DataFrame], **week) -> Days:
    chosen = settings(**week).week
    ways = ways_of(tables, chosen)
    found = plan_week(tables, ways, chosen, first_day=FIRST_DAY, seed=1)
    tables = tables | {"visits": found.visits, "unserved": found.unserved}
    audit = audit_week(tables, ways, chosen, first_day=FIRST_DAY)
    assert audit.empty, audit.to_string()
    return found


def ten(**more) -> dict[str, pd.DataFrame]:
    """Ten stops of 50 min with 10 min to park, worth 1000 s, 2000 s, ...; a day of 10 h."""
    crews = [crew("Cleaning", CLEANERS)]
    rows = [stop(f"U{n}", 50.0 * n, work_s=3000, value_s=1000 * (n + 1)) for n in range(10)]
    return stop_town(rows, crews, shifts=shifts(crews, 25_200, 61_200), **more)


ONE_DAY = {"days": 1, "fill_ratio": 0.5}


def test_the_list_holds_so_many_times_the_hours_of_crews():
    """The day plans 5 h; a ratio of 0.9 is 4.5 h: 4 h are on the list, a fifth stop fills it."""
    found = planned(ten(), **ONE_DAY, candidates_ratio=0.9)
    assert set(found.visits["setup_id"]) <= {"U9", "U8", "U7", "U6", "U5"}
    whys = dict(zip(found.unserved["setup_id"], found.unserved["reason"], strict=True))
    listed = [one for one, why in whys.items() if not why.startswith("not this week")]
    assert set(listed) | set(found.visits["setup_id"]) == {"U9", "U8", "U7", "U6", "U5"}
    count = len(found.unserved)
    assert whys["U0"].endswith(f"; rank {count} of {count} left by value")
    assert whys["U0"].startswith("not this week")


def test_three_times_the_hours_hold_all_that_a_small_town_has():
    """Ten hours of work are less than 3 x 5 h: nothing is kept from the search."""
    found = planned(ten(), **ONE_DAY)
    assert not found.unserved["reason"].str.startswith("not this week").any()


def test_worth_counts_for_each_hour():
    """Worth 1500 s in 20 min goes before 2700 s in 70 min (with parking 30 and 80)."""
    crews = [crew("Cleaning", CLEANERS)]
    rows = [stop("U1", work_s=4200, value_s=2700), stop("U2", work_s=1200, value_s=1500)]
    tables = stop_town(rows, crews, shifts=shifts(crews, 25_200, 61_200))
    found = planned(tables, days=1, candidates_ratio=0.01)
    assert found.visits["setup_id"].tolist() == ["U2"]


def test_what_is_promised_is_always_on_the_list():
    """The least valuable stop of ten is promised, and the list has room for one alone."""
    tables = ten()
    hours = tables["setup_hours"]
    tables["setup_hours"] = hours.assign(promised=(hours["setup_id"] == "U0").astype("boolean"))
    found = planned(tables, **ONE_DAY, candidates_ratio=0.01)
    assert "U0" in set(found.visits["setup_id"])


@pytest.mark.parametrize("seed", range(4))
def test_chains_are_on_the_list_whole_and_more_hours_drop_nothing(seed):
    """A stop never without what comes before it; a longer list holds the shorter one."""
    board = random_board(seed, 80, 2, 2, chained=0.8)
    lists = [
        set(pick_candidates(board, (), WEEK.model_copy(update={"candidates_ratio": ratio})))
        for ratio in (0.2, 0.6, 1.5, 50.0)
    ]
    assert lists[0] < lists[-1]
    for short, longer in pairwise(lists):
        assert short <= longer
    for picked in lists:
        assert all(one in picked for n in picked for one, _ in board.ties.before[n])
    able = {n for n in range(80) if board.able[:, n].any()}
    ends = {n for n in able if not board.ties.later[n]}
    assert ends <= lists[-1] | {n for n in ends if not all(
        board.able[:, one].any() for one, _ in board.ties.before[n])}  # fmt: skip


def skills(board: Board, stop_: int) -> set[str]:
    return {board.days[int(d)].crew for d in np.flatnonzero(board.able[:, stop_])}


@pytest.mark.parametrize("seed", range(6))
def test_each_stop_is_in_one_zone_that_has_its_skill(seed):
    """Chains are not cut, crews are dealt once, hours are near equal."""
    board = random_board(seed, 120, 8, 3, chained=0.5)
    zones = cut_zones(board, 40)
    assert len(zones) == 3
    assert sorted(n for zone in zones for n in zone.stops) == list(range(120))
    days = [d for zone in zones for d in zone.days]
    assert sorted(days) == list(range(len(board.days)))
    zone_of = {n: zone for zone in zones for n in zone.stops}
    for n, own in enumerate(board.ties.before):
        assert all(zone_of[one] is zone_of[n] for one, _ in own)
    for zone in zones:
        asked = {frozenset(skills(board, n)) for n in zone.stops} - {frozenset()}
        own = {board.days[d].crew for d in zone.days}
        assert all(own & crews for crews in asked)
    hours = [sum(board.stops[n].work_s + 600 for n in zone.stops) for zone in zones]
    # A chain is put to one side whole: two stops of at most 7800 s at each end of a zone.
    assert max(hours) - min(hours) <= 4 * 7800


def test_where_skills_are_too_few_there_are_fewer_zones():
    """Three crews, one of them the only one for sleeves: a second zone would lack it."""
    board = random_board(3, 60, 3, 2)
    (zone,) = cut_zones(board, 10)
    assert zone.stops == tuple(range(60))
    assert zone.days == tuple(range(6))


def test_zones_fill_the_board_and_seams_are_mended():
    """Nothing left could be put in for less than its worth; each route fits its day."""
    week = WEEK.model_copy(update={"zone_stops_count": 30, "iterations": 200})
    board = deal_in_zones(random_board(1, 90, 6, 3, chained=0.3), Search(week, 1)).board
    served = board.served
    assert len(served) == len(set(served)) > 20
    for day, order in board.routes.items():
        assert board.timed(day, order) is not None
        assert board.able[day, order].all()
    before = board.cost_s
    board.put_in()
    assert board.cost_s == before
    whole = deal(random_board(1, 90, 6, 3, chained=0.3), Search(week, 1)).board
    # Zones cost little (routing.md 7: +3 % to -3 %; here 30 stops a zone are few).
    assert before < 1.25 * whole.cost_s


def test_a_week_in_zones_passes_the_audit():
    """Twelve sleeves in a row, two crews, five zones asked: served as without zones."""
    crews = [setter("One"), setter("Two")]
    tables = sleeved(12, crews=crews)
    cut, whole = planned(tables, zone_stops_count=3), planned(tables)
    assert len(cut.visits) == len(whole.visits) == 12


def test_a_part_of_a_board_keeps_its_ties():
    """Stops 3, 1, 4 of a board: ties among them by their new places, others gone."""
    board = random_board(2, 30, 2, 2, chained=1.0)
    late = next(n for n, own in enumerate(board.ties.before) if own)
    early = board.ties.before[late][0][0]
    part = part_of(board, [late, early], [0])
    assert part.ties.before == (((1, 2),), ())
    assert part.ties.later == ((), (0,))
    alone = part_of(board, [late], [0])
    assert alone.ties.before == ((),)
