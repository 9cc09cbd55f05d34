"""The bill of quantities: by hand on one pipe, by property on many."""

from __future__ import annotations

from random import Random

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from one_pipe import price, prices, sleeve
from test_totals import choice, tables, visit, work

from planner.contracts import OPTION_LINES
from planner.contracts.sums import WITHIN
from planner.settings import load_settings
from planner.tables import conform
from planner.takeoff.bill import make_bill

MONDAY = "2026-03-02"
TAKEOFF = load_settings({}).takeoff
# Each 1000 with 1 m in it and 200 for each metre more; cleaning 100 and 3 a metre.
SLEEVE = price("sleeve", 1_000_00, per_m=200_00, included_m=1.0)
CLEAN = price("clean", 100_00, per_m=3_00)
SETUP = price("setup", 400_00)
FILM = price("verify", 90_00)
ALL = [SLEEVE, CLEAN, SETUP, FILM]


def line(seq, item, cents, length_m=0.0, sleeve_id="", pipe_id="p1", **more):
    row = {"pipe_id": pipe_id, "method": "sleeve", "seq": seq, "part": "sleeve", "item": item}
    money = {"one_cents": cents, "sum_cents": cents, "price_id": "" if cents is None else item}
    where = {"sleeve_id": sleeve_id, "dn_mm": 200.0, "length_m": length_m, "times_count": 1}
    return {**row, **where, **money, **more}


def week(lines, given=ALL, state="accepted"):
    """Cleaning on Monday, S-1 and its film on Tuesday; S-2 waits."""
    rows = [sleeve("S-1", 2.0, 3.0), sleeve("S-2", 8.0, 9.5)]
    works = [work("W-1", "clean"), work("W-2", "sleeve", "S-1"), work("W-3", "sleeve", "S-2"),
             work("W-4", "verify", "S-1"), work("W-5", "verify", "S-2")]  # fmt: skip
    visits = [visit(1, "U-1", "wash", MONDAY), visit(1, "U-2", "sleeve", "2026-03-03")]
    held = [("U-1", "W-1"), ("U-2", "W-2"), ("U-2", "W-4")]
    t = tables(visits, held, works, rows, [choice("p1", state)], [("p1", "S-1"), ("p1", "S-2")])
    return {**t, "option_lines": conform(lines, OPTION_LINES), "prices": prices(*given)}


LINES = [
    line(1, "setup", 400_00),
    line(2, "clean", 220_00, 40.0),
    line(3, "sleeve", 1_000_00, 1.0, "S-1"),
    line(4, "sleeve", 1_100_00, 1.5, "S-2"),
    line(5, "verify", 90_00, 1.0, "S-1"),
    line(6, "verify", 90_00, 1.5, "S-2"),
]


def sums(frame: pd.DataFrame) -> dict[tuple[str, str], int]:
    keys = zip(frame["level"], frame["key"], strict=True)
    return dict(zip(keys, frame["sum_cents"].astype(int), strict=True))


def test_one_pipe_by_hand():
    """Monday 220; Tuesday 400 + 1000 + 90; S-2 with its film, 1190, waits; together 2900."""
    made = make_bill(week(LINES), TAKEOFF, first_day=MONDAY)
    bill, totals = made.bill, made.sums
    found = sums(totals)
    assert found["route", f"wash|{MONDAY}"] == 220_00
    assert found["visit", "sleeve|2026-03-03|1"] == 1_490_00
    assert found["week", MONDAY] == 1_710_00
    assert found["rest", "rest"] == 1_190_00
    assert found["project", "project"] == 2_900_00
    assert totals["complete"].all()
    row = bill[(bill["level"] == "project") & (bill["item"] == "sleeve")].iloc[0]
    assert (row["times_count"], row["length_m"], row["extra_m"]) == (2, 2.5, 0.5)
    assert (row["each_cents"], row["extra_cents_per_m"]) == (1_000_00, 200_00)
    assert row["sum_cents"] == 2 * 1_000_00 + 0.5 * 200_00


def test_what_is_not_accepted_is_in_no_bill():
    """A proposed choice costs nothing yet."""
    made = make_bill(week(LINES, state="proposed"), TAKEOFF, first_day=MONDAY)
    bill, totals = made.bill, made.sums
    assert bill.empty
    assert totals.empty


def test_contingency_mobilisation_and_night_are_lines_of_their_own():
    """5 % of each bill: of 2900 + 2400 once + 450 for the night = 5750 it is 287.50.

    The visit on Tuesday starts at 21:00; the night belongs to its route and above, not to it.
    """
    own = TAKEOFF.model_copy(update={"contingency_ratio": 0.05})
    given = [*ALL, price("mobilisation", 2_400_00), price("night", 450_00)]
    t = week(LINES, given)
    late = t["visits"]["setup_id"] == "U-2"
    early = t["visits"]["start_s"].mask(late, 21 * 3600).mask(~late, 9 * 3600)
    made = make_bill({**t, "visits": t["visits"].assign(start_s=early)}, own, first_day=MONDAY)
    bill, totals = made.bill, made.sums
    found = sums(totals)
    assert found["project", "project"] == 5_750_00 + 287_50
    assert found["route", "sleeve|2026-03-03"] == 1_940_00 + 97_00
    assert found["visit", "sleeve|2026-03-03|1"] == 1_490_00 + 74_50
    assert found["week", MONDAY] == 2_160_00 + 108_00
    last = bill[bill["level"] == "project"].iloc[-1]
    assert (last["item"], last["sum_cents"]) == ("contingency", 287_50)


def test_a_missing_price_is_named_and_the_sum_marked():
    """A reopening costs something and no price says what; the rest is priced."""
    gone = line(7, "reopen", None, 0.0, "S-1", note="no price at DN 200")
    totals = make_bill(week([*LINES, gone]), TAKEOFF, first_day=MONDAY).sums
    project = totals[totals["level"] == "project"].iloc[0]
    assert project["sum_cents"] == 2_900_00
    assert not project["complete"]
    assert (project["unpriced"], project["unpriced_count"]) == ("reopen", 1)


def test_what_is_within_another_price_is_no_gap():
    """No price names the check of access at all: it is within the main price."""
    within = line(7, "check_access", None, 40.0, note=WITHIN)
    made = make_bill(week([*LINES, within]), TAKEOFF, first_day=MONDAY)
    bill, totals = made.bill, made.sums
    assert totals["complete"].all()
    assert WITHIN in set(bill["note"])


def test_an_empty_plan_has_an_empty_bill():
    """No line, no sum."""
    made = make_bill(week([]), TAKEOFF, first_day="")
    bill, totals = made.bill, made.sums
    assert bill.empty
    assert totals.empty


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 10**6))
def test_bills_add_up(seed: int):
    """Visits are their route's, routes the week's, week and rest the project's, to the cent;
    every line of an accepted pipe is in exactly one of week and rest."""
    random = Random(seed)
    many = random.randint(1, 12)
    rows = [sleeve(f"S-{at}", 4.0 * at, 4.0 * at + 1.0) for at in range(many)]
    works = [work(f"W-{at}", "sleeve", f"S-{at}") for at in range(many)]
    works += [work(f"V-{at}", "verify", f"S-{at}") for at in range(many)] + [work("C", "clean")]
    held = [(f"U-{random.randint(0, 9)}", row["work_id"]) for row in works]
    visits = [
        {**visit(1, f"U-{at}", random.choice("ab"), f"2026-03-0{at % 5 + 2}"), "seq": at + 1}
        for at in range(8)
    ]
    visits = [{**one, "visit_id": f"v{at}"} for at, one in enumerate(visits)]
    lines = [line(1, "setup", 400_00), line(2, "clean", random.randint(0, 10**6), 40.0)]
    for at in range(many):
        lines.append(line(len(lines) + 1, "sleeve", random.randint(0, 10**6), 1.0, f"S-{at}"))
        lines.append(line(len(lines) + 1, "verify", random.randint(0, 10**6), 1.0, f"S-{at}"))
    pairs = [("p1", row["sleeve_id"]) for row in rows]
    t = tables(visits, held, works, rows, [choice("p1")], pairs)
    t |= {"option_lines": conform(lines, OPTION_LINES), "prices": prices(*ALL)}
    made = make_bill(t, TAKEOFF, first_day=MONDAY)
    bill, totals = made.bill, made.sums
    by_level = totals.groupby("level")["sum_cents"].sum()
    assert by_level["project"] == sum(row["sum_cents"] for row in lines)
    assert by_level.get("visit", 0) == by_level.get("route", 0) == by_level.get("week", 0)
    assert by_level.get("week", 0) + by_level.get("rest", 0) == by_level["project"]
    times = bill.groupby("level")["times_count"].sum()
    assert times.get("week", 0) + times.get("rest", 0) == times["project"] == len(lines)
    assert totals["sum_cents"].tolist() == pytest.approx(
        bill.groupby(["level", "key"])["sum_cents"].sum().reindex(
            pd.MultiIndex.from_frame(totals[["level", "key"]])
        ).tolist()
    )  # fmt: skip
