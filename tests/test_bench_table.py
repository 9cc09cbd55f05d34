"""The README's table of benchmarks: it says what figures.json holds, and that is what was run."""

from __future__ import annotations

import ast
import json
import sys
from pathlib import Path
from typing import Any

import pytest

from tests.bench import __main__ as bench
from tests.bench import figures, table
from tests.bench.sizes import CITIES, PER_PIPE, SIZES, UNITS

HOME = Path(figures.__file__).parent


def entry(name: str, size: int, ratio: float, **more: object) -> dict[str, Any]:
    """Give one run whose only goal is a gain of 10 at least, and a count that must be nought."""
    return {
        "bench": name, "size": size, "date": "2026-01-12",
        "machine": {"cores": 2, "two_processes": 1.5}, "ratios": {"gain": ratio, "lost": 0.0},
        "goals": {"gain": [">=", 10.0], "lost": ["<=", 0.0]},
        "met": {"gain": ratio >= 10.0, "lost": True}, **more,
    }  # fmt: skip


def goals_of(name: str) -> dict[str, list[Any]]:
    """Read the goals that a benchmark states, without running or importing it."""
    for one in ast.parse((HOME / f"{name}.py").read_text("utf-8")).body:
        if isinstance(one, ast.AnnAssign) and ast.unparse(one.target) == "GOALS":
            assert one.value is not None
            return {key: list(goal) for key, goal in ast.literal_eval(one.value).items()}
    pytest.fail(f"tests/bench/{name}.py states no GOALS")


def test_the_readme_says_what_the_figures_are() -> None:
    """After a change of figures.json: ``python -m tests.bench table --readme``."""
    text = figures.README.read_text("utf-8")
    assert figures.in_readme(text, figures.read_figures()) == text


@pytest.mark.parametrize("name", UNITS)
def test_each_bench_of_the_table_is_there(name: str) -> None:
    """It has a file that states goals, and a size."""
    assert name in SIZES
    assert goals_of(name)


def test_figures_are_held_to_the_goals_of_today() -> None:
    """A goal that was changed since is measured again; a step left out leaves its goals out."""
    for one in figures.read_figures():
        stated, where = goals_of(one["bench"]), f"{one['bench']} at {one['size']}"
        assert all(stated.get(name) == goal for name, goal in one["goals"].items()), where
        if one["bench"] != "city":
            assert one["goals"].keys() == stated.keys(), where
        assert one["ratios"].keys() >= one["goals"].keys(), where
        holds = {"<=": float.__le__, ">=": float.__ge__}
        for name, (op, limit) in one["goals"].items():
            assert holds[op](float(one["ratios"][name]), float(limit)) == one["met"][name], where


def test_a_new_run_takes_the_place_of_its_own_alone(tmp_path: Path) -> None:
    """The same bench and size is replaced, another is added, in the order of the table."""
    before = [entry("city", 10_000, 9.0), entry("map", 20_000, 11.0)]
    after = figures.merged(before, entry("city", 10_000, 12.0))
    after = figures.merged(after, entry("city", 250_000, 13.0))
    told = [(one["bench"], one["size"], one["ratios"]["gain"]) for one in after]
    assert told == [("city", 10_000, 12.0), ("city", 250_000, 13.0), ("map", 20_000, 11.0)]
    figures.write_figures(after, tmp_path / "figures.json")
    assert figures.read_figures(tmp_path / "figures.json") == after
    assert figures.read_figures(tmp_path / "none.json") == []


def test_the_table_says_figures_goals_and_what_is_not_met() -> None:
    """Written by hand: two sizes of a city, of which one misses; of the map the largest alone."""
    runs = [entry("city", 10_000, 12.5), entry("city", 1_000_000, 9.0),
            entry("map", 200, 1.0), entry("map", 20_000, 1234.5)]  # fmt: skip
    told = figures.table_of(runs)
    said, rows, counts, left = told.split("\n\n")
    assert said.startswith("Measured 2026-01-12 on 2 virtual cores")
    assert rows.splitlines()[2:] == [
        "| city | gain | >= 10 | 12.5 at 10k, 9 at 1M pipes | not at 1M |",
        "| map | gain | >= 10 | 1,234 at 20k pipes | yes |",
    ]
    assert counts.endswith("3 of 3 are.")
    # Two of a city's four sizes are left; of locate rows are counted, ten a pipe.
    left = " ".join(left.split())
    assert "city at 100k, 250k pipes; locate at 100k, 1M, 2.5M, 10M coded rows" in left
    assert "map" not in left


def test_a_count_that_is_not_nought_is_named() -> None:
    """It stands below the table with its figure."""
    bad = entry("store", 100_000, 12.0) | {"met": {"gain": True, "lost": False}}
    bad["ratios"] = {"gain": 12.0, "lost": 3.0}
    told = " ".join(figures.table_of([bad]).split())
    assert "0 of 1 are; not: store at 100k: lost 3." in told


@pytest.mark.parametrize("text", ["no marks", figures.LAST + figures.FIRST, figures.FIRST * 2])
def test_a_readme_without_marks_is_left_alone(text: str) -> None:
    """Nothing is written where the table's place is not told."""
    with pytest.raises(ValueError, match=r"README.md wants the lines"):
        figures.in_readme(text, [])


def test_what_is_run_in_which_order() -> None:
    """What has one size first, then cities from small to large; a size is in the bench's unit."""
    todo = table.list_todo("", CITIES)
    assert len(todo) == len(PER_PIPE) * len(CITIES) + len(UNITS) - len(PER_PIPE)
    assert sorted(todo[-3:]) == [("city", 1_000_000), ("locate", 10_000_000), ("rules", 3_000_000)]
    assert table.list_todo("city:30,map", (10,)) == [("map", 20_000), ("city", 30)]
    assert table.list_todo("locate", (10,)) == [("locate", 100)]


@pytest.mark.parametrize(
    "words", [["--only", "week"], ["--only", "city:x"], ["--only", "city:0"], ["--sizes", "0"]]
)
def test_what_is_not_of_the_table_is_a_usage_error(words: list[str]) -> None:
    """It ends with 2 before anything is run."""
    with pytest.raises(SystemExit) as stop:
        bench.main(["table", *words])
    assert stop.value.code == 2


def test_each_is_run_alone_and_kept_at_once(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A real process for each; one that is killed is told and costs the others nothing."""
    said = {"rows": [], "ratios": {"gain": 12.0}, "goals": {"gain": [">=", 10.0]}, "unmet": []}
    own = table.run_alone

    def instead(command: list[str]) -> Any:
        name, size = command[3], int(command[5])
        told = json.dumps({"bench": name, "size": size, **said})
        kill = "import os; os.kill(os.getpid(), 9)"
        code = kill if name == "map" else f"print('noise'); print({told!r})"
        return own([sys.executable, "-c", code])

    path = tmp_path / "figures.json"
    monkeypatch.setattr(table, "run_alone", instead)
    monkeypatch.setattr(table, "FIGURES", path)
    monkeypatch.setattr(table, "machine", lambda: {"cores": 2, "python": "3", "two_processes": 1.5})
    assert table.main(["--only", "map,sheets,city:30", "--steps", "read,screen"]) == 2
    kept = figures.read_figures(path)
    assert [(one["bench"], one["size"]) for one in kept] == [("city", 30), ("sheets", 50)]
    assert kept[0]["command"].endswith("city --size 30 --json --steps read,screen")
    assert kept[1]["command"] == "python -m tests.bench sheets --size 50 --json"
    assert kept[0]["met"] == {"gain": True}
    assert kept[0]["memory_mb"] > 1
    told = capsys.readouterr()
    assert "map, size 20000: was killed by signal 9" in told.err
    assert "gain: 12   goal >= 10: met" in told.out


def test_a_process_that_prints_nothing_is_told() -> None:
    """Neither silence nor another end than 0 counts as a run."""
    with pytest.raises(ValueError, match="printed no figures"):
        table.run_alone([sys.executable, "-c", "print('nothing')"])
    with pytest.raises(RuntimeError, match="ended with 3"):
        table.run_alone([sys.executable, "-c", "raise SystemExit(3)"])


@pytest.mark.parametrize("steps", ["read", "screen,read", "read,chain", "read,screen,nothing"])
def test_a_city_goes_no_odd_way(steps: str, capsys: pytest.CaptureFixture[str]) -> None:
    """Steps come in order, from the first."""
    assert bench.main(["city", "--size", "5", "--steps", steps]) == 2
    assert "--steps wants read,screen or" in capsys.readouterr().err


def test_steps_are_of_a_city_alone() -> None:
    """No other bench has them."""
    with pytest.raises(SystemExit) as stop:
        bench.main(["map", "--steps", "read,screen"])
    assert stop.value.code == 2
