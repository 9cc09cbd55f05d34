"""What repeats in a run's tables goes to the team's database and comes back once for many rows.

What came back is held against the run's own Parquet files, which pandas reads; which rows are
alike against tuples and a dictionary.
"""

from __future__ import annotations

import hashlib
import json
import random
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
import shapely
from postgis_server import Server, running
from store_crashes import CRS, SAYS, SCHEMA, tables_of, town, write_runs

from planner.contracts import OBSERVATIONS, PIPES, TABLES
from planner.errors import StoreError
from planner.ground.postgis import PostgresError, connected
from planner.run_folders import RUNS
from planner.store.alike import ALIKE, alike_in, place_of
from planner.store.pulled import read_pushed
from planner.store.pushed import last_push
from planner.store.run_file import read_run_file, shape_type
from planner.store.team import init_team, pull_run, push_team
from planner.tables import Column, Table

EVIL = "'); DROP TABLE pushes; -- \\ $1 %s <b>é中🚧\n\""


@pytest.fixture(scope="module")
def server() -> Iterator[Server]:
    """A server of this module's own."""
    with running() as found:
        yield found


@pytest.fixture
def team(server: Server, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A project with a store."""
    monkeypatch.setenv("PGSERVICEFILE", str(server.services))
    folder = town(tmp_path / "team", "owner")
    init_team(folder)
    return folder


def anything(table: Table, count: int, seed: int) -> pd.DataFrame:
    """Give rows such as a run's file holds, sound but for their sense.

    Of each kind of column some hold nothing, one value, few, or another in each row.
    """
    rng = random.Random(seed)
    dtypes = {"number": "float64", "whole": "Int64", "flag": "Int32"}
    data = {}
    for column in table.columns:
        pool = pool_of(column, rng.choice(["none", "one", "few", "many"]), count, rng)
        values = rng.choices(pool, k=count)
        if column.name in table.key and column.kind == "text":
            values = [f"{n:06d}{EVIL}" for n in range(count)]
        data[column.name] = pd.Series(values, dtype=dtypes.get(column.kind, "str"))
    return pd.DataFrame(data)


def pool_of(column: Column, sort: str, count: int, rng: random.Random) -> list[Any]:
    """Give what a column may hold: `sort` says whether nothing, one value, few or many."""
    none: Any = ""
    many: list[Any]
    few: list[Any]
    pools: dict[str, list[Any]]
    if column.kind == "date":
        pools = {"one": ["2024-02-29"], "few": ["2026-02-28", "1999-12-31", ""], "many": [""]}
    elif column.kind == "text":
        words = list(column.one_of) or [EVIL, "ä", "x" * 300, " ", "NaN", "\\N"]
        many = words if column.one_of else [f"{n}é" for n in range(count)]
        pools = {"one": words[:1], "few": words, "many": many}
    elif column.kind == "number":
        none, low, high = np.nan, column.low or 0.0, column.high or 1e300
        few = [low, -0.0 if low == 0 else low, 0.1 + 0.2 + low]
        many = [*few, *(rng.uniform(low, high) for _ in range(count))]
        pools = {"one": [low + 0.1], "few": few, "many": many}
    else:
        none = None
        many = [0, 1] if column.kind == "flag" else list(range(count))
        few = [*many[:2], many[-1] if column.kind == "flag" else 2**53 + 1]
        pools = {"one": [1], "few": few, "many": many}
    pool = pools.get(sort, [])
    return [*pool, none] if column.blank and sort != "one" else pool or pools["one"]


def write_run(folder: Path, frames: dict[str, pd.DataFrame]) -> Path:
    """Write one run as `plan` does."""
    run = folder / RUNS / "0001"
    (run / "parquet").mkdir(parents=True)
    for name, frame in frames.items():
        frame.to_parquet(run / "parquet" / f"{name}.parquet")
    (run / "run.json").write_text(json.dumps({"source_crs": CRS}))
    return run


def read(path: Path) -> pd.DataFrame:
    drawn = b"geo" in (pq.read_schema(path).metadata or {})
    return gpd.read_parquet(path) if drawn else pd.read_parquet(path)


SHAPES = [None, shapely.Point(0.1, -0.0), shapely.LineString([(0, 0), (1e7, 0.1 + 0.2)]),
          shapely.LineString(), shapely.LineString([(0, 0, 1), (1, 1, 2)])]  # fmt: skip


@pytest.mark.parametrize(("seed", "kinds"), [(0, SHAPES[:2]), (1, SHAPES[:4]), (2, SHAPES[4:])])
def test_any_columns_come_back_to_the_last_bit(
    team: Path, server: Server, seed: int, kinds: list[shapely.Geometry | None]
) -> None:
    """1,500 coded rows and pipes, whose shapes are of one type or of several, or missing."""
    pipes = anything(PIPES, 1500, seed)
    shapes = random.Random(seed).choices(kinds, k=len(pipes))
    frames = {
        "observations": anything(OBSERVATIONS, 1500, seed + 10),
        "pipes": gpd.GeoDataFrame(pipes, geometry=np.array(shapes, dtype=object), crs=CRS),
    }
    run = write_run(team, frames)
    push_team(team, run)
    pull_run(team, team / "back")
    for name in frames:
        ours, back = (
            read(run / "parquet" / f"{name}.parquet"),
            read(team / "back" / "parquet" / f"{name}.parquet"),
        )
        pd.testing.assert_frame_equal(ours, back)
        for column in ours.select_dtypes("float64"):  # -0.0 is not 0.0
            signs = [
                np.signbit(frame[column].to_numpy()) & frame[column].notna()
                for frame in (ours, back)
            ]
            assert (signs[0] == signs[1]).all()
    given = shapely.to_wkb(np.array(shapes, dtype=object))
    assert (
        read(team / "back" / "parquet" / "pipes.parquet").geometry.to_wkb().tolist()
        == given.tolist()
    )
    with connected("owner") as session, session.snapshot():
        pushed = last_push(session, SCHEMA)
    assert pushed is not None
    assert any(ALIKE in layer for layer in pushed.layers.values())
    # The tables themselves hold all of it: psql reads a column that did not travel row by row.
    # The tables themselves hold all of it, row by row: what is fetched once, too.
    for name in pushed.layers["observations"][ALIKE]["columns"]:
        if OBSERVATIONS[name].kind == "text":
            texts = f"string_agg(\"{name}\", '|' order by fid)"
            found = server.sql(f"select md5({texts}) from {SCHEMA}_run.observations").strip()
            wanted = "|".join(frames["observations"][name]).encode()
            assert found == hashlib.md5(wanted, usedforsecurity=False).hexdigest()


def test_no_contract_has_a_column_of_ours() -> None:
    assert not [t.name for t in TABLES if {"fid", ALIKE, "geometry"} & set(t.names)]


@pytest.mark.parametrize("seed", range(4))
def test_rows_alike_are_those_that_hold_the_same(tmp_path: Path, seed: int) -> None:
    """Each row is told the first row with the same tuple; kinds are the unlike tuples."""
    rng = random.Random(seed)
    count = rng.choice([1000, 1500, 4000])
    frame = anything(OBSERVATIONS, count, seed)
    frame["quantity_low"] = rng.choices([0.0, -0.0, np.nan, 1.5], k=count)
    frame["quantity_high"] = rng.choices([2.0, 3.0], k=count)
    frame["char1"] = pd.array(rng.choices("ABC", k=count), dtype="str")
    path = tmp_path / "observations.parquet"
    frame.to_parquet(path, row_group_size=rng.choice([300, 1000, count]))
    found = read_run_file(path, OBSERVATIONS)
    same = alike_in(found.numbered, found.count)
    assert same is not None
    assert len(same.columns) >= 3
    assert same.kinds <= count // 4
    tuples = [
        tuple(str(value) for value in row)
        for row in frame[list(same.columns)].astype(object).itertuples(index=False)
    ]
    firsts: dict[tuple[str, ...], int] = {}
    for fid, row in enumerate(tuples, 1):
        firsts.setdefault(row, fid)
    assert same.first.tolist() == [firsts[row] for row in tuples]
    assert same.kinds == len(firsts)


def test_few_rows_or_unlike_rows_have_none_alike(tmp_path: Path) -> None:
    frame = anything(OBSERVATIONS, 999, 1)
    path = tmp_path / "observations.parquet"
    frame.to_parquet(path)
    found = read_run_file(path, OBSERVATIONS)
    assert found.numbered
    assert alike_in(found.numbered, 999) is None


def test_places_of_kinds() -> None:
    """By hand: kinds begin in rows 4, 1; a row of kind 3 or 9 has no place among them."""
    kinds = np.array([4, 1])
    assert place_of(np.array([1, 4, 4]), kinds).tolist() == [1, 0, 0]  # type: ignore[union-attr]
    assert place_of(np.array([1, 3]), kinds) is None
    assert place_of(np.array([9]), kinds) is None
    assert place_of(np.array([1]), kinds[:0]) is None


def test_the_type_of_all_shapes() -> None:
    """Against shapely's own names; big-endian WKB and a mixture are any shape."""
    line, flat = SHAPES[2], shapely.to_wkb(SHAPES[1])
    assert shape_type(pa.chunked_array([[None, flat], [flat]])) == "Point"
    assert shape_type(pa.chunked_array([[None, flat], [shapely.to_wkb(line)]])) == "Geometry"
    assert shape_type(pa.chunked_array([[shapely.to_wkb(line, byte_order=0)]])) == "Geometry"
    assert shape_type(pa.chunked_array([[b"", flat], [None]], pa.binary()).slice(1)) == "Point"
    high = shapely.to_wkb(SHAPES[4], flavor="iso")
    assert shape_type(pa.chunked_array([[high]])) == "LineStringZ"
    assert shape_type(pa.chunked_array([[None]], pa.binary())) == "Geometry"
    assert shape_type(pa.chunked_array([[flat, b"\1"]])) == "Geometry"


def test_a_column_of_what_came_back_is_its_own(team: Path) -> None:
    """Columns without a value share what says so: a text put into one stands in no other."""
    push_team(team, write_run(team, {"pipes": tables_of(0)["pipes"]}))
    with connected("owner") as session, session.snapshot():
        pushed = last_push(session, SCHEMA)
        assert pushed is not None
        frame = dict(read_pushed(session, SCHEMA, pushed))["pipes"]
    before = frame.drop(columns="area").copy()
    frame.loc[0, "area"] = "north"
    assert frame["area"].tolist()[:2] == ["north", ""]
    pd.testing.assert_frame_equal(frame.drop(columns="area"), before)


def states_in(frames: dict[str, pd.DataFrame]) -> set[str]:
    return {text for name, frame in frames.items() for text in frame[SAYS[name]]}


def test_a_reader_sees_one_run_while_another_is_pushed(team: Path) -> None:
    """A push waits for who reads; both tables are of the run before, then of the new one."""
    write_runs(team)
    push_team(team, team / RUNS / "0001")
    with ThreadPoolExecutor(1) as pool, connected("owner") as session:
        with session.snapshot():
            pushed = last_push(session, SCHEMA)
            assert pushed is not None
            rows = read_pushed(session, SCHEMA, pushed)
            found = dict([next(rows)])
            push = pool.submit(push_team, team, team / RUNS / "0002")
            wait_for_lock("sleeveplan_run")
            found |= dict(rows)
            assert not push.done()
        push.result(timeout=60)
        assert set(found) == set(SAYS)
        assert states_in(found) == {"state 1"}
        with session.snapshot():
            pushed = last_push(session, SCHEMA)
            assert pushed is not None
            assert states_in(dict(read_pushed(session, SCHEMA, pushed))) == {"state 2"}


def wait_for_lock(schema: str) -> None:
    """Wait until somebody waits for a table of a schema."""
    sql = (
        "select count(*)::bigint from pg_locks l join pg_class c on c.oid = l.relation join "
        f"pg_namespace n on n.oid = c.relnamespace where not granted and nspname = '{schema}'"
    )
    with connected("owner") as session:
        for _ in range(2000):
            with session.snapshot():
                if session.value(sql):
                    return
        pytest.fail("nobody waits")


def test_a_run_pushed_between_the_moment_and_the_tables_is_told(team: Path) -> None:
    """Its rows are not to be seen at that moment: no empty table is taken for the run."""
    write_runs(team)
    push_team(team, team / RUNS / "0001")
    with connected("owner") as session, session.snapshot():
        pushed = last_push(session, SCHEMA)
        assert pushed is not None
        push_team(team, team / RUNS / "0002")
        with pytest.raises(StoreError, match="another run was pushed at this moment; try again"):
            dict(read_pushed(session, SCHEMA, pushed))
    with connected("owner") as session, session.snapshot():
        pushed = last_push(session, SCHEMA)
        assert pushed is not None
        (team / RUNS / "0003" / "parquet" / "nodes.parquet").unlink()
        push_team(team, team / RUNS / "0003")
        with pytest.raises(StoreError, match="another run was pushed at this moment; try again"):
            dict(read_pushed(session, SCHEMA, pushed))


@pytest.mark.parametrize(
    "change", ["alike = 1201 where fid = alike and alike = 1", "alike = null where fid = 1200"]
)
def test_rows_changed_past_the_trigger_are_told(team: Path, server: Server, change: str) -> None:
    """The owner takes the trigger off, and the first row of a kind away or the word of a row."""
    run = write_run(team, {"observations": anything(OBSERVATIONS, 1200, 3)})
    push_team(team, run)
    where = f"{SCHEMA}_run.observations"
    server.sql(f"alter table {where} disable trigger all; update {where} set {change}")
    with pytest.raises(StoreError, match="no longer as they were pushed; push again"):
        pull_run(team, team / "back")
    assert not (team / "back").exists()


def test_a_run_of_the_version_before_is_read(team: Path, server: Server) -> None:
    """Without a word of rows alike each column is fetched as it stands."""
    run = write_run(team, {"observations": anything(OBSERVATIONS, 1200, 4)})
    push_team(team, run)
    server.sql(
        f"alter table {SCHEMA}.pushes disable trigger all; "
        f"update {SCHEMA}.pushes set layers = layers #- '{{observations,alike}}'; "
        f"alter table {SCHEMA}_run.observations drop column alike"
    )
    pull_run(team, team / "back")
    ours, back = (read(at / "parquet" / "observations.parquet") for at in (run, team / "back"))
    pd.testing.assert_frame_equal(ours, back)


def test_a_value_that_a_check_refuses_is_one_line(team: Path) -> None:
    """The same value in each row, which the table fills in by itself, is looked at too."""
    frame = anything(PIPES, 1200, 5).assign(placing="perhaps")
    shapes = shapely.points(np.zeros((len(frame), 2)))
    run = write_run(team, {"pipes": gpd.GeoDataFrame(frame, geometry=shapes, crs=CRS)})
    with pytest.raises(StoreError, match="refused by a check") as told:
        push_team(team, run)
    assert "\n" not in str(told.value)


def test_a_zero_byte_is_one_line(team: Path) -> None:
    """In one row, and in all rows alike."""
    frame = anything(OBSERVATIONS, 1200, 6)
    for texts in ("a\0b", ["a\0b", *["a"] * 1199]):
        run = write_run(team / str(len(texts)), {"observations": frame.assign(remark=texts)})
        with pytest.raises(StoreError, match="zero byte") as told:
            push_team(team, run)
        assert "\n" not in str(told.value)


def test_broken_shapes_are_one_line(team: Path) -> None:
    """Bytes that are no WKB, in a file that says they are."""
    run = write_run(team, {"pipes": tables_of(0)["pipes"]})
    path = run / "parquet" / "pipes.parquet"
    found = pq.read_table(path)
    at = found.schema.get_field_index("geometry")
    for bytes_left in (0, 3, 9):
        cut = pa.array([value.as_py()[:bytes_left] for value in found["geometry"]], pa.binary())
        pq.write_table(found.set_column(at, found.schema.field(at), cut), path)
        with pytest.raises(StoreError) as told:
            push_team(team, run)
        assert "\n" not in str(told.value)
        assert isinstance(told.value.__cause__, PostgresError)
