"""Houses along the pipes: whom a cut connection concerns, and the pipe each hangs on.

An address that names its pipe hangs on that pipe. Any other is put to the nearest pipe that
takes foul water and lies within reach, and says so: whether a house is really connected there
is for the crew to prove. Of a layer's columns only those named here are kept: how many live
there, if the layer says so, but who they are is not this tool's to know.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyproj
import shapely

from planner.contracts import ADDRESSES
from planner.errors import Fault
from planner.inputs.attributes import Reading
from planner.inputs.layer_names import ADDRESS_NAMES, with_names
from planner.inputs.projection import flat_shapes, inside_area, settle_crs, to_local
from planner.inputs.specs import LayerSpec
from planner.inputs.vector import Shapes, read_layer
from planner.tables import conform


@dataclass(frozen=True)
class Addresses:
    """Table `ADDRESSES`, the rows refused or doubtful, the sha256 of rows out of a database."""

    addresses: pd.DataFrame
    faults: list[Fault]
    sha256: str = ""


def read_addresses(
    spec: LayerSpec,
    root: Path,
    pipes: pd.DataFrame,
    local: pyproj.CRS,
    project_crs: str,
    reach_m: float,
) -> Addresses:
    """Read a layer of addresses: points, or areas whose inner point counts.

    Parameters
    ----------
    spec
        The layer. An ``address_id`` that is missing is the row's number; ``street`` and
        ``house`` may stand in one column; ``population`` is how many live there.
    root
        The project folder.
    pipes
        Table `PIPES`, in `local`.
    local
        Projection of the run.
    project_crs
        System of the layers as ``[project]`` names it, or ``""``.
    reach_m
        So far from a pipe a house may lie that is put to it [m].

    Returns
    -------
    addresses
        A shape that is missing or lies outside the area of use refuses its row, unless it
        names a pipe of the network.

    Raises
    ------
    FileError
        If the layer cannot be read, or its system is unknown.
    """
    layer = read_layer(spec, root)
    crs, faults = settle_crs(layer, spec, project_crs)
    reading = Reading(layer, spec.columns, spec.units, faults)
    reading = with_names(reading, ADDRESS_NAMES, "")
    reading.check_columns([])
    shapes = flat_shapes(layer)
    for place in np.flatnonzero(~inside_area(shapes, crs, layer.name)).tolist():
        shapes[place] = None  # told below, as a house without a place
    points = _points(to_local(shapes, crs, local))
    frame = pd.DataFrame(
        {name: reading.texts(name) for name in ("address_id", "street", "house", "pipe_id")}
    )
    rows = pd.Series(reading.rows).astype("str")
    frame["address_id"] = frame["address_id"].mask(frame["address_id"] == "", rows)
    known = frame["pipe_id"].isin(pipes["pipe_id"])
    for place in np.flatnonzero((frame["pipe_id"] != "") & ~known).tolist():
        wanted = "the id of a pipe of the network; the nearest one stands for it"
        reading.fault(place, "pipe_id", frame["pipe_id"][place], wanted, lost=False)
    nearest, away_m = _nearest(points, pipes, reach_m)
    frame["pipe_from"] = np.where(known, "named", np.where(nearest != "", "nearest", "none"))
    frame["pipe_id"] = frame["pipe_id"].where(known, nearest)
    frame["away_m"] = np.where(known, np.nan, away_m)
    frame["population"] = reading.values(ADDRESSES["population"])
    frame["geometry"] = points
    return Addresses(_kept(frame, reading, local), reading.faults, layer.sha256)


def _kept(frame: pd.DataFrame, reading: Reading, local: pyproj.CRS) -> pd.DataFrame:
    """Refuse what has neither a place nor a pipe, and ids that come again."""
    lost = frame["geometry"].isna() & (frame["pipe_from"] != "named")
    for place in np.flatnonzero(lost).tolist():
        wanted = "a point inside the area of use, or a pipe of the network"
        reading.fault(place, "geometry", "no place", wanted, lost=True)
    again = frame["address_id"].duplicated() & ~lost
    for place in np.flatnonzero(again).tolist():
        found = str(frame["address_id"][place])
        reading.fault(place, "address_id", found, "an id of its own", lost=True)
    kept = frame[~lost & ~again].sort_values("address_id", ignore_index=True)
    return conform(kept, ADDRESSES, crs=local)


def _points(shapes: Shapes) -> Shapes:
    """Give one point for each shape; of an area one that lies in it."""
    out = shapes.copy()
    other = [place for place, shape in enumerate(shapes) if shape and shape.geom_type != "Point"]
    out[other] = shapely.point_on_surface(shapes[other])
    empty = shapely.is_missing(out) | shapely.is_empty(out)
    out[empty] = None
    return out


def _nearest(
    points: Shapes, pipes: pd.DataFrame, reach_m: float
) -> tuple[npt.NDArray[np.object_], npt.NDArray[np.float64]]:
    """Give the nearest pipe that takes foul water, and how far away it lies [m]."""
    ids = np.full(len(points), "", dtype=object)
    away_m = np.full(len(points), np.nan)
    lines = pipes.loc[(pipes["use"] != "storm") & pipes["geometry"].notna()].sort_values("pipe_id")
    if lines.empty:
        return ids, away_m
    tree = shapely.STRtree(np.asarray(lines["geometry"], dtype=object))
    (house, pipe), gap_m = tree.query_nearest(points, max_distance=reach_m, return_distance=True)
    # Of two pipes at one distance the first id counts.
    order = np.lexsort((pipe, house))[::-1]
    ids[house[order]] = lines["pipe_id"].to_numpy(dtype=object)[pipe[order]]
    away_m[house[order]] = gap_m[order]
    return ids, away_m
