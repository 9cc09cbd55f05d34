"""Into how many parts a drawn network falls, before and after its ends are snapped."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pyproj
import shapely
from scipy.sparse import csr_array
from scipy.sparse.csgraph import connected_components
from shapely import LineString

from planner.ground.measure import lon_lat

# Ends that are drawn closer than this are one end [m].
DRAWN_M = 0.001


def parts_count(lines: Iterable[LineString | None], reach_m: float) -> int:
    """Count the parts of a network whose lines meet where their ends are close.

    Parameters
    ----------
    lines
        As drawn [m]; None counts for nothing.
    reach_m
        Ends this close are joined [m].

    Examples
    --------
    >>> a, b = LineString([(0, 0), (10, 0)]), LineString([(10.4, 0), (20, 0)])
    >>> parts_count([a, b], 0.001), parts_count([a, b], 0.5)
    (2, 1)
    """
    drawn = np.array([line for line in lines if line is not None] + [None], dtype=object)[:-1]
    if not len(drawn):
        return 0
    count = len(drawn)
    ends = np.concatenate([shapely.get_point(drawn, 0), shapely.get_point(drawn, -1)])
    near, far = shapely.STRtree(ends).query(ends, predicate="dwithin", distance=reach_m)
    tail = np.concatenate([near, np.arange(count)])
    head = np.concatenate([far, np.arange(count, 2 * count)])
    links = csr_array((np.ones(len(tail)), (tail, head)), shape=(2 * count, 2 * count))
    return int(connected_components(links, directed=False)[0])


def say_parts(lines: Iterable[LineString | None], snap_m: float) -> str:
    """Say in a line how many parts there are as drawn, and with the tolerance of the project."""
    lines = list(lines)
    before, after = parts_count(lines, DRAWN_M), parts_count(lines, snap_m)
    parts = "1 part" if before == 1 else f"{before} parts"
    return (
        f"the lines form {parts} as drawn, {after} where ends within [survey] "
        f"snap_m = {snap_m:g} m are joined"
    )


def say_place(lines: Iterable[LineString | None], crs: pyproj.CRS) -> str:
    """Say in degrees where the middle of a network lies, for a person to believe or not."""
    drawn = [line for line in lines if line is not None]
    if not drawn:
        return ""
    box = shapely.total_bounds(np.array(drawn, dtype=object)).reshape(2, 2)
    lon, lat = lon_lat(box.mean(axis=0)[None, :], crs)[0]
    east, north = "E" if lon >= 0 else "W", "N" if lat >= 0 else "S"
    return f"lies round {abs(lon):.2f} {east}, {abs(lat):.2f} {north}; "
