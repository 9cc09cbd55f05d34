"""A written run audited, edited by a person, planned again and accepted: from its folder alone."""

from __future__ import annotations

import csv
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from crew_town import CLEANERS, FIRST_DAY, LOCAL, crew, settings, stop, stop_town, ways_of
from small_project import write_project

from planner.contracts import TABLES, VISITS
from planner.contracts.facts import RunFacts
from planner.crews.week import plan_week
from planner.errors import FileError
from planner.folder import run_project, write_run
from planner.outputs.files import write_tables
from planner.outputs.read_back import read_table, read_tables
from planner.outputs.record import write_record
from planner.plan import Plan
from planner.runs import (
    WEEK_TABLES,
    accept_replan,
    audit_run,
    replan_project,
    run_folder,
    standing_run,
)
from planner.tables import empty

TUESDAY = "2026-03-03"
CREW = """
[[crew]]
crew = "North"
steps = ["clean", "look", "prove_laterals"]
yard_x = 400900.0
yard_y = 5900000.0
[[crew.shift]]
days = ["mon", "tue", "wed"]
start = "07:00"
end = "16:00"
"""
LOOKED = """step,pipe_id,node_id,done_on,by
clean,0017,,2026-01-09,Ada
prove_laterals,0017,,2026-01-12,North
look,0017,,2026-01-12,North
"""


@pytest.fixture(autouse=True)
def no_pictures(monkeypatch: pytest.MonkeyPatch) -> None:
    """Maps and sheets have tests of their own: here they only cost time."""
    monkeypatch.setattr("planner.folder.draw_map", lambda *_: "")
    monkeypatch.setattr("planner.folder.write_sheets", lambda *_: [])


@pytest.fixture(scope="module")
def town(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with one run of five stops and two crews, one of a risky name; read only."""
    folder = tmp_path_factory.mktemp("audited")
    rows = [stop(f"U{n}", 900.0 * n, 300.0, work_s=9000) for n in range(5)]
    crews = [crew("Alpha", CLEANERS), crew("=Beta", CLEANERS, yard_x=403_000.0)]
    tables: dict[str, pd.DataFrame] = stop_town(rows, crews, [("W-U3", "W-U2")], valid_days=2)
    chosen = settings(days=3, iterations=50)
    days = plan_week(tables, ways_of(tables, chosen.week), chosen.week, first_day=FIRST_DAY, seed=1)
    tables |= {"visits": days.visits, "unserved": days.unserved}
    known = {table.name: table for table in TABLES}
    tables |= {name: empty(known[name], crs=LOCAL) for name in WEEK_TABLES if name not in tables}
    run = folder / "out" / "0007"
    run.mkdir(parents=True)
    facts = RunFacts("T", FIRST_DAY, "EUR", "metric", LOCAL, LOCAL, False, True, True, "0")
    write_tables(tables, facts, run)
    chosen = chosen.model_copy(
        update={"project": chosen.project.model_copy(update={"first_day": FIRST_DAY})}
    )
    write_record(run, chosen, {}, facts)
    return folder


Change = Callable[[list[dict[str, str]]], None]


def edited(town: Path, path: Path, change: Change, columns: tuple[str, ...] = ()) -> Path:
    """Copy the run's visits.csv as a person would change it."""
    with (town / "out" / "0007" / "tables" / "visits.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    change(rows)
    names = list(columns or rows[0])
    with path.open("w", newline="") as file:
        writer = csv.DictWriter(file, names, extrasaction="ignore")
        writer.writeheader()
        writer.writerows(rows)
    return path


def test_tables_come_back_as_they_were_written(town: Path) -> None:
    """Text that could run, figures to the last digit, shapes to a micrometre."""
    run = town / "out" / "0007"
    visits = read_tables(run, [VISITS], LOCAL)["visits"]
    assert "=Beta" in set(visits["crew"])
    again = read_tables(run, [t for t in TABLES if t.name == "setups"], LOCAL)["setups"]
    assert again.geometry.x.tolist() == pytest.approx([400_000 + 900 * n for n in range(5)])  # type: ignore[attr-defined]


def test_a_run_as_planned_has_no_fault(town: Path) -> None:
    """Nothing but what the folder holds; the newest run, or the one named."""
    for name in ("", "7", "0007"):
        found = audit_run(town, name)
        assert not found.faulty
        assert found.lines == ["5 visits of run 0007: no fault"]
    with pytest.raises(FileError, match="no run 3"):
        audit_run(town, "3")


def set_of(row: int, column: str, value: str) -> Change:
    """Change one cell."""

    def change(rows: list[dict[str, str]]) -> None:
        rows[row][column] = value

    return change


@pytest.mark.parametrize(
    ("row", "column", "value", "told"),
    [
        (1, "setup_id", "U9", "row 3, column setup_id: found U9; wanted a set-up of the run"),
        (2, "setup_id", "", "row 4, column setup_id: found nothing; wanted text"),
        (0, "crew", "Alhpa", "row 2, column crew: found Alhpa; wanted a crew of the run; did you"),
        (0, "date", "2026-03-09", "row 2, column date: found 2026-03-09; wanted a day of the week"),
        (3, "date", "03/04/2026", "row 5, column date: found 03/04/2026; wanted a day as"),
        (0, "crew", "", "row 2, column date: found 2026-03-0"),
        (2, "start_s", "9:75", "row 4, column start_s: found 9:75; wanted seconds from midnight"),
        (2, "end_s", "", "row 4, column end_s: found nothing; wanted a figure; --retime"),
        (1, "seq", "1.5", "row 3, column seq: found 1.5; wanted a whole number"),
    ],
)
def test_a_bad_edit_is_one_line(
    town: Path, tmp_path: Path, row: int, column: str, value: str, told: str
) -> None:
    """File, row, column, found, wanted; what hangs on the row is a fault of its own."""
    path = edited(town, tmp_path / "mine.csv", set_of(row, column, value))
    found = audit_run(town, visits=path)
    assert found.faulty
    assert len([line for line in found.lines if line.startswith(f"{path}, {told}")]) == 1
    assert any(line.startswith("lost: U") for line in found.lines)


def test_a_setup_twice_is_told_with_its_first_row(town: Path, tmp_path: Path) -> None:
    """The second row is left out."""

    def change(rows: list[dict[str, str]]) -> None:
        rows[4]["setup_id"] = rows[0]["setup_id"]

    found = audit_run(town, visits=edited(town, tmp_path / "m.csv", change))
    assert any("wanted each set-up once; it stands in row 2" in line for line in found.lines)


def test_a_later_start_is_audited_as_written(town: Path, tmp_path: Path) -> None:
    """A start at 15:00, as a clock: work of 2.5 h ends at 17:30, the street is free till 17."""

    def change(rows: list[dict[str, str]]) -> None:
        rows[0] |= {"start_s": "15:00", "end_s": "17:30"}

    found = audit_run(town, visits=edited(town, tmp_path / "late.csv", change))
    hours = [line for line in found.lines if line.startswith("window: ")]
    assert len(hours) == 1
    assert "found works 15:00:00 to 17:30:00 at n-U" in hours[0]
    assert hours[0].endswith("; wanted 08:00:00 to 17:00:00")


def test_times_are_set_anew_only_when_asked(town: Path, tmp_path: Path) -> None:
    """Who and when alone: without --retime no times, with it the very visits of the plan."""
    columns = ("setup_id", "crew", "date", "seq")
    path = edited(town, tmp_path / "who.csv", lambda _: None, columns)
    with pytest.raises(FileError, match="no figures in column arrive_s; --retime FILE"):
        audit_run(town, visits=path)
    found = audit_run(town, visits=path, retimed=tmp_path / "timed.csv")
    assert not found.faulty, found.lines
    anew = read_table(tmp_path / "timed.csv", VISITS)
    was = read_table(town / "out" / "0007" / "tables" / "visits.csv", VISITS)
    whole = ["visit_id", "arrive_s", "start_s", "end_s", "drive_s", "back_s"]
    assert anew[whole].to_dict() == was[whole].to_dict()


def test_a_swap_is_timed_anew_or_refused_with_the_reason(town: Path, tmp_path: Path) -> None:
    """All five stops of 2.5 h on one day of one crew: 8.5 h hold three, parking included."""

    def change(rows: list[dict[str, str]]) -> None:
        for number, row in enumerate(rows, start=1):
            row |= {"crew": "Alpha", "date": TUESDAY, "seq": str(number)}

    path = edited(town, tmp_path / "all.csv", change)
    found = audit_run(town, visits=path, retimed=tmp_path / "timed.csv")
    full = [line for line in found.lines if "no time is left for it after 3 stops" in line]
    assert len(full) == 2
    assert found.faulty
    assert len(read_table(tmp_path / "timed.csv", VISITS)) == 3


def test_a_blank_crew_takes_a_setup_off_the_week(town: Path, tmp_path: Path) -> None:
    """The last stop of a day; all times are set anew."""
    run = town / "out" / "0007" / "tables" / "visits.csv"
    visits = read_table(run, VISITS)
    alone = visits[~visits.duplicated(["crew", "date"], keep="last")]
    other = {"U2"}  # what U3 waits for cannot go alone
    row = next(n for n in [*alone.index, len(visits) - 1] if visits.at[n, "setup_id"] not in other)

    def change(rows: list[dict[str, str]]) -> None:
        rows[row] |= {"crew": "", "date": "", "seq": ""}

    path = edited(town, tmp_path / "off.csv", change)
    found = audit_run(town, visits=path, retimed=tmp_path / "timed.csv")
    assert not found.faulty, found.lines
    assert found.lines[0] == f"{visits.at[row, 'setup_id']}: taken off the week by hand"


@pytest.fixture(scope="module")
def first_plan(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Plan]:
    """Three pipes, a crew that looks, one plan."""
    folder = tmp_path_factory.mktemp("planned")
    write_project(folder, crews_toml=CREW)
    made = run_project(folder, assume_accepted=True)
    assert made.tables["visits"]["crew"].tolist() == ["North"]
    return folder, made


@pytest.fixture
def planned(first_plan: tuple[Path, Plan], tmp_path: Path) -> Path:
    """A copy of it, written as run 0001."""
    folder = shutil.copytree(first_plan[0], tmp_path / "town")
    write_run(first_plan[1], folder)
    return folder


def again(folder: Path, at: str, **more: Any) -> tuple[Path, list[str]]:
    return replan_project(folder, at, assume_accepted=True, **more)


def test_an_empty_journal_gives_the_same_bytes_and_stands_once_accepted(planned: Path) -> None:
    """Visits byte for byte, a clean audit; the old plan stands until somebody accepts the new.

    One made from a plan that no longer stands is not accepted, nor one twice, nor a plain plan.
    """
    with pytest.raises(FileError, match="not made by replan"):
        accept_replan(planned, "Ada", "2026-01-12")
    out, lines = again(planned, "2026-01-12T00:00")
    one, other = (planned / "out" / n / "tables" / "visits.csv" for n in ("0001", "0002"))
    assert one.read_bytes() == other.read_bytes()
    assert lines[1].endswith("0 moved, 0 dropped, 0 added, 1 kept")
    assert (out / "to_sign.txt").read_text().splitlines() == lines[1:]
    assert not audit_run(planned).faulty
    assert standing_run(planned).name == "0001"
    shutil.copytree(out, planned / "out" / "0003")
    assert accept_replan(planned, "Ada", "2026-01-12") == (
        "run 0003 stands from now on: accepted by Ada on 2026-01-12"
    )
    assert standing_run(planned).name == run_folder(planned).name == "0003"
    with pytest.raises(FileError, match="planned from run 0001, but 0003 stands now"):
        accept_replan(planned, "Ada", "2026-01-12", "2")
    with pytest.raises(FileError, match="accepted already"):
        accept_replan(planned, "Ada", "2026-01-12")


def test_what_nobody_reported_moves_and_what_is_done_leaves_no_work(planned: Path) -> None:
    """Tuesday noon: not looked on Monday, so it is on Tuesday; looked, so nothing is ahead."""
    out, lines = again(planned, "2026-01-13T12:00")
    visits = read_table(out / "tables" / "visits.csv", VISITS)
    assert visits["date"].tolist() == ["2026-01-13"]
    assert visits["start_s"].iloc[0] >= 12 * 3600
    assert lines[2].endswith("not reported as begun by 2026-01-13 12:00")
    assert not audit_run(planned).faulty
    (planned / "done.csv").write_text(LOOKED)
    out, lines = again(planned, "2026-01-13T12:00")
    visits = read_table(out / "tables" / "visits.csv", VISITS)
    assert visits["date"].tolist() == ["2026-01-12"]  # the one that took place
    assert lines[1].endswith("0 moved, 0 dropped, 0 added, 1 kept")
    assert not audit_run(planned).faulty


def test_the_week_rolls_on(planned: Path) -> None:
    """An instant behind the week wants a later first day; what was not served is then planned."""
    with pytest.raises(FileError, match="lies behind the week from 2026-01-12 to 2026-01-16"):
        again(planned, "2026-01-19T06:00")
    out, _ = again(planned, "2026-01-19T06:00", overrides={"project.first_day": "2026-01-19"})
    visits = read_table(out / "tables" / "visits.csv", VISITS)
    assert visits["date"].tolist() == ["2026-01-19"]
