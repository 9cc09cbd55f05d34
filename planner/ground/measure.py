"""Lengths and places: one local metric projection per run, and points along lines.

Lengths are never taken in degrees or in a web map's projection. The local projection is a
transverse Mercator of scale 1 through the middle of the data, on the datum of the data, so
that going there and back shifts nothing.
"""

from __future__ import annotations

from collections.abc import Sequence

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pyproj
import shapely
from pyproj.crs import ProjectedCRS
from pyproj.crs.coordinate_operation import TransverseMercatorConversion
from pyproj.exceptions import CRSError
from shapely import LineString
from shapely.ops import substring

from planner.errors import FileError

Floats = npt.NDArray[np.float64]
# Beyond an end by no more than this is rounding of a float, not a place beyond the end.
ROUNDING_M = 1e-6
_CENTRE_DECIMALS = 4


def read_crs(text: object) -> pyproj.CRS:
    """Read a coordinate system from a code, WKT or whatever pyproj knows.

    Raises
    ------
    FileError
        If it is no system that pyproj knows.

    Examples
    --------
    >>> read_crs("EPSG:28992").to_epsg()
    28992
    """
    try:
        return pyproj.CRS.from_user_input(text)
    except CRSError as error:
        message = f"crs '{_short(text)}' is no known coordinate system; wanted e.g. EPSG:25832"
        raise FileError(message) from error


def lon_lat(xy: Floats, crs: object) -> Floats:
    """Turn coordinates into degrees on the datum of their own system.

    Parameters
    ----------
    xy
        Coordinates in `crs`, one row each, x or longitude first.
    crs
        Their system.

    Returns
    -------
    lon_lat
        Degrees [deg], longitude first; infinite or NaN where the point has no place.

    Raises
    ------
    FileError
        If the system has no place on the earth, such as a local site grid.
    """
    system = read_crs(crs)
    base = _base_of(system)
    turn = pyproj.Transformer.from_crs(system, base, always_xy=True)
    lon, lat = turn.transform(xy[:, 0], xy[:, 1])
    return np.column_stack([lon, lat]).astype(np.float64)


def local_crs(places: gpd.GeoSeries | npt.ArrayLike, crs: object) -> pyproj.CRS:
    """Make the metric projection that a run measures in.

    Parameters
    ----------
    places
        Geometries, or coordinates of shape (n, 2), in `crs`.
    crs
        Their system.

    Returns
    -------
    local
        Transverse Mercator centred on the middle of the bounds, scale 1, metres [m].

    Raises
    ------
    FileError
        If there is no place at all, or `crs` is unknown or not of this earth.

    Notes
    -----
    Scale grows as 1 + d^2 / (2 R^2) with the distance d from the centre line: 3e-6 at 16 km.

    Examples
    --------
    >>> local_crs([[6.0, 52.0], [6.1, 52.1]], "EPSG:4326").axis_info[0].unit_name
    'metre'
    """
    bounds = _bounds(places)
    corners = np.array([[bounds[i], bounds[j]] for i in (0, 2) for j in (1, 3)])
    degrees = lon_lat(corners, crs)
    if not np.isfinite(degrees).all():
        message = f"coordinates have no place on the earth in {read_crs(crs).name}"
        raise FileError(message)
    lon, lat = (degrees.min(axis=0) + degrees.max(axis=0)) / 2
    centred = TransverseMercatorConversion(
        latitude_natural_origin=round(float(lat), _CENTRE_DECIMALS),
        longitude_natural_origin=round(float(lon), _CENTRE_DECIMALS),
        scale_factor_natural_origin=1.0,
    )
    return ProjectedCRS(centred, name="local metres", geodetic_crs=_base_of(read_crs(crs)))


def geodesic_m(
    lon1: npt.ArrayLike,
    lat1: npt.ArrayLike,
    lon2: npt.ArrayLike,
    lat2: npt.ArrayLike,
    *,
    ellps: str = "WGS84",
) -> Floats:
    """Measure the shortest way on the ellipsoid between points in degrees.

    Parameters
    ----------
    lon1, lat1, lon2, lat2
        Longitudes and latitudes [deg], of one shape.
    ellps
        Name of the ellipsoid.

    Returns
    -------
    distance
        Distances [m], at least one-dimensional.
    """
    ends = [np.atleast_1d(np.asarray(v, dtype=np.float64)) for v in (lon1, lat1, lon2, lat2)]
    a, b, c, d = np.broadcast_arrays(*ends)
    _, _, distance = pyproj.Geod(ellps=ellps).inv(a, b, c, d)
    return np.asarray(distance, dtype=np.float64)


def point_at(
    lines: npt.NDArray[np.object_] | Sequence[LineString] | gpd.GeoSeries, d_m: npt.ArrayLike
) -> Floats:
    """Find the points at distances along lines, each from its line's first vertex.

    Parameters
    ----------
    lines
        One line for each distance, in a metric projection.
    d_m
        Distances [m], ``0 <= d_m <= length`` each.

    Returns
    -------
    xy
        Coordinates of shape (n, 2).

    Raises
    ------
    ValueError
        If a line is missing or empty, a distance is no number, or lies beyond an end: a
        negative distance would otherwise count from the far end.

    Examples
    --------
    >>> point_at([LineString([(0, 0), (10, 0)])], [2.0]).tolist()
    [[2.0, 0.0]]
    """
    shapes = np.asarray(lines, dtype=object)
    distances = np.asarray(d_m, dtype=np.float64)
    if shapes.shape != distances.shape:
        message = f"{shapes.size} lines but {distances.size} distances"
        raise ValueError(message)
    lengths = lengths_of(shapes)
    refuse_beyond(distances, lengths)
    inside = np.clip(distances, 0.0, lengths)
    return shapely.get_coordinates(shapely.line_interpolate_point(shapes, inside))


def cut_line(line: LineString, from_m: float, to_m: float) -> LineString:
    """Cut the piece of a line between two distances from its first vertex.

    Parameters
    ----------
    line
        In a metric projection.
    from_m, to_m
        Distances [m], ``0 <= from_m <= to_m <= length``.

    Returns
    -------
    piece
        Of length ``to_m - from_m``; for equal distances two equal vertices.

    Raises
    ------
    ValueError
        If the line is missing or empty, or a distance lies beyond an end or is no number.
    """
    lengths = lengths_of(np.array([line, line], dtype=object))
    distances = np.array([from_m, to_m], dtype=np.float64)
    refuse_beyond(distances, lengths)
    if from_m > to_m:
        message = f"from {from_m:g} m lies behind to {to_m:g} m"
        raise ValueError(message)
    start, end = np.clip(distances, 0.0, lengths)
    piece = substring(line, float(start), float(end))
    return piece if isinstance(piece, LineString) else LineString([piece, piece])


def lengths_of(lines: npt.NDArray[np.object_]) -> Floats:
    """Give the lengths of lines [m]; `ValueError` where one is missing, empty or no line."""
    bad = shapely.is_missing(lines) | shapely.is_empty(lines)
    bad |= shapely.get_type_id(lines) != shapely.GeometryType.LINESTRING
    if bad.any():
        message = f"place {int(np.flatnonzero(bad)[0])}: not a line, so nothing lies along it"
        raise ValueError(message)
    return np.asarray(shapely.length(lines), dtype=np.float64)


def refuse_beyond(distances: Floats, lengths: Floats) -> None:
    """Raise `ValueError` where a distance is no number or lies beyond an end of its line."""
    beyond = ~((distances >= -ROUNDING_M) & (distances <= lengths + ROUNDING_M))
    if beyond.any():
        first = int(np.flatnonzero(beyond)[0])
        message = (
            f"place {first}: {distances[first]:g} m does not lie on a line "
            f"of {lengths[first]:g} m ({int(beyond.sum())} such)"
        )
        raise ValueError(message)


def _bounds(places: gpd.GeoSeries | npt.ArrayLike) -> Floats:
    values = np.asarray(places)
    if values.dtype == object and len(values):
        bounds = np.asarray(shapely.total_bounds(values), dtype=np.float64)
    else:
        xy = values.reshape(-1, 2).astype(np.float64)
        seen = xy[np.isfinite(xy).all(axis=1)]
        if not len(seen):
            seen = np.full((1, 2), np.nan)
        bounds = np.concatenate([seen.min(axis=0), seen.max(axis=0)])
    if not np.isfinite(bounds).all():
        message = "no geometry with coordinates, so there is no place to measure in"
        raise FileError(message)
    return bounds


def _base_of(crs: pyproj.CRS) -> pyproj.CRS:
    """Give the degrees that a system rests on; WGS 84 where those are not plain degrees."""
    base = crs.geodetic_crs
    if base is None:
        message = f"crs '{crs.name}' is a local grid with no place on the earth; wanted a code"
        raise FileError(message)
    base = base.to_2d()
    meridian = base.prime_meridian
    plain = base.is_geographic and all(axis.unit_name == "degree" for axis in base.axis_info)
    if plain and meridian is not None and meridian.longitude == 0:
        return base
    return pyproj.CRS.from_epsg(4326)


def _short(text: object) -> str:
    line = " ".join(str(text).split())
    return line if len(line) <= 60 else line[:57] + "..."
