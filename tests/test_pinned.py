"""What people said of a week by hand: it counts in the next plan, and the audit holds it."""

from __future__ import annotations

from typing import Any

import pandas as pd
import pytest
from crew_town import (
    CLEANERS,
    FIRST_DAY,
    crew,
    setter,
    settings,
    sleeved,
    stop,
    stop_town,
    ways_of,
)
from test_replan import TUESDAY, WEDNESDAY, Town
from week_reports import reports

from planner.contracts import PINS, WEEK_EDITS
from planner.crews.asked import Asked, Lock
from planner.crews.audit import audit_week
from planner.crews.hours import find_hours
from planner.crews.pinned import in_force, locks_of, pins_here, pins_of, pins_since
from planner.crews.week import plan_week
from planner.tables import conform

MONDAY, THURSDAY, FRIDAY = FIRST_DAY, "2026-03-05", "2026-03-06"
DATES = [MONDAY, TUESDAY, WEDNESDAY, THURSDAY, FRIDAY]
WEEK = settings(iterations=50).week


def edits(*rows: tuple[str, str, dict[str, Any]]) -> pd.DataFrame:
    """Changes in the order in which the store took them: set-up, change, more."""
    said = {"by": "Ada", "on": "2026-03-01", "at": "2026-03-01T08:00:00Z", "run": "0001",
            "reason": "so"}  # fmt: skip
    return conform(
        [{"version": n, "setup_id": one, "change": change, **said, **more}
         for n, (one, change, more) in enumerate(rows, 1)], WEEK_EDITS
    )  # fmt: skip


def pinned(*rows: tuple[str, str, dict[str, Any]]) -> pd.DataFrame:
    return pins_of(edits(*rows), DATES)


def test_the_last_word_of_each_kind_counts():
    """A move after a move replaces it; what ends a kind ends that kind alone."""
    rows = edits(
        ("U1", "move", {"crew": "A", "date": MONDAY}),
        ("U1", "promise", {"date": FRIDAY}),
        ("U1", "move", {"crew": "B", "date": TUESDAY}),
        ("U2", "lock", {"crew": "A", "date": MONDAY}),
        ("U2", "unlock", {}),
        ("U1", "withdraw", {}),
    )
    found = in_force(rows)
    assert {one: {k: r["version"] for k, r in own.items()} for one, own in found.items()} == {
        "U1": {"place": 3}
    }


def test_pins_of_a_week():
    """The later of a move and a lock binds; who and why of all that counts is kept."""
    pins = pinned(
        ("U1", "lock", {"crew": "A", "date": MONDAY, "by": "Bo", "reason": "key"}),
        ("U1", "move", {"crew": "A", "date": TUESDAY}),
        ("U1", "defer", {"date": TUESDAY}),
        ("U2", "promise", {"date": FRIDAY}),
        ("U3", "take_off", {"date": MONDAY}),
    ).set_index("setup_id")
    assert list(pins.loc["U1"][["crew", "date", "not_before", "by", "why"]]) == [
        "A", TUESDAY, TUESDAY, "Bo+Ada", "key; so",
    ]  # fmt: skip
    assert pins.loc["U2", "for_date"] == FRIDAY
    assert list(pins["off"]) == [False, False, True]


def test_what_names_another_week_is_over():
    """A day before the week binds nobody; one taken off last week is back in this one."""
    pins = pinned(
        ("U1", "move", {"crew": "A", "date": "2026-02-27"}),
        ("U2", "promise", {"date": "2026-02-27"}),
        ("U3", "take_off", {"date": "2026-02-23"}),
        ("U4", "defer", {"date": "2026-02-27"}),
    )
    assert pins.empty
    assert pins_of(edits(("U1", "move", {"crew": "A", "date": MONDAY})), []).empty


def test_what_is_no_set_up_any_more_is_told():
    """It is parted off, and a flag names it."""
    tables = stop_town([stop("U1")])
    pins = pinned(("U1", "promise", {"date": FRIDAY}), ("U9", "promise", {"date": FRIDAY}))
    here, flags = pins_here(pins, tables["setups"])
    assert list(here["setup_id"]) == ["U1"]
    assert list(flags["key"]) == ["U9"]


def planned(tables: dict[str, pd.DataFrame], pins: pd.DataFrame, week=WEEK):
    """Plan a week that keeps to pins, as `make_plan` does, and audit it."""
    tables = {**tables, "pins": pins}
    tables["setup_hours"] = find_hours(tables, week, FIRST_DAY)
    ways = ways_of(tables, week)
    asked = Asked(locks_of(pins))
    days = plan_week(tables, ways, week, first_day=FIRST_DAY, seed=1, asked=asked)
    week_tables = {**tables, "visits": days.visits, "unserved": days.unserved}
    audit = audit_week(week_tables, ways, week, first_day=FIRST_DAY)
    assert audit.empty, audit.to_string()
    return days


def where(days: Any) -> dict[str, tuple[str, str]]:
    rows = days.visits[["setup_id", "crew", "date"]].itertuples(index=False)
    return {one: (name, day) for one, name, day in rows}


TWO = [crew("A", CLEANERS), crew("B", CLEANERS)]


def test_a_plan_keeps_to_moves_locks_days_put_off_and_days_off():
    """Four stops at one yard: each alone would be on Monday, where all fit into one day."""
    tables = stop_town([stop(f"U{n}", 100.0 * n) for n in range(1, 5)], TWO)
    assert {day for _, day in where(planned(tables, conform([], PINS))).values()} == {MONDAY}
    days = planned(tables, pinned(
        ("U1", "move", {"crew": "B", "date": WEDNESDAY}),
        ("U2", "lock", {"crew": "B", "date": THURSDAY}),
        ("U3", "defer", {"date": FRIDAY}),
        ("U4", "take_off", {"date": MONDAY}),
    ))  # fmt: skip
    found = where(days)
    assert found["U1"] == ("B", WEDNESDAY)
    assert found["U2"] == ("B", THURSDAY)
    assert found["U3"][1] == FRIDAY
    assert dict(days.unserved.itertuples(index=False)) == {"U4": "taken off the week by hand: Ada"}


def test_a_promise_counts_like_a_sent_notice():
    """Residents want 2 working days from Friday before: Tuesday is the first day unasked.

    The promised Monday is kept all the same, as it is with a notice that was sent.
    """
    tables = sleeved(2)
    plain = where(planned(tables, conform([], PINS), settings(notice_days=2).week))
    assert min(day for _, day in plain.values()) == TUESDAY
    own = sorted(tables["setups"]["setup_id"])
    pins = pinned((own[1], "promise", {"date": MONDAY}))
    days = planned(tables, pins, settings(notice_days=2).week)
    assert where(days)[own[1]][1] == MONDAY
    assert days.promised == {own[1]}


def test_a_promise_that_cannot_be_kept_costs_nothing_else():
    """Saturday has no shift: the set-up says so, the other is planned as before."""
    tables = sleeved(2)
    own = sorted(tables["setups"]["setup_id"])
    days = planned(tables, pinned((own[0], "promise", {"date": "2026-03-07"})))
    assert own[1] in where(days)
    told = dict(days.unserved.itertuples(index=False))
    assert told == {own[0]: "residents were told of 2026-03-07"}


def kept_days(**pin: Any) -> set[str]:
    """Rules that a visit on Monday by A breaks where a pin says otherwise."""
    tables = stop_town([stop("U1")], TWO[:1])
    ways = ways_of(tables, WEEK)
    days = plan_week(tables, ways, WEEK, first_day=FIRST_DAY, seed=1)
    assert where(days) == {"U1": ("A", MONDAY)}
    row = {"setup_id": "U1", "off": False, "by": "Ada", **pin}
    tables |= {"visits": days.visits, "unserved": days.unserved, "pins": conform([row], PINS)}
    return set(audit_week(tables, ways, WEEK, first_day=FIRST_DAY)["rule"])


@pytest.mark.parametrize(
    ("pin", "rules"),
    [
        ({"crew": "A", "date": MONDAY, "for_date": MONDAY, "not_before": MONDAY}, set()),
        ({"crew": "B"}, {"lock"}),
        ({"date": TUESDAY}, {"lock"}),
        ({"for_date": TUESDAY}, {"promise"}),
        ({"not_before": TUESDAY}, {"put off"}),
        ({"off": True}, {"taken off"}),
    ],
)
def test_the_audit_finds_what_stands_against_a_pin(pin, rules):
    """Each planted fault is found by its rule; a visit that keeps to all has none."""
    assert kept_days(**pin) == rules


def test_the_audit_takes_a_promise_for_a_notice():
    """Nobody was told in time of Monday, but for the promise of it."""
    tables = sleeved(1, crews=[setter("One")])
    week = settings(notice_days=2).week
    one = str(tables["setups"]["setup_id"].iloc[0])
    days = planned(tables, pinned((one, "promise", {"date": MONDAY})), week)
    tables |= {"visits": days.visits, "unserved": days.unserved}
    audit = audit_week(tables, ways_of(tables, week), week, first_day=FIRST_DAY)
    assert set(audit["rule"]) == {"notice"}


def test_pins_as_of_a_day_within_the_week():
    """On Wednesday, Tuesday's lock and promise bind nobody; what is off stays off."""
    pins = pins_since(
        pinned(
            ("U1", "lock", {"crew": "A", "date": TUESDAY}),
            ("U1", "promise", {"date": TUESDAY}),
            ("U2", "lock", {"crew": "A", "date": WEDNESDAY}),
            ("U3", "take_off", {"date": MONDAY}),
        ),
        WEDNESDAY,
    )
    assert locks_of(pins) == {"U2": Lock("A", WEDNESDAY)}
    assert list(pins["for_date"]) == ["", "", ""]
    assert list(pins["off"]) == [False, False, True]


def test_planning_again_keeps_to_a_lock():
    """Monday noon, nothing but as planned: a lock to Friday alone moves its stop, told as such."""
    stops = [stop(f"s{n}", 400.0 * n, 300.0 * (n % 3)) for n in range(12)]
    town = Town(stop_town(stops, [crew("One", CLEANERS), crew("Two", CLEANERS)]))
    noon = f"{MONDAY}T12:00"
    told = reports(town.tables, town.visits, noon)
    one = str(town.visits.sort_values(["date", "start_s"])["setup_id"].iloc[-1])
    assert not (told.states["work_id"] == f"W-{one}").any()
    again = town.again(told, noon, locks={one: Lock("Two", FRIDAY)})
    rows = again.changes.set_index("setup_id")
    assert list(rows.loc[one][["crew", "date", "why"]]) == ["Two", FRIDAY, "bound there by hand"]
    assert set(rows.drop(one)["change"]) == {"kept"}
