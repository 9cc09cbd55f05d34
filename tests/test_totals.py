"""Net sums by visit, route, week and project."""

from __future__ import annotations

from random import Random

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from one_pipe import sleeve
from sleeve_supply import size, system

from planner.contracts import (
    CHOICE_SLEEVES,
    CHOICES,
    FLOWS,
    MATERIALS,
    NODES,
    PARTS,
    SETUP_WORKS,
    SETUPS,
    SLEEVES,
    SYSTEM_SIZES,
    SYSTEMS,
    VISITS,
    WORKS,
)
from planner.ground.quantities import items_of
from planner.settings import load_settings
from planner.tables import conform
from planner.takeoff.totals import take_off

MONDAY = "2026-03-02"
TAKEOFF = load_settings({}).takeoff
SIZES = conform([size()], SYSTEM_SIZES)


def visit(seq: int, setup: str, crew: str, date: str) -> dict:
    times = {"arrive_s": 0, "start_s": 0, "end_s": 0, "drive_s": 0, "drive_m": 0.0, "back_s": 0}
    times |= {"pause_s": 0, "end_pause_s": 0}
    where = {"visit_id": f"{crew}|{date}|{seq}", "setup_id": setup, "crew": crew, "date": date}
    return {**where, "seq": seq, **times, "back_m": 0.0, "by_air": False}


def work(work_id: str, step: str, sleeve_id: str = "") -> dict:
    place = {"pipe_id": "p1", "from_m": 0.0, "to_m": 1.0, "urgency": "programme"}
    row = {"work_id": work_id, "step": step, "sleeve_id": sleeve_id, **place}
    return {**row, "state": "todo", "reason": "r"}


def choice(pipe_id: str, state: str = "accepted") -> dict:
    row = {"pipe_id": pipe_id, "method": "sleeve", "state": state, "reason": "r"}
    return {**row, "fingerprint": "f", "assumed_accepted": False}


def tables(visits, held, works, sleeves, choices, chosen) -> dict[str, pd.DataFrame]:
    return {
        "visits": conform(visits, VISITS),
        "setup_works": conform(
            [{"setup_id": s, "work_id": w, "seq": at} for at, (s, w) in enumerate(held, 1)],
            SETUP_WORKS,
        ),
        "works": conform(works, WORKS),
        "sleeves": conform(sleeves, SLEEVES),
        "systems": conform([system()], SYSTEMS),
        "system_sizes": SIZES,
        "materials": conform([], MATERIALS),
        "parts": conform([], PARTS),
        "flows": conform([], FLOWS),
        "setups": conform([], SETUPS),
        "nodes": conform([], NODES),
        "choices": conform(choices, CHOICES),
        "choice_sleeves": conform(
            [{"pipe_id": p, "sleeve_id": s} for p, s in chosen], CHOICE_SLEEVES
        ),
    }


WEEK = tables(
    [visit(1, "U-1", "a", "2026-03-02"), visit(2, "U-2", "a", "2026-03-02"),
     visit(1, "U-3", "a", "2026-03-03"), visit(1, "U-4", "b", "2026-03-02")],
    [("U-1", "W-1"), ("U-1", "W-2"), ("U-2", "W-3"), ("U-3", "W-4"), ("U-4", "W-5")],
    [work("W-1", "sleeve", "S-1"), work("W-2", "sleeve", "S-2"), work("W-3", "clean"),
     work("W-4", "sleeve", "S-3"), work("W-5", "verify", "S-1"), work("W-6", "sleeve", "S-4")],
    [sleeve("S-1", 0.0, 1.0, wall_mm=6.0), sleeve("S-2", 3.0, 4.0, wall_mm=6.0),
     sleeve("S-3", 6.0, 8.0, wall_mm=6.0), sleeve("S-4", 9.0, 10.0, wall_mm=6.0),
     sleeve("S-5", 0.0, 1.0, "p2", wall_mm=6.0)],
    [choice("p1"), choice("p2", "proposed")],
    [("p1", "S-1"), ("p1", "S-2"), ("p1", "S-3"), ("p1", "S-4"), ("p2", "S-5")],
)  # fmt: skip


def net(frame: pd.DataFrame, *key: str) -> dict[str, int]:
    rows = frame[(frame["level"] == key[0]) & (frame["key"] == key[1])]
    return dict(zip(rows["item"], rows["net"].astype(int), strict=True))


def test_sums_of_one_week_by_hand():
    """Two sleeves of 1 m at one visit, one of 2 m next day; resin 3840 and 7679 g each."""
    quantities, sums = take_off(WEEK, TAKEOFF, first_day=MONDAY)
    sets = quantities[quantities["item"].str.startswith("sleeve")]
    assert set(sets["visit_id"]) == {"a|2026-03-02|1", "a|2026-03-03|1"}
    first = {"resin felt": 7_680, "sleeve DN 200 x 1.00 m felt": 2, "sleeve length": 2_000}
    assert net(sums, "visit", "a|2026-03-02|1") == first
    assert net(sums, "route", "a|2026-03-02") == {**first, "cleaning": 1_000}
    second = {"resin felt": 7_679, "sleeve DN 200 x 2.00 m felt": 1, "sleeve length": 2_000}
    assert net(sums, "route", "a|2026-03-03") == second
    week = {**first, **second, "resin felt": 15_359, "sleeve length": 4_000}
    week |= {"cleaning": 1_000, "camera": 1_000}
    assert net(sums, "crew", "a") == {k: v for k, v in week.items() if k != "camera"}
    assert net(sums, "week", MONDAY) == week


def test_the_project_counts_all_sleeves_of_accepted_choices():
    """S-4 waits for another week and counts; S-5 is only proposed and does not."""
    _, sums = take_off(WEEK, TAKEOFF, first_day=MONDAY)
    project = net(sums, "project", "project")
    assert project["sleeve DN 200 x 1.00 m felt"] == 3
    assert project["sleeve length"] == 5_000
    assert project["resin felt"] == 3 * 3_840 + 7_679


def test_a_visit_without_a_sleeve_takes_its_metres():
    """Each cleans or films 1 m."""
    quantities, _ = take_off(WEEK, TAKEOFF, first_day=MONDAY)
    rows = quantities.set_index("visit_id")
    assert rows.loc["a|2026-03-02|2", ["item", "net"]].tolist() == ["cleaning", 1_000]
    assert rows.loc["b|2026-03-02|1", ["item", "net"]].tolist() == ["camera", 1_000]


def test_an_empty_week_has_no_sums_but_the_project():
    """Nothing is visited; what is accepted is still known."""
    empty = {**WEEK, "visits": WEEK["visits"].iloc[:0]}
    quantities, sums = take_off(empty, TAKEOFF, first_day="")
    assert quantities.empty
    assert set(sums["level"]) == {"project"}


@settings(max_examples=10, deadline=None)
@given(st.integers(0, 10**6))
def test_visits_add_up_to_routes_and_routes_to_the_week(seed: int):
    """Exactly, item by item, whichever crew sets what on which day."""
    random = Random(seed)
    many = random.randint(1, 30)
    rows = [
        sleeve(f"S-{at}", 5.0 * at, 5.0 * at + random.choice([0.6, 1.0, 1.5]), wall_mm=4.5)
        for at in range(many)
    ]
    works = [work(f"W-{at}", "sleeve", f"S-{at}") for at in range(many)]
    held = [(f"U-{random.randint(0, 9)}", f"W-{at}") for at in range(many)]
    visits = [
        visit(at, f"U-{at}", random.choice("ab"), f"2026-03-0{random.randint(2, 6)}")
        for at in range(8)
    ]
    visits = [{**one, "seq": at} for at, one in enumerate(visits, 1)]
    week = tables(visits, held, works, rows, [choice("p1")], [])
    quantities, sums = take_off(week, TAKEOFF, first_day=MONDAY)
    by_item = quantities.groupby("item")["net"].sum()
    for level in ("visit", "route", "crew", "week"):
        pd.testing.assert_series_equal(
            sums[sums["level"] == level].groupby("item")["net"].sum(), by_item
        )
    # And to what the sleeves themselves take, found without a visit.
    served = {w for s, w in held if s in {f"U-{at}" for at in range(8)}}
    items = items_of(week["sleeves"], SIZES)
    direct = items[items["sleeve_id"].isin({f"S-{w[2:]}" for w in served})]
    assert int(by_item.sum()) == pytest.approx(int(direct["net"].sum()))
