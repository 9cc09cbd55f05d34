"""The command as a user meets it: what it prints, what it exits with."""

from __future__ import annotations

import io
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from small_project import write_project

from planner.cli_screen import progress
from planner.crews.solver import Told
from planner.plan import Plan
from tests.conftest import copy_town


def run(*words: str, cwd: Path | None = None) -> subprocess.CompletedProcess[str]:
    """Run `sleeveplan` in a process of its own."""
    return subprocess.run(
        [sys.executable, "-c", "from planner.cli import main; main()", *words],
        cwd=cwd,
        capture_output=True,
        text=True,
        check=False,
    )


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two pipes, one survey, one of everything; with faults in it."""
    folder = tmp_path_factory.mktemp("small")
    write_project(folder)
    return folder


def test_help_names_every_command() -> None:
    """A newcomer finds the words from the first screen."""
    found = run("--help")
    assert found.returncode == 0
    for word in (
        "init",
        "check",
        "plan",
        "audit",
        "replan",
        "accept",
        "explain",
        "demo",
        "version",
    ):
        assert word in found.stdout


def test_help_lists_commands_in_the_order_of_the_work_each_on_one_whole_line() -> None:
    """At 80 columns: a first look, one's own town, what people and field say, upkeep."""
    lines = run("--help").stdout.partition("Commands:")[2].strip().splitlines()
    words = [line.split()[0] for line in lines]
    way = ["demo", "init", "check", "plan", "accept", "report", "audit", "replan", "doctor"]
    assert [word for word in words if word in way] == way
    assert not [line for line in lines if line.endswith("...") or len(line) > 80]


def test_init_writes_a_skeleton_that_check_reads(tmp_path: Path) -> None:
    """The skeleton names layers that are not there yet: one line each, and no traceback."""
    made = run("init", str(tmp_path / "new"))
    assert made.returncode == 0
    assert (tmp_path / "new" / "planner.toml").exists()
    found = run("check", str(tmp_path / "new"))
    assert found.returncode == 2
    assert "Traceback" not in found.stderr
    assert len(found.stderr.strip().splitlines()) == 1
    again = run("init", str(tmp_path / "new"))
    assert again.returncode == 2
    assert "planner.toml" in again.stderr


def test_check_exits_with_1_where_it_found_faults(small: Path) -> None:
    """Faults go to standard output, one line each."""
    found = run("check", str(small))
    assert found.returncode == 1
    assert "fault: surveys.csv, row 6, column s_m" in found.stdout


def test_plan_exits_with_0_and_under_strict_with_1(small: Path, tmp_path: Path) -> None:
    """Rows were refused: the plan is made all the same, the count stands last."""
    folder = tmp_path / "town"
    shutil.copytree(small, folder)
    made = run("plan", str(folder), "--assume-accepted")
    assert made.returncode == 0, made.stderr
    last = made.stdout.strip().splitlines()[-1]
    assert "rows refused or left over" in last
    assert not last.startswith("0 ")
    assert run("plan", str(folder), "--strict").returncode == 1
    runs = {path.name for path in (folder / "out").iterdir()}
    assert runs - {"check"} == {"0001", "0002"}


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("plan", "nowhere"), "nowhere: no such folder; 'sleeveplan init DIR' makes one"),
        (("check", "{small}", "--set", "week.dayz=3"), "did you mean week.days?"),
        (("plan", "{small}", "--set", "week.days"), "wants section.key=value"),
        (("accept", "{small}", "nothing.csv"), "nothing.csv"),
        (("explain", "D-999999", "--dir", "{small}"), "D-999999"),
        (("fly",), "fly"),
    ],
)
def test_wrong_use_is_one_clear_line_and_exit_2(
    small: Path, words: tuple[str, ...], said: str
) -> None:
    """No traceback, and the message says what to do."""
    found = run(*(word.replace("{small}", str(small)) for word in words))
    assert found.returncode == 2, found.stdout + found.stderr
    assert "Traceback" not in found.stderr
    assert said in " ".join(found.stderr.split())


def test_explain_speaks_of_every_kind_of_thing(demo_plan: Plan) -> None:
    """A span, a sleeve, a work, a pipe and a coded row, each with what it rests on."""
    from planner.screening.explain import explain_lines

    tables = demo_plan.tables
    sleeve = tables["sleeves"].iloc[0]
    span = tables["sleeve_spans"].set_index("sleeve_id").loc[[sleeve["sleeve_id"]], "span_id"]
    row = tables["span_rows"].set_index("span_id").loc[[span.iloc[0]], "observation_id"].iloc[0]
    for key in (
        sleeve["sleeve_id"],
        span.iloc[0],
        row,
        sleeve["pipe_id"],
        tables["works"]["work_id"].iloc[0],
    ):
        lines = explain_lines(str(key), tables)
        assert len(lines) >= 3
        assert str(key) in lines[0]


def test_accept_takes_each_row_once(tmp_path: Path) -> None:
    """The same form twice: the second time all its rows are known."""
    folder = copy_town(tmp_path / "town")
    form = folder / "form.csv"
    rows = (folder / "decisions.csv").read_text("utf-8").splitlines()
    form.write_text("\n".join(rows[:4]) + "\n", "utf-8")
    first = run("accept", str(folder), str(form))
    assert first.returncode == 0, first.stderr
    assert first.stdout.strip().endswith("3 decisions taken, 0 refused or known")
    second = run("accept", str(folder), str(form))
    assert second.stdout.strip().endswith("0 decisions taken, 3 refused or known")


def test_the_demo_refuses_a_folder_that_holds_something_else(tmp_path: Path) -> None:
    """Nobody's files are mixed with the town's."""
    (tmp_path / "letters").mkdir()
    (tmp_path / "letters" / "a.txt").write_text("mine", "utf-8")
    found = run("demo", str(tmp_path / "letters"))
    assert found.returncode == 2
    assert [path.name for path in (tmp_path / "letters").iterdir()] == ["a.txt"]


class Terminal(io.StringIO):
    """What is written to it, as by a person's terminal."""

    def isatty(self) -> bool:
        return True


def test_a_terminal_shows_how_far_the_week_is(monkeypatch: pytest.MonkeyPatch) -> None:
    """7,200 s are 2 h; where nobody looks nothing is shown."""
    screen = Terminal()
    monkeypatch.setattr(sys, "stderr", screen)
    monkeypatch.setenv("TERM", "xterm")
    with progress() as tell:
        assert tell is not None
        tell(Told("round 1 of 3, sleeves", 40, 100, None))
        tell(Told("round 1 of 3, sleeves", 50, 100, 7_200))
    shown = screen.getvalue()
    assert "round 1" in shown
    assert "50/100" in shown
    assert "2.0 h" in shown
    with progress() as tell:
        tell(Told("found", 100, 100, 7_200, 5_400))
    assert "1.5 h at least" in screen.getvalue()
    monkeypatch.setattr(sys, "stderr", io.StringIO())
    with progress() as tell:
        assert tell is None
