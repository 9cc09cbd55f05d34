"""Writers that never rest, to be killed at a random moment; and people who race for five pipes.

A writer writes state 0, 1, 2, 3, 4, 0, ... of a few tables, and says each that is whole. What is
found after a kill must be the state it said last, or the one after it, in all tables alike.
"""

from __future__ import annotations

import json
import multiprocessing
import os
import random
import shutil
import sqlite3
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from planner.contracts import DECISIONS, NODES, PIPES
from planner.contracts.facts import RunFacts
from planner.errors import StaleError, StoreError
from planner.ground.postgis import connected
from planner.outputs.files import write_tables
from planner.run_folders import RUNS, next_run, write_aside
from planner.store.chosen import STORE, store_of
from planner.store.pushed import last_push
from planner.store.team import push_team
from planner.tables import conform

STATES = 5
ROWS = 400
ROUND = 125
CRS = "EPSG:25832"
FACTS = RunFacts("x", "", "EUR", "metric", CRS, CRS, False, False, True, "0")
SCHEMA = "sleeveplan"
_WAYS = multiprocessing.get_context("forkserver")
_WAYS.set_forkserver_preload(["store_crashes"])


def tables_of(state: int) -> dict[str, pd.DataFrame]:
    """Give tables that all say which state they are, by a text in each row and by their count."""
    count = ROWS + state
    ids = [f"{n:05d}" for n in range(count)]
    xy = np.arange(count, dtype=float)
    points = shapely.points(xy + 500_000, xy + 5_700_000)
    lines = shapely.linestrings(np.stack([shapely.get_coordinates(points)] * 2, axis=1)
                                + np.array([[0.0, 0.0], [30.0, 5.0]]))  # fmt: skip
    pipes = {"pipe_id": ids, "us_node": "a", "ds_node": "b", "material": f"state {state}"}
    nodes = {"node_id": ids, "access": "unknown", "street_class": f"state {state}"}
    return {
        "pipes": conform(gpd.GeoDataFrame(pipes, geometry=lines, crs=CRS), PIPES),
        "nodes": conform(gpd.GeoDataFrame(nodes, geometry=points, crs=CRS), NODES),
    }


SAYS = {"pipes": "material", "nodes": "street_class"}


def write_runs(folder: Path) -> None:
    """Write a run for each state into ``out`` of a folder."""
    for state in range(STATES):
        run = folder / RUNS / f"{state:04d}"
        run.mkdir(parents=True)
        write_tables(tables_of(state), FACTS, run)
        (run / "run.json").write_text(json.dumps({"source_crs": CRS}))


def write_geopackage(folder: Path, state: int) -> None:
    """Write one state over the GeoPackage that is there."""
    write_tables(tables_of(state), FACTS, folder)


def geopackage_state(folder: Path) -> int:
    """Look at layers, rows and spatial index by SQLite alone."""
    with sqlite3.connect(folder / "plan.gpkg") as base:
        layers = {row[0] for row in base.execute("select table_name from gpkg_contents")}
        assert set(SAYS) <= layers, layers
        found = set()
        for name, column in SAYS.items():
            states = {row[0] for row in base.execute(f'select "{column}" from "{name}"')}
            count = base.execute(f'select count(*) from "{name}"').fetchone()[0]
            index = base.execute(f'select count(*) from "rtree_{name}_geom"').fetchone()[0]
            assert len(states) == 1, states
            found.add(int(states.pop().split()[1]))
            assert count == index == ROWS + min(found), (name, count, index)
    base.close()
    assert len(found) == 1, found
    return found.pop()


def write_folder(folder: Path, state: int) -> None:
    """Write one state into a run folder of its own, which appears whole."""
    write_aside(folder, lambda part: _whole(part, state), next_run)


def _whole(part: Path, state: int) -> None:
    write_tables(tables_of(state), FACTS, part)


def folder_state(folder: Path) -> int:
    """Look at each run folder; give the state of the newest."""
    runs = sorted(path for path in (folder / RUNS).iterdir() if path.name.isdigit())
    states = []
    for run in runs:
        found = {geopackage_state(run)}
        for name, column in SAYS.items():
            frame = gpd.read_parquet(run / "parquet" / f"{name}.parquet")
            found |= {int(text.split()[1]) for text in set(frame[column])}
            assert len(frame) == ROWS + min(found)
            assert (run / "tables" / f"{name}.csv").read_text().count("\n") == len(frame) + 1
        assert len(found) == 1, found
        states.append(found.pop())
    for path in (folder / RUNS).iterdir():
        if path not in runs[-1:]:
            shutil.rmtree(path)
    return states[-1]


def write_postgis(folder: Path, state: int) -> None:
    """Push one state over the tables that are in the database."""
    push_team(folder, folder / RUNS / f"{state:04d}")


def postgis_state(folder: Path) -> int:
    """Look at tables, rows, spatial index and leftovers by SQL alone."""
    with connected("owner") as session, session.snapshot():
        pushed = last_push(session, SCHEMA)
        assert pushed is not None
        state = int(pushed.run)
        there = session.table(
            f"select tablename::text as t from pg_tables where schemaname = '{SCHEMA}_run'"
        )["t"].to_pylist()
        assert sorted(there) == sorted(SAYS)
        for name, column in SAYS.items():
            where = f"{SCHEMA}_run.{name}"
            states = session.table(f'select distinct "{column}" as s from {where}')["s"]
            assert states.to_pylist() == [f"state {state}"]
            assert session.value(f"select count(*) from {where}") == ROWS + state
            index = session.value(
                "select count(*) from pg_index i join pg_class c on c.oid = i.indexrelid join "
                f"pg_am a on a.oid = c.relam where indrelid = '{where}'::regclass and indisvalid "
                "and amname = 'gist'"
            )
            assert index == 1
            # The planner is kept from the table itself: what it counts, the index holds.
            session.run("set local enable_seqscan = off")
            wide = "ST_MakeEnvelope(0, 0, 1e7, 1e7, 25832)"
            found = session.value(f"select count(*) from {where} where geometry && {wide}")
            assert found == ROWS + state
    return state


WRITERS: dict[str, tuple[Callable[[Path, int], None], Callable[[Path], int]]] = {
    "GeoPackage": (write_geopackage, geopackage_state),
    "parquet folder": (write_folder, folder_state),
    "PostGIS": (write_postgis, postgis_state),
}


def never_rest(name: str, folder: Path, state: int, services: str, said: Connection) -> None:
    """Write state after state until killed."""
    os.environ["PGSERVICEFILE"] = services
    while True:
        WRITERS[name][0](folder, state)
        said.send(state)
        state = (state + 1) % STATES


@dataclass
class Kills:
    """How many kills left what: the state said last, the one after it, or something else."""

    old: int = 0
    new: int = 0
    broken: int = 0


def kill_again_and_again(name: str, folder: Path, count: int, services: str, seed: int) -> Kills:
    """Kill a writer `count` times, each at a random moment, and look at what it left."""
    rng, kills, state = random.Random(seed), Kills(), 0
    look = WRITERS[name][1]
    for _ in range(count):
        ours, theirs = _WAYS.Pipe(duplex=False)
        args = (name, folder, state, services, theirs)
        process = _WAYS.Process(target=never_rest, args=args)
        process.start()
        theirs.close()
        last, began = ours.recv(), time.monotonic()
        last = ours.recv()
        time.sleep(rng.uniform(0.0, 1.2 * (time.monotonic() - began)))
        process.kill()
        process.join()
        try:
            while True:
                last = ours.recv()
        except (EOFError, OSError):
            ours.close()
        after = (last + 1) % STATES
        try:
            found = look(folder)
        except (AssertionError, OSError, sqlite3.Error, KeyError, IndexError, ValueError) as error:
            print(f"{name}: {error!r}")
            found = -1
        kills.old += found == last
        kills.new += found == after
        kills.broken += found not in (last, after)
        state = (after if found == last else found + 1) % STATES
    return kills


@dataclass
class Race:
    """What came of racing edits."""

    edits: int
    lost: int
    overwritten: int
    conflicts: int
    waits: int
    seconds: float


def edit(folder: Path, who: int, count: int, services: str, said: Connection) -> None:
    """Decide `count` times on a random one of five pipes, as one does who sees what is there.

    After each `ROUND` decisions one goes on to five other pipes.
    """
    os.environ["PGSERVICEFILE"] = services
    rng, store = random.Random(who), store_of(folder)
    seen, conflicts, waits = Counter[str](), 0, 0
    with store.keeping.editing():
        for n in range(count):
            pipe = rng.choice("abcde") + str(n // ROUND)
            done = False
            while not done:
                row: dict[str, Any] = {
                    "pipe_id": pipe, "decision": "accept", "by": f"person {who}",
                    "on": "2026-03-02", "reason": f"edit {n}", "value": str(seen[pipe]),
                }  # fmt: skip
                frame = pd.DataFrame([{**dict.fromkeys(DECISIONS.names, ""), **row}])
                try:
                    taken, _ = store.append_decisions(frame, {pipe: seen[pipe]})
                    seen[pipe], done = int(taken["version"].iloc[0]), True
                except StaleError as error:
                    conflicts += 1
                    seen[pipe] = max(error.versions)
                except StoreError as error:
                    if "in use" not in str(error):
                        raise
                    waits += 1
    said.send((conflicts, waits))


def race(folder: Path, edits: int, people: int, services: str) -> Race:
    """Let people make `edits` decisions in all on five pipes at once, and count what is kept."""
    began, each = time.perf_counter(), edits // people
    lines, processes = [], []
    for who in range(people):
        ours, theirs = _WAYS.Pipe(duplex=False)
        processes.append(_WAYS.Process(target=edit, args=(folder, who, each, services, theirs)))
        processes[-1].start()
        theirs.close()
        lines.append(ours)
    told = [line.recv() for line in lines]
    for process in processes:
        process.join()
    seconds = time.perf_counter() - began
    held = store_of(folder).read_decisions()
    wanted = {(f"person {who}", f"edit {n}") for who in range(people) for n in range(each)}
    kept = list(zip(held["by"], held["reason"], strict=True))
    lost = len(wanted - set(kept)) + (len(kept) - len(set(kept)))
    lost += held["version"].tolist() != list(range(1, len(held) + 1))
    overwritten = 0
    for _, own in held.groupby("pipe_id"):
        # Each says which version it saw: that must be the one that stands before it.
        before = [0, *own["version"].astype(int)][:-1]
        overwritten += sum(int(a) != b for a, b in zip(own["value"], before, strict=True))
    conflicts, waits = (sum(one[n] for one in told) for n in (0, 1))
    return Race(each * people, lost, overwritten, conflicts, waits, seconds)


def town(folder: Path, service: str = "") -> Path:
    """Make a project folder that names a store alone."""
    folder.mkdir(parents=True, exist_ok=True)
    text = f'[store]\nservice = "{service}"\n' if service else ""
    (folder / "planner.toml").write_text(text)
    assert not (folder / STORE).exists()
    return folder
