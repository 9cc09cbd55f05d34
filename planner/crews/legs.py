"""The ways that the week's vans take, drawn as the streets run."""

from __future__ import annotations

from collections.abc import Iterator

import geopandas as gpd
import numpy as np
import pandas as pd
from scipy.sparse.csgraph import dijkstra
from shapely import LineString
from shapely.geometry.base import BaseGeometry

from planner.contracts import LEGS, VISITS
from planner.crews.street_graph import Floats, Ints, StreetGraph
from planner.crews.street_ways import NO_ARC
from planner.crews.travel import Travel
from planner.tables import check, conform

Hop = tuple[int, int]


def draw_legs(visits: pd.DataFrame, ways: Travel, crs: object) -> gpd.GeoDataFrame:
    """Draw the way to each stop of the week, and home from the last of each day.

    Parameters
    ----------
    visits
        Obeys `VISITS`.
    ways
        The drives that the week was planned with.
    crs
        System of the set-ups.

    Returns
    -------
    legs
        Obeys `LEGS`: the quickest way, from the stop straight to its street and along the
        streets; straight throughout where the drive is reckoned by air. No line where the
        van stays where it is.
    """
    check(visits, VISITS)
    rows, hops = [], []
    for visit, home, hop in _hops(visits, ways):
        rows.append({"visit_id": visit, "part": "home" if home else "to"})
        hops.append(hop)
    lines = _lines(hops, ways)
    frame = pd.DataFrame(rows, columns=["visit_id", "part"])
    frame["by_air"] = [bool(ways.air[hop]) for hop in hops]
    frame["geometry"] = np.array([lines[_places(hop, ways)] for hop in hops] + [None])[:-1]
    return conform(frame, LEGS, crs=crs)  # type: ignore[return-value]


def _hops(visits: pd.DataFrame, ways: Travel) -> Iterator[tuple[str, bool, Hop]]:
    """Give each drive as visit, whether it is the way home, and its rows in `ways`."""
    for (crew, _), day in visits.sort_values(list(VISITS.key)).groupby(["crew", "date"]):
        yard = at = ways.crew_at[str(crew)]
        last = ""
        for visit, setup in zip(day["visit_id"], day["setup_id"], strict=True):
            stop = ways.setup_at[str(setup)]
            yield str(visit), False, (at, stop)
            at, last = stop, str(visit)
        yield last, True, (at, yard)


def _places(hop: Hop, ways: Travel) -> Hop:
    return int(ways.place_of[hop[0]]), int(ways.place_of[hop[1]])


def _lines(hops: list[Hop], ways: Travel) -> dict[Hop, BaseGeometry | None]:
    """Draw each unlike hop between places once."""
    lines: dict[Hop, BaseGeometry | None] = {}
    on_streets: dict[int, set[int]] = {}
    for hop in hops:
        start, stop = _places(hop, ways)
        ends = ways.places[[start, stop]]
        if start == stop:
            lines[start, stop] = None
        elif ways.air[hop] or ways.graph is None:
            lines[start, stop] = LineString(ends)
        else:
            on_streets.setdefault(start, set()).add(stop)
    if ways.graph is not None:
        for start, stops in sorted(on_streets.items()):
            lines |= _from(start, sorted(stops), ways, ways.graph)
    return lines


def _from(start: int, stops: list[int], ways: Travel, graph: StreetGraph) -> dict[Hop, LineString]:
    source = int(graph.stop_node[start])
    _, before = dijkstra(graph.times(), directed=True, indices=[source], return_predecessors=True)
    out = {}
    for stop in stops:
        nodes = _back(before[0].astype(np.int64), int(graph.stop_node[stop]))
        on_street = graph.points_of(nodes[:-1], nodes[1:])
        points = [ways.places[[start]], *on_street, ways.places[[stop]]]
        out[start, stop] = LineString(_unlike(np.concatenate(points)))
    return out


def _back(before: Ints, node: int) -> Ints:
    nodes = [node]
    while before[nodes[-1]] != NO_ARC:
        nodes.append(int(before[nodes[-1]]))
    return np.array(nodes[::-1], dtype=np.int64)


def _unlike(xy: Floats) -> Floats:
    """Leave out vertices that repeat the one before, but never fall below two."""
    keep = np.concatenate([[True], (np.diff(xy, axis=0) != 0).any(axis=1)])
    return xy[keep] if keep.sum() > 1 else xy[[0, -1]]
