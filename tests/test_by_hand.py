"""A week with stops moved by hand: the days that change are timed anew, the others stay."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from crew_town import CLEANERS, FIRST_DAY, crew, settings, stop, stop_town, ways_of
from random_weeks import make_case, plan_case
from test_replan import TUESDAY, Town
from week_reports import reports

from planner.contracts import VISITS
from planner.crews.audit import audit_week
from planner.crews.by_hand import WeekByHand, forced, make_by_hand
from planner.crews.timetable import CrewDay, Pause, Roads, Stop
from planner.crews.week import plan_week
from planner.tables import check

H = 3600
TWO = [crew("A", CLEANERS), crew("B", CLEANERS)]
WEEK = settings(iterations=50).week


def edit(version: int, setup_id: str, crew_name: str = "", date: str = "", after: str = "") -> dict:
    return {"version": version, "setup_id": setup_id, "crew": crew_name, "date": date,
            "after_id": after, "change": "move" if crew_name else "take_off"}  # fmt: skip


def planned(count: int = 3, crews=TWO):
    """Stops 100 m apart on a line from the yard, all on one day of one crew."""
    tables = stop_town([stop(f"U{n}", 100.0 * n) for n in range(1, count + 1)], crews)
    ways = ways_of(tables, WEEK)
    days = plan_week(tables, ways, WEEK, first_day=FIRST_DAY, seed=1)
    assert len(days.visits) == count
    return tables | {"visits": days.visits, "unserved": days.unserved}, ways


def order_of(visits: pd.DataFrame, crew_name: str, date: str) -> list[str]:
    own = visits[(visits["crew"] == crew_name) & (visits["date"] == date)]
    return list(own.sort_values("seq")["setup_id"])


def by_hand(tables, ways, *edits, at: str = ""):
    return make_by_hand(tables, list(edits), ways, WEEK, first_day=FIRST_DAY, at=at)


def test_nothing_said_leaves_the_very_tables():
    """Not a copy: nothing is timed anew."""
    tables, ways = planned()
    made = by_hand(tables, ways)
    assert made.visits is tables["visits"]
    assert made.changed == frozenset()


def test_a_stop_stands_where_it_was_put():
    """First, behind another, and, where that one is gone from the day, last."""
    tables, ways = planned()
    where = tables["visits"].iloc[0]
    key = (where["crew"], where["date"])
    start = order_of(tables["visits"], *key)
    one, two, three = start
    assert order_of(by_hand(tables, ways, edit(1, three, *key)).visits, *key) == [three, one, two]
    behind = by_hand(tables, ways, edit(1, one, *key, two)).visits
    assert order_of(behind, *key) == [two, one, three]
    gone = by_hand(tables, ways, edit(1, one, *key, "U9")).visits
    assert order_of(gone, *key) == [two, three, one]


def test_moves_are_made_in_the_order_in_which_they_were_said():
    """Two goes to Tuesday, then one behind it; the other way round there is nothing to follow."""
    tables, ways = planned()
    first = by_hand(tables, ways, edit(2, "U1", "B", TUESDAY, "U2"), edit(1, "U2", "B", TUESDAY))
    assert order_of(first.visits, "B", TUESDAY) == ["U2", "U1"]
    key = tuple(tables["visits"].iloc[0][["crew", "date"]])
    assert first.changed == {key, ("B", TUESDAY)}


def test_taken_off_and_put_back_in():
    """It is told as taken off; a set-up that the run left out is put in by a move."""
    tables, ways = planned()
    off = by_hand(tables, ways, edit(1, "U2"))
    assert list(off.unserved["setup_id"]) == ["U2"]
    assert off.unserved["reason"].iloc[0] == "taken off the week by hand"
    again = by_hand(tables | {"visits": off.visits, "unserved": off.unserved}, ways,
                    edit(2, "U2", "A", TUESDAY))  # fmt: skip
    assert again.unserved.empty
    assert order_of(again.visits, "A", TUESDAY) == ["U2"]


def test_a_crew_without_a_shift_then_gets_nothing():
    """Sunday: the stop has no visit and says why."""
    tables, ways = planned()
    made = by_hand(tables, ways, edit(1, "U2", "A", "2026-03-08"))
    assert "no shift" in made.unserved["reason"].iloc[0]
    assert "U2" not in set(made.visits["setup_id"])


def test_times_by_hand_calculation():
    """One stop 300 m from the yard, alone on a day: open at 8:00, 1 h of work.

    By air 300 m x 1.3 (travel_factor) at 30 km/h = 46.8 s, 47 s; ten minutes to park before it.
    """
    tables, ways = planned()
    made = by_hand(tables, ways, edit(1, "U3", "B", TUESDAY))
    row = made.visits[made.visits["setup_id"] == "U3"].iloc[0]
    drive_s = int(ways.seconds[ways.crew_at["B"], ways.setup_at["U3"]])
    assert (row["start_s"], row["end_s"]) == (8 * H, 9 * H)
    assert (row["drive_s"], row["back_s"]) == (drive_s, drive_s)
    assert row["arrive_s"] == 8 * H - WEEK.manoeuvre_s
    assert row["visit_id"] == f"B|{TUESDAY}|1"


def lone_day(**more) -> tuple[CrewDay, Roads]:
    """A crew from 7:00 to 15:00, of which 6 h may be planned, at its yard; no drive at all."""
    tables = stop_town([stop("U1", 0.0)], TWO[:1])
    ways = ways_of(tables, WEEK)
    held = (9, 9, 9)
    day = CrewDay("A", FIRST_DAY, 7 * H, 15 * H, 6 * H, ways.crew_at["A"], held, **more)
    return day, Roads(ways, 0)


def lone_stop(work_s: int, first_s: int, last_s: int, name: str = "U1") -> Stop:
    _, roads = lone_day()
    at = roads.ways.setup_at["U1"]
    return Stop(name, "p", "n", at, work_s, 1, (0, 0, 0), {FIRST_DAY: ((first_s, last_s),)})


def test_what_does_not_fit_runs_on():
    """Four stops of 3 h from 7:00 on end at 19:00; the hours of the last end at 14:00."""
    day, roads = lone_day()
    stops = [lone_stop(3 * H, 7 * H, 14 * H, f"U{n}") for n in range(4)]
    table = forced(day, stops, roads)
    assert [one.start_s for one in table.visits] == [7 * H, 10 * H, 13 * H, 16 * H]
    assert table.home_s == 19 * H


def test_a_stop_whose_hours_are_over_starts_at_once():
    """Its street is free until 8:00; after a stop of 2 h it starts at 9:00 all the same."""
    day, roads = lone_day()
    stops = [lone_stop(2 * H, 7 * H, 9 * H, "U1"), lone_stop(H, 7 * H, 8 * H, "U2")]
    assert [one.start_s for one in forced(day, stops, roads).visits] == [7 * H, 9 * H]


def test_a_pause_that_has_no_time_is_left_out():
    """It may begin at 12:00 at the latest, when a stop of 9 h is under way from 7:00 on."""
    day, roads = lone_day(pause=Pause(H // 2, 11 * H, 12 * H))
    table = forced(day, [lone_stop(9 * H, 7 * H, 7 * H)], roads)
    assert table.visits[0].end_s == 16 * H
    assert table.end_pause_s == 0


@pytest.mark.parametrize("seed", range(12))
def test_random_moves_keep_all_that_does_not_depend_on_them(seed):
    """Each set-up has one visit or one reason, times and drives add up, other days stay.

    Held against the audit, which knows nothing of this module: of its rules those of order,
    drives, double service and loss are never broken, wherever a stop is put.
    """
    case, draw = make_case(seed), np.random.default_rng(seed)
    ways = ways_of(case.tables, case.week)
    found = plan_case(case)
    tables = case.tables | {"visits": found.visits, "unserved": found.unserved}
    laid = WeekByHand.of(tables, ways, case.week, FIRST_DAY, "")
    setups, keys = sorted(laid.stops), sorted(laid.days)
    edits = []
    for version, one in enumerate(draw.permutation(setups)[:4], start=1):
        name, date = keys[draw.integers(len(keys))]
        after = str(draw.choice(["", *setups]))
        edits.append(edit(version, str(one), *((name, date, after) if draw.random() < 0.8 else ())))
    made = make_by_hand(tables, edits, ways, case.week, first_day=FIRST_DAY)
    check(made.visits, VISITS)
    served, left = set(made.visits["setup_id"]), set(made.unserved["setup_id"])
    assert served | left == set(setups)
    assert not served & left
    for one in edits:
        if one["crew"]:
            row = made.visits.set_index("setup_id").loc[one["setup_id"]]
            assert (row["crew"], row["date"]) == (one["crew"], one["date"])
        else:
            assert one["setup_id"] in left
    mask = [key not in made.changed for key in zip(found.visits["crew"], found.visits["date"],
                                                   strict=True)]  # fmt: skip
    same = [key not in made.changed for key in zip(made.visits["crew"], made.visits["date"],
                                                   strict=True)]  # fmt: skip
    kept, now = found.visits[mask], made.visits[same]
    assert now.reset_index(drop=True).equals(kept.reset_index(drop=True))
    week = tables | {"visits": made.visits, "unserved": made.unserved}
    rules = set(audit_week(week, ways, case.week, first_day=FIRST_DAY)["rule"])
    assert not rules & {"order", "drive", "double", "lost"}


def test_what_took_place_is_not_moved_and_the_rest_goes_on_from_it():
    """Monday noon, planned again: what began before stays; a stop put into that day comes after."""
    stops = [stop(f"s{n}", 400.0 * n, 300.0 * (n % 3)) for n in range(8)]
    town = Town(stop_town(stops, [crew("One", CLEANERS)]))
    noon = f"{FIRST_DAY}T12:00"
    told = reports(town.tables, town.visits, noon)
    again = town.again(told, noon)
    tables = {**told.tables, "visits": again.visits, "unserved": again.unserved}
    monday = again.visits[again.visits["date"] == FIRST_DAY]
    past = monday[monday["start_s"] < 12 * H]
    later = again.visits[again.visits["date"] != FIRST_DAY]
    assert len(past)
    assert len(later)
    gone, one = str(past["setup_id"].iloc[0]), str(later["setup_id"].iloc[-1])
    made = make_by_hand(
        tables, [edit(1, gone, "One", "2026-03-06"), edit(2, one, "One", FIRST_DAY)],
        town.ways, town.week, first_day=FIRST_DAY, at=noon,
    )  # fmt: skip
    rows = made.visits.set_index("setup_id")
    assert rows.loc[gone, "date"] == FIRST_DAY
    # Put first, it comes right behind what took place, and nothing of that is timed anew.
    assert rows.loc[one, "seq"] == len(past) + 1
    assert rows.loc[one, "start_s"] >= 12 * H
    names = ["setup_id", "start_s", "end_s", "seq"]
    now = made.visits[made.visits["setup_id"].isin(past["setup_id"])][names]
    assert now.reset_index(drop=True).equals(past[names].reset_index(drop=True))
    week = {**tables, "visits": made.visits, "unserved": made.unserved}
    audit = audit_week(week, town.ways, town.week, first_day=FIRST_DAY, at=noon)
    assert not set(audit["rule"]) & {"order", "drive", "double", "lost"}, audit.to_string()
