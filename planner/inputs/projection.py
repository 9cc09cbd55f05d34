"""Which coordinate system a layer is in, and whether its coordinates can be in it.

A missing system is asked for and never assumed; one that the file names outranks what the
project says. Coordinates far outside the region that a system is made for stop the layer:
feet under a name that says metres land in another country without any error.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pyproj
import shapely
from pyproj.exceptions import ProjError

from planner.errors import Fault, FileError
from planner.ground.measure import lon_lat, read_crs
from planner.inputs.crs_proposals import on_land, propose_crs
from planner.inputs.specs import LayerSpec
from planner.inputs.vector import Layer, Shapes

Mask = npt.NDArray[np.bool_]
_US_FOOT = 1200 / 3937
# Data of a town at the edge of a zone is often kept in it; beyond this it is an error.
_EDGE_DEG = 1.0
_SAME_DEG = 1e-6


def settle_crs(layer: Layer, spec: LayerSpec, project_crs: str) -> tuple[pyproj.CRS, list[Fault]]:
    """Say which system a layer's coordinates are in.

    Parameters
    ----------
    layer
        As read.
    spec
        Its ``crs`` counts where the file names none.
    project_crs
        Of ``[project]``; counts where neither the file nor the spec names one, and the
        file's format does not mean degrees.

    Returns
    -------
    crs, faults
        The system; a fault where what was asked contradicts the file.

    Raises
    ------
    FileError
        If no system is known, or a text names none.
    """
    asked = spec.crs or project_crs
    own = layer.frame.crs
    bounds = _bounds(np.asarray(layer.frame.geometry.values, dtype=object))
    degrees = bool((np.abs(bounds) <= (180, 90, 180, 90)).all())
    if own is None and layer.lon_lat and not spec.crs and degrees:
        _check_order(layer.name, bounds, project_crs)
        return read_crs("EPSG:4326"), []
    if own is None and not asked:
        some = f" (its first corner is {bounds[0]:.10g}, {bounds[1]:.10g})"
        message = (
            f"{layer.name}: names no coordinate system{some if np.isfinite(bounds).all() else ''}; "
            f'write crs = "EPSG:..." under [project] or under the layer'
        )
        near = propose_crs(float(bounds[0]), float(bounds[1]))
        message += f"; the numbers would fit {' or '.join(near)}" if near else ""
        raise FileError(message)
    if own is None:
        return _usable(read_crs(asked), layer.name), []
    found = _usable(pyproj.CRS(own), layer.name)
    if asked and not _same(found, read_crs(asked), bounds):
        said = f"crs = {found.name}"
        wanted = f"the system that planner.toml names, {asked}; the file's own is used"
        return found, [Fault(layer.name, 0, "crs", said, wanted, lost=False)]
    return found, []


def _usable(crs: pyproj.CRS, name: str) -> pyproj.CRS:
    """Refuse a system from which no place on the earth can be reckoned.

    Raises
    ------
    FileError
        If its figures make no transformation.
    """
    try:
        pyproj.Transformer.from_crs(crs, "EPSG:4326", always_xy=True)
    except ProjError as error:
        message = f"{name}: its coordinate system cannot be used: {' '.join(str(error).split())}"
        raise FileError(message) from error
    return crs


def _check_order(name: str, bounds: npt.NDArray[np.float64], project_crs: str) -> None:
    """Stop degrees that lie where nobody keeps a system, and would not if they were swapped.

    Raises
    ------
    FileError
        If they lie outside the region of the project's own system, or of all systems on
        land, and swapped would lie inside.
    """
    box = bounds[None, :]
    turned = box[:, [1, 0, 3, 2]]
    if not np.isfinite(box).all() or np.abs(turned[:, [1, 3]]).max() > 90:
        return
    if project_crs:
        meant = read_crs(project_crs)
        inside, swapped = (_within(one, meant) for one in (box, turned))
        region = f"the region of {project_crs}, {_region(meant)}"
    else:
        lon, lat = (bounds[0] + bounds[2]) / 2, (bounds[1] + bounds[3]) / 2
        inside, swapped = on_land(lon, lat), on_land(lat, lon)
        region = "every region on land that has a system of its own"
    if not inside and swapped:
        message = (
            f"{name}: names no coordinate system; as longitude {box[0, 0]:.6g} and latitude "
            f"{box[0, 1]:.6g} it lies outside {region}; with x and y swapped it would fit. Swap "
            f'them in the file, or write crs = "EPSG:4326" under the layer to keep them so'
        )
        raise FileError(message)


def _within(box: npt.NDArray[np.float64], crs: pyproj.CRS) -> bool:
    """Tell whether degrees lie in the region of a system, with a margin."""
    area = crs.area_of_use
    if area is None:
        return True
    west, south, east, north = box[0]
    inside: bool = area.south - _EDGE_DEG <= south and north <= area.north + _EDGE_DEG
    span = (area.east - area.west) % 360 or 360.0
    for lon in (west, east):
        inside = inside and (lon - area.west + _EDGE_DEG) % 360 <= span + 2 * _EDGE_DEG
    return bool(inside)


def inside_area(shapes: Shapes, crs: pyproj.CRS, name: str) -> Mask:
    """Tell which shapes lie where their system is in use.

    Parameters
    ----------
    shapes
        Geometries in `crs`; one that is missing or empty counts as inside.
    crs
        Their system.
    name
        Of the layer, in messages.

    Returns
    -------
    inside
        One flag per shape.

    Raises
    ------
    FileError
        If most shapes lie outside, or have no place on the earth at all.
    """
    with np.errstate(invalid="ignore"):  # a coordinate that is NaN: judged below
        boxes = np.asarray(shapely.bounds(shapes), dtype=np.float64).reshape(-1, 4)
    seen = np.isfinite(boxes).all(axis=1)
    inside = np.ones(len(boxes), dtype=bool)
    inside[seen] = _in_use(boxes[seen], crs)
    xy, owner = shapely.get_coordinates(shapes, return_index=True)
    inside[owner[~np.isfinite(xy).all(axis=1)]] = False
    if seen.any() and inside[seen].mean() < 0.5:
        box = boxes[seen & ~inside][0]
        region = f", in use {_region(crs)}" if crs.area_of_use else ""
        message = (
            f"{name}: coordinates such as {box[0]:.10g}, {box[1]:.10g} cannot be "
            f"{crs.name}{region}{_hint(boxes[seen], crs)}"
        )
        raise FileError(message)
    return inside


def flat_shapes(layer: Layer) -> Shapes:
    """Give a layer's geometry without heights, as an array that may be changed."""
    with np.errstate(invalid="ignore"):
        shapes: Shapes = np.array(shapely.force_2d(layer.frame.geometry.to_numpy()), dtype=object)
    return shapes


def to_local(shapes: Shapes, crs: pyproj.CRS, local: pyproj.CRS) -> Shapes:
    """Turn shapes from `crs` into the run's local metric projection."""
    transformer = pyproj.Transformer.from_crs(crs, local, always_xy=True)

    def turn(xy: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        return np.column_stack(transformer.transform(xy[:, 0], xy[:, 1]))

    turned: Shapes = np.array(shapely.transform(shapes, turn), dtype=object)
    return turned


def _in_use(boxes: npt.NDArray[np.float64], crs: pyproj.CRS) -> Mask:
    low, high = lon_lat(boxes[:, :2], crs), lon_lat(boxes[:, 2:], crs)
    both = np.concatenate([low, high], axis=1)
    good: Mask = np.isfinite(both).all(axis=1)
    good &= (np.abs(both) <= (540, 90, 540, 90)).all(axis=1)
    area = crs.area_of_use
    if area is None:
        return good
    south, north = area.south - _EDGE_DEG, area.north + _EDGE_DEG
    good &= (both[:, 1] >= south) & (both[:, 3] <= north)
    # Counted eastward from the western edge, so that a region may span 180 degrees.
    span = (area.east - area.west) % 360 or 360.0
    for column in (0, 2):
        east = (np.where(good, both[:, column], 0.0) - area.west + _EDGE_DEG) % 360
        good &= (span + 2 * _EDGE_DEG >= 360) | (east <= span + 2 * _EDGE_DEG)
    return good


def _hint(boxes: npt.NDArray[np.float64], crs: pyproj.CRS) -> str:
    if _in_use(boxes * _US_FOOT, crs).mean() > 0.5:
        return "; read as feet they would fit: are they feet under a name that says metres?"
    if _in_use(boxes[:, [1, 0, 3, 2]], crs).mean() > 0.5:
        return "; with x and y swapped they would fit"
    return "; wanted another crs"


def _region(crs: pyproj.CRS) -> str:
    area = crs.area_of_use
    if area is None:
        return ""
    return f"{area.west:g} to {area.east:g} E, {area.south:g} to {area.north:g} N"


def _same(one: pyproj.CRS, other: pyproj.CRS, bounds: npt.NDArray[np.float64]) -> bool:
    """Compare systems by where they put the data: names and axis orders differ for nothing."""
    if one.equals(other, ignore_axis_order=True):
        return True
    corners = bounds.reshape(2, 2)
    places = [lon_lat(corners, crs) for crs in (one, other)]
    both = np.isfinite(places).all()
    return bool(both and np.abs(places[0] - places[1]).max() <= _SAME_DEG)


def _bounds(shapes: Shapes) -> npt.NDArray[np.float64]:
    if not len(shapes):
        return np.full(4, np.nan)
    with np.errstate(invalid="ignore"):
        return np.asarray(shapely.total_bounds(shapes), dtype=np.float64)
