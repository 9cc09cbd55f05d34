"""Drives between many stops on the streets of a real city: time, memory, against networkx.

The streets are test material that is not part of the project: where they are not, this
cannot run. Which of them are one-way, and the speeds by class, are invented.
"""

from __future__ import annotations

import math
import multiprocessing
import time
from dataclasses import dataclass
from multiprocessing.connection import Connection
from pathlib import Path

import geopandas as gpd
import networkx as nx
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from scipy.sparse.csgraph import dijkstra

from planner.contracts import CREWS, SETUPS, STREETS
from planner.crews.street_graph import StreetGraph
from planner.crews.travel import travel
from planner.settings import Week, load_settings
from planner.tables import conform, empty
from tests.bench.frame import BenchResult

NAME = Path("shared", "samples", "streets", "liege_osm_original.parquet")
ABOVE = [folder / NAME for folder in Path(__file__).resolve().parents[3:]]
STREETS_OF_A_CITY = next((path for path in ABOVE if path.exists()), ABOVE[0])
KMH = {"motorway": 90.0, "primary": 50.0, "secondary": 50.0, "tertiary": 40.0, "pedestrian": 0.0}
SOURCES, TARGETS, FLOOR = 10, 20, 200
PEAK, UNLIKE = "peak memory over imports [MB]", "pairs unlike networkx"
BACKWARD = "pairs unlike networkx, matrix transposed"
GOALS: dict[str, tuple[str, float]] = {PEAK: ("<=", 500), UNLIKE: ("<=", 0), BACKWARD: (">=", 1)}

Numbers = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Ours:
    """What the child found: time, memory, all drives of a few sources both ways, the graph."""

    seconds: float
    inputs_mb: float
    peak_mb: float
    there: npt.NDArray[np.int64]
    back: npt.NDArray[np.int64]
    air: int
    graph: StreetGraph


def run(size: int) -> BenchResult:
    """Reckon `size` by `size` drives in a process of its own; hold 200 pairs to networkx."""
    if not STREETS_OF_A_CITY.exists():
        message = f"{STREETS_OF_A_CITY} is not here: street networks are no part of the project"
        raise RuntimeError(message)
    ours = _in_a_child(size)
    streets = read_city()
    week = week_of()
    graph = digraph(streets, week)
    stops = stops_of(graph, size)
    sources, targets = chosen(size)
    naive_s, far = by_networkx(graph, [stops[n] for n in sources])
    wanted = np.array([[one.get(stops[m], math.inf) for m in targets] for one in far])
    floor_s = by_scipy_alone(ours.graph, min(size, FLOOR))
    naive_all_s, floor_all_s = naive_s * size / len(sources), floor_s * size / min(size, FLOOR)
    return BenchResult(
        rows=[
            row("ours: tie, cut, times, lengths", size, ours.seconds, f"{ours.peak_mb:.0f} MB"),
            row("networkx: dict Dijkstra", len(sources), naive_s, "times only, no ties"),
            row("floor: scipy dijkstra alone", min(size, FLOOR), floor_s, "no lengths"),
        ],
        ratios={
            "networkx time / ours, per source": naive_all_s / ours.seconds,
            "ours / floor, per source": ours.seconds / floor_all_s,
            PEAK: ours.peak_mb,
            "of it for reading the streets [MB]": ours.inputs_mb,
            UNLIKE: unlike(ours.there, wanted),
            BACKWARD: unlike(ours.back, wanted),
            "pairs compared": float(wanted.size),
            "drives by air": float(ours.air),
        },
        goals={name: list(goal) for name, goal in GOALS.items()},
    )


def row(what: str, sources: int, seconds: float, note: str) -> dict[str, object]:
    return {"what": what, "sources": sources, "seconds": round(seconds, 2), "note": note}


def unlike(got: npt.NDArray[np.int64], wanted: Numbers) -> float:
    """Count pairs that differ by more than rounding to whole seconds and the ties explain."""
    return float((np.abs(got - wanted) > 0.501).sum())


def chosen(size: int) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """Draw the stops that are compared, the same each time."""
    rng = np.random.default_rng(11)
    return (
        rng.choice(size, min(size, SOURCES), replace=False),
        rng.choice(size, min(size, TARGETS), replace=False),
    )


def week_of() -> Week:
    return load_settings({"week": {"class_kmh": KMH}}).week


def read_city() -> gpd.GeoDataFrame:
    """Read the streets; one in twenty is made one-way as drawn."""
    lines = gpd.read_parquet(STREETS_OF_A_CITY).reset_index(drop=True)
    rng = np.random.default_rng(5)
    frame = pd.DataFrame(
        {
            "street_id": [f"s{n:06d}" for n in range(len(lines))],
            "class": lines["highway"].astype(str),
            "oneway": rng.random(len(lines)) < 0.05,
        }
    )
    return conform(gpd.GeoDataFrame(frame, geometry=lines.geometry, crs=lines.crs), STREETS)  # type: ignore[return-value]


def digraph(streets: gpd.GeoDataFrame, week: Week) -> nx.DiGraph[tuple[int, int]]:
    """Give networkx each vertex of each street, without any code of ours; quickest arc stays."""
    kmh = streets["class"].map(week.class_kmh).fillna(week.speed_kmh).to_numpy(dtype=float)
    oneway = streets["oneway"].to_numpy(dtype=bool)
    graph: nx.DiGraph[tuple[int, int]] = nx.DiGraph()
    for line, speed, one in zip(streets.geometry, kmh, oneway, strict=True):
        if speed <= 0:
            continue
        xy = shapely.get_coordinates(line)
        names = [(int(x), int(y)) for x, y in np.rint(xy * 100)]
        for n, step in enumerate(np.hypot(*np.diff(xy, axis=0).T) / (speed / 3.6)):
            ends = [(names[n], names[n + 1])] + ([] if one else [(names[n + 1], names[n])])
            for a, b in ends:
                if a != b and (not graph.has_edge(a, b) or graph[a][b]["weight"] > step):
                    graph.add_edge(a, b, weight=float(step))
    return graph


def stops_of(graph: nx.DiGraph[tuple[int, int]], size: int) -> list[tuple[int, int]]:
    """Draw stops [cm] on street vertices from which and to which streets lead."""
    inside = sorted(max(nx.strongly_connected_components(graph), key=len))
    at = np.random.default_rng(3).choice(len(inside), size, replace=False)
    return [inside[n] for n in at]


def by_networkx(
    graph: nx.DiGraph[tuple[int, int]], sources: list[tuple[int, int]]
) -> tuple[float, list[dict[tuple[int, int], float]]]:
    start = time.perf_counter()
    far = [dict(nx.single_source_dijkstra_path_length(graph, source)) for source in sources]
    return time.perf_counter() - start, far


def by_scipy_alone(graph: StreetGraph, count: int) -> float:
    """Run scipy's Dijkstra from a part of the stops, times only, nothing kept [s]."""
    times = graph.times()
    start = time.perf_counter()
    for first in range(0, count, 50):
        dijkstra(times, directed=True, indices=graph.stop_node[first : min(first + 50, count)])
    return time.perf_counter() - start


def _in_a_child(size: int) -> Ours:
    context = multiprocessing.get_context("spawn")
    # The stops are drawn in yet another process: networkx must not count as our memory.
    with context.Pool(1) as pool:
        stops = pool.apply(_draw, (size,))
    here, there = context.Pipe(duplex=False)
    child = context.Process(target=_reckon, args=(stops, there))
    child.start()
    there.close()
    try:
        found = here.recv()
    except EOFError:
        message = "the process that reckons the drives ended early"
        raise RuntimeError(message) from None
    finally:
        child.join()
    assert isinstance(found, Ours)
    return found


def _draw(size: int) -> Numbers:
    return np.array(stops_of(digraph(read_city(), week_of()), size)) / 100.0


def _peak_mb() -> float:
    """Give the most memory held so far [MB].

    From the kernel's status, not `ru_maxrss`: that one is inherited from the parent.
    """
    for line in Path("/proc/self/status").read_text().splitlines():
        if line.startswith("VmHWM:"):
            return int(line.split()[1]) / 1024
    message = "the kernel does not tell the peak of memory"
    raise RuntimeError(message)


def setups_at(stops: Numbers, crs: object) -> gpd.GeoDataFrame:
    """Lay out set-ups of one cleaning at each stop."""
    rows = {
        "setup_id": [f"U{n:05d}" for n in range(len(stops))],
        "node_id": "n", "pipe_id": "p", "counter_node": "n", "steps": "clean", "longest_m": 0.0,
        "reach_m": 0.0, "work_s": 3600, "open_s": 28_800, "close_s": 57_600, "value_s": 2_700,
        "sleeves_count": 0, "resin_g": 0,
    }  # fmt: skip
    frame = gpd.GeoDataFrame(pd.DataFrame(rows), geometry=shapely.points(stops), crs=crs)
    return conform(frame, SETUPS)  # type: ignore[return-value]


def _reckon(stops: Numbers, out: Connection) -> None:
    base_mb = _peak_mb()
    streets = read_city()
    setups = setups_at(stops, streets.crs)
    inputs_mb = _peak_mb() - base_mb
    start = time.perf_counter()
    ways = travel(setups, empty(CREWS), streets, week_of(), source_crs="")  # type: ignore[arg-type]
    seconds = time.perf_counter() - start
    peak_mb = _peak_mb() - base_mb
    sources, targets = chosen(len(stops))
    assert ways.graph is not None
    out.send(
        Ours(
            seconds,
            inputs_mb,
            peak_mb,
            ways.seconds[np.ix_(sources, targets)],
            ways.seconds.T[np.ix_(sources, targets)],
            int(ways.air.sum()),
            ways.graph,
        )
    )
    out.close()
