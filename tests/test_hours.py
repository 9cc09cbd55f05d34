"""When a set-up may start: streets, permits, closed days and notices, by hand."""

from __future__ import annotations

import tomllib
from datetime import date
from pathlib import Path

import pandas as pd
import pytest
from crew_town import FIRST_DAY, node, setter, settings, sleeved, town, ways_of

from planner.contracts import (
    CLOSED,
    NODES,
    NOTICES,
    PERMITS,
    SETUP_HOURS,
    UNSERVED,
    VISITS,
    WEATHER,
    WINDOWS,
)
from planner.crews.audit import audit_week
from planner.crews.hours import StreetHours, after_working_days, find_hours
from planner.crews.week import Days, plan_week
from planner.inputs.crews import read_crews
from planner.inputs.hours import read_hours, read_notices
from planner.inputs.prices import read_stock
from planner.tables import conform

H = 3600
DAYS = ["2026-03-02", "2026-03-03", "2026-03-04", "2026-03-05", "2026-03-06"]

SENT = {"notice_id": "n:1", "pipe_id": "p0", "for_date": DAYS[2], "sent_on": "2026-02-26"}


def window(kind: str, day: str, start_h: float, end_h: float, **more) -> dict:
    row = {"street_class": kind, "weekday": day, "permit": False, "row": 1}
    return {**row, "open_s": int(start_h * H), "close_s": int(end_h * H), **more}


def closed(day: str, row: int, why: str, **more) -> dict:
    return {"from_date": day, "to_date": day, "why": why, "row": row, **more}


def stated(count: int = 1, kind: str = "arterial", **tables: list[dict]) -> dict[str, pd.DataFrame]:
    """Towns of `sleeved`, whose manholes lie in streets of one class."""
    own = sleeved(count, crews=[setter("One"), setter("Two")])
    nodes = own["nodes"].assign(street_class=kind, street="High Street")
    kinds = {"windows": WINDOWS, "closed": CLOSED, "permits": PERMITS, "notices": NOTICES}
    given = {name: conform(rows, kinds[name]) for name, rows in tables.items()}
    return own | given | {"nodes": conform(nodes, NODES)}


def starts(tables: dict[str, pd.DataFrame], **week) -> dict[str, list]:
    """Per date the starts [h], or the reason."""
    chosen = settings(reserve_s=0, **week).week
    found = find_hours(tables, chosen, FIRST_DAY)
    rows: dict[str, list] = {}
    for row in found.to_dict("records"):
        pair = row["reason"] or (row["open_s"] / H, row["close_s"] / H)
        rows.setdefault(row["date"], []).append(pair)
    return rows


def planned(tables: dict[str, pd.DataFrame], **week) -> Days:
    chosen = settings(**week).week
    tables = tables | {"setup_hours": find_hours(tables, chosen, FIRST_DAY)}
    ways = ways_of(tables, chosen)
    found = plan_week(tables, ways, chosen, first_day=FIRST_DAY, seed=1)
    tables |= {"visits": found.visits, "unserved": found.unserved}
    audit = audit_week(tables, ways, chosen, first_day=FIRST_DAY)
    assert audit.empty, audit.to_string()
    return found


def test_without_windows_the_towns_hours_hold():
    """8-17; a sleeve of 9900 s starts by 14:15."""
    assert starts(stated()) == {day: [(8.0, 14.25)] for day in DAYS}


def test_an_arterial_is_free_from_9_to_15_on_its_days_only():
    """9-15 on Monday and Tuesday (prices.md 5); 2.75 h of work start by 12:15."""
    rows = [window("arterial", day, 9, 15) for day in ("mon", "tue")]
    found = starts(stated(windows=rows))
    assert found[DAYS[0]] == found[DAYS[1]] == [(9.0, 12.25)]
    assert found[DAYS[2]] == ["a0: no work on that weekday in a street of class arterial"]


def test_the_reserve_after_a_sleeve_is_kept():
    """Half an hour less than without."""
    found = find_hours(stated(), settings(reserve_s=1800).week, FIRST_DAY)
    assert set(found["close_s"]) == {int(13.75 * H)}


def test_school_hours_leave_two_stretches_and_a_night_runs_on():
    """A class of its own: 9-12 and 12:30-17; a night from 21 to 29 h for another."""
    school = [window("school", "mon", 9, 12), window("school", "mon", 12.5, 17)]
    found = starts(stated(kind="school", windows=school))
    assert found[DAYS[0]] == [(9.0, 9.25), (12.5, 14.25)]
    night = starts(stated(kind="main", windows=[window("main", "mon", 21, 29)]))
    assert night[DAYS[0]] == [(21.0, 26.25)]


def test_both_manholes_of_a_sleeve_count():
    """One end in a lane 8-17, the other in an arterial 9-15."""
    tables = stated(windows=[window("arterial", "mon", 9, 15), window("lane", "mon", 8, 17)])
    nodes = tables["nodes"].copy()
    nodes.loc[nodes["node_id"] == "a0", "street_class"] = "lane"
    assert starts(tables | {"nodes": nodes})[DAYS[0]] == [(9.0, 12.25)]


def test_a_manhole_in_a_street_of_unknown_class_takes_the_hours_of_others_and_says_so():
    """'' = each class that no other row names."""
    rows = [window("arterial", "mon", 9, 15), window("", "mon", 10, 16)]
    tables = stated(kind="", windows=rows)
    assert starts(tables)[DAYS[0]] == [(10.0, 13.25)]
    hours = StreetHours.of(tables, settings().week)
    assert len(hours.windows) == 2
    plain = town([], windows=conform(rows, WINDOWS), nodes=[node("a", street_class="arterial")])
    assert StreetHours.of(plain, settings().week).places["a"][0] == "arterial"


def test_a_closed_day_and_a_holiday():
    """One street closed on Tuesday; a holiday on Wednesday is no working day."""
    rows = [
        closed(DAYS[1], 1, "market", street="High Street"),
        closed(DAYS[2], 2, "holiday"),
        closed(DAYS[3], 3, "fair", street="Low Street"),
    ]
    tables = stated(closed=rows)
    found = starts(tables)
    assert found[DAYS[1]] == ["no work that day: market"]
    assert found[DAYS[2]] == ["no work that day: holiday"]
    assert found[DAYS[3]] == [(8.0, 14.25)]
    hours = StreetHours.of(tables, settings().week)
    monday = date.fromisoformat(DAYS[0])
    # Tuesday is a market in one street, yet a working day; Wednesday is none.
    assert after_working_days(hours, monday, 2).isoformat() == DAYS[3]
    assert after_working_days(hours, date(2026, 3, 6), 1).isoformat() == "2026-03-09"


def test_a_permit_opens_its_days_and_hours_and_promises_them():
    """Wanted 9-15 under a permit; granted for Thursday 10-15; one only asked for opens nothing."""
    rows = [window("arterial", day, 9, 15, permit=True) for day in ("mon", "tue", "wed", "thu")]
    asked = {"street": "High Street", "open_s": 9 * H, "close_s": 15 * H, "row": 1}
    permits = [
        {**asked, "from_date": DAYS[0], "to_date": DAYS[0], "state": "asked"},
        {**asked, "from_date": DAYS[3], "to_date": DAYS[4], "state": "granted", "open_s": 10 * H},
    ]
    tables = stated(windows=rows, permits=permits)
    found = starts(tables)
    assert found[DAYS[0]] == ["a0: no granted permit for that day"]
    assert found[DAYS[3]] == [(10.0, 12.25)]
    assert find_hours(tables, settings().week, FIRST_DAY)["promised"].all()
    visits = planned(tables).visits
    assert visits["date"].tolist() == [DAYS[3]]


def test_residents_are_told_working_days_before():
    """Planned on Friday before; 3 working days later is Wednesday."""
    found = starts(stated(), notice_days=3)
    assert found[DAYS[0]] == [f"residents must be told first: {DAYS[2]} is the earliest day"]
    assert found[DAYS[2]] == [(8.0, 14.25)]
    late = starts(stated(), notice_days=1, planned_on=DAYS[0])
    assert late[DAYS[0]] == [f"residents must be told first: {DAYS[1]} is the earliest day"]


def test_a_sent_notice_is_a_promise_for_its_day_alone():
    """Told of Wednesday: no other day, and it comes before what is worth more."""
    unsent = {**SENT, "notice_id": "n:2", "for_date": DAYS[0], "sent_on": ""}
    past = {**SENT, "notice_id": "n:3", "for_date": "2026-02-25", "sent_on": "2026-02-20"}
    tables = stated(notices=[SENT, unsent, past])
    found = starts(tables)
    assert found[DAYS[0]] == [f"residents were told of {DAYS[2]}"]
    assert found[DAYS[2]] == [(8.0, 14.25)]
    assert planned(tables).visits["date"].tolist() == [DAYS[2]]


def test_a_set_up_that_no_day_admits_says_why():
    """Each reason once."""
    found = planned(stated(windows=[window("arterial", "sun", 9, 15)]))
    assert found.visits.empty
    assert found.unserved["reason"].tolist() == [
        "a0: no work on that weekday in a street of class arterial"
    ]


@pytest.mark.parametrize(
    ("rule", "more"),
    [
        ("window", {"windows": [window("arterial", d, 9, 9.5) for d in ("mon", "tue", "wed")]}),
        ("closed day", {"closed": [closed(day, n, "fair") for n, day in enumerate(DAYS)]}),
        ("permit", {"windows": [window("arterial", "mon", 6, 20, permit=True)]}),
        ("notice", {"notices": [{**SENT, "for_date": "2026-03-09"}]}),
    ],
)
def test_the_audit_finds_a_visit_outside_them(rule, more):
    """Planned without, audited with."""
    chosen = settings().week
    tables = stated()
    ways = ways_of(tables, chosen)
    found = plan_week(tables, ways, chosen, first_day=FIRST_DAY, seed=1)
    tables |= {"visits": found.visits, "unserved": found.unserved}
    assert audit_week(tables, ways, chosen, first_day=FIRST_DAY).empty
    kinds = {"windows": WINDOWS, "closed": CLOSED, "notices": NOTICES}
    tables |= {name: conform(rows, kinds[name]) for name, rows in more.items()}
    assert rule in set(audit_week(tables, ways, chosen, first_day=FIRST_DAY)["rule"])


def test_the_file_by_hand():
    """A week of an arterial, a night that ends after midnight, a closed day, a permit."""
    text = """
[[window]]
street_class = "arterial"
days = ["mon", "tue"]
open = "09:00"
close = 15:00:00
source = "road authority"
[[window]]
street_class = "main"
days = ["fri"]
open = "21:00"
close = "05:00"
close_next_day = true
permit = true
[[closed]]
from_date = 2026-12-24
to_date = 2026-12-26
why = "holidays"
[[permit]]
number = "77"
street = "High Street"
from_date = 2026-03-02
to_date = 2026-03-06
open = "21:00"
close = "05:00"
close_next_day = true
state = "granted"
"""
    found = read_hours(tomllib.loads(text))
    assert found.faults == []
    assert found.read_count == 4
    assert found.windows[["street_class", "weekday", "open_s", "close_s"]].to_numpy().tolist() == [
        ["arterial", "mon", 9 * H, 15 * H],
        ["arterial", "tue", 9 * H, 15 * H],
        ["main", "fri", 21 * H, 29 * H],
    ]
    assert found.closed["why"].tolist() == ["holidays"]
    assert found.permits[["open_s", "close_s"]].to_numpy().tolist() == [[21 * H, 29 * H]]


@pytest.mark.parametrize(
    ("kind", "bad", "column", "says"),
    [
        ("window", {"open": "15:00", "close": "09:00"}, "window.open", "open before close"),
        ("window", {"close": "25:00"}, "window.open", "open before close"),
        ("window", {"days": ["someday"]}, "window.days", "a list of weekdays"),
        ("closed", {"to_date": date(2026, 1, 1)}, "closed.to_date", "no earlier"),
        ("closed", {"why": ""}, "closed.why", "text"),
        ("permit", {"street": ""}, "permit.street", "a street or a node_id"),
        ("permit", {"state": "perhaps"}, "permit.state", "asked"),
    ],
)
def test_a_bad_record_is_one_line_and_costs_no_other(kind, bad, column, says):
    """The good record beside it stays."""
    good = {
        "window": {"street_class": "a", "days": ["mon"], "open": "08:00", "close": "17:00"},
        "closed": {"from_date": date(2026, 5, 1), "to_date": date(2026, 5, 1), "why": "x"},
        "permit": {
            "street": "s", "from_date": date(2026, 5, 1), "to_date": date(2026, 5, 1),
            "open": "08:00", "close": "17:00", "state": "granted",
        },
    }  # fmt: skip
    other = {**good[kind], "days": ["tue"]} if kind == "window" else good[kind]
    found = read_hours({kind: [{**good[kind], **bad}, other]})
    assert [fault.row for fault in found.faults] == [1]
    assert found.faults[0].column == column
    assert says in found.faults[0].wanted
    kept = {"window": found.windows, "closed": found.closed, "permit": found.permits}[kind]
    assert 2 in kept["row"].tolist()


def test_windows_that_overlap_on_a_day_are_refused():
    """The second of the two, with its hours."""
    one = {"street_class": "a", "days": ["mon"], "open": "08:00", "close": "12:00"}
    found = read_hours({"window": [one, {**one, "open": "11:00", "close": "13:00"}]})
    assert len(found.windows) == 1
    assert found.faults[0].found == "mon 11:00 to 13:00"


def test_notices_are_a_form(tmp_path: Path):
    """One sent after its day is refused."""
    path = tmp_path / "notices.csv"
    path.write_text(
        "pipe_id,address,for_date,sent_on,by\n"
        "p0,High Street 3,2026-03-04,2026-02-26,Jo\np0,x,2026-03-04,2026-03-05,Jo\n",
        "utf-8",
    )
    found, faults = read_notices(path)
    assert found["notice_id"].tolist() == ["notices.csv:2"]
    assert [(fault.row, fault.column) for fault in faults] == [(3, "sent_on")]


@pytest.mark.parametrize(
    ("change", "column"),
    [
        ({"start": "16:00", "end": "07:00"}, "crew.shift.start"),
        ({"overtime_s": -1}, "crew.shift.overtime_s"),
        ({"start": "20:00", "end": "09:00", "end_next_day": True}, "crew.shift.days"),
        (
            {"start": "20:00", "end": "07:30", "end_next_day": True, "overtime_s": 3_600},
            "crew.shift.days",
        ),
    ],
)
def test_empty_and_overlapping_shifts_are_one_line(change, column):
    """A shift until 9 of the next day, or by overtime until 8:30, runs into the next at 8."""
    shift = {"days": ["mon"], "start": "08:00", "end": "16:00"}
    later = {**shift, "days": ["tue"]}
    crew = {"crew": "C", "steps": ["clean"], "yard_x": 0.0, "yard_y": 0.0}
    found = read_crews({"crew": [{**crew, "shift": [{**shift, **change}, later]}]})
    assert [fault.column for fault in found.faults] == [column]
    assert len(found.shifts) == 1


def test_negative_stock_is_one_line(tmp_path: Path):
    """Fewer than no sleeves, and resin of less than nothing."""
    path = tmp_path / "stock.csv"
    path.write_text(
        "item,system,dn_mm,length_m,pieces_count,mass_kg\n"
        "sleeve,felt,200,1,-1,\nresin,felt,,,,-0.5\nsleeve,felt,200,1,3,\n",
        "utf-8",
    )
    found, faults = read_stock(path)
    assert [(fault.row, fault.column) for fault in faults] == [(2, "pieces_count"), (3, "mass_kg")]
    assert len(found) == 1


def test_a_promise_for_a_day_without_a_shift_says_so():
    """Residents were told of Wednesday; the only crew works on Monday and Tuesday."""
    tables = sleeved(1, crews=[setter("One")]) | {"notices": conform([SENT], NOTICES)}
    shifts = tables["shifts"]
    tables["shifts"] = shifts[shifts["weekday"].isin(["mon", "tue"])].reset_index(drop=True)
    found = planned(tables)
    assert found.unserved["reason"].tolist() == [
        "may start on 2026-03-04 alone, when One has no shift"
    ]


def test_a_pause_and_overtime_are_read():
    """30 min between 11:30 and 13:30; a pause without hours loses the crew."""
    crew = {"crew": "C", "steps": ["clean"], "yard_x": 0.0, "yard_y": 0.0}
    shift = {"days": ["mon"], "start": "20:00", "end": "04:00", "end_next_day": True}
    rest = {"break_s": 1800, "break_from": "11:30", "break_to": "13:30"}
    found = read_crews({"crew": [{**crew, **rest, "shift": [{**shift, "overtime_s": 3600}]}]})
    assert found.faults == []
    assert found.crews[["break_s", "break_from_s", "break_to_s"]].to_numpy().tolist() == [
        [1800, 41_400, 48_600]
    ]
    assert found.shifts[["end_s", "overtime_s"]].to_numpy().tolist() == [[28 * H, 3600]]
    none = read_crews({"crew": [{**crew, "break_s": 1800, "shift": [shift]}]})
    assert none.crews.empty
    assert none.faults[0].column == "crew.break_s"


def test_hours_obey_their_contract_without_a_first_day():
    """No day can be named."""
    assert find_hours(stated(), settings().week, "").equals(conform([], SETUP_HOURS))


@pytest.mark.parametrize(
    ("weather", "use", "off"),
    [("rain", "combined", True), ("rain", "", True), ("rain", "foul", False), ("frost", "", False)],
)
def test_rain_puts_off_flow_control_where_rain_runs(weather, use, off):
    """Combined or unknown: put off; foul alone: not; frost stops nothing by default."""
    day = {"date": DAYS[0], "weather": weather, "row": 1}
    tables = stated()
    tables |= {"pipes": tables["pipes"].assign(use=use), "weather": conform([day], WEATHER)}
    found = starts(tables)
    assert (found[DAYS[0]] == [f"{weather} is forecast: flow_control put off"]) == off
    assert found[DAYS[1]] == [(8.0, 14.25)]
    assert planned(tables).visits["date"].tolist() == [DAYS[1] if off else DAYS[0]]
    dry = planned(stated()).visits.assign(date=DAYS[0])
    after = tables | {"visits": conform(dry, VISITS), "unserved": conform([], UNSERVED)}
    chosen = settings().week
    broken = audit_week(after, ways_of(tables, chosen), chosen, first_day=FIRST_DAY)
    assert ("weather" in set(broken["rule"])) == off
