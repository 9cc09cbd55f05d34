"""The week of a city, its zones dealt by workers, is the week that one process plans.

References: `make_plan` of the same project in one piece, and zones dealt one after the other.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from bound_weeks import random_board
from city_town import write_city
from crew_town import settings
from dask_hosts import DaskHosts
from typer.testing import CliRunner

from planner.city.cluster import Cluster
from planner.city.filing import CityError
from planner.city.gather import OWN, union_tables
from planner.city.pool import Done, PlainLoop, Processes, Task
from planner.city.run import HOME, run_city
from planner.city.zones import (
    ARRAYS,
    ASKED,
    DEALT,
    LIST,
    ZoneWorkers,
    read_zone,
    write_zone,
    zone_work,
)
from planner.cli import app
from planner.contracts import DECISIONS
from planner.crews.board import Board
from planner.crews.solver import Search
from planner.crews.zones import ZoneAsked, deal_in_zones
from planner.inputs.project import read_project
from planner.plan import make_plan
from planner.store.chosen import store_of
from planner.tables import conform

STEPS = (
    "check_access", "clean", "cut_roots", "cut_intrusion", "descale", "look", "prove_laterals",
    "grout", "flow_control", "sleeve", "reopen", "verify", "liner",
)  # fmt: skip
CREW = """
[[crew]]
crew = "{name}"
steps = {steps}
systems = ["felt"]
packers = ["P1"]
yard_x = {x}
yard_y = 5700000.0
[[crew.shift]]
days = ["mon", "tue", "wed"]
start = "07:00"
end = "15:00"
"""
SIZE, MOST = 32, 18
# Zones of 12 stops where 2,000 are common, so that a small town has some.
SET = {"week.zone_stops_count": "12", "week.iterations": "20", "week.bound_rounds": "0"}
WEEK = settings().week.model_copy(
    update={"zone_stops_count": 16, "iterations": 50, "exchange_count": 2}
)


@pytest.fixture(scope="module")
def accepted(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A city of which all that can be accepted is; no week was planned yet. To be copied."""
    folder = write_city(tmp_path_factory.mktemp("city") / "town", SIZE)
    surveys = folder / "surveys.csv"
    rows = pd.read_csv(surveys, dtype="str", keep_default_na=False)
    crack = (rows["code"] == "BAB") & (rows["char1"] == "B")
    rows[crack | rows["code"].isin(["BCD", "BCE"])].to_csv(surveys, index=False)
    crews = [CREW.format(name=name, x=400_000.0 + x, steps=list(STEPS))
             for name, x in (("East", 6_000), ("Mid", 2_000), ("West", 0))]  # fmt: skip
    (folder / "crews.toml").write_text("".join(crews).replace("'", '"'))
    made = run_city(folder, PlainLoop(), SET, most=MOST)
    choices = union_tables(made.out, ["choices"])["choices"]
    open_ = choices[choices["state"] == "proposed"]
    given = [
        {"version": n, "pipe_id": pipe, "span_id": "", "decision": "accept", "by": "Ada",
         "on": "2026-01-12", "reason": "seen", "fingerprint": mark, "value": ""}
        for n, (pipe, mark) in enumerate(open_[["pipe_id", "fingerprint"]].to_numpy(), 1)
    ]  # fmt: skip
    store_of(folder).append_decisions(conform(given, DECISIONS))
    return folder


@pytest.fixture(scope="module")
def planned(accepted: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[str]]:
    """The city with its week, by the plain loop, and what the run said. Not to be changed."""
    folder = Path(shutil.copytree(accepted, tmp_path_factory.mktemp("planned") / "town"))
    said: list[str] = []
    run_city(folder, PlainLoop(), SET, week=True, most=MOST, say=said.append)
    return folder, said


def contents(folder: Path) -> dict[str, bytes]:
    """All bytes of a result but of run.json, which alone says when."""
    paths = sorted(path for path in folder.rglob("*") if path.is_file())
    return {str(p.relative_to(folder)): p.read_bytes() for p in paths if p.name != "run.json"}


def test_a_city_plans_the_week_that_a_run_in_one_piece_plans(
    accepted: Path, planned: tuple[Path, list[str]]
) -> None:
    """Every table from pipes to orders, and the ids of works and set-ups that the store keeps."""
    store, (town, said) = store_of(accepted), planned
    made = make_plan(read_project(accepted, SET), store.read_known(), store.read_decisions(),
                     edits=store.read_week_edits())  # fmt: skip
    ours = union_tables(town / "out" / "city")
    for table in OWN:
        one, other = ours.get(table.name, conform([], table)), made.tables.get(table.name)
        if other is not None:
            pd.testing.assert_frame_equal(
                pd.DataFrame(one).reset_index(drop=True),
                pd.DataFrame(other).reset_index(drop=True),
                obj=table.name,
            )
    kept = store_of(town).read_known()
    pd.testing.assert_frame_equal(kept.table, made.known.table)
    pd.testing.assert_frame_equal(kept.setup_works, made.known.setup_works)
    assert dict(kept.highest) == dict(made.known.highest)
    # The week was cut into zones, it is worth the name, and its own rules hold.
    assert f"zones dealt: 2 of {_zones(said)}" in said
    assert len(ours["visits"]) > 12
    assert "audit" not in ours


def _zones(said: Sequence[str]) -> int:
    return int(next(line for line in said if line.startswith("zones dealt")).split()[-1])


class Failing(PlainLoop):
    """A loop that dies once it has dealt one zone, as a killed run would."""

    def run(self, task: Task, folder: str, numbers: Sequence[int]) -> Done:
        for number, found in super().run(task, folder, numbers):
            yield number, found
            if task is zone_work:
                raise KeyboardInterrupt


def test_a_broken_run_that_processes_end_gives_the_same_bytes(
    accepted: Path, planned: tuple[Path, list[str]], tmp_path: Path
) -> None:
    """Broken after one zone: two processes deal the others, and that one is not dealt again."""
    town = Path(shutil.copytree(accepted, tmp_path / "town"))
    with pytest.raises(KeyboardInterrupt):
        run_city(town, Failing(), SET, week=True, most=MOST)
    assert not (town / "out" / "city" / "visits").exists()
    said: list[str] = []
    with Processes(2) as pool:
        made = run_city(town, pool, SET, week=True, most=MOST, say=said.append)
    dealt = [line for line in said if line.startswith("zones dealt")]
    assert len(dealt) == _zones(said) - 1
    assert dealt[0].startswith("zones dealt: 2 of")
    assert contents(made.out) == contents(planned[0] / "out" / "city")


def test_dask_workers_deal_the_zones_one_of_them_killed(
    accepted: Path, planned: tuple[Path, list[str]], tmp_path: Path
) -> None:
    """The one worker dies once a zone is dealt; another deals the rest, to the same bytes."""
    pytest.importorskip("distributed", reason="pip install 'sleeveplan[dask]'")
    town = Path(shutil.copytree(accepted, tmp_path / "town"))
    said: list[str] = []
    with DaskHosts(tmp_path / "hosts", 1) as hosts, Cluster(hosts.address) as pool:

        def say(line: str) -> None:
            said.append(line)
            if line.startswith("zones dealt: 1 of"):
                hosts.kill_worker()

        made = run_city(town, pool, SET, week=True, most=MOST, say=say)
    count = _zones(said)
    assert count > 1
    assert {f"zones dealt: 1 of {count}", f"zones dealt: {count} of {count}"} <= set(said)
    assert contents(made.out) == contents(planned[0] / "out" / "city")


def test_the_command_plans_the_week_and_says_so(
    planned: tuple[Path, list[str]], tmp_path: Path
) -> None:
    town = Path(shutil.copytree(planned[0], tmp_path / "town"))
    sets = [word for key, value in SET.items() for word in ("--set", f"{key}={value}")]
    done = CliRunner().invoke(app, ["city", str(town), "--workers", "1", "--week", *sets])
    assert done.exit_code == 0
    visits = union_tables(town / "out" / "city", ["visits"])["visits"]
    said = next(line for line in done.stdout.splitlines() if line.startswith("week"))
    assert f"week       from 2026-01-12: {len(visits)} visits on" in said
    assert json.loads((town / "out" / "city" / "summary.json").read_text())["visits"] == len(visits)


def _board(seed: int) -> Board:
    """Make 45 stops, chains and neighbours among them, too little stock; one crew is under way."""
    board = random_board(seed, 45, 6, 2, chained=0.3, pause=True, stock=8)
    at, first = board.stops[7], board.days[0]
    away = replace(first, since_s=first.start_s, start_s=first.start_s + 3_600, begin=at.at,
                   begin_node=at.node_id)  # fmt: skip
    pairs = {n: frozenset({n ^ 1}) for m in range(0, 40, 5) for n in (m, m ^ 1)}
    apart = tuple(pairs.get(n, frozenset()) for n in range(45))
    ties = replace(board.ties, apart=apart)
    return replace(board, days=[away, *board.days[1:]], ties=ties)


@pytest.mark.parametrize("seed", range(2))
def test_zones_read_back_from_files_are_dealt_alike(seed: int, tmp_path: Path) -> None:
    """Routes, floors and rounds are those of zones that never left the process."""
    search = Search(WEEK, seed)
    here = deal_in_zones(_board(seed), search)
    there = deal_in_zones(_board(seed), search, dealer=ZoneWorkers(tmp_path, PlainLoop(), print))
    assert there.board.routes == here.board.routes
    assert list(there.board.routes) == list(here.board.routes)
    assert there.board.floors == here.board.floors
    assert there.board.ceilings == here.board.ceilings
    assert (there.iterations, there.by_clock) == (here.iterations, here.by_clock)
    assert len(here.board.served) > 10
    assert len(list((tmp_path / "zones").iterdir())) == 3


def test_a_zone_keeps_all_that_dealing_looks_at(tmp_path: Path) -> None:
    """Stops, days, ties, stock and drives by their new numbers are those that were written."""
    board = _board(1)
    zone = ZoneAsked(board, Search(WEEK, 5, {2: [4, 1]}), locked=True)
    back = read_zone(write_zone(tmp_path, zone))
    assert back.locked
    assert (back.search.seed, back.search.start) == (5, {2: [4, 1]})
    assert back.search.week == WEEK
    new = back.board
    assert (new.ties, new.shelf.stock) == (board.ties, board.shelf.stock)
    assert np.array_equal(new.able, board.able)
    for one, other in zip(new.stops, board.stops, strict=True):
        assert replace(one, at=0) == replace(other, at=0)
        assert new.shelf.takes.get(one.setup_id, {}) == board.shelf.takes.get(one.setup_id, {})
        assert [new.roads.drive_s(day.starts_at, one.at) for day in new.days] == [
            board.roads.drive_s(day.starts_at, other.at) for day in board.days
        ]
    # Another seed is another zone; the same one has its place already.
    assert write_zone(tmp_path, zone) == write_zone(tmp_path, zone)
    other_seed = replace(zone, search=Search(WEEK, 6))
    assert write_zone(tmp_path, other_seed) != write_zone(tmp_path, zone)


def _no_folder(_: Path, home: Path) -> None:
    shutil.rmtree(home)


def _other_code(_: Path, home: Path) -> None:
    said = json.loads((home / LIST).read_text())
    (home / LIST).write_text(json.dumps({**said, "code": "0.0 something else"}))


def _cut(place: Path, _: Path) -> None:
    (place / ASKED).write_text('{"stops": []}')


def _half(place: Path, _: Path) -> None:
    (place / ARRAYS).write_bytes((place / ARRAYS).read_bytes()[:100])


def _empty(place: Path, _: Path) -> None:
    (place / ARRAYS).write_bytes(b"")


@pytest.mark.parametrize("harm", [_cut, _half, _empty])
def test_a_damaged_zone_is_written_anew_when_the_week_is_planned_again(
    tmp_path: Path, harm: Callable[[Path, Path], None]
) -> None:
    workers = ZoneWorkers(tmp_path, PlainLoop(), print)
    before = deal_in_zones(_board(0), Search(WEEK, 0), dealer=workers)
    for place in (tmp_path / "zones").iterdir():
        harm(place, tmp_path)
        (place / DEALT).unlink(missing_ok=True)
    again = deal_in_zones(_board(0), Search(WEEK, 0), dealer=workers)
    assert again.board.routes == before.board.routes


@pytest.mark.parametrize(
    ("harm", "line"),
    [
        (_no_folder, "every host must see the project's folder by this path"),
        (_other_code, "a worker has another version of sleeveplan or of its libraries"),
        (_cut, "no zone as a city's run wrote it"),
        (_half, "no zone as a city's run wrote it"),
        (_empty, "no zone as a city's run wrote it"),
    ],
)
def test_what_a_worker_cannot_do_is_one_line(
    tmp_path: Path, harm: Callable[[Path, Path], None], line: str
) -> None:
    home = tmp_path / HOME
    deal_in_zones(_board(0), Search(WEEK, 0), dealer=ZoneWorkers(home, PlainLoop(), print))
    name = json.loads((home / LIST).read_text())["zones"][0]
    (home / "zones" / name / DEALT).unlink()
    harm(home / "zones" / name, home)
    with pytest.raises(CityError, match=line) as told:
        zone_work(str(home), 0)
    assert "\n" not in str(told.value)
