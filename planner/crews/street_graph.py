"""Streets as a graph for shortest times: cut where they meet and where a stop lies beside them."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import shapely
from scipy.sparse import csr_array
from scipy.sparse.csgraph import connected_components
from shapely.ops import substring

from planner.settings import Week

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
# Street ends that are drawn closer than this meet [m].
_GRID_M = 0.01
# A stop goes to the streets that all hang together if one lies at most so much farther
# than the nearest street [m]; assumed. A stray stretch of street would else cut it off.
_STRAY_M = 100.0
# No arc is quite free: a time of 0 would read as no arc at all [s].
_LEAST_S = 1e-6


@dataclass(frozen=True)
class StreetGraph:
    """Arcs of all streets; `stop_node` and `stop_off_m` [m] tie each stop to its street.

    Parallel arcs are one, the quickest. `tail`, `head`: graph nodes of each arc, sorted;
    `seconds` [s] and `metres` [m] along it. An arc is the part of the street `line` from
    `from_m` to `to_m` along it; one driven against its drawing has `from_m` > `to_m`.
    `line_node` is the node at which each street line starts.
    """

    nodes_count: int
    tail: Ints
    head: Ints
    seconds: Floats
    metres: Floats
    stop_node: Ints
    stop_off_m: Floats
    line: Ints
    from_m: Floats
    to_m: Floats
    shapes: npt.NDArray[np.object_]
    line_node: Ints

    def times(self) -> csr_array:
        """Give the arcs' times [s] as a sparse matrix, tail by head."""
        shape = (self.nodes_count, self.nodes_count)
        return csr_array((self.seconds, (self.tail, self.head)), shape=shape)

    def metres_of(self, tail: Ints, head: Ints) -> Floats:
        """Give the length of arcs that are there, named by their ends [m]."""
        return self.metres[self._arcs(tail, head)]

    def points_of(self, tail: Ints, head: Ints) -> list[Floats]:
        """Give the vertices of arcs that are there, named by their ends, as driven, (k, 2)."""
        at = self._arcs(tail, head)
        parts = zip(self.line[at], self.from_m[at], self.to_m[at], strict=True)
        cut = [substring(self.shapes[line], start, stop) for line, start, stop in parts]
        return [shapely.get_coordinates(part) for part in cut]

    def _arcs(self, tail: Ints, head: Ints) -> Ints:
        keys = self.tail * self.nodes_count + self.head
        return np.searchsorted(keys, tail * self.nodes_count + head)


def make_street_graph(streets: gpd.GeoDataFrame, stops: Floats, week: Week) -> StreetGraph | None:
    """Cut the streets into arcs and tie each stop to the nearest place on them.

    Streets meet where they share a vertex; two that merely cross (a bridge) do not.

    Parameters
    ----------
    streets
        Obeys `STREETS`, in metres.
    stops
        Coordinates of the stops, (n, 2) [m].
    week
        Speeds by class and where nothing is known.

    Returns
    -------
    graph
        None where there is no street that a van drives on.
    """
    lines = _driven(streets, week)
    if lines is None or not len(stops):
        return None
    vertex = _vertices(lines.shapes)
    main = _main_lines(lines, vertex)
    line, along_m, off_m = _nearest(lines.shapes, stops, main)
    cuts = _cuts(vertex, line, along_m)
    return _graph(lines, cuts, off_m)


@dataclass(frozen=True)
class _Lines:
    """Streets that a van drives on: shape, metres per second, one way."""

    shapes: npt.NDArray[np.object_]
    speed: Floats
    oneway: npt.NDArray[np.bool_]


def _driven(streets: gpd.GeoDataFrame, week: Week) -> _Lines | None:
    parts = streets[streets.geometry.notna() & ~streets.geometry.is_empty]
    parts = parts.explode(index_parts=False).reset_index(drop=True)
    kmh = parts["speed_kmh"].to_numpy(dtype=float)
    by_class = parts["class"].map(week.class_kmh).to_numpy(dtype=float)
    kmh = np.where(np.isnan(kmh), by_class, kmh)
    kmh = np.where(np.isnan(kmh), week.speed_kmh, kmh)
    shapes = shapely.force_2d(parts.geometry.to_numpy())
    good = (kmh > 0) & (shapely.get_type_id(shapes) == shapely.GeometryType.LINESTRING)
    good &= shapely.length(shapes) > 0
    if not good.any():
        return None
    oneway = parts["oneway"].fillna(value=False).to_numpy(dtype=bool)
    return _Lines(shapes[good], kmh[good] / 3.6, oneway[good])


@dataclass(frozen=True)
class _Vertices:
    """Vertices of all lines where one can leave a line: line, metres along it, place number."""

    line: Ints
    along_m: Floats
    place: Ints
    places_count: int


def _vertices(shapes: npt.NDArray[np.object_]) -> _Vertices:
    xy, line = shapely.get_coordinates(shapes, return_index=True)
    _, place, often = np.unique(
        np.rint(xy / _GRID_M).astype(np.int64), axis=0, return_inverse=True, return_counts=True
    )
    place = place.ravel()
    step = np.hypot(*np.diff(xy, axis=0).T)
    new = np.diff(line) != 0
    walked = np.concatenate([[0.0], np.cumsum(np.where(new, 0.0, step))])
    first = np.concatenate([[True], new])
    along = walked - walked[np.maximum.accumulate(np.where(first, np.arange(len(line)), 0))]
    last = np.concatenate([new, [True]])
    keep = first | last | (often[place] > 1)
    kept, place = np.unique(place[keep], return_inverse=True)
    return _Vertices(line[keep].astype(np.int64), along[keep], place.astype(np.int64), len(kept))


def _main_lines(lines: _Lines, vertex: _Vertices) -> npt.NDArray[np.bool_]:
    """Say which lines lie in the largest part from which every place of it can be reached."""
    same = vertex.line[1:] == vertex.line[:-1]
    a, b = vertex.place[:-1][same], vertex.place[1:][same]
    both = ~lines.oneway[vertex.line[:-1][same]]
    tail, head = np.concatenate([a, b[both]]), np.concatenate([b, a[both]])
    shape = (vertex.places_count, vertex.places_count)
    links = csr_array((np.ones(len(tail)), (tail, head)), shape=shape)
    _, part = connected_components(links, directed=True, connection="strong")
    size = np.bincount(part)
    # Of equal parts the one that is met first counts: the order of streets is their key's.
    inside = part == np.argmax(size)
    main = np.ones(len(lines.shapes), dtype=bool)
    np.logical_and.at(main, vertex.line, inside[vertex.place])
    return main


def _nearest(
    shapes: npt.NDArray[np.object_], stops: Floats, main: npt.NDArray[np.bool_]
) -> tuple[Ints, Floats, Floats]:
    """Give for each stop its line, how far along it the stop lies, and how far off it is [m]."""
    points = np.asarray(shapely.points(stops), dtype=object)
    line, off = _nearest_of(shapes, points)
    if main.any():
        where = np.flatnonzero(main)
        main_line, main_off = _nearest_of(shapes[main], points)
        better = main_off <= off + _STRAY_M
        line, off = np.where(better, where[main_line], line), np.where(better, main_off, off)
    return line, shapely.line_locate_point(shapes[line], points), off


def _nearest_of(
    shapes: npt.NDArray[np.object_], points: npt.NDArray[np.object_]
) -> tuple[Ints, Floats]:
    tree = shapely.STRtree(shapes)
    (stop, line), off = tree.query_nearest(points, all_matches=True, return_distance=True)
    order = np.lexsort((line, stop))  # of lines equally near the first
    stop, line, off = stop[order], line[order], off[order]
    first = np.unique(stop, return_index=True)[1]
    return line[first].astype(np.int64), off[first]


@dataclass(frozen=True)
class _Cuts:
    """All places at which a line is cut, in order along each line; stops come last."""

    line: Ints
    along_m: Floats
    node: Ints
    nodes_count: int
    stop_node: Ints


def _cuts(vertex: _Vertices, line: Ints, along_m: Floats) -> _Cuts:
    stop_node = vertex.places_count + np.arange(len(line))
    every_line = np.concatenate([vertex.line, line])
    every_along = np.concatenate([vertex.along_m, along_m])
    node = np.concatenate([vertex.place, stop_node])
    order = np.lexsort((node, every_along, every_line))
    count = vertex.places_count + len(line)
    return _Cuts(every_line[order], every_along[order], node[order], count, stop_node)


def _graph(lines: _Lines, cuts: _Cuts, off_m: Floats) -> StreetGraph:
    same = cuts.line[1:] == cuts.line[:-1]
    a, b = cuts.node[:-1][same], cuts.node[1:][same]
    line = cuts.line[:-1][same]
    start, stop = cuts.along_m[:-1][same], cuts.along_m[1:][same]
    # A stop beside the end of a one-way street may leave it there: no length, no direction.
    both = ~lines.oneway[line] | (stop - start <= _GRID_M)
    tail, head = np.concatenate([a, b[both]]), np.concatenate([b, a[both]])
    from_m, to_m = np.concatenate([start, stop[both]]), np.concatenate([stop, start[both]])
    line = np.concatenate([line, line[both]])
    metres = np.abs(to_m - from_m)
    seconds = np.maximum(metres / lines.speed[line], _LEAST_S)
    # A sparse matrix adds up parallel arcs: only the quickest of them may stay.
    order = np.lexsort((from_m, line, metres, seconds, head, tail))
    keep = np.ones(len(tail), dtype=bool)
    keep[1:] = (np.diff(tail[order]) != 0) | (np.diff(head[order]) != 0)
    kept = order[keep & (tail[order] != head[order])]
    return StreetGraph(
        nodes_count=cuts.nodes_count,
        tail=tail[kept],
        head=head[kept],
        seconds=seconds[kept],
        metres=metres[kept],
        stop_node=cuts.stop_node,
        stop_off_m=off_m,
        line=line[kept],
        from_m=from_m[kept],
        to_m=to_m[kept],
        shapes=lines.shapes,
        # Cuts are in order along each line.
        line_node=cuts.node[np.searchsorted(cuts.line, np.arange(len(lines.shapes)))],
    )
