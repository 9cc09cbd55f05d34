"""A plan of a large project goes by its parts: the same bytes, and only what changed anew.

The reference is the plan of the same project in one piece, by the steps that each have tests
of their own.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Mapping
from pathlib import Path

import pandas as pd
import pytest
from city_town import write_city
from typer.testing import CliRunner

from planner import propose as propose_step
from planner import rule_spans as rule_step
from planner.city.by_parts import ByParts
from planner.city.pool import PlainLoop
from planner.city.run import HOME
from planner.cli import app
from planner.contracts import DECISIONS
from planner.folder import run_project, write_run
from planner.plan import Plan
from planner.store.chosen import store_of
from planner.tables import conform

SIZE, MOST = 32, 18
ALWAYS = {"city.parts_from_count": "1", "week.iterations": "50"}
BY_PARTS = ByParts(PlainLoop, MOST)


@pytest.fixture(scope="module")
def town(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A city that nobody has planned yet; to be copied, not changed."""
    return write_city(tmp_path_factory.mktemp("city") / "town", SIZE)


def plan(folder: Path, *, parts: bool, accepted: bool) -> Plan:
    engineer = BY_PARTS if parts else propose_step.propose
    return run_project(folder, ALWAYS, assume_accepted=accepted, engineer=engineer)


def contents(folder: Path) -> dict[str, bytes]:
    """All bytes of a run but of run.json, which alone says when."""
    paths = sorted(path for path in folder.rglob("*") if path.is_file())
    return {str(p.relative_to(folder)): p.read_bytes() for p in paths if p.name != "run.json"}


def test_a_plan_by_parts_is_the_plan_in_one_piece(town: Path, tmp_path: Path) -> None:
    """Every table of a first plan; every file of one after decisions, with a span that is gone."""
    one, other = (Path(shutil.copytree(town, tmp_path / name)) for name in ("one", "other"))
    first, ours = (plan(folder, parts=folder is other, accepted=False) for folder in (one, other))
    assert ours.tables.keys() == first.tables.keys()
    for name, table in first.tables.items():
        pd.testing.assert_frame_equal(ours.tables[name], table)
        assert getattr(ours.tables[name], "crs", None) == getattr(table, "crs", None)
    for folder in (one, other):
        decide(folder, first.tables)
    whole, ours = (plan(folder, parts=folder is other, accepted=True) for folder in (one, other))
    assert contents(write_run(ours, other)) == contents(write_run(whole, one))
    assert store_of(one).read_known().table.equals(store_of(other).read_known().table)
    assert len(whole.tables["works"]) > 0
    assert set(ours.tables["orphans"]["kind"]) == {"span"}
    assert not (one / HOME).exists()
    assert len(list((other / HOME / "parts").iterdir())) > 1


def decide(folder: Path, tables: Mapping[str, pd.DataFrame]) -> None:
    """Accept and refuse some pipes, and decide on a span that a dropped run takes away."""
    choices = tables["choices"].iloc[::3].to_dict("records")
    last = tables["spans"].iloc[-1]
    rows = [
        {"version": n, "pipe_id": row["pipe_id"], "decision": word, "by": "Ada", "on": "2026-01-12",
         "reason": "seen", "fingerprint": row["fingerprint"]}
        for n, (word, row) in enumerate(
            zip(["accept", "refuse", "hold"] * 3, choices, strict=False), 1)
    ]  # fmt: skip
    about = {"pipe_id": last["pipe_id"], "span_id": last["span_id"], "decision": "watch"}
    rows.append({**about, "version": 10, "by": "Ada", "on": "2026-01-12", "reason": "seen"})
    store_of(folder).append_decisions(conform(rows, DECISIONS))
    surveys = folder / "surveys.csv"
    coded = pd.read_csv(surveys, dtype="str", keep_default_na=False)
    gone = coded["pipe_id"].str.lstrip("0") == last["pipe_id"].lstrip("0")
    coded[~gone].to_csv(surveys, index=False)


def stamps(folder: Path) -> dict[str, tuple[int, int]]:
    """Which file lies where, and when it was written: another one has another number."""
    found = {path: path.stat() for path in folder.rglob("*") if path.is_file()}
    return {str(p.relative_to(folder)): (s.st_ino, s.st_mtime_ns) for p, s in found.items()}


def test_only_the_changed_part_is_touched(
    town: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One row changed: one part proposed, and no file of any other part written anew.

    Nothing changed, or only the days of the week: none is.
    """
    folder = Path(shutil.copytree(town, tmp_path / "town"))
    proposed: list[int] = []
    place_rows = rule_step.place_rows

    def counted(*given: object) -> object:
        proposed.append(1)
        return place_rows(*given)  # type: ignore[arg-type]

    monkeypatch.setattr(rule_step, "place_rows", counted)
    run_project(folder, ALWAYS, engineer=BY_PARTS)
    home = folder / HOME / "parts"
    parts = {path.name for path in home.iterdir()}
    assert len(proposed) == len(parts) > 1
    # The first run after it drops what served to number the parts.
    run_project(folder, {**ALWAYS, "week.days": "3"}, engineer=BY_PARTS)
    before = stamps(home)
    surveys = folder / "surveys.csv"
    rows = pd.read_csv(surveys, dtype="str", keep_default_na=False)
    rows.loc[rows.index[rows["code"] == "BAB"][0], "q1"] = "9"
    rows.to_csv(surveys, index=False)
    run_project(folder, ALWAYS, engineer=BY_PARTS)
    after = stamps(home)
    assert len(proposed) == len(parts) + 1
    written = {name.split("/")[0] for name, stamp in after.items() if before.get(name) != stamp}
    assert len(written) == 1
    assert not written & parts
    assert len(parts & {path.name for path in home.iterdir()}) == len(parts) - 1


def test_the_command_goes_by_parts_from_a_size_on(
    town: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of 32 pipes in one piece; as soon as so many are many, by parts: the same verdicts."""
    monkeypatch.setattr(os, "cpu_count", lambda: 1)
    folder = Path(shutil.copytree(town, tmp_path / "town"))
    words = ["plan", str(folder), "--set", "week.iterations=10", "--set"]
    for count, parts in ((SIZE + 1, False), (SIZE, True)):
        done = CliRunner().invoke(app, [*words, f"city.parts_from_count={count}"])
        assert done.exit_code == 0, done.output
        assert (folder / HOME / "parts").is_dir() == parts
    one, other = (folder / "out" / name / "tables" / "verdicts.csv" for name in ("0001", "0002"))
    assert one.read_bytes() == other.read_bytes()
