"""The frame of the benchmarks: what they print, when they fail, and that ours is right."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.bench import __main__ as bench
from tests.bench import budget, locate, sheets
from tests.bench import map as map_bench
from tests.bench.frame import BenchResult, as_json, report, timed

ROOT = Path(__file__).resolve().parents[1]
MACHINE = {"cores": 2, "python": "3.11", "two_processes": 1.9}
RESULT = BenchResult(
    rows=[{"what": "ours", "seconds": 1.0}, {"what": "naive, row by row", "seconds": 20.0}],
    ratios={"gain": 20.0, "error": 0.5},
    goals={"gain": [">=", 10], "error": ["<=", 0.1], "never measured": [">=", 1]},
)


def test_unmet_goals_are_named() -> None:
    """20 >= 10 is met; 0.5 <= 0.1 is not; what was not measured is not met."""
    assert RESULT.unmet == ["error", "never measured"]
    assert BenchResult([], {"edge": 3.0}, {"edge": [">=", 3.0]}).unmet == []


def test_json_holds_what_the_design_names() -> None:
    """One object: bench, size, rows, ratios, goals as [op, limit], unmet."""
    told = json.loads(as_json("x", 7, RESULT))
    assert list(told) == ["bench", "size", "rows", "ratios", "goals", "unmet"]
    assert (told["bench"], told["size"], told["unmet"]) == ("x", 7, ["error", "never measured"])
    assert told["goals"]["gain"] == [">=", 10]


def test_a_person_sees_machine_rows_and_goals() -> None:
    """A line for the machine, one for each row, one for each ratio with its goal."""
    lines = report("x", 7, RESULT, MACHINE).splitlines()
    assert "2 cores" in lines[1]
    assert "two processes do 1.9 times the work of one" in lines[1]
    assert lines[3].split() == ["ours", "1.0"]
    assert lines[-2] == "  gain: 20   goal >= 10: met"
    assert lines[-1] == "  error: 0.5   goal <= 0.1: not met"


def test_the_best_try_is_timed() -> None:
    """Each try runs the work once; the last result comes back."""
    calls: list[int] = []
    seconds, last = timed(lambda: calls.append(1) or len(calls), tries=3)
    assert last == 3
    assert seconds >= 0.0


def test_a_benchmark_that_cannot_run_says_so(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit code 2 and the reason; the others of ``all`` still run."""
    monkeypatch.setattr(bench, "SIZES", {"locate": 50, "lost": 1})
    assert bench.main(["all", "--json"]) == 2
    told = capsys.readouterr()
    assert json.loads(told.out)["bench"] == "locate"
    assert told.err.startswith("lost could not run: No module named")


def test_ours_agrees_with_shapely_inside_the_pipe() -> None:
    """Between the ends both ways give one point; past them the naive way is elsewhere."""
    result = locate.run(2000)
    assert result.ratios["largest difference from shapely [m]"] <= 1e-6
    assert result.ratios["rows the naive way puts elsewhere"] > 0
    placed = 2000 - int(result.ratios["rows left over by ours"])
    assert {row["rows"] for row in result.rows} == {100, 200, placed, 2000}


def test_each_sleeve_is_found_in_the_text_of_its_sheet(pdftoppm: str) -> None:
    """Two days of three sleeves: read back by pdftotext, of the same package as pdftoppm."""
    assert pdftoppm
    result = sheets.run(2)
    assert result.ratios["sleeves"] == 6
    assert result.ratios["sleeves not found in the text"] == 0
    assert result.ratios["files that differ on repeat"] == 0


@pytest.mark.browser
def test_the_map_of_a_town_opens_in_peace(chromium: str) -> None:
    """Ours and folium's hold the same 200 pipes; ours asks for nothing and repeats its bytes."""
    assert chromium
    result = map_bench.run(200)
    assert result.ratios["requests and complaints"] == 0
    assert result.ratios["bytes that differ on repeat"] == 0
    assert result.ratios["folium's size / ours"] > 0
    assert [row["pipes"] for row in result.rows] == [0, 200, 200]


def test_the_direct_model_finds_no_better_choice_under_a_sum() -> None:
    """HiGHS, given every way of 100 pipes, stops within 1e-6 of what is proven best."""
    result = budget.run(100)
    assert 1 - 2e-6 <= result.ratios["direct value / ours"] <= 1 + 1e-9
    assert {row["pipes"] for row in result.rows} == {100, 1000}


def test_the_command_prints_one_object() -> None:
    """``python -m tests.bench NAME --size S --json`` from the top of the project."""
    done = subprocess.run(
        [sys.executable, "-m", "tests.bench", "locate", "--size", "50", "--json"],
        cwd=ROOT,
        env=dict(os.environ),
        capture_output=True,
        text=True,
        check=True,
    )
    assert json.loads(done.stdout)["size"] == 50


@pytest.mark.parametrize("words", [["nothing"], ["locate", "--size", "0"]])
def test_bad_words_are_a_usage_error(words: list[str]) -> None:
    """An unknown name and a size of nothing end with 2."""
    with pytest.raises(SystemExit) as stop:
        bench.main(words)
    assert stop.value.code == 2
