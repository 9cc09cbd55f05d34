"""Drives between yards and set-ups: on streets where there are any, else by air times a factor."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
from pyproj import CRS, Transformer
from scipy.sparse.csgraph import dijkstra

from planner.contracts import CREWS, SETUPS, STREETS
from planner.crews.street_graph import Floats, Ints, StreetGraph, make_street_graph
from planner.settings import Week
from planner.tables import check

# Sources at once: all targets of so many stay in memory, never all nodes of all sources.
_BLOCK = 100
NO_ARC = -9999  # what scipy writes where a node has no predecessor


@dataclass(frozen=True)
class Travel:
    """Drives from each stop to each other.

    `seconds` and `metres` are (n, n), row to column; `crew_at` and `setup_at` say which
    row is the yard of a crew and which a set-up. `air` marks the drives that are reckoned
    by air; `by_air` says that all are, for want of streets. `places` are the stops' places,
    (m, 2) [m], `place_of` says which place a row is at, and `graph` ties the places to streets.
    """

    seconds: npt.NDArray[np.int64]
    metres: Floats
    crew_at: dict[str, int]
    setup_at: dict[str, int]
    air: npt.NDArray[np.bool_]
    by_air: bool
    places: Floats
    place_of: Ints
    graph: StreetGraph | None


def travel(
    setups: gpd.GeoDataFrame,
    crews: pd.DataFrame,
    streets: gpd.GeoDataFrame,
    week: Week,
    *,
    source_crs: str,
    local_crs: str = "",
) -> Travel:
    """Reckon the drives between all yards and set-ups.

    A stop is tied to the nearest place on a street; the way to it counts by air times
    `travel_factor`. The quickest way counts, and its length. Where no street leads from
    one stop to another, that drive is by air times the factor.

    Parameters
    ----------
    setups
        Obeys `SETUPS`, in metres.
    crews
        Obeys `CREWS`; yards in the system of the input layers.
    streets
        Obeys `STREETS`; without a row all drives are by air.
    week
        Speeds and the factor.
    source_crs
        System of the yards; '' = that of the set-ups.
    local_crs
        System of the set-ups; '' = as they say.

    Returns
    -------
    travel
        Seconds rounded to whole ones.

    Raises
    ------
    TableError
        If a table breaks its contract.
    """
    check(setups, SETUPS), check(crews, CREWS), check(streets, STREETS)
    local = CRS.from_user_input(local_crs) if local_crs else setups.crs
    yards = _yards(crews, source_crs, local)
    points = setups.geometry
    stops = np.concatenate([yards, np.column_stack([points.x, points.y]).reshape(-1, 2)])
    crew_at = {str(name): n for n, name in enumerate(crews["crew"])}
    setup_at = {str(name): len(crew_at) + n for n, name in enumerate(setups["setup_id"])}
    # Many set-ups share a manhole: each place is reckoned once.
    places, place_of = np.unique(stops, axis=0, return_inverse=True)
    graph = make_street_graph(_in(streets, local), places, week)
    seconds, metres, air = _between(places, graph, week)
    grid = np.ix_(place_of.ravel(), place_of.ravel())
    return Travel(
        np.ascontiguousarray(seconds[grid]),
        np.ascontiguousarray(metres[grid]),
        crew_at,
        setup_at,
        np.ascontiguousarray(air[grid]),
        graph is None,
        places,
        place_of.ravel().astype(np.int64),
        graph,
    )


def _yards(crews: pd.DataFrame, source_crs: str, local: CRS | None) -> Floats:
    x, y = crews["yard_x"].to_numpy(dtype=float), crews["yard_y"].to_numpy(dtype=float)
    if source_crs and local is not None and len(crews):
        change = Transformer.from_crs(CRS.from_user_input(source_crs), local, always_xy=True)
        x, y = change.transform(x, y)
    return np.column_stack([x, y]).reshape(-1, 2)


def _in(streets: gpd.GeoDataFrame, local: CRS | None) -> gpd.GeoDataFrame:
    if local is None or streets.crs is None or streets.crs == local:
        return streets
    return streets.to_crs(local)


def _between(
    places: Floats, graph: StreetGraph | None, week: Week
) -> tuple[npt.NDArray[np.int64], Floats, npt.NDArray[np.bool_]]:
    """Give seconds, metres and whether by air, between all places."""
    metres_s = week.speed_kmh / 3.6
    away = np.hypot(
        places[:, None, 0] - places[None, :, 0], places[:, None, 1] - places[None, :, 1]
    )
    metres = away * week.travel_factor
    seconds = metres / metres_s
    if graph is None:
        return np.rint(seconds).astype(np.int64), metres, np.ones(away.shape, dtype=bool)
    on_s, on_m = _on_streets(graph)
    off_m = graph.stop_off_m * week.travel_factor
    off_m = off_m[:, None] + off_m[None, :]
    np.fill_diagonal(off_m, 0.0)
    linked = np.isfinite(on_s)
    metres = np.where(linked, on_m + off_m, metres)
    seconds = np.where(linked, on_s + off_m / metres_s, seconds)
    return np.rint(seconds).astype(np.int64), metres, ~linked


def _on_streets(graph: StreetGraph) -> tuple[Floats, Floats]:
    """Give time [s] and length [m] of the quickest way on streets from each stop to each."""
    count = len(graph.stop_node)
    seconds, metres = np.empty((count, count)), np.empty((count, count))
    times = graph.times()
    for start in range(0, count, _BLOCK):
        sources = graph.stop_node[start : start + _BLOCK]
        far, before = dijkstra(times, directed=True, indices=sources, return_predecessors=True)
        seconds[start : start + _BLOCK] = far[:, graph.stop_node]
        metres[start : start + _BLOCK] = _lengths(graph, before.astype(np.int64))
    return seconds, metres


def _lengths(graph: StreetGraph, before: Ints) -> Floats:
    """Walk from every target back to its source, all at once, and add up the arcs."""
    rows = np.repeat(np.arange(len(before)), len(graph.stop_node))
    now = np.tile(graph.stop_node, len(before))
    metres = np.zeros(len(now))
    going = np.arange(len(now))
    while len(going):
        back = before[rows[going], now[going]]
        going, back = going[back != NO_ARC], back[back != NO_ARC]
        metres[going] += graph.metres_of(back, now[going])
        now[going] = back
    return metres.reshape(len(before), -1)
