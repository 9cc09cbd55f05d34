"""A week changed by hand: kept as a run of its own, and planned again from how it stands."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pandas as pd
import pytest
from test_planner_desk import FRIDAY, MONDAY, TUESDAY, Desk

from planner.errors import FileError
from planner.kept import keep_week
from planner.runs import (
    ACCEPTED,
    AGAIN,
    LEFT,
    accept_replan,
    audit_run,
    leave_replan,
    replan_project,
    run_folder,
    standing_run,
    waiting_replan,
)


@pytest.fixture
def desk(desk_town, tmp_path):
    return Desk(shutil.copytree(desk_town, tmp_path / "town"))


def test_a_week_that_was_changed_is_kept_whole(desk):
    """Its run stands, with the visits of the page, drives drawn, totals and an audit of it."""
    one = desk.day("North", MONDAY)[0][0]
    desk.change(one, "move", day=f"{FRIDAY}|North", after="")
    desk.change(desk.day("South", TUESDAY)[0][0], "promise", promise_on=TUESDAY)
    by_hand = desk.weeks.now()
    assert by_hand.changed == {("North", MONDAY), ("North", FRIDAY)}
    out, lines = keep_week(desk.folder, "Ada", "2026-01-11")
    assert lines == ["run 0002: run 0001 as changed by hand, kept by Ada on 2026-01-11"]
    assert standing_run(desk.folder) == out
    assert json.loads((out / "kept.json").read_text())["from"] == "0001"
    now = desk.weeks.now()
    assert now.name == "0002"
    assert not now.changed
    assert now.visits.equals(by_hand.visits)
    tables = now.tables
    assert tables["audit"].empty
    assert set(tables["legs"]["visit_id"]) == set(now.visits["visit_id"])
    routes = tables["quantity_sums"]
    keys = set(routes.loc[routes["level"] == "route", "key"])
    assert f"North|{FRIDAY}" in keys
    hours = tables["setup_hours"]
    promised = set(hours.loc[hours["promised"], "setup_id"])
    assert promised == {str(tables["pins"].set_index("for_date").loc[TUESDAY, "setup_id"])}
    assert (out / "map.html").is_file()
    # The audit from the tables alone, as `sleeveplan audit` does it.
    assert audit_run(desk.folder).lines == ["6 visits of run 0002: no fault"]
    with pytest.raises(FileError, match="nobody changed its week"):
        keep_week(desk.folder, "Ada", "2026-01-11")


def test_a_week_whose_settings_changed_is_not_kept(desk):
    """The first day moved on: sheets of it would say what does not hold."""
    desk.change("U-000001", "defer", not_before=FRIDAY)
    path = desk.folder / "planner.toml"
    path.write_text(path.read_text().replace("2026-01-12", "2026-01-19"))
    with pytest.raises(FileError, match="another first day"):
        keep_week(desk.folder, "Ada", "2026-01-11")


@pytest.fixture
def written(monkeypatch) -> list:
    """What is written as a run, without its drawings."""
    plans = []

    def write(made, folder: Path, beside) -> Path:
        name = f"{len(list((folder / 'out').iterdir())) + 1:04d}"
        from desk_town import keep_tables

        run = keep_tables(folder, made, name)
        beside(run)
        plans.append(made)
        return run

    monkeypatch.setattr("planner.runs.write_run", write)
    return plans


def test_planning_again_begins_with_the_week_as_it_stands(desk, written):
    """Nothing happened but one move by hand: planned again, all stays, the move with it."""
    one = desk.day("North", MONDAY)[0][0]
    desk.change(one, "move", day=f"{FRIDAY}|North", after="")
    standing = desk.weeks.now().visits
    out, lines = replan_project(desk.folder, f"{MONDAY}T06:00")
    made = written[0]
    assert lines[1] == f"TO SIGN: plan from {MONDAY}T06:00 on: 0 moved, 0 dropped, 0 added, 6 kept"
    columns = ["setup_id", "crew", "date"]
    now = made.tables["visits"][columns].sort_values("setup_id").reset_index(drop=True)
    was = standing[columns].sort_values("setup_id").reset_index(drop=True)
    assert now.equals(was)
    assert made.tables["audit"].empty
    assert waiting_replan(desk.folder) == out
    assert desk.weeks.now().name == "0001"


def test_planning_again_mends_a_day_that_was_filled_too_full(desk, written):
    """Three stops on North's Monday fit no shift: the one put there by hand has no place, told."""
    one = desk.day("South", TUESDAY)[0][0]
    desk.change(one, "move", day=f"{MONDAY}|North", after="")
    assert not desk.weeks.now().tables["audit"].empty
    replan_project(desk.folder, f"{MONDAY}T06:00")
    made = written[0]
    assert made.tables["audit"].empty
    changes = made.tables["plan_changes"].set_index("setup_id")
    visits = made.tables["visits"]
    there = visits[(visits["crew"] == "North") & (visits["date"] == MONDAY)]
    assert len(there) == 2
    # It is bound to that day: it stays there and another goes, or it has no place.
    assert one in set(there["setup_id"]) or changes.loc[one, "change"] == "dropped"


def test_a_plan_made_again_is_accepted_or_left_once(desk, written):
    """Left, it waits no more and cannot be accepted; accepted, it stands and cannot be left."""
    first, _ = replan_project(desk.folder, f"{MONDAY}T06:00")
    leave_replan(desk.folder, "Ada", MONDAY, first.name)
    assert json.loads((first / LEFT).read_text()) == {"by": "Ada", "on": MONDAY}
    assert waiting_replan(desk.folder) is None
    with pytest.raises(FileError, match="was left already"):
        accept_replan(desk.folder, "Ada", MONDAY, first.name)
    second, _ = replan_project(desk.folder, f"{MONDAY}T06:00")
    assert waiting_replan(desk.folder) == second
    accept_replan(desk.folder, "Ada", MONDAY, second.name)
    assert (second / ACCEPTED).is_file()
    assert standing_run(desk.folder) == second
    with pytest.raises(FileError, match="waits for an answer"):
        leave_replan(desk.folder, "Ada", MONDAY, second.name)
    assert run_folder(desk.folder, "1").name == "0001"
    with pytest.raises(FileError, match="waits for an answer"):
        leave_replan(desk.folder, "Ada", MONDAY, "0001")


def test_the_difference_list_is_shown_before_it_is_accepted(desk, written):
    """One stop failed for good: the page lists what is dropped and why, and who answers."""
    one = desk.day("South", MONDAY)[0][0]
    links = desk.weeks.now().tables["setup_works"]
    own = sorted(links.loc[links["setup_id"] == one, "work_id"])
    form = {"setup": one, "work": own, "kind": "failed", "reason": "manhole_sealed",
            "at": f"{MONDAY}T08:30", "crew": "South"}  # fmt: skip
    assert desk.by().post("/planner/report", data=form).status_code == 200
    out, _ = replan_project(desk.folder, f"{MONDAY}T10:00")
    assert (out / AGAIN).is_file()
    assert "waits for an answer" in desk.by().get("/planner").text
    page = desk.by().get("/planner/again").text
    assert "TO SIGN: plan from 2026-01-12T10:00 on" in page
    changes = pd.read_csv(out / "tables" / "plan_changes.csv", dtype=str)
    for setup_id in changes.loc[changes["change"] != "kept", "setup_id"]:
        assert f"<td>{setup_id}</td>" in page
    assert "You answer as Ada" in page
    answer = desk.by().post("/planner/accept", data={"run": out.name})
    assert answer.headers["HX-Redirect"] == "/planner"
    assert desk.weeks.now().name == out.name
    assert "No plan made again waits" in desk.by().get("/planner/again").text
    assert desk.by().post("/planner/leave", data={"run": out.name}).status_code == 409
