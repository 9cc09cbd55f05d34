"""`sleeveplan report`: rows are taken once, refused ones told, and the next plan knows."""

from __future__ import annotations

import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from evil_project import Evil, write_evil
from reported import write_events
from small_project import CREWS
from typer.testing import CliRunner

from planner.cli import app
from planner.contracts import EVENTS
from planner.folder import accept_form, check_project, run_project, write_run
from planner.journal import report_form
from planner.outputs.summary import summary_lines
from planner.plan import Plan
from planner.store.chosen import STORE
from planner.store.decisions import open_store
from planner.tables import check
from tests.conftest import copy_town
from tests.test_same_bytes import contents

TODAY = "2026-01-16"
CREW = (
    CREWS.replace('"P1"', '"pack"')
    .replace('["mon"]', '["mon", "tue", "wed", "thu", "fri"]')
    .replace(
        'steps = ["sleeve"]',
        'steps = ["clean", "look", "resurvey", "flow_control", "sleeve", "reopen", "verify"]',
    )
)


@pytest.fixture(scope="module")
def origin(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A pipe with two sleeves, accepted and planned: W-000004 to 6 at 12-13 m, 7 to 9 at 19.5."""
    folder = write_evil(tmp_path_factory.mktemp("origin") / "town", Evil())
    (folder / "crews.toml").write_text(CREW, "utf-8")
    settings = "\n[week]\niterations = 50\nrounds = 1\n"
    (folder / "planner.toml").write_text((folder / "planner.toml").read_text("utf-8") + settings)
    form = folder / "accept.csv"
    form.write_text("pipe_id,decision,by,on,reason,span_id\nP1,accept,Eve,2026-01-09,seen,\n")
    assert accept_form(folder, form)[-1] == "1 decisions taken, 0 refused or known"
    made = run_project(folder)
    works = made.tables["works"].set_index("work_id")
    assert works.loc["W-000005", ["step", "from_m", "to_m"]].tolist() == ["sleeve", 12.0, 13.0]
    assert works.loc["W-000008", ["step", "from_m", "to_m"]].tolist() == ["sleeve", 19.5, 20.5]
    return folder


@pytest.fixture
def folder(origin: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(origin, tmp_path / "town"))


def report(folder: Path, *rows: dict[str, Any], today: str = TODAY) -> list[str]:
    base = {"by": "Ada", "crew": "North", "at": "2026-01-12T10:00", "kind": "done"}
    form = write_events(folder / "e.csv", *({**base, **row} for row in rows))
    return report_form(folder, form, today)


def done_all(folder: Path, made: Plan, at: str = "2026-01-16T10:00") -> list[str]:
    """Report every work of a plan that is to do."""
    works = made.tables["works"]
    todo = works.loc[works["state"] == "todo", "work_id"]
    return report(folder, *({"work_id": one, "at": at} for one in todo))


def todo(made: Plan) -> set[str]:
    works = made.tables["works"]
    return set(works.loc[works["state"] == "todo", "step"])


def test_each_row_is_taken_once_and_never_rewritten(folder: Path):
    first = {"work_id": "W-000005", "note": "first"}
    lines = report(folder, first, {"work_id": "W-000006"}, first)
    assert lines[0] == "e.csv, row 4: known already, as row 2 of the form"
    assert lines[-1] == "2 events taken, 0 refused, 1 known already"
    before = open_store(folder / STORE).read_events()
    check(before, EVENTS)
    lines = report(folder, {**first, "note": "another note"}, {"work_id": "W-000004"})
    assert lines[0] == "e.csv, row 2: known already, as E-000001"
    after = open_store(folder / STORE).read_events()
    assert after["event_id"].tolist() == ["E-000001", "E-000002", "E-000003"]
    pd.testing.assert_frame_equal(after.iloc[:2], before)
    assert after["note"].tolist()[0] == "first"


# A row that cannot be taken, and what its line says of it.
REFUSED: list[tuple[dict[str, Any], str]] = [
    ({"work_id": "W-000099"}, "column work_id: found W-000099; wanted a work that was planned"),
    ({"work_id": "W-000005", "step": "verify"}, "column step: found verify; wanted sleeve"),
    ({"work_id": "W-000005", "pipe_id": "P2"}, "column pipe_id: found P2; wanted P1"),
    ({"work_id": "W-000005", "from_m": 30, "to_m": 31}, "wanted about 12.00 to 13.00 m"),
    ({"step": "clean", "pipe_id": "P9"}, "column pipe_id: found P9; wanted a pipe of the"),
    ({"step": "check_access", "node_id": "Z"}, "column node_id: found Z; wanted a node of the"),
    ({"work_id": "W-000005", "system": "steel"}, "wanted a name in systems.toml"),
    ({"kind": "started", "step": "grout", "pipe_id": "P1"}, "wanted a work that is planned"),
    ({"step": "sleeve", "pipe_id": "P1", "from_m": 10, "to_m": 30},
     "W-000005 from 12.00 to 13.00 m and W-000008 from 19.50 to 20.50 m lie there"),
    ({"work_id": "W-000003", "kind": "failed", "reason": "leaks"}, "what failed is the sleeve"),
    ({"work_id": "W-000003", "kind": "failed", "reason": "odour", "spent": "yes"},
     "column spent: found True; wanted blank"),
    ({"work_id": "W-000005", "kind": "failed", "reason": "machine_failed"},
     "column in_pipe: found nothing; wanted yes or no: machine_failed does not settle it"),
    ({"work_id": "W-000005", "kind": "failed", "reason": "wrong_packer"},
     "column spent: found nothing; wanted yes or no"),
    ({"work_id": "W-000005", "kind": "failed", "reason": "leaks", "spent": "no"},
     "column spent: found False; wanted yes"),
    ({"work_id": "W-000005", "kind": "freed"}, "this one is not held"),
    ({"work_id": "W-000005", "kind": "chargeable"}, "wanted a sleeve that is reported set"),
    ({"work_id": "W-000006", "kind": "chargeable"}, "wanted a work that is reported done"),
    ({"kind": "agreed", "about": "E-000007", "step": "clean"}, "an event of kind failed"),
    ({"kind": "taken_back", "about": "E-000007"}, "wanted an event of the journal"),
    ({"work_id": "W-000005", "at": "2026-01-17T08:00"}, "a day no later than 2026-01-16"),
]  # fmt: skip


def test_rows_about_nothing_are_one_line_each_and_cost_nothing_else(folder: Path):
    """All in one form behind one good row: as many lines, in their order, and the good row."""
    lines = report(folder, {"work_id": "W-000004"}, *(row for row, _ in REFUSED))
    assert len(lines) == len(REFUSED) + 2
    for number, (_, told) in enumerate(REFUSED):
        assert lines[number].startswith(f"e.csv, row {number + 3}, column ")
        assert told in lines[number]
    assert lines[-2] == "e.csv, row 2: done flow_control on pipe P1 from 12.00 to 13.00 m: W-000004"
    assert lines[-1] == f"1 events taken, {len(REFUSED)} refused, 0 known already"


def test_a_sleeve_is_set_once_and_fails_once(folder: Path):
    """A second report of another minute is refused, a second failure too, until it is cut out."""
    report(folder, {"work_id": "W-000005"})
    again = {"work_id": "W-000005", "at": "2026-01-12T11:00"}
    assert "one was set there at 2026-01-12T10:00 (E-000001)" in report(folder, again)[0]
    off = {**again, "kind": "failed", "reason": "resin_warm", "in_pipe": "no"}
    assert "it was set at 2026-01-12T10:00 (E-000001)" in report(folder, off)[0]
    bad = {**again, "kind": "failed", "reason": "fold"}
    lines = report(folder, bad, {**bad, "at": "2026-01-12T12:00"})
    assert "it failed at 2026-01-12T11:00 already" in lines[0]
    assert (
        "failed and was not cut out there" in report(folder, {**again, "at": TODAY + "T08:00"})[0]
    )
    cut = {"step": "cut_out", "pipe_id": "P1", "from_m": 12, "to_m": 13, "at": "2026-01-13T10:00"}
    lines = report(folder, cut, {**again, "at": "2026-01-14T11:00"})
    assert lines[-1].startswith("2 events taken, 0 refused")


def test_a_place_finds_its_work_and_what_finds_none_is_kept_as_done(folder: Path):
    lines = report(
        folder,
        {"step": "sleeve", "pipe_id": "P1", "from_m": 12.1, "to_m": 13.1},
        {"step": "grout", "pipe_id": "P1", "from_m": 30, "to_m": 31},
        {"step": "check_access", "node_id": "A"},
    )
    assert lines[0].endswith("done sleeve on pipe P1 from 12.10 to 13.10 m: W-000005")
    assert lines[1].endswith("from 30.00 to 31.00 m: no planned work lies there")
    assert lines[2].endswith("done check_access at A: W-000001")


def test_all_works_reported_done_leave_no_works(folder: Path):
    """Both sleeves set and filmed: the damage is mended, nothing is to do, nobody drives."""
    lines = done_all(folder, run_project(folder))
    assert lines[-1] == "6 events taken, 0 refused, 0 known already"
    made = run_project(folder)
    assert todo(made) == set()
    assert set(made.tables["spans"]["state"]) == {"mended"}
    assert made.tables["visits"].empty
    assert made.tables["waiting"].empty
    assert made.tables["choices"]["state"].tolist() == ["accepted"]
    states = made.tables["work_states"].set_index("work_id")["state"]
    assert set(states) == {"done"}
    assert {f"W-00000{n}" for n in range(4, 10)} <= set(states.index)
    assert made.tables["as_built"]["failed"].tolist() == [False, False]


def test_all_works_of_the_demo_town_reported_done_leave_no_works(
    demo_folder: Path, demo_plan: Plan, tmp_path: Path
):
    """More than one sort of work on many pipes: nothing is to do then."""
    town = copy_town(tmp_path / "town")
    shutil.copyfile(demo_folder / STORE, town / STORE)
    assert len(todo(demo_plan)) > 5
    lines = done_all(town, demo_plan)
    assert lines[-1].endswith(", 0 refused, 0 known already")
    made = run_project(town)
    assert todo(made) == set()
    assert made.tables["visits"].empty
    assert made.tables["audit"].empty


def test_half_of_the_works_leave_the_other_half(folder: Path):
    """The first sleeve set and filmed: the second stays accepted as it was, and is planned."""
    report(folder, *({"work_id": f"W-00000{n}"} for n in (4, 5, 6)))
    made = run_project(folder)
    works = made.tables["works"]
    left = works.loc[works["state"] == "todo", "work_id"].tolist()
    assert left == ["W-000007", "W-000008", "W-000009"]
    assert made.tables["spans"]["state"].tolist() == ["mended", "open"]
    (choice,) = made.tables["choices"].to_dict("records")
    assert (choice["state"], choice["by"]) == ("accepted", "Eve")
    assert choice["reason"].startswith("what is left of what was accepted: D-000001 mended since")
    assert len(made.tables["visits"]) == 1
    assert made.tables["audit"].empty


def test_a_sleeve_that_is_set_and_not_filmed_is_filmed(folder: Path):
    report(folder, {"work_id": "W-000004"}, {"work_id": "W-000005"})
    made = run_project(folder)
    works = made.tables["works"].set_index("work_id")["state"]
    assert (works["W-000005"], works["W-000006"]) == ("done", "todo")
    assert made.tables["spans"]["state"].tolist() == ["open", "open"]


def test_an_empty_journal_gives_the_same_bytes(folder: Path):
    """A form without rows, one with refused rows alone: every output as it was before."""
    first = contents(write_run(run_project(folder), folder))
    assert report(folder) == ["0 events taken, 0 refused, 0 known already"]
    report(folder, {"work_id": "W-000099"})
    second = contents(write_run(run_project(folder), folder))
    assert len(first) > 40
    assert [name for name in first if first[name] != second.get(name)] == []


def test_what_was_taken_back_cannot_be_taken_back_again(folder: Path):
    report(folder, {"work_id": "W-000005"})
    back = {"kind": "taken_back", "about": "E-000001", "at": "2026-01-12T11:00"}
    assert report(folder, back)[-1] == "1 events taken, 0 refused, 0 known already"
    assert "was taken back" in report(folder, {**back, "at": "2026-01-12T12:00"})[0]
    again = {"work_id": "W-000005", "at": "2026-01-12T11:00"}
    assert report(folder, again)[-1] == "1 events taken, 0 refused, 0 known already"


def test_a_failed_sleeve_holds_its_pipe_and_proposes_works(folder: Path):
    """Set, filmed, leaks: used up, for a person, nothing planned; cut out and freed, set anew."""
    report(folder, *({"work_id": f"W-00000{n}"} for n in (4, 5, 6)))
    bad = {"work_id": "W-000005", "kind": "failed", "reason": "leaks", "at": "2026-01-13T10:00"}
    report(folder, bad)
    made = run_project(folder)
    t = made.tables
    assert t["spans"]["state"].tolist() == ["failed_sleeve", "open"]
    first = t["verdicts"].iloc[0]
    assert (first["verdict"], first["sleeve"]) == ("refer", "closed")
    assert t["choices"]["state"].tolist() == ["held"]
    assert t["works"].empty
    assert t["visits"].empty
    assert sorted(t["proposed_works"]["step"]) == ["clean", "cut_out", "dig", "resurvey"]
    assert t["as_built"]["failed"].tolist() == [True]
    told = "\n".join(summary_lines(t, made.facts))
    assert "1 sleeves as built, 1 failed, 0 may be charged" in told
    assert "4 works proposed after failures:" in told
    yes = {"kind": "agreed", "by": "Eve", "about": "E-000004", "at": "2026-01-13T11:00"}
    agreed = [{**yes, "step": step} for step in ("cut_out", "resurvey")]
    assert report(folder, *agreed)[-1] == "2 events taken, 0 refused, 0 known already"
    assert report(folder, *agreed)[-1] == "0 events taken, 0 refused, 2 known already"
    made = run_project(folder)
    assert todo(made) == {"cut_out", "resurvey"}
    assert made.tables["audit"].empty
    cut = {"step": "cut_out", "pipe_id": "P1", "from_m": 12, "to_m": 13, "at": "2026-01-14T10:00"}
    report(folder, cut)
    held = run_project(folder).tables["works"].set_index("work_id")["held"]
    assert held["W-000005"].startswith("failed on 2026-01-13: it leaks when filmed")
    report(folder, {"work_id": "W-000005", "kind": "freed", "at": "2026-01-14T11:00"})
    made = run_project(folder)
    assert set(made.tables["works"]["held"]) == {""}
    assert {"look", "sleeve", "verify", "resurvey"} <= todo(made)
    assert made.tables["spans"]["state"].tolist() == ["open", "open"]
    assert made.tables["audit"].empty


def test_a_resurvey_that_is_agreed_is_driven_to(folder: Path):
    """Its pipe has no accepted choice any more; the audit knows why it is planned."""
    bad = {"work_id": "W-000005", "kind": "failed", "reason": "defect_worse"}
    report(folder, bad)
    yes = {"kind": "agreed", "about": "E-000001", "step": "resurvey", "at": "2026-01-12T11:00"}
    report(folder, yes)
    t = run_project(folder).tables
    driven = t["visits"].merge(t["setup_works"], on="setup_id").merge(t["works"], on="work_id")
    assert "resurvey" in set(driven["step"])
    assert "W-000005" not in set(driven["work_id"])
    assert t["audit"].empty


@pytest.mark.parametrize(
    ("until", "days"),
    [("2026-01-14", {"2026-01-14", "2026-01-15", "2026-01-16"}), ("2026-01-17", set())],
)
def test_a_work_put_off_is_not_driven_to_before_its_day(folder: Path, until: str, days: set[str]):
    report(folder, {"work_id": "W-000008", "kind": "deferred", "reason": "high_flow",
                    "until": until})  # fmt: skip
    t = run_project(folder).tables
    driven = t["visits"].merge(t["setup_works"], on="setup_id")
    on = set(driven.loc[driven["work_id"] == "W-000008", "date"])
    assert on <= days
    assert bool(on) == bool(days)
    assert t["audit"].empty
    if not days:
        waiting = t["waiting"].set_index("work_id")["reason"]
        assert waiting["W-000008"] == "put off until 2026-01-17: rain or high flow (E-000001)"


def test_measured_figures_reach_the_pipe_and_its_damage(folder: Path):
    report(
        folder,
        {"kind": "measured", "pipe_id": "P1", "inside_mm": 197, "laterals_known_from_m": 0,
         "laterals_known_to_m": 39.2},
        {"kind": "measured", "pipe_id": "P1", "from_m": 12, "to_m": 13, "find_from_m": 12.6,
         "find_to_m": 12.8},
    )  # fmt: skip
    t = run_project(folder).tables
    pipe = t["pipes"].set_index("pipe_id").loc["P1"]
    assert (pipe["inside_mm"], pipe["laterals_known_to_m"]) == (197, pytest.approx(39.2))
    assert t["spans"][["from_m", "to_m"]].iloc[0].tolist() == [12.6, 12.8]
    # 0.30 m overlap and 0.10 m doubt each end of 12.6-12.8 m: 12.2 to 13.2 m, just 1 m.
    assert t["sleeves"][["from_m", "to_m"]].iloc[0].tolist() == [12.2, 13.2]
    assert t["choices"]["reason"].iloc[0].startswith("changed since accepted")
    again = run_project(folder).tables
    assert again["spans"]["span_id"].tolist() == t["spans"]["span_id"].tolist()


def test_the_demo_is_as_it_was_but_for_the_journal(demo_plan: Plan):
    """No event: no sleeve as built that the form of done steps does not name, no work put off."""
    t = demo_plan.tables
    assert t["events"].empty
    assert set(t["works"]["held"]) == {""}
    assert set(t["spans"]["state"]) == {"open"}
    assert not [line for line in summary_lines(t, demo_plan.facts) if line.startswith("Journal")]


def test_check_knows_the_journal(folder: Path):
    report(folder, {"work_id": "W-000005"})
    lines = check_project(folder).lines
    assert "journal: 1 events (1 done), last at 2026-01-12T10:00" in lines
    assert any(line.startswith("flag: E-000001: system, dn_mm") for line in lines)


def test_the_command_takes_a_form(folder: Path):
    write_events(folder / "e.csv", {"kind": "done", "work_id": "W-000005", "by": "Ada",
                                    "at": "2026-01-12T10:00"})  # fmt: skip
    args = ["report", str(folder), str(folder / "e.csv"), "--on"]
    early = CliRunner().invoke(app, [*args, "2026-01-11"])
    assert "wanted a day no later than 2026-01-11" in early.output
    late = CliRunner().invoke(app, [*args, "2026-01-12"])
    assert late.output.splitlines()[-1] == "1 events taken, 0 refused, 0 known already"


def test_a_report_killed_again_and_again_is_whole(folder: Path):
    """Killed at two moments: none of the form's events, or all six."""
    rows = [{"kind": "done", "work_id": f"W-00000{n}", "by": "Ada", "at": "2026-01-12T10:00"}
            for n in range(4, 10)]  # fmt: skip
    form = write_events(folder / "e.csv", *rows)
    code = (
        "import sys; from pathlib import Path; from planner.journal import report_form; "
        "print('here', flush=True); report_form(Path(sys.argv[1]), Path(sys.argv[2]), '')"
    )
    for wait_s in (0.15, 0.6):
        with subprocess.Popen(
            [sys.executable, "-c", code, str(folder), str(form)], stdout=subprocess.PIPE, text=True
        ) as process:
            assert process.stdout is not None
            process.stdout.readline()
            time.sleep(wait_s)
            process.send_signal(signal.SIGKILL)
        assert len(open_store(folder / STORE).read_events()) in (0, 6)
    report_form(folder, form, "")
    assert len(open_store(folder / STORE).read_events()) == 6
