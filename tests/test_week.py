"""The week: who does what when, what limits it, and why a set-up found no place."""

from __future__ import annotations

import math

import pandas as pd
import pytest
from crew_town import (
    CLEANERS,
    FIRST_DAY,
    chained,
    crew,
    node,
    packer,
    pipe,
    setter,
    settings,
    shifts,
    sleeve,
    sleeve_works,
    sleeved,
    stop,
    stop_town,
    town,
    ways_of,
)

from planner.crews.audit import audit_week
from planner.crews.hours import find_hours
from planner.crews.setups import make_setups
from planner.crews.week import Days, dates_of, plan_week
from planner.ground.ids import NOTHING_KNOWN

DAY = (25_200, 61_200)
PIECE = {"item": "sleeve", "system": "felt", "dn_mm": 200.0, "length_m": 1.0}


def planned(tables: dict[str, pd.DataFrame], first_day: str = FIRST_DAY, **week) -> Days:
    """Plan, and hold every plan of these tests against the audit."""
    chosen = settings(**week).week
    ways = ways_of(tables, chosen)
    found = plan_week(tables, ways, chosen, first_day=first_day, seed=1)
    tables = tables | {"visits": found.visits, "unserved": found.unserved}
    audit = audit_week(tables, ways, chosen, first_day=first_day)
    assert audit.empty, audit.to_string()
    return found


def reasons(found: Days) -> dict[str, str]:
    return dict(zip(found.unserved["setup_id"], found.unserved["reason"], strict=True))


def test_one_stop_by_hand():
    """1 km by air x 1.4 at 30 km/h = 168 s; 10 min to park; work from 8:00 for an hour."""
    found = planned(stop_town([stop("U1", 600.0, 800.0)]))
    one = found.visits.iloc[0]
    assert (one["crew"], one["date"], one["seq"]) == ("Cleaning", FIRST_DAY, 1)
    assert one["visit_id"] == f"Cleaning|{FIRST_DAY}|1"
    assert (one["drive_s"], one["arrive_s"], one["start_s"], one["end_s"]) == (
        168,
        28_200,
        28_800,
        32_400,
    )
    assert (one["back_s"], one["drive_m"], one["back_m"]) == (168, 1400.0, 1400.0)
    assert bool(one["by_air"])
    assert found.reproducible
    assert found.iterations == 300


def test_the_most_urgent_day_comes_first():
    """Two days of work, one with a set-up that is urgent now: it is on Monday."""
    far = [stop(f"U{n}", 3000.0, 30.0 * n, work_s=20_000, close_s=41_000) for n in range(3)]
    far[2]["value_s"] = 28_800
    found = planned(stop_town(far))
    dates = dict(zip(found.visits["setup_id"], found.visits["date"], strict=True))
    assert dates["U2"] == FIRST_DAY
    assert sorted(dates.values()) == ["2026-03-02", "2026-03-03", "2026-03-04"]


def test_a_stop_that_is_worth_less_than_its_detour_is_left_with_both_figures():
    """10 km by air x 1.4 at 30 km/h, there and back = 3360 s = 56 min; worth 15 min."""
    found = planned(stop_town([stop("U1", 10_000.0, value_s=900)]))
    assert reasons(found) == {
        "U1": "worth less than its detour by 41 min: worth 15 min, the least is 56 min"
    }


def test_what_does_not_fit_the_week_is_left_with_that_reason():
    """Six set-ups of five hours, one a day: the least valuable of them has no day."""
    rows = [stop(f"U{n}", 100.0 * n, work_s=18_000, close_s=43_200) for n in range(6)]
    rows[3]["value_s"] = 2000
    found = planned(stop_town(rows))
    assert reasons(found) == {
        "U3": "the week is full: no day of Cleaning has time left for it; rank 1 of 1 left by value"
    }


def test_a_stop_longer_than_any_shift_says_the_hours():
    """A 5 h shift filled to 85 % plans 4.25 h; 4.5 h of work and 10 min to park are more."""
    crews = [crew("Cleaning", CLEANERS)]
    rows = [stop("U1", work_s=16_200, close_s=40_000)]
    found = planned(stop_town(rows, crews, shifts=shifts(crews, 25_200, 43_200)))
    assert reasons(found)["U1"] == (
        "fits no day in its window: takes 4.7 h with the drive, Cleaning plans 4.2 h at most"
    )


def test_a_crew_without_a_shift_in_the_week_is_said():
    """The only crew works on Saturdays, the week has five days."""
    crews = [crew("Cleaning", CLEANERS)]
    rows = [{"crew": "Cleaning", "weekday": "sat", "start_s": DAY[0], "end_s": DAY[1]}]
    tables = stop_town([stop("U1")], crews, shifts=rows)
    assert reasons(planned(tables))["U1"] == "Cleaning: no shift in this week"
    assert planned(tables, days=6).visits["date"].tolist() == ["2026-03-07"]


def test_a_step_that_no_crew_does_is_said():
    """Set-ups of an earlier plan may outlive a crew."""
    tables = stop_town([stop("U1")], [crew("Other", "look")])
    assert reasons(planned(tables))["U1"] == "no crew does clean"


def test_without_a_first_day_nothing_can_be_dated():
    """Every set-up is left, with that reason."""
    found = planned(stop_town([stop("U1")]), first_day="")
    assert reasons(found) == {"U1": "planner.toml names no first_day"}


def test_no_set_ups_are_an_empty_week():
    """Nothing to search."""
    found = planned(stop_town([]))
    assert len(found.visits) == len(found.unserved) == found.iterations == 0
    assert found.reproducible


def test_each_crew_gets_only_what_its_packers_serve():
    """DN 200 and DN 500 sleeves: the big packer is on the second van alone."""
    packers = [packer(), packer("big", dn_from_mm=301.0, dn_to_mm=600.0)]
    crews = [setter("One"), setter("Two", packers="big")]
    sizes = [200.0, 500.0, 200.0, 500.0]
    sleeves = [
        sleeve(f"S{n}", 10.0, f"p{n}", dn_mm=dn, counter_node=f"a{n}") for n, dn in enumerate(sizes)
    ]
    works = [sleeve_works(one) for one in sleeves]
    nodes = [node(f"{end}{n}", 300.0 * n + x) for n in range(4) for end, x in (("a", 0), ("b", 40))]
    tables = town(
        [row for own in works for row in own],
        [pair for own in works for pair in chained(own)],
        sleeves,
        crews,
        pipes=[pipe(f"p{n}", f"a{n}", f"b{n}", dn_mm=dn) for n, dn in enumerate(sizes)],
        nodes=nodes,
        packers=packers,
    )
    chosen = settings()
    made = make_setups(tables, NOTHING_KNOWN, chosen.week, chosen.sleeving, first_day=FIRST_DAY)
    tables |= {"setups": made.setups, "setup_works": made.setup_works}
    tables |= {"setup_hours": find_hours(tables, chosen.week, FIRST_DAY)}
    found = planned(tables)
    size = dict(zip(made.setups["setup_id"], made.setups["packer_dn"], strict=True))
    at = {(crew, size[setup]) for crew, setup in found.visits[["crew", "setup_id"]].to_numpy()}
    assert at == {("One", "200"), ("Two", "500")}
    assert len(found.visits) == 4


@pytest.mark.parametrize(("dn", "a_day"), [(300.0, 3), (301.0, 2)])
def test_a_day_holds_three_small_or_two_large_sleeves(dn, a_day):
    """Quick sleeves, so that only the cap counts: 8 set-ups, 5 days, never more a day."""
    quick = {"setup_s": 0, "flow_control_s": 0, "verify_s": 0, "manoeuvre_s": 0}
    crews = [setter(packers="wide")]
    tables = sleeved(
        12,
        sleeve={"dn_mm": dn},
        crews=crews,
        packers=[packer("wide", dn_to_mm=600.0)],
        shifts=shifts(crews, 0, 86_400),
        week=quick | {"open_s": 0, "close_s": 86_400},
    )
    found = planned(tables, **quick, open_s=0, close_s=86_400)
    assert found.visits.groupby("date").size().max() == a_day
    assert len(found.visits) == min(12, 5 * a_day)
    if a_day == 2:
        why = "the days of Sleeve 1 with time left for it hold no more sleeves or resin"
        assert sorted(reasons(found).values()) == [
            f"{why}; rank {rank} of 2 left by value" for rank in (1, 2)
        ]


@pytest.mark.parametrize("van", [{"van_sleeves_count": 1}, {"van_resin_kg": 4.0}])
def test_the_van_limits_a_day(van):
    """One sleeve of 3.2 kg a day, either way: five in the week."""
    found = planned(sleeved(7, crews=[setter(**van)]))
    assert found.visits.groupby("date").size().tolist() == [1] * 5
    assert len(found.unserved) == 2


@pytest.mark.parametrize(
    ("stock", "held", "words"),
    [
        (
            {
                "item": "sleeve",
                "system": "felt",
                "dn_mm": 200.0,
                "length_m": 1.0,
                "pieces_count": 2,
            },
            2,
            "the shelf has 0 sleeves DN 200 x 1.00 m felt left, asked 1 sleeves",
        ),
        (
            {"item": "resin", "system": "felt", "mass_kg": 10.0},
            3,
            "the shelf has 0.4 kg of resin felt left, asked 3.2 kg of resin felt",
        ),
    ],
)
def test_the_shelf_limits_the_week(stock, held, words):
    """Two pieces serve two set-ups; 10 kg of resin three of 3.216 kg each."""
    found = planned(sleeved(5, stock=[stock]))
    assert len(found.visits) == held
    assert all(why.startswith(words) for why in reasons(found).values())


@pytest.mark.parametrize(
    "stock",
    [
        {**PIECE, "dn_mm": 250.0, "pieces_count": 0},
        {"item": "resin", "system": "other", "mass_kg": 0.0},
        PIECE,
    ],
)
def test_what_the_stock_list_does_not_name_sets_no_limit(stock):
    """Another size, another system, or no figure."""
    assert len(planned(sleeved(4, stock=[stock])).visits) == 4


def test_two_crews_never_work_on_one_pipe_at_once():
    """Two set-ups at the two ends of a pipe: two crews with one day do one, on two days both."""
    rows = [
        stop("U1", 0.0, pipe_id="p", work_s=14_000, close_s=40_000),
        stop("U2", 40.0, pipe_id="p", work_s=14_000, close_s=40_000),
    ]
    crews = [crew("One", "clean"), crew("Two", "clean")]
    tables = stop_town(rows, crews, shifts=shifts(crews, 28_000, 50_000))
    tables["pipes"].loc[0, "ds_node"] = "n-U2"
    found = planned(tables, days=1, fill_ratio=1.0)
    assert len(found.visits) == 1
    why = next(iter(reasons(found).values()))
    assert "work on its pipe or beside it stands against it when One, Two has time" in why
    assert len(planned(tables, days=2, fill_ratio=1.0).visits) == 2


def test_the_same_seed_and_iterations_give_the_same_week():
    """Twice the same, and the order of rows does not matter."""
    tables = sleeved(14, crews=[setter("One"), setter("Two")])
    turned = {name: frame.iloc[::-1].reset_index(drop=True) for name, frame in tables.items()}
    one, two, three = planned(tables), planned(tables), planned(turned)
    pd.testing.assert_frame_equal(one.visits, two.visits)
    pd.testing.assert_frame_equal(one.visits, three.visits)


def test_a_week_that_the_clock_stopped_is_not_reproducible():
    """A time limit far below what the iterations need."""
    found = planned(sleeved(6), iterations=10_000_000, time_limit_s=0.05)
    assert not found.reproducible
    assert 0 < found.iterations < 10_000_000


def test_a_time_limit_that_is_not_reached_changes_nothing():
    """The iterations stopped the search."""
    assert planned(sleeved(3), time_limit_s=60.0).reproducible


def test_every_set_up_has_one_visit_or_one_reason():
    """Far, near, valuable, worthless: nothing is lost."""
    rows = [stop(f"U{n:02d}", 400.0 * n, 100.0 * (n % 7), value_s=300 * (n % 9)) for n in range(40)]
    found = planned(stop_town(rows))
    assert sorted([*found.visits["setup_id"], *found.unserved["setup_id"]]) == [
        row["setup_id"] for row in rows
    ]


def test_near_stops_are_driven_in_an_order_that_wastes_nothing():
    """Stops in a row: there and back once is the least, 2 x 1.4 x the farthest."""
    rows = [stop(f"U{n}", 500.0 * n, work_s=1800, close_s=59_400) for n in range(1, 6)]
    visits = planned(stop_town(rows), days=1).visits
    assert len(visits) == 5
    metres = visits["drive_m"].sum() + visits["back_m"].sum()
    assert math.isclose(metres, 2 * 1.4 * 2500.0)


def test_dates_run_on_from_the_first_day_with_their_weekdays():
    """2026-03-06 is a Friday."""
    week = settings(days=3).week
    assert dates_of("2026-03-06", week) == [
        ("2026-03-06", "fri"),
        ("2026-03-07", "sat"),
        ("2026-03-08", "sun"),
    ]
    assert dates_of("", week) == []
