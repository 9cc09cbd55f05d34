"""Bad input from the command line: one clear line each, the rest goes on, the exit code says which.

Exit codes: 0 made or clean, 1 faults or refused rows where asked, 2 nothing could be made.
"""

from __future__ import annotations

import json
import sqlite3
from dataclasses import dataclass
from pathlib import Path

import pytest
from small_project import PROJECT, SURVEYS, write_project

from planner import cli


@dataclass(frozen=True)
class Ran:
    """What one command printed and exited with."""

    code: int
    out: str
    err: str

    def lines(self, word: str) -> list[str]:
        return [line for line in (self.out + self.err).splitlines() if word in line]


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]):
    """Run the command in this process."""

    def of(*words: str) -> Ran:
        monkeypatch.setattr("sys.argv", ["sleeveplan", *words])
        with pytest.raises(SystemExit) as left:
            cli.main()
        told = capsys.readouterr()
        assert "Traceback" not in told.out + told.err
        return Ran(int(left.value.code or 0), told.out, told.err)

    return of


def balanced(ran: Ran) -> bool:
    return bool(ran.lines("books: ")) and not ran.lines("DO NOT BALANCE")


@pytest.mark.parametrize(
    ("name", "text", "said"),
    [
        ("pipes_geojson", "no layer at all", "pipes.geojson"),
        ("pipes_geojson", "{}", "pipes.geojson"),
        ("planner_toml", PROJECT.replace("[project]", '[project]\ncrs = "EPSG:1"'), "EPSG:1"),
        ("planner_toml", PROJECT.replace("zero_at", "zero_on"), "zero_on; did you mean zero_at?"),
        ("planner_toml", PROJECT + "\n[piepes]\nfile = 'x'\n", "[piepes]; did you mean pipes?"),
        ("planner_toml", PROJECT + '\n[rules]\nbook = "book.toml"\n', "book.toml"),
        ("planner_toml", "[project", "not valid TOML"),
    ],
)
def test_what_stops_a_run_is_one_line_and_exit_2(run, tmp_path, name, text, said) -> None:
    folder = write_project(tmp_path / "town", **{name: text})
    ran = run("plan", str(folder))
    assert ran.code == 2
    assert len(ran.err.strip().splitlines()) == 1
    assert said in ran.err
    assert not (folder / "out").exists()


def test_a_rulebook_with_an_unknown_column_names_it_and_the_nearest(run, tmp_path) -> None:
    rule = """
[book]
name = "mine"
version = "1"
covers = "cracks"
[[rule]]
id = "r"
title = "t"
about = "span"
mechanism = ["crack"]
when = [{column = "crack_mn", op = ">", value = 1, unit = "mm"}]
effect = "refer"
method = "sleeve"
because = "it is wide"
source = "none"
standing = "assumed"
since = "2026-01-01"
"""
    project = PROJECT + '\n[rules]\nbook = "book.toml"\n'
    folder = write_project(tmp_path / "town", planner_toml=project, book_toml=rule)
    ran = run("plan", str(folder))
    assert ran.code == 2
    assert len(ran.err.strip().splitlines()) == 1
    assert "crack_mn" in ran.err
    assert "crack_mm" in ran.err


def test_an_unreadable_survey_costs_only_itself(run, tmp_path) -> None:
    project = PROJECT + '[[inspections]]\nfile = "more.csv"\n'
    folder = write_project(tmp_path / "town", planner_toml=project)
    (folder / "more.csv").write_bytes(b"a\0b\0\xff\xfe\0")
    ran = run("check", str(folder))
    assert ran.code == 1
    assert len(ran.lines("fault: more.csv")) == 1
    assert balanced(ran)
    assert ran.lines("books: surveys.csv: rows read 8")


def test_an_empty_survey_is_said_and_costs_nothing(run, tmp_path) -> None:
    project = PROJECT + '[[inspections]]\nfiles = ["head.csv", "void.csv"]\n'
    head = SURVEYS.splitlines()[0] + "\n"
    folder = write_project(tmp_path / "town", planner_toml=project, head_csv=head)
    (folder / "void.csv").write_text("", "utf-8")
    ran = run("check", str(folder))
    assert ran.code == 1
    assert len(ran.lines("head.csv: a header and no rows")) == 1
    assert len(ran.lines("fault: void.csv")) == 1
    assert balanced(ran)


def test_unknown_code_far_distance_and_odd_clock_each_get_a_line(run, tmp_path) -> None:
    rows = [
        "R1,0017,A,2025-05-01,9,QQQ,A,,,",
        "R1,0017,A,2025-05-01,95.5,BAB,B,A,2,",
        "R1,0017,A,2025-05-01,-7,BAB,B,A,2,",
    ]
    folder = write_project(tmp_path / "town", surveys_csv=SURVEYS + "\n".join(rows) + "\n")
    ran = run("check", str(folder))
    assert ran.code == 1
    assert len(ran.lines("code 'QQQ' is not in the table")) == 1
    assert len(ran.lines("95.50 m")) == 1
    assert len(ran.lines("-7.00 m")) == 1
    assert balanced(ran)


def test_a_pipe_without_a_line_and_one_without_a_size_stay_in_the_books(run, tmp_path) -> None:
    folder = write_project(tmp_path / "town")
    layer = json.loads((folder / "pipes.geojson").read_text("utf-8"))
    layer["features"][1]["geometry"] = None
    layer["features"][0]["properties"]["dn"] = ""
    (folder / "pipes.geojson").write_text(json.dumps(layer), "utf-8")
    ran = run("check", str(folder))
    assert ran.code == 1
    assert len(ran.lines("column geometry")) == 1
    assert len([line for line in ran.lines("column size") if "row 1" in line]) == 1
    assert balanced(ran)
    made = run("plan", str(folder), "--assume-accepted")
    assert made.code == 0
    assert not made.lines("nan")


def test_a_store_that_is_none_is_one_line(run, tmp_path) -> None:
    folder = write_project(tmp_path / "town")
    (folder / "project.gpkg").write_text("not a store", "utf-8")
    ran = run("plan", str(folder))
    assert ran.code == 2
    assert len(ran.err.strip().splitlines()) == 1
    assert "project.gpkg" in ran.err
    with sqlite3.connect(folder / "other.gpkg") as held:
        held.execute("create table letters (a text)")
    (folder / "other.gpkg").replace(folder / "project.gpkg")
    ran = run("plan", str(folder))
    assert ran.code == 2
    assert "project.gpkg" in ran.err


def test_an_output_folder_that_is_a_file_is_one_line(run, tmp_path) -> None:
    folder = write_project(tmp_path / "town")
    (folder / "out").write_text("mine", "utf-8")
    ran = run("plan", str(folder))
    assert ran.code == 2
    assert "out" in ran.err
    assert (folder / "out").read_text("utf-8") == "mine"


def test_a_clean_check_exits_with_0(run, tmp_path: Path) -> None:
    clean = "\n".join(line for line in SURVEYS.splitlines() if "far" not in line)
    clean = "\n".join(line for line in clean.splitlines() if not line.startswith("R2")) + "\n"
    folder = write_project(tmp_path / "town", surveys_csv=clean)
    layer = json.loads((folder / "pipes.geojson").read_text("utf-8"))
    layer["features"][2]["properties"]["dn"] = "DN 300"
    (folder / "pipes.geojson").write_text(json.dumps(layer), "utf-8")
    ran = run("check", str(folder))
    assert (ran.code, ran.lines("fault: ")) == (0, [])
