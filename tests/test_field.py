"""The journal held against the works: what is done, put off, failed, proposed, agreed to."""

from __future__ import annotations

from typing import Any

import pandas as pd
import pytest
from one_pipe import done, sleeve, span, town, verdict
from reported import built, events

from planner.contracts import (
    CHOICE_SLEEVES,
    CHOICES,
    FLAGS,
    PROPOSED_WORKS,
    WORK_AFTER,
    WORK_STATES,
    WORKS,
)
from planner.contracts.journal import REASONS
from planner.contracts.repairs import STEPS
from planner.ground.ids import NOTHING_KNOWN, learn
from planner.repairs.field import event_orphans
from planner.repairs.works import Works, make_works
from planner.settings import load_settings
from planner.tables import check, conform

WEEK = load_settings({}).week
MONDAY = "2026-03-02"
BEFORE = "2026-02-27T10:00"
# Ids as they are numbered: by from_m, to_m, step. Access, clean, look are of the whole pipe.
IDS = {"check_access": "W-000001", "clean": "W-000002", "look": "W-000003",
       "flow_control": "W-000004", "sleeve": "W-000005", "verify": "W-000006"}  # fmt: skip
ABOUT = {"step": "sleeve", "from_m": 4.5, "to_m": 6.5, "at": BEFORE}


def accepted(method: str = "sleeve", **more: object) -> dict[str, Any]:
    tables = town(
        [span("D-1", 5, 6)], [verdict("D-1")], [sleeve("S-1", 4.5, 6.5)], [("S-1", "D-1")], **more
    )
    row = {"pipe_id": "p1", "method": method, "state": "accepted", "reason": "r"}
    own = [{"pipe_id": "p1", "sleeve_id": "S-1"}]
    choice = conform([{**row, "fingerprint": "f", "assumed_accepted": False}], CHOICES)
    return {**tables, "choices": choice, "choice_sleeves": conform(own, CHOICE_SLEEVES)}


def made(
    *happened: dict[str, Any], form: pd.DataFrame | None = None, tables: dict | None = None
) -> Works:
    works = make_works(
        {**(tables or accepted()), "events": events(*happened)},
        done() if form is None else form,
        NOTHING_KNOWN,
        WEEK,
        first_day=MONDAY,
    )
    check(works.works, WORKS), check(works.states, WORK_STATES), check(works.flags, FLAGS)
    check(works.proposed, PROPOSED_WORKS), check(works.work_after, WORK_AFTER)
    return works


def held(works: Works) -> dict[str, str]:
    rows = works.works[works.works["held"] != ""]
    return dict(zip(rows["step"], rows["held"], strict=True))


def state_of(works: Works, step: str = "sleeve") -> list[str]:
    row = works.states.set_index("work_id").loc[IDS[step]]
    return [str(row[name]) for name in ("state", "at", "crew", "reason", "event_id")]


def test_every_work_has_one_state_and_without_events_it_is_open_or_done():
    works = made(form=done({"step": "clean", "done_on": "2026-02-27"}))
    assert works.works["step"].tolist() == sorted(IDS, key=IDS.__getitem__)
    assert works.states["work_id"].tolist() == sorted(IDS.values())
    assert state_of(works, "clean") == ["done", "2026-02-27T00:00", "crew 1", "", "r1"]
    assert state_of(works) == ["open", "", "", "", ""]
    assert set(works.works["held"]) == {""}
    assert works.proposed.empty


def test_no_table_of_events_is_no_events():
    works = make_works(accepted(), done(), NOTHING_KNOWN, WEEK, first_day=MONDAY)
    pd.testing.assert_frame_equal(works.works, made().works)
    pd.testing.assert_frame_equal(works.states, made().states)


@pytest.mark.parametrize(
    ("rows", "state", "event"),
    [
        ([{"kind": "started"}], "started", "E-000001"),
        ([{"kind": "failed", "reason": "high_flow"}], "failed", "E-000001"),
        ([{"kind": "deferred", "reason": "high_flow"}], "deferred", "E-000001"),
        ([{"kind": "deferred", "reason": "high_flow"}, {"kind": "freed"}], "open", "E-000002"),
        ([{"kind": "freed", "at": BEFORE}, {"kind": "started", "at": "2026-02-26T10:00"}],
         "open", "E-000001"),  # by time, not by number
        ([{"kind": "deferred", "reason": "high_flow", "until": MONDAY}], "open", "E-000001"),
        ([{"kind": "deferred", "reason": "high_flow", "until": "2026-03-03"}], "deferred",
         "E-000001"),
        ([{"kind": "started", "from_m": 6.0, "to_m": 9.0}], "open", ""),  # beside it
        ([{"kind": "started", "from_m": 6.0, "to_m": 9.0, "works": "W-000005"}], "started",
         "E-000001"),  # named
    ],
)  # fmt: skip
def test_the_last_event_about_a_work_says_where_it_stands(rows, state, event):
    works = made(*({**ABOUT, **row} for row in rows))
    assert state_of(works)[0] == state
    assert state_of(works)[4] == event


def test_a_work_put_off_is_not_planned_before_its_day():
    """Beyond the week it is held, within it waits for its day, and then is planned again."""
    base = {**ABOUT, "kind": "deferred", "reason": "high_flow", "note": "pump station"}
    late = made({**base, "until": "2026-03-09"})
    assert held(late)["sleeve"] == (
        "put off until 2026-03-09: rain or high flow, pump station (E-000001)"
    )
    assert set(held(late)) == {"sleeve", "flow_control", "clean"}
    never = made(base)
    assert held(never)["sleeve"].startswith("put off until a person frees it: rain or high flow")
    within = made({**base, "until": "2026-03-04"})
    assert held(within) == {}
    days = within.works.set_index("step")["not_before"]
    assert days[days != ""].to_dict() == {"flow_control": "2026-03-04", "sleeve": "2026-03-04"}
    assert set(made({**base, "until": MONDAY}).works["not_before"]) == {""}
    freed = made(base, {**ABOUT, "kind": "freed", "at": "2026-02-28T10:00"})
    assert held(freed) == {}


def test_the_last_day_of_the_week_is_within_it():
    """Monday to Friday: put off until Friday 6 March it can be done that Friday, not until the
    7th."""
    base = {**ABOUT, "kind": "deferred", "reason": "high_flow"}
    assert held(made({**base, "until": "2026-03-06"})) == {}
    assert "sleeve" in held(made({**base, "until": "2026-03-07"}))


@pytest.mark.parametrize("reason", sorted(REASONS))
def test_what_would_only_fail_again_waits_for_a_person(reason: str):
    """Each reason code: planned again or held, and its works proposed, none of them planned."""
    why = REASONS[reason]
    works = made({**ABOUT, "kind": "failed", "reason": reason, "note": "seen"})
    assert ("sleeve" in held(works)) == (not why.again)
    steps = [step for step in (*why.next.split("+"), why.instead) if step]
    assert sorted(works.proposed["step"]) == sorted(steps)
    assert set(works.proposed["state"]) <= {"proposed"}
    assert set(works.works["step"]) == set(IDS)
    assert set(steps) <= set(STEPS)


def test_what_is_proposed_is_planned_once_a_person_agrees():
    """A fold: cut out at 4.5-6.5 m, then clean, then survey the whole pipe; or dig."""
    fold = {**ABOUT, "kind": "failed", "reason": "fold", "in_pipe": True}
    rows = made(fold).proposed.set_index("step")
    places = {step: (row.from_m, row.to_m, row.instead) for step, row in rows.iterrows()}
    assert places == {
        "cut_out": (4.5, 6.5, False),
        "dig": (4.5, 6.5, True),
        "clean": (0.0, 40.0, False),
        "resurvey": (0.0, 40.0, False),
    }
    yes = [{"kind": "agreed", "about": "E-000001", "step": step, "by": "Eve"}
           for step in ("resurvey", "cut_out")]  # fmt: skip
    works = made(fold, *yes)
    assert works.proposed.set_index("step")["state"].to_dict() == {
        "cut_out": "agreed", "dig": "proposed", "clean": "proposed", "resurvey": "agreed",
    }  # fmt: skip
    new = works.works[works.works["step"].isin(["cut_out", "resurvey"])]
    assert new["state"].tolist() == ["todo", "todo"]
    assert new["reason"].str.startswith("agreed by Eve: sleeve failed on 2026-02-27").all()
    ids = new.set_index("step")["work_id"]
    assert (ids["resurvey"], ids["cut_out"]) in set(works.work_after.itertuples(index=False))
    cut = done({"step": "cut_out", "from_m": 4.4, "to_m": 6.6, "done_on": "2026-02-28"})
    after = made(fold, *yes, form=cut)
    assert after.proposed.set_index("step")["state"]["cut_out"] == "done"
    assert "cut_out" not in set(after.works["step"])


def test_what_was_done_before_a_failure_does_not_answer_it():
    """Cleaned on the 26th, failed on the 27th for roots left over: clean again is proposed."""
    bad = {**ABOUT, "kind": "failed", "reason": "roots_left"}
    old = made(bad, form=done({"step": "clean", "done_on": "2026-02-26"}))
    new = made(bad, form=done({"step": "clean", "done_on": "2026-02-28"}))
    assert old.proposed.set_index("step")["state"]["clean"] == "proposed"
    assert new.proposed.set_index("step")["state"]["clean"] == "done"


def test_a_freed_failure_proposes_nothing_more():
    bad = {**ABOUT, "kind": "failed", "reason": "defect_worse"}
    works = made(bad, {**ABOUT, "kind": "freed", "at": "2026-02-28T10:00"})
    assert works.proposed.empty
    assert held(works) == {}


def test_agreed_works_need_no_choice_on_their_pipe():
    """The pipe is held, a failed sleeve lies there: what was agreed is planned all the same."""
    tables = accepted()
    tables["choices"] = tables["choices"].assign(state="held")
    fold = {**ABOUT, "kind": "failed", "reason": "fold", "in_pipe": True}
    assert made(fold, tables=tables).works.empty
    works = made(fold, {"kind": "agreed", "about": "E-000001", "step": "cut_out"}, tables=tables)
    assert works.works["step"].tolist() == ["cut_out"]


def test_works_that_left_the_plan_keep_the_state_that_was_reported():
    """Nothing is accepted any more: the works are gone, not what was said of them."""
    tables = accepted()
    tables["choices"] = tables["choices"].assign(state="refused")
    rows = [
        {**ABOUT, "kind": "done", "works": "W-000005"},
        {**ABOUT, "kind": "deferred", "reason": "odour", "works": "W-000006", "step": "verify"},
        {**ABOUT, "kind": "done", "works": "W-000004", "step": "flow_control"},
    ]
    # The sleeve's row stands in the table of done steps, that of flow control was undone since.
    form = done({"step": "sleeve", "from_m": 4.5, "to_m": 6.5, "done_id": "E-000001"})
    works = made(*rows, tables=tables, form=form)
    assert works.works.empty
    states = works.states.set_index("work_id")["state"].to_dict()
    assert states == {"W-000005": "done", "W-000006": "deferred", "W-000004": "open"}


def test_ids_of_works_stay_with_them_when_works_are_agreed():
    fold = {**ABOUT, "kind": "failed", "reason": "fold", "in_pipe": True}
    first = made(fold).works
    known = learn(NOTHING_KNOWN, "work", first, first["work_id"])
    yes = {"kind": "agreed", "about": "E-000001", "step": "clean"}
    tables = {**accepted(), "events": events(fold, yes)}
    form = done({"step": "clean", "done_on": "2026-02-27"})
    works = make_works(tables, form, known, WEEK, first_day=MONDAY).works
    both = works.merge(first, on="work_id", suffixes=("", "_then"))
    assert len(both) == len(first)
    assert (both["step"] == both["step_then"]).all()
    assert works["step"].tolist().count("clean") == 2


def test_an_event_whose_pipe_is_gone_is_an_orphan():
    tables = {**accepted(), "events": events({**ABOUT, "kind": "done", "pipe_id": "p9"}, ABOUT | {
        "kind": "done"})}  # fmt: skip
    orphans = event_orphans(tables)
    assert orphans[["kind", "old_id", "pipe_id"]].to_numpy().tolist() == [
        ["event", "E-000001", "p9"]
    ]


def test_a_sleeve_that_lies_beside_its_place_is_not_set_again():
    """Planned at 4.5-6.5 m, set at 5.0-7.0 m: not done, and no second one on top of it."""
    report = done({"step": "sleeve", "from_m": 5.0, "to_m": 7.0})
    lies = built({"from_m": 5.0, "to_m": 7.0})
    works = made(form=report, tables={**accepted(), "as_built": lies})
    assert held(works)["sleeve"].startswith("a sleeve lies there from 5.00 to 7.00 m (B1), not")
    gone = built({"from_m": 5.0, "to_m": 7.0, "removed_at": "2026-02-12T09:00"})
    assert held(made(tables={**accepted(), "as_built": gone})) == {}
    there = done({"step": "sleeve", "from_m": 4.6, "to_m": 6.4})
    good = made(form=there, tables={**accepted(), "as_built": built({"from_m": 4.6, "to_m": 6.4})})
    assert "sleeve" not in held(good)
