"""Same inputs, same bytes; a run is whole or not there."""

from __future__ import annotations

from pathlib import Path

import pytest

from planner.folder import run_project, write_run
from planner.plan import Plan
from tests.conftest import copy_town


def contents(folder: Path) -> dict[str, bytes]:
    """All files of a run but the one that says when."""
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and path.name != "run.json"
    }


def test_two_runs_give_the_same_bytes(demo_folder: Path, demo_plan: Plan, tmp_path: Path) -> None:
    """Read, planned and written twice from one store: map, sheets, tables, GeoPackage."""
    town = copy_town(tmp_path / "town")
    (town / "project.gpkg").write_bytes((demo_folder / "project.gpkg").read_bytes())
    first = contents(write_run(demo_plan, town))
    second = contents(write_run(run_project(town), town))
    assert len(first) > 50
    assert [name for name in first if first[name] != second.get(name)] == []
    assert set(first) == set(second)
    assert sorted(path.name for path in (town / "out").iterdir()) == ["0001", "0002"]


def test_a_run_that_fails_leaves_nothing(
    demo_plan: Plan, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The folder appears under its number only when all is in it."""

    def fail(*_: object) -> None:
        raise OSError("disk full")

    monkeypatch.setattr("planner.folder.write_tables", fail)
    with pytest.raises(OSError, match="disk full"):
        write_run(demo_plan, tmp_path)
    assert list((tmp_path / "out").iterdir()) == []
