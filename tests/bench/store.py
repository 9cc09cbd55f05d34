"""The team's store: how fast a run goes there and back, what kills leave, what races lose.

A server of the benchmark's own runs from Debian's packages, on a socket, without fsync. The town
is that of `tests.bench.locate`: ten coded rows a pipe. Kills and racing edits are counts, and
what they left is looked at by SQL, SQLite and Parquet readers, not by our own store.
"""

from __future__ import annotations

import json
import os
import tempfile
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pytest
import shapely
from postgis_server import Server, running
from sqlalchemy import create_engine
from store_crashes import CRS, SCHEMA, WRITERS, kill_again_and_again, race, town, write_runs

from planner.ground.postgis import connected
from planner.run_folders import RUNS
from planner.store.pulled import read_pushed
from planner.store.pushed import last_push
from planner.store.team import init_team, push_team
from tests.bench.frame import BenchResult, timed
from tests.bench.locate import make_city

GOALS: dict[str, tuple[str, float]] = {
    "to_sql time / ours": (">=", 10.0),
    "read_sql time / ours": (">=", 5.0),
    "kills that left something else than the old state or the new": ("<=", 0.0),
    "racing edits lost": ("<=", 0.0),
    "racing edits that overwrote one unseen": ("<=", 0.0),
}
PEOPLE = 8
READS = 3


def run(size: int) -> BenchResult:
    """Push and read `size` pipes with ten coded rows each; a thousandth as many kills of each kind.

    A tenth as many racing edits: 100 kills and 10,000 edits by default.
    """
    try:
        with running() as server, tempfile.TemporaryDirectory() as place:
            os.environ["PGSERVICEFILE"] = str(server.services)
            folder = town(Path(place) / "team", "owner")
            init_team(folder)
            rows, ratios = there_and_back(size, server, folder)
            more, counts = _kills(max(2, size // 1000), server, Path(place))
            raced, lost = _races(max(80, size // 10), server, folder, Path(place))
    except pytest.skip.Exception as error:
        raise RuntimeError(str(error)) from error
    return BenchResult(
        rows=[*rows, *more, *raced],
        ratios={**ratios, **counts, **lost},
        goals={name: list(goal) for name, goal in GOALS.items()},
    )


def _line(what: str, count: int, seconds: float, note: str) -> dict[str, object]:
    return {"what": what, "count": count, "seconds": round(seconds, 3), "note": note}


def there_and_back(
    size: int, server: Server, folder: Path
) -> tuple[list[dict[str, object]], dict[str, float]]:
    """Push and read a city of `size` pipes, and let pandas do the same, in turns.

    What else a machine does then meets both.
    """
    city = make_city(size * 10)
    pipes = gpd.GeoDataFrame(city.pipes)
    out = folder / RUNS / "0001"
    (out / "parquet").mkdir(parents=True)
    pipes.to_parquet(out / "parquet" / "pipes.parquet")
    city.observations.to_parquet(out / "parquet" / "observations.parquet")
    (out / "run.json").write_text(json.dumps({"source_crs": CRS}))
    load_s, _ = timed(lambda: push_team(folder, out))
    engine = create_engine(
        f"postgresql+psycopg://postgres@/postgres?host={server.folder}", echo=False
    )
    plain = pd.DataFrame(pipes.drop(columns="geometry"))
    plain["geometry"] = shapely.to_wkb(pipes.geometry.to_numpy(), hex=True)
    server.sql("create schema naive")

    def naive() -> None:
        for name, frame in (("pipes", plain), ("observations", city.observations)):
            frame.to_sql(name, engine, schema="naive", index=False)

    def query() -> list[pd.DataFrame]:
        return [pd.read_sql(f"select * from naive.{n}", engine) for n in ("pipes", "observations")]

    naive_s, _ = timed(naive)
    load_s = min(load_s, timed(lambda: push_team(folder, out))[0])
    read_s = query_s = float("inf")
    for _ in range(READS):
        once_s, back = timed(_read)
        read_s = min(read_s, once_s)
        once_s, found = timed(query)
        query_s = min(query_s, once_s)
    engine.dispose()
    count = len(city.observations)
    same = (
        len(found[1]) == len(back["observations"]) == count
        and back["observations"]["s_m"].equals(city.observations["s_m"])
        and bool((back["pipes"].geometry.to_numpy() == pipes.geometry.to_numpy()).all())
    )
    rows = [
        _line("ours: push", count, load_s, "Parquet read, keys, checks, indexes, swap"),
        _line("pandas.to_sql", count, naive_s, "no keys, no geometry type"),
        _line("ours: read", count, read_s, "with shapes"),
        _line("pandas.read_sql", count, query_s, "shapes as text"),
    ]
    return rows, {
        "to_sql time / ours": naive_s / load_s,
        "read_sql time / ours": query_s / read_s,
        "tables that came back otherwise": float(not same),
    }


def _read() -> dict[str, pd.DataFrame]:
    with connected("owner") as session, session.snapshot():
        pushed = last_push(session, SCHEMA)
        assert pushed is not None
        return dict(read_pushed(session, SCHEMA, pushed))


def _kills(
    count: int, server: Server, place: Path
) -> tuple[list[dict[str, object]], dict[str, float]]:
    rows, broken = [], 0
    for seed, name in enumerate(WRITERS):
        folder = town(place / name, "owner")
        if name == "PostGIS":
            write_runs(folder)
        seconds, kills = timed(
            lambda name=name, folder=folder, seed=seed: kill_again_and_again(  # type: ignore[misc]
                name, folder, count, str(server.services), seed
            )
        )
        note = f"{kills.old} old state, {kills.new} new, {kills.broken} something else"
        rows.append(_line(f"SIGKILL while writing: {name}", count, seconds, note))
        broken += kills.broken
    return rows, {"kills that left something else than the old state or the new": float(broken)}


def _races(
    edits: int, server: Server, team: Path, place: Path
) -> tuple[list[dict[str, object]], dict[str, float]]:
    rows, lost, over = [], 0, 0
    for name, folder in (("PostGIS", team), ("GeoPackage", town(place / "own"))):
        told = race(folder, edits, PEOPLE, str(server.services))
        note = f"{told.conflicts} conflicts told, {told.waits} waits too long, {told.lost} lost"
        rows.append(_line(f"{PEOPLE} people, 5 pipes: {name}", told.edits, told.seconds, note))
        lost += told.lost
        over += told.overwritten
    return rows, {
        "racing edits lost": float(lost),
        "racing edits that overwrote one unseen": float(over),
    }
