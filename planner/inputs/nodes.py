"""Manholes, chambers and ends: those of the layer, and those that only pipes name."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pyproj
import shapely
from shapely.geometry.base import BaseGeometry

from planner.contracts import NODES
from planner.inputs.attributes import Reading
from planner.inputs.layer_names import NODE_NAMES, with_names
from planner.inputs.orient import Oriented
from planner.inputs.projection import flat_shapes, inside_area, settle_crs, to_local
from planner.inputs.specs import LayerSpec
from planner.inputs.vector import read_layer

ADDED = "named by pipes, absent from the node layer: added"
MOVED = "has no place of its own: put at the end of its pipe"
_ACCESS = {word: word for word in ("open", "key", "private", "buried", "unknown")}


def read_nodes(
    spec: LayerSpec, root: Path, local: pyproj.CRS, project_crs: str
) -> tuple[pd.DataFrame, Reading]:
    """Read a layer of nodes.

    Parameters
    ----------
    spec
        The layer; a column for ``node_id`` is needed.
    root
        The project folder.
    local
        Projection of the run.
    project_crs
        System of the layers as ``[project]`` names it, or ``""``.

    Returns
    -------
    nodes, reading
        The nodes that have an id of their own, as drawn: points or areas, in `local`, with
        the columns of `NODES`; what was wrong.

    Raises
    ------
    FileError
        If the layer cannot be read, its system is unknown or wrong, or has no ids.
    """
    layer = read_layer(spec, root)
    crs, faults = settle_crs(layer, spec, project_crs)
    reading = Reading(layer, spec.columns, spec.units, faults)
    reading = with_names(reading, NODE_NAMES, "node_id")
    reading.check_columns(["node_id"])
    shapes = flat_shapes(layer)
    for place in np.flatnonzero(~inside_area(shapes, crs, layer.name)).tolist():
        found = "coordinates outside the area of use"
        reading.fault(place, "geometry", found, f"a place in {crs.name}", lost=False)
        shapes[place] = None
    names = ("node_id", "kind", "street_class", "street")
    data: dict[str, object] = {name: reading.texts(name) for name in names}
    for name in ("depth_m", "invert_m", "lid_mm", "turn_ok"):
        data[name] = reading.values(NODES[name])
    data["access"] = reading.words("access", _ACCESS, "unknown")
    data["geometry"] = [_solid(shape) for shape in to_local(shapes, crs, local)]
    keep = reading.first_of_each("node_id")
    return pd.DataFrame(data).iloc[keep].reset_index(drop=True), reading


def name_all(
    nodes: pd.DataFrame, pipes: pd.DataFrame, oriented: Oriented
) -> tuple[pd.DataFrame, list[tuple[str, str]]]:
    """Put every node at a point, and add those that only pipes name.

    Parameters
    ----------
    nodes
        As `read_nodes` gives them.
    pipes
        With ``us_node`` and ``ds_node``, in the order of `oriented`.
    oriented
        The pipes' lines.

    Returns
    -------
    nodes, doubts
        An area becomes its centre; a node without a place goes to the end of its pipe, one
        that is added too, its access unknown. A doubt is (node id, text).
    """
    places: dict[str, BaseGeometry] = dict(oriented.places)
    ends = (shapely.get_point(oriented.lines, end) for end in (0, -1))
    names = (pipes[name].tolist() for name in ("us_node", "ds_node"))
    for us, ds, start, end in zip(*names, *ends, strict=True):
        for name, point in ((us, start), (ds, end)):
            if point is not None:
                places.setdefault(name, point)
    doubts = []
    points: list[BaseGeometry | None] = []
    of_layer = nodes["node_id"].tolist()
    for node_id, shape in zip(of_layer, nodes["geometry"], strict=True):
        if shape is None and node_id in places:
            doubts.append((node_id, MOVED))
            points.append(places[node_id])
        else:
            points.append(None if shape is None else shape.centroid)
    of_pipes = {*pipes["us_node"].tolist(), *pipes["ds_node"].tolist()}
    named = sorted(of_pipes - set(of_layer) - {""})
    doubts += [(name, ADDED) for name in named]
    points += [places.get(name) for name in named]
    added = pd.DataFrame({"node_id": named, "access": "unknown"})
    every = pd.concat([nodes.drop(columns="geometry"), added], ignore_index=True)
    every["geometry"] = pd.Series(points, every.index, dtype=object)
    return every, doubts


def _solid(shape: BaseGeometry | None) -> BaseGeometry | None:
    return None if shape is None or shape.is_empty else shape
