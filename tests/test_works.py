"""Accepted choices as works: order, what is done, what holds no longer."""

from __future__ import annotations

import pandas as pd
import pytest
from one_pipe import done, lateral, node, pipe, sleeve, span, town, verdict

from planner.contracts import CHOICE_SLEEVES, CHOICES, FLAGS, WORK_AFTER, WORKS
from planner.ground.ids import NOTHING_KNOWN, learn
from planner.repairs.works import Works, make_works
from planner.settings import load_settings
from planner.tables import check, conform

WEEK = load_settings({}).week
MONDAY = "2026-03-02"


def accepted(tables: dict, method: str = "sleeve", state: str = "accepted") -> dict:
    """Add to `tables` one choice of p1 with all its sleeves."""
    row = {"pipe_id": "p1", "method": method, "state": state, "reason": "r", "fingerprint": "f"}
    own = [{"pipe_id": "p1", "sleeve_id": one} for one in tables["sleeves"]["sleeve_id"]]
    own = own if method in ("sleeve", "sleeve_liner") else []
    choice = conform([{**row, "assumed_accepted": False}], CHOICES)
    return {**tables, "choices": choice, "choice_sleeves": conform(own, CHOICE_SLEEVES)}


def one_sleeve(first: str = "", **more: object) -> dict:
    return town(
        [span("D-1", 5, 6)],
        [verdict("D-1", first=first, urgency="this_year")],
        [sleeve("S-1", 4.5, 6.5)],
        [("S-1", "D-1")],
        **more,
    )


def made(tables: dict, *reports: dict, first_day: str = MONDAY) -> Works:
    works = make_works(tables, done(*reports), NOTHING_KNOWN, WEEK, first_day=first_day)
    check(works.works, WORKS)
    check(works.work_after, WORK_AFTER)
    check(works.flags, FLAGS)
    return works


def steps(works: Works) -> list[str]:
    return works.works.sort_values("work_id")["step"].tolist()


def waits(works: Works) -> set[tuple[str, str]]:
    """Pairs (step, step that must be done before it)."""
    name = works.works.set_index("work_id")["step"]
    pairs = works.work_after
    return {(name[one], name[other]) for one, other in pairs.itertuples(index=False)}


def open_steps(works: Works) -> set[str]:
    return set(works.works.loc[works.works["state"] == "todo", "step"])


def before(works: Works, step: str) -> set[str]:
    """All steps that must be done before `step`, near and far."""
    pairs, found = waits(works), set()
    todo = {step}
    while todo:
        todo = {earlier for later, earlier in pairs if later in todo} - found
        found |= todo
    return found


@pytest.mark.parametrize("state", ["proposed", "held", "refused"])
def test_only_an_accepted_choice_makes_works(state: str):
    """Whatever else the state is, nobody is sent anywhere."""
    works = made(accepted(one_sleeve(), state=state))
    assert works.works.empty
    assert works.work_after.empty


def test_the_plain_sleeve():
    """Access, clean, look, flow control, sleeve, verify; each waits for all that prepares."""
    works = made(accepted(one_sleeve()))
    assert sorted(works.works["step"]) == sorted(
        ["check_access", "clean", "look", "flow_control", "sleeve", "verify"]
    )
    assert waits(works) == {
        ("clean", "check_access"),
        ("look", "clean"),
        ("flow_control", "check_access"),
        ("flow_control", "clean"),
        ("flow_control", "look"),
        ("sleeve", "flow_control"),
        ("verify", "sleeve"),
    }
    rows = works.works.set_index("step")
    assert rows.loc["sleeve", ["from_m", "to_m"]].tolist() == [4.5, 6.5]
    assert rows.loc["clean", ["from_m", "to_m"]].tolist() == [0.0, 40.0]
    assert set(works.works["urgency"]) == {"this_year"}
    assert works.works["work_id"].tolist() == [f"W-{at:06d}" for at in range(1, 7)]


def test_the_whole_chain_in_its_order():
    """Each step of DESIGN 3.10 comes after all that stand before it there."""
    tables = one_sleeve(first="cut_roots+grout", covers=[("S-1", "p1@5")], laterals=[lateral(5)])
    tables["sleeves"]["laterals_unknown"] = pd.array([True], dtype="boolean")
    works = made(accepted(tables))
    order = [
        {"check_access"},
        {"clean"},
        {"cut_roots"},
        {"clean_again"},
        {"prove_laterals", "look"},
        {"grout"},
        {"flow_control"},
        {"sleeve"},
        {"reopen"},
        {"verify"},
    ]
    assert set(works.works["step"]) == set().union(*order)
    for at, group in enumerate(order):
        earlier = set().union(*order[:at])
        if group == {"grout"}:
            earlier -= {"prove_laterals"}
        for step in group:
            assert before(works, step) == earlier
    assert works.works.set_index("step").loc["grout", ["from_m", "to_m"]].tolist() == [5.0, 6.0]


def test_a_sleeve_waits_for_a_dig_on_its_pipe():
    """A span that only a dig mends is dug up first."""
    tables = town(
        [span("D-1", 5, 6), span("D-2", 20, 22)],
        [verdict("D-1"), verdict("D-2", sleeve="closed", verdict="dig", urgency="now")],
        [sleeve("S-1", 4.5, 6.5)],
        [("S-1", "D-1")],
    )
    works = made(accepted(tables))
    assert ("flow_control", "dig") in waits(works)
    row = works.works.set_index("step").loc["dig"]
    assert (row["from_m"], row["to_m"], row["urgency"]) == (20.0, 22.0, "now")


def test_a_liner_waits_for_digs_and_reopens_each_live_lateral():
    """Flow control before it; one reopening work for the pipe; laterals proved if unknown."""
    tables = town(
        [span("D-1", 5, 6), span("D-2", 20, 22)],
        [verdict("D-1"), verdict("D-2", liner="closed")],
        laterals=[lateral(3), lateral(9, "closed")],
        pipes=[pipe(laterals_known_from_m=None, laterals_known_to_m=None)],
    )
    works = made(accepted(tables, "dig_liner"))
    assert before(works, "liner") == {
        "check_access",
        "clean",
        "look",
        "prove_laterals",
        "dig",
        "flow_control",
    }
    assert before(works, "verify") >= {"liner", "reopen"}
    reopen = works.works.set_index("step").loc["reopen"]
    assert reopen["reason"].startswith("1 laterals")


def test_a_dig_alone_needs_access_only():
    """No cleaning and no look before the pipe is dug up."""
    works = made(accepted(one_sleeve(first="cut_roots"), "dig"))
    assert waits(works) == {("dig", "check_access")}
    assert sorted(works.works["step"]) == ["check_access", "dig"]


def test_upkeep_and_watching():
    """A maintained span is cleaned and cut, a watched one is watched; no sleeve anywhere."""
    tables = town(
        [span("D-1", 5, 6), span("D-2", 20, 22)],
        [
            verdict("D-1", needs="maintain", verdict="maintain", first="cut_roots"),
            verdict("D-2", needs="watch", verdict="watch"),
        ],
    )
    works = made(accepted(tables, "watch"))
    assert sorted(works.works["step"]) == [
        "check_access",
        "clean",
        "clean_again",
        "cut_roots",
        "watch",
    ]


def test_two_spans_at_one_place_make_one_cut():
    """The same work twice is one work, as urgent as the worse of the two."""
    tables = town(
        [span("D-1", 5, 6), span("D-2", 5, 6)],
        [
            verdict("D-1", first="cut_roots", urgency="programme"),
            verdict("D-2", first="cut_roots", urgency="now"),
        ],
        [sleeve("S-1", 4.5, 6.5)],
        [("S-1", "D-1"), ("S-1", "D-2")],
    )
    cuts = made(accepted(tables)).works.query("step == 'cut_roots'")
    assert cuts["urgency"].tolist() == ["now"]


FRIDAY, THURSDAY, WEDNESDAY = "2026-02-27", "2026-02-26", "2026-02-25"


@pytest.mark.parametrize(
    ("day", "holds"),
    # Working days up to Monday 2 March: Friday 1, Thursday 2, Wednesday 3; good for 2.
    [(FRIDAY, True), (THURSDAY, True), (WEDNESDAY, False)],
)
def test_a_cleaning_holds_for_two_working_days(day: str, holds: bool):
    """A weekend does not make it old; a stale one is flagged and to be done again."""
    works = made(accepted(one_sleeve()), {"step": "clean", "done_on": day})
    assert ("clean" not in open_steps(works)) == holds
    assert ("holds for 2: not counted" in " ".join(works.flags["what"])) != holds


def test_a_look_holds_for_longer_but_not_for_ever():
    """400 days by the packaged setting: 2025-01-26 is 400 days before, the day before is not."""
    tables = one_sleeve(surveyed_on="2024-05-01")
    assert "look" not in open_steps(
        made(accepted(tables), {"step": "look", "done_on": "2025-01-26"})
    )
    assert "look" in open_steps(made(accepted(tables), {"step": "look", "done_on": "2025-01-25"}))
    never = made(accepted(tables), {"step": "look", "done_on": "2024-06-01"}, first_day="")
    assert "look" not in open_steps(never)


def test_what_is_in_the_ground_does_not_grow_old():
    """A sleeve set three years ago is still set."""
    tables = one_sleeve(surveyed_on="2022-01-01")
    works = made(
        accepted(tables), {"step": "sleeve", "from_m": 4.5, "to_m": 6.5, "done_on": "2023-01-01"}
    )
    assert open_steps(works) == {"verify"}


def test_a_row_older_than_the_survey_does_not_count():
    """The camera came after it and saw what it saw."""
    works = made(accepted(one_sleeve(surveyed_on="2026-02-27")), {"step": "look"})
    assert "look" in open_steps(works)
    assert works.flags["what"].tolist() == [
        "look: older than the survey of 2026-02-27: not counted"
    ]
    assert "look" not in open_steps(
        made(accepted(one_sleeve(surveyed_on="2026-02-26")), {"step": "look"})
    )


@pytest.mark.parametrize(
    ("spread", "covered"),
    [
        ([(None, None)], True),
        ([(0, 39.8)], True),
        ([(0, 39.6)], False),
        ([(0.3, 40)], True),
        ([(0.4, 40)], False),
        ([(20, 40), (0, 20.1)], True),
        ([(0, 18), (20, 40)], False),
        ([(None, 20), (20, None)], True),
    ],
)
def test_rows_cover_a_stretch_alone_or_together(spread: list, covered: bool):
    """Within 0.3 m, the doubt of finding a place again; a hole leaves it to do."""
    rows = [{"step": "clean", "from_m": one, "to_m": other} for one, other in spread]
    works = made(accepted(one_sleeve()), *rows)
    assert ("clean" not in open_steps(works)) == covered


def test_done_by_names_the_rows():
    """Both rows that cover the pipe together stand in done_by."""
    rows = [{"step": "clean", "from_m": 0, "to_m": 20}, {"step": "clean", "from_m": 20, "to_m": 40}]
    works = made(accepted(one_sleeve()), *rows)
    assert works.works.set_index("step").loc["clean", "done_by"] == "r1+r2"


def test_a_cut_makes_an_earlier_look_worthless():
    """Looked on Thursday, cut on Friday: look again; looked on Friday after it: fine."""
    tables = accepted(one_sleeve(first="cut_roots"))
    cut = {"step": "cut_roots", "done_on": FRIDAY}
    works = made(tables, cut, {"step": "look", "done_on": THURSDAY})
    assert {"look", "clean_again"} <= open_steps(works)
    assert "look again" in works.flags["what"].iloc[0]
    clean = {"step": "clean", "done_on": FRIDAY}
    works = made(tables, cut, clean, {"step": "look", "done_on": FRIDAY})
    assert open_steps(works) == {"flow_control", "sleeve", "verify"}


def test_a_look_before_a_cut_that_is_still_to_do_frees_nothing():
    """The cut will come, so the look must come again."""
    works = made(accepted(one_sleeve(first="cut_roots")), {"step": "look", "done_on": FRIDAY})
    assert {"look", "cut_roots"} <= open_steps(works)


def test_grouting_comes_after_a_look_and_asks_for_another():
    """Before it the look holds; once it is done the look must come again, then the sleeve."""
    tables = accepted(one_sleeve(first="grout"))
    look = {"step": "look", "done_on": THURSDAY}
    works = made(tables, look)
    assert "look" not in open_steps(works)
    assert ("flow_control", "look") in waits(works)
    grout = {"step": "grout", "from_m": 5, "to_m": 6, "done_on": FRIDAY}
    works = made(tables, look, grout)
    assert "look" in open_steps(works)
    assert "grout" not in open_steps(works)
    assert "look" not in open_steps(made(tables, grout, {"step": "look", "done_on": FRIDAY}))


@pytest.mark.parametrize(
    ("access", "reports", "free"),
    [
        (("open", "key"), [], True),
        (("open", "unknown"), [], False),
        (("unknown", "buried"), ["p1-a"], False),
        (("unknown", "buried"), ["p1-a", "p1-b"], True),
        (("open", "private"), ["p1-b"], True),
    ],
)
def test_access_of_both_ends(access: tuple[str, str], reports: list[str], free: bool):
    """Known from the network, or somebody was there; both manholes are opened."""
    nodes = [node("p1-a", access[0]), node("p1-b", access[1])]
    rows = [{"step": "check_access", "pipe_id": "", "node_id": one} for one in reports]
    works = made(accepted(one_sleeve(nodes=nodes)), *rows)
    assert ("check_access" not in open_steps(works)) == free


def test_access_of_the_pipe_in_one_row():
    """A row that names the pipe speaks for both ends; an old one for none."""
    nodes = [node("p1-a", "buried"), node("p1-b", "buried")]
    tables = accepted(one_sleeve(nodes=nodes, surveyed_on="2020-01-01"))
    assert "check_access" not in open_steps(made(tables, {"step": "check_access"}))
    old = {"step": "check_access", "done_on": "2024-01-01"}
    assert "check_access" in open_steps(made(tables, old))
    node_row = {**old, "pipe_id": "", "node_id": "p1-a"}
    assert "check_access" in open_steps(made(tables, node_row, {**node_row, "node_id": "p1-b"}))


def two_sleeves() -> dict:
    return town(
        [span("D-1", 5, 6), span("D-2", 20, 21)],
        [verdict("D-1"), verdict("D-2", urgency="now")],
        [sleeve("S-1", 4.5, 6.5), sleeve("S-2", 19.5, 21.5)],
        [("S-1", "D-1"), ("S-2", "D-2")],
    )


def test_each_sleeve_goes_by_itself_after_what_prepares_the_pipe():
    """One sleeve does not wait for the other; each has the urgency of its own spans."""
    works = made(accepted(two_sleeves()))
    rows = works.works.set_index("work_id")
    for one, other in works.work_after.itertuples(index=False):
        pair = {rows.loc[one, "sleeve_id"], rows.loc[other, "sleeve_id"]} - {""}
        assert len(pair) <= 1
    urgent = rows[rows["step"] == "sleeve"].set_index("sleeve_id")["urgency"]
    assert urgent.to_dict() == {"S-1": "programme", "S-2": "now"}
    assert rows.loc[rows["step"] == "clean", "urgency"].tolist() == ["now"]


def test_one_of_two_sleeves_is_set():
    """The other still needs a clean pipe; what belonged to the first but its film is done."""
    rows = [{"step": "sleeve", "from_m": 4.4, "to_m": 6.4, "done_on": WEDNESDAY}]
    works = made(accepted(two_sleeves()), *rows).works
    todo = works[works["state"] == "todo"]
    assert sorted(todo["step"]) == ["clean", "flow_control", "look", "sleeve", "verify", "verify"]
    assert todo.loc[todo["step"] == "sleeve", "sleeve_id"].tolist() == ["S-2"]


def test_a_film_from_before_the_sleeve_is_not_its_film():
    """Verify and reopen rows count once the sleeve is set, not before."""
    tables = one_sleeve(covers=[("S-1", "p1@5")], laterals=[lateral(5)])
    rows = [{"step": one, "from_m": 4.5, "to_m": 6.5} for one in ("verify", "reopen")]
    assert {"verify", "reopen", "sleeve"} <= open_steps(made(accepted(tables), *rows))


@pytest.mark.parametrize("method", ["sleeve", "dig_liner", "dig", "watch"])
def test_report_all_works_done_and_nothing_is_left_to_do(method: str):
    """Each work reported by place as done, even weeks ago: no work is open."""
    tables = town(
        [span("D-1", 5, 6), span("D-2", 20, 22), span("D-3", 30, 31), span("D-4", 34, 35)],
        [
            verdict("D-1", first="cut_roots+grout"),
            verdict("D-2", sleeve="closed", liner="closed"),
            verdict("D-3", needs="maintain", verdict="maintain", first="descale"),
            verdict("D-4", needs="watch", verdict="watch"),
        ],
        [sleeve("S-1", 4.5, 6.5)],
        [("S-1", "D-1")],
        covers=[("S-1", "p1@5")],
        laterals=[lateral(5)],
        nodes=[node("p1-a", "buried"), node("p1-b", "open")],
        pipes=[pipe(laterals_known_to_m=20.0)],
    )
    if method == "watch":
        for name in ("sleeve", "liner", "dig"):
            tables["verdicts"][name] = "closed"
        tables["verdicts"]["needs"] = "watch"
    tables = accepted(tables, method)
    works = made(tables).works
    # Sleeve: the chain of 10 with a dig, D-3 descaled, D-4 watched = 13; a liner has its
    # laterals proved as well; digs: access, two digs, clean, descale, clean again, watch.
    assert len(works) == {"sleeve": 13, "dig_liner": 14, "dig": 7, "watch": 4}[method]
    rows = works[["step", "pipe_id", "from_m", "to_m"]].to_dict("records")
    again = made(tables, *({**row, "done_on": FRIDAY} for row in rows))
    assert open_steps(again) == set()
    assert again.works["work_id"].tolist() == works["work_id"].tolist()
    later = made(tables, *({**row, "done_on": FRIDAY} for row in rows), first_day="2026-05-04")
    # Nine weeks on a cleaning is stale, but there is nothing left to set after it.
    assert open_steps(later) == set()


def test_upkeep_is_not_settled_by_a_sleeve_elsewhere():
    """The scale that is to be maintained is still there once the sleeve is set."""
    tables = town(
        [span("D-1", 5, 6), span("D-2", 20, 22)],
        [
            verdict("D-1", first="cut_roots"),
            verdict("D-2", needs="maintain", verdict="maintain", first="descale"),
        ],
        [sleeve("S-1", 4.5, 6.5)],
        [("S-1", "D-1")],
    )
    rows = [{"step": one, "from_m": 4.5, "to_m": 6.5} for one in ("sleeve", "verify")]
    assert open_steps(made(accepted(tables), *rows)) == {"descale"}


def test_rows_that_name_nothing_there_are_flagged():
    """A slip in a pipe or node id is not lost in silence."""
    works = made(
        accepted(one_sleeve()),
        {"step": "clean", "pipe_id": "p9"},
        {"step": "check_access", "pipe_id": "", "node_id": "n9"},
    )
    assert works.flags["what"].tolist() == [
        "clean: there is no pipe p9: not counted",
        "check_access: there is no node n9: not counted",
    ]


def test_works_keep_their_ids_when_a_sleeve_slides_a_little():
    """Moved by 0.2 m it is the same work; the one that went is named."""
    first = made(accepted(two_sleeves())).works
    known = learn(NOTHING_KNOWN, "work", first, first["work_id"])
    moved = town(
        [span("D-1", 5.2, 6.2)], [verdict("D-1")], [sleeve("S-9", 4.7, 6.7)], [("S-9", "D-1")]
    )
    works = make_works(accepted(moved), done(), known, WEEK, first_day=MONDAY)
    old = first[first["sleeve_id"] != "S-2"]
    pd.testing.assert_series_equal(
        works.works.set_index("work_id")["step"], old.set_index("work_id")["step"]
    )
    assert sorted(works.lost_ids["id"]) == sorted(first.loc[first["sleeve_id"] == "S-2", "work_id"])


def test_sleeves_then_liner_reported_in_their_order():
    """The sleeve's film does not stand for the liner's; once all is reported nothing is open."""
    tables = town(
        [span("D-1", 5, 6), span("D-2", 20, 22)],
        [verdict("D-1", liner="closed", dig="closed"), verdict("D-2", sleeve="closed")],
        [sleeve("S-1", 4.5, 6.5)],
        [("S-1", "D-1")],
        covers=[("S-1", "p1@5")],
        laterals=[lateral(5)],
    )
    tables = accepted(tables, "sleeve_liner")
    works = made(tables).works
    rows = works[["step", "pipe_id", "sleeve_id", "from_m", "to_m"]].to_dict("records")
    of_sleeve = [{**row, "done_on": FRIDAY} for row in rows if row.pop("sleeve_id")]
    half = made(tables, *of_sleeve).works
    open_ = half[half["state"] == "todo"]
    assert set(open_.loc[open_["sleeve_id"] == "", "step"]) >= {"flow_control", "liner", "verify"}
    assert set(half.loc[half["sleeve_id"] == "S-1", "state"]) == {"done"}
    whole = made(tables, *({**row, "done_on": FRIDAY} for row in rows))
    assert open_steps(whole) == set()
