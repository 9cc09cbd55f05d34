"""Drives between yards and set-ups: on streets where there are any, else by air times a factor."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Protocol

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
from pyproj import CRS, Transformer

from planner.contracts import CREWS, SETUPS, STREETS
from planner.crews.street_graph import Floats, Ints, StreetGraph, make_street_graph
from planner.crews.street_ways import BLOCK, quickest
from planner.settings import Week
from planner.tables import check

Drives = tuple[npt.NDArray[np.int64], Floats, npt.NDArray[np.bool_]]
"""Seconds, metres and whether by air, (n, n) each."""
# To be raised whenever the same streets and places come to other drives.
_MADE = "drives 1"


class KeptDrives(Protocol):
    """Where drives of an earlier run are kept; crews know no files."""

    def get(self, key: str, count: int) -> Drives | None:
        """Give the drives between `count` stops that were kept by this key, if any."""

    def put(self, key: str, drives: Drives) -> None:
        """Keep drives by this key."""


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
    kept: KeptDrives | None = None,
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
    kept
        Drives of earlier runs: the same places on the same streets are not reckoned again.

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
    local = setups.crs
    yards = _yards(crews, source_crs, local)
    points = setups.geometry
    stops = np.concatenate([yards, np.column_stack([points.x, points.y]).reshape(-1, 2)])
    crew_at = {str(name): n for n, name in enumerate(crews["crew"])}
    setup_at = {str(name): len(crew_at) + n for n, name in enumerate(setups["setup_id"])}
    # Many set-ups share a manhole: each place is reckoned once.
    places, place_of = np.unique(stops, axis=0, return_inverse=True)
    graph = make_street_graph(_in(streets, local), places, week)
    place_of = place_of.ravel().astype(np.int64)
    seconds, metres, air = _kept_or_made(places, place_of, graph, week, kept)
    by_air = graph is None
    return Travel(seconds, metres, crew_at, setup_at, air, by_air, places, place_of, graph)


def _kept_or_made(
    places: Floats, place_of: Ints, graph: StreetGraph | None, week: Week, kept: KeptDrives | None
) -> Drives:
    """Take the drives that were kept of the very same places and streets, or reckon them."""
    if kept is None or graph is None:
        return reckon(places, place_of, graph, week)
    key = drives_key(places, place_of, graph, week)
    drives = kept.get(key, len(place_of))
    if drives is None:
        drives = reckon(places, place_of, graph, week)
        kept.put(key, drives)
    return drives


def drives_key(places: Floats, place_of: Ints, graph: StreetGraph, week: Week) -> str:
    """Name drives by all that they depend on: streets, places, speeds; 32 hex digits."""
    digest = hashlib.blake2b(f"{_MADE} {week.speed_kmh!r} {week.travel_factor!r}".encode())
    arcs = (graph.tail, graph.head, graph.seconds, graph.metres)
    for array in (*arcs, graph.stop_node, graph.stop_off_m, places, place_of):
        digest.update(f" {array.dtype.str} {array.shape} ".encode())
        digest.update(np.ascontiguousarray(array).data)
    return digest.hexdigest()[:32]


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


def reckon(
    places: Floats, place_of: Ints, graph: StreetGraph | None, week: Week
) -> tuple[npt.NDArray[np.int64], Floats, npt.NDArray[np.bool_]]:
    """Give seconds, metres and whether by air between all stops, (n, n).

    Each place is reckoned once and written to all its stops: beside the result there is
    never more than a block of it.
    """
    order = np.argsort(place_of, kind="stable")
    count = len(place_of)
    seconds = np.empty((count, count), dtype=np.int64)
    metres, air = np.empty((count, count)), np.empty((count, count), dtype=bool)
    blocks = _by_air(len(places)) if graph is None else quickest(graph)
    for start, on_s, on_m in blocks:
        stop = start + len(on_s)
        a, b = np.searchsorted(place_of[order], [start, stop])
        rows, of_rows = order[a:b], place_of[order[a:b]] - start
        block = _with_air(places, slice(start, stop), on_s, on_m, graph, week)
        for whole, part in zip((seconds, metres, air), block, strict=True):
            whole[rows] = part[np.ix_(of_rows, place_of)]
    return seconds, metres, air


def _by_air(count: int) -> Iterator[tuple[int, Floats, Floats]]:
    """Give blocks as `quickest` does, where no street leads anywhere."""
    for start in range(0, count, BLOCK):
        shape = (min(BLOCK, count - start), count)
        yield start, np.full(shape, np.inf), np.zeros(shape)


def _with_air(
    places: Floats,
    block: slice,
    on_s: Floats,
    on_m: Floats,
    graph: StreetGraph | None,
    week: Week,
) -> tuple[npt.NDArray[np.int64], Floats, npt.NDArray[np.bool_]]:
    """Add the ways to the streets; where no street leads, go by air."""
    metres_s = week.speed_kmh / 3.6
    away = np.hypot(*(places[block, None, :] - places[None, :, :]).transpose(2, 0, 1))
    metres = away * week.travel_factor
    seconds = metres / metres_s
    linked = np.isfinite(on_s)
    if graph is not None:
        off_m = graph.stop_off_m * week.travel_factor
        off_m = off_m[block, None] + off_m[None, :]
        # From a place to itself nobody goes to the street and back.
        off_m[np.arange(len(on_s)), np.arange(len(on_s)) + block.start] = 0.0
        metres = np.where(linked, on_m + off_m, metres)
        seconds = np.where(linked, on_s + off_m / metres_s, seconds)
    return np.rint(seconds).astype(np.int64), metres, ~linked
