"""A run in the team's database, there and back; and what goes wrong, in one line each."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pyarrow.parquet as pq
import pytest
from postgis_server import GUARDED, Server, running
from store_crashes import SCHEMA, kill_again_and_again, postgis_state, race, town, write_runs
from test_store_decisions import decision, form

from planner.cli import main
from planner.contracts import TABLES
from planner.errors import StoreError
from planner.outputs.files import _layer, _parquet
from planner.plan import Plan
from planner.run_folders import RUNS
from planner.store.chosen import STORE, store_of
from planner.store.decisions import open_store
from planner.store.team import init_team, pull_run, push_team, team_status
from tests.bench.store import there_and_back


@pytest.fixture(scope="module")
def server() -> Iterator[Server]:
    """A server of this module's own; the guarded person is a planner."""
    with running() as found:
        found.sql("create role keeper login")
        found.serve("keeper", "keeper")
        yield found


@pytest.fixture(autouse=True)
def services(server: Server, monkeypatch: pytest.MonkeyPatch) -> None:
    """Name the services of the server to libpq, and no password."""
    monkeypatch.setenv("PGSERVICEFILE", str(server.services))
    monkeypatch.setenv("PGPASSFILE", str(server.folder / "none"))


@pytest.fixture(scope="module")
def runs(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Five small runs, to be copied."""
    folder = tmp_path_factory.mktemp("runs")
    write_runs(folder)
    return folder / RUNS


@pytest.fixture
def team(server: Server, runs: Path, tmp_path: Path) -> Path:
    """A project with a store, and five small runs."""
    folder = town(tmp_path / "team", "owner")
    init_team(folder)
    shutil.copytree(runs, folder / RUNS)
    server.sql(f"grant {SCHEMA}_planner to {GUARDED}; grant {SCHEMA}_planner to keeper")
    return folder


@dataclass(frozen=True)
class Said:
    """What a command printed, and what it ended with."""

    code: int
    out: str
    err: str


Command = Callable[..., Said]


@pytest.fixture
def sleeveplan(monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]) -> Command:
    """Run the command as a user does, in this process."""

    def run(*words: object) -> Said:
        monkeypatch.setattr(sys, "argv", ["sleeveplan", *map(str, words)])
        capfd.readouterr()
        with pytest.raises(SystemExit) as ended:
            main()
        told = capfd.readouterr()
        return Said(int(ended.value.code or 0), told.out, told.err)

    return run


def one_line(said: Said, *words: str) -> None:
    """Hold what a command said against one line that names what is wrong."""
    assert said.code == 2, said
    assert said.out == ""
    assert said.err.count("\n") == 1, said.err
    assert said.err.startswith("sleeveplan: ")
    for word in words:
        assert word in said.err


def listed(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def read(path: Path) -> pd.DataFrame:
    drawn = b"geo" in (pq.read_schema(path).metadata or {})
    return gpd.read_parquet(path) if drawn else pd.read_parquet(path)


def test_every_table_of_the_demo_comes_back_as_it_was(
    server: Server, demo_plan: Plan, tmp_path: Path
) -> None:
    """All tables of a run of the demo town: names, types, order, texts, figures, shapes, system."""
    folder = town(tmp_path / "demo", "owner")
    with (folder / "planner.toml").open("a") as file:
        file.write('schema = "demo"\n')
    out = folder / RUNS / "0001"
    out.mkdir(parents=True)
    tables, facts = demo_plan.tables, demo_plan.facts
    known = [table for table in TABLES if table.name in tables]
    _parquet({one.name: _layer(tables[one.name], one, tables, facts) for one in known}, out)
    (out / "run.json").write_text(json.dumps({"source_crs": facts.source_crs}))
    init_team(folder)
    push_team(folder, out)
    lines = pull_run(folder, tmp_path / "back")
    assert lines[0].startswith("run 0001, pushed by postgres at ")
    ours = sorted((out / "parquet").iterdir())
    assert [path.name for path in ours] == listed(tmp_path / "back" / "parquet")
    for path in ours:
        pd.testing.assert_frame_equal(read(path), read(tmp_path / "back" / "parquet" / path.name))
    drawn = server.sql(
        "select f_table_name, type, srid from geometry_columns where f_table_schema = 'demo_run'"
    ).split()
    kinds = {"nodes": "POINT", "setups": "POINT"}
    wanted = [path.stem for path in ours if isinstance(read(path), gpd.GeoDataFrame)]
    assert sorted(drawn) == [f"{n}|{kinds.get(n, 'LINESTRING')}|25832" for n in wanted]
    gist = "select count(*) from pg_indexes where schemaname = 'demo_run' and indexdef ~ 'gist'"
    assert server.sql(gist).strip() == str(len(wanted))


def test_pushed_tables_have_keys_checks_comments_and_readers(server: Server, team: Path) -> None:
    """The contract stands in the database; nobody changes a row, not even the owner."""
    push_team(team, team / RUNS / "0001")
    assert postgis_state(team) == 1
    key = "select pg_get_constraintdef(oid) from pg_constraint where contype = 'p' and conrelid = "
    assert server.sql(f"{key} '{SCHEMA}_run.pipes'::regclass").strip() == "PRIMARY KEY (pipe_id)"
    about = f"'{SCHEMA}_run.pipes'::regclass"
    number = f"(select attnum from pg_attribute where attrelid = {about} and attname = 'depth_m')"
    assert "[m]" in server.sql(f"select col_description({about}, {number})")
    where = f"{SCHEMA}_run.pipes"
    change = ("delete from {}", "truncate {}", "update {} set fid = 0", "insert into {} select 0")
    for sql in change:
        with pytest.raises(subprocess.CalledProcessError) as told:
            server.sql(sql.format(where))
        assert "never changed" in told.value.stderr
    owners = f"select distinct tableowner from pg_tables where schemaname = '{SCHEMA}_run'"
    assert server.sql(owners).split() == [f"{SCHEMA}_planner"]
    may = f"has_table_privilege('{SCHEMA}_reader', '{SCHEMA}_run.pipes', 'select')"
    assert server.sql(f"select {may}").strip() == "t"


def test_another_planner_replaces_the_run_and_status_says_so(team: Path) -> None:
    """Tables belong to the role, not to who pushed first."""
    push_team(team, team / RUNS / "0001")
    other = town(team.parent / "other", "keeper")
    shutil.copytree(team / RUNS, other / RUNS)
    push_team(other, other / RUNS / "0003")
    assert postgis_state(team) == 3
    assert team_status(team)[-1].startswith("runs: 0003 pushed last, 2 tables, 806 rows, by keeper")


def test_a_view_on_a_pushed_table_stops_the_next_push_whole(server: Server, team: Path) -> None:
    push_team(team, team / RUNS / "0001")
    server.sql(f"create view mine as select pipe_id from {SCHEMA}_run.pipes")
    with pytest.raises(StoreError, match="a view of yours rests on a table"):
        push_team(team, team / RUNS / "0002")
    server.sql("drop view mine")
    assert postgis_state(team) == 1


def test_a_run_that_breaks_a_contract_is_not_pushed(server: Server, team: Path) -> None:
    """A twin in a key, a column too few: one line, and the run of before stands."""
    push_team(team, team / RUNS / "0001")
    path = team / RUNS / "0002" / "parquet" / "pipes.parquet"
    frame = gpd.read_parquet(path)
    gpd.GeoDataFrame(pd.concat([frame, frame.head(1)]), crs=frame.crs).to_parquet(path)
    with pytest.raises(StoreError, match="could not create unique index"):
        push_team(team, team / RUNS / "0002")
    frame.drop(columns="us_node").to_parquet(path)
    with pytest.raises(StoreError, match=r"pipes.parquet: lacks us_node; plan again"):
        push_team(team, team / RUNS / "0002")
    shutil.rmtree(path.parent)
    with pytest.raises(StoreError, match="plan first"):
        push_team(team, team / RUNS / "0002")
    assert postgis_state(team) == 1


def test_no_server_wrong_password_no_store_no_right(
    server: Server, team: Path, sleeveplan: Command, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One line each that says what to do; a password is in none of them."""
    place = team.parent
    one_line(sleeveplan("store", "status", town(place / "a", "absent")), "nobody answers")
    one_line(sleeveplan("store", "status", town(place / "b", "nobody")), "nobody answers")
    guarded, secret = town(place / "c", "guarded"), server.folder / "secret"
    one_line(sleeveplan("store", "status", guarded), "wrong password, or none, in ~/.pgpass")
    secret.write_text(f"*:*:*:{GUARDED}:quite-wrong\n")
    secret.chmod(0o600)
    monkeypatch.setenv("PGPASSFILE", str(secret))
    said = sleeveplan("store", "status", guarded)
    one_line(said, "wrong password, or none, in ~/.pgpass (mode 0600)")
    assert "quite-wrong" not in said.err
    secret.write_text(f"*:*:*:{GUARDED}:right\n")
    assert sleeveplan("store", "status", guarded).code == 0
    one_line(
        sleeveplan("store", "push", town(place / "d", "town")), "no run; sleeveplan plan makes one"
    )
    (place / "d" / RUNS / "0001" / "parquet").mkdir(parents=True)
    one_line(sleeveplan("store", "push", place / "d"), "plan first")
    one_line(sleeveplan("store", "status", place / "d"), "no right for it", f"{SCHEMA}_reader")
    one_line(sleeveplan("store", "init", place / "d"), "no right for it")
    one_line(sleeveplan("store", "pull", town(place / "e")), "names no team store")


def test_a_database_without_the_extension(server: Server, team: Path) -> None:
    """Who may not make it is told who does; who may, makes it; a push without it is one line."""
    folder = town(team.parent / "bare", "bare")
    with pytest.raises(StoreError, match="runs: create extension postgis"):
        init_team(folder)
    server.serve("bare_owner", "postgres", "bare")
    (folder / "planner.toml").write_text('[store]\nservice = "bare_owner"\n')
    with pytest.raises(StoreError, match="holds no store; 'sleeveplan store init"):
        store_of(folder).read_decisions()
    assert init_team(folder)[0] == "extension postgis made"
    run = [*("psql", "-h", str(server.folder), "-U", "postgres", "-d", "bare", "-q", "-c")]
    subprocess.run([*run, "drop extension postgis"], check=True)
    shutil.copytree(team / RUNS, folder / RUNS)
    with pytest.raises(StoreError, match="extension postgis is not in this database"):
        push_team(folder, folder / RUNS / "0001")


@contextmanager
def small_disk(place: Path, size: str, owner: str = "") -> Iterator[Path]:
    """Mount a small disk of its own; skip where that is not allowed."""
    place.mkdir()
    words = ["mount", "-t", "tmpfs", "-o", f"size={size}", "none", str(place)]
    if subprocess.run(words, check=False, capture_output=True).returncode:
        pytest.skip("no disk can be mounted here")
    try:
        if owner:
            shutil.chown(place, owner)
        yield place
    finally:
        subprocess.run(["umount", "-l", str(place)], check=True)


def test_the_servers_disk_is_full(server: Server, team: Path, sleeveplan: Command) -> None:
    """A push that finds no room is undone whole, and says so."""
    push_team(team, team / RUNS / "0001")
    with small_disk(server.folder / "small", "200k", "postgres") as disk:
        server.sql(f"create tablespace small location '{disk}'")
        server.sql("alter role postgres set default_tablespace = small")
        server.sql(f"grant create on tablespace small to {SCHEMA}_planner")
        try:
            one_line(sleeveplan("store", "push", team), "disk is full", "nothing was kept")
        finally:
            server.sql("alter role postgres reset default_tablespace")
        server.sql("drop tablespace small")
    assert postgis_state(team) == 1


def test_our_disk_is_full(team: Path, sleeveplan: Command) -> None:
    """A pull, and a decision in a GeoPackage, that find no room leave nothing, or the old file."""
    push_team(team, team / RUNS / "0001")
    with small_disk(team.parent / "small", "60k") as disk:
        one_line(sleeveplan("store", "pull", team, "--run-to", disk / "run"), "No space left")
        assert listed(disk) == []
    with small_disk(team.parent / "tight", "150k") as disk:
        store = open_store(disk / STORE)
        store.append_decisions(form(decision()))
        with pytest.raises(StoreError, match=r"full") as told:
            store.append_decisions(form(decision("p2", reason="x" * 200_000)))
        assert "\n" not in str(told.value)
        assert store.read_decisions()["pipe_id"].tolist() == ["p1"]


def test_a_folder_that_cannot_be_written(team: Path, sleeveplan: Command) -> None:
    """One line, from a store that is there and from one that would be made; both as they were."""
    with small_disk(team.parent / "still", "1m") as disk:
        open_store(disk / STORE).append_decisions(form(decision()))
        subprocess.run(["mount", "-o", "remount,ro", str(disk)], check=True)
        for name in (STORE, "other.gpkg"):
            with pytest.raises(StoreError, match=r"cannot be opened or written") as told:
                open_store(disk / name).append_decisions(form(decision("p2")))
            assert "\n" not in str(told.value)
        assert len(open_store(disk / STORE).read_decisions()) == 1
        said = sleeveplan("store", "pull", team, "--run-to", disk / "run")
        one_line(said, "Read-only file system")
        assert listed(disk) == [STORE]


def test_killed_pushes_leave_the_old_run_or_the_new(server: Server, team: Path) -> None:
    """Three kills at random moments; the bench makes 100. Layers, rows and index by SQL."""
    kills = kill_again_and_again("PostGIS", team, 3, str(server.services), 1)
    assert kills.broken == 0
    assert kills.old + kills.new == 3


@pytest.mark.parametrize("name", ["GeoPackage", "parquet folder"])
def test_killed_writers_of_files_leave_the_old_state_or_the_new(
    server: Server, tmp_path: Path, name: str
) -> None:
    kills = kill_again_and_again(name, town(tmp_path / "own"), 2, str(server.services), 2)
    assert kills.broken == 0
    assert kills.old + kills.new == 2


@pytest.mark.parametrize("service", ["owner", ""])
def test_racing_edits_are_all_kept_or_told(server: Server, team: Path, service: str) -> None:
    """Three people, five pipes: each edit rests on the one before it, and none is missing."""
    folder = team if service else town(team.parent / "own")
    if service:
        server.sql(f"alter table {SCHEMA}.decisions disable trigger all")
        server.sql(f"delete from {SCHEMA}.decisions")
        server.sql(f"alter table {SCHEMA}.decisions enable trigger all")
    told = race(folder, 60, 3, str(server.services))
    assert (told.edits, told.lost, told.overwritten) == (60, 0, 0)
    assert len(store_of(folder).read_decisions()) == 60


def test_the_benchmark_compares_the_same_tables(server: Server, team: Path) -> None:
    """40 pipes: pandas and we give back the same figures and shapes; a time for each."""
    shutil.rmtree(team / RUNS)
    rows, ratios = there_and_back(40, server, team)
    assert [row["count"] for row in rows] == [400] * 4
    assert ratios["tables that came back otherwise"] == 0
    assert ratios["to_sql time / ours"] > 0
