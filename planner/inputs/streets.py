"""Streets: lines to drive on, with speed, class and one-way direction."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
import shapely
from shapely import LineString
from shapely.geometry.base import BaseGeometry

from planner.contracts import STREETS
from planner.errors import Fault
from planner.ground.measure import read_crs
from planner.inputs.attributes import Reading
from planner.inputs.cells import read_flag
from planner.inputs.projection import flat_shapes, inside_area, settle_crs, to_local
from planner.inputs.specs import LayerSpec
from planner.inputs.vector import Shapes, read_layer
from planner.tables import conform

_AGAINST = frozenset({"-1", "reverse"})
LEAST_M = 0.01


@dataclass(frozen=True)
class Streets:
    """Table `STREETS`, the rows refused or doubtful, the sha256 of rows out of a database."""

    streets: pd.DataFrame
    faults: list[Fault]
    sha256: str = ""


def read_streets(spec: LayerSpec, root: Path, local_crs: str) -> Streets:
    """Read a layer of streets.

    Parameters
    ----------
    spec
        The layer; any column may be missing.
    root
        The project folder.
    local_crs
        Projection of the run, as `Network.local_crs` gives it.

    Returns
    -------
    streets
        Obeys `STREETS`. Parts of a multi-line become streets of their own, ``12.1`` and
        ``12.2``; a street that is no line is refused. One that is driven against its
        drawing only (``-1``) is turned.

    Raises
    ------
    FileError
        If the layer cannot be read, or its system is unknown.
    """
    layer = dataclasses.replace(read_layer(spec, root), name=spec.source)
    crs, faults = settle_crs(layer, spec, "")
    reading = Reading(layer, spec.columns, spec.units, faults)
    reading.check_columns([])
    shapes = flat_shapes(layer)
    for place in np.flatnonzero(~inside_area(shapes, crs, layer.name)).tolist():
        shapes[place] = None  # refused below, as a street without a place
    lines = to_local(shapes, crs, read_crs(local_crs))
    oneway, against = _directions(reading)
    frame = pd.DataFrame(
        {
            "street_id": reading.texts("street_id"),
            "name": reading.texts("name"),
            "class": reading.texts("class"),
            "speed_kmh": reading.values(STREETS["speed_kmh"]),
            "oneway": oneway,
        }
    )
    rows = _one_row_each(frame, lines, reading)
    rows["geometry"] = [
        shapely.reverse(line) if against[place] else line
        for place, line in zip(rows["place"], rows["geometry"], strict=True)
    ]
    rows["street_id"] = _unique(rows["street_id"])
    return Streets(conform(rows, STREETS, crs=read_crs(local_crs)), reading.faults, layer.sha256)


def _directions(reading: Reading) -> tuple[pd.Series, list[bool]]:
    """Read one-way flags; give too which streets are driven against their drawing."""
    flags, against = [], []
    for place, text in enumerate(reading.texts("oneway")):
        word = text.casefold()
        against.append(word in _AGAINST)
        value = True if against[place] else read_flag(word)
        if text and value is None:
            reading.fault(place, "oneway", text, "yes, no or -1", lost=False)
        flags.append(value)
    return pd.Series(flags, dtype="boolean"), against


def _one_row_each(frame: pd.DataFrame, lines: Shapes, reading: Reading) -> pd.DataFrame:
    """Give a row for each line, and the position of its feature; refuse what is no line."""
    places: list[int] = []
    ids: list[str] = []
    shapes: list[LineString] = []
    for place, (name, shape) in enumerate(zip(frame["street_id"], lines, strict=True)):
        parts = [part for part in shapely.get_parts(shape) if _is_street(part)] if shape else []
        if not parts:
            found = shape.geom_type if shape else "no geometry inside the area of use"
            reading.fault(place, "geometry", found, "a line", lost=True)
        own = name or str(reading.rows[place])
        ids += [own if len(parts) == 1 else f"{own}.{n}" for n in range(1, len(parts) + 1)]
        places += [place] * len(parts)
        shapes += parts
    rows = frame.iloc[places].reset_index(drop=True)
    rows["street_id"] = pd.Series(ids, dtype="str")
    rows["geometry"] = pd.Series(shapes, dtype=object)
    return rows.assign(place=places)


def _is_street(part: BaseGeometry) -> bool:
    return part.geom_type == "LineString" and bool(part.length >= LEAST_M)


def _unique(ids: pd.Series) -> pd.Series:
    """Put a number to ids that come again: maps name every piece of one street alike."""
    again = ids.groupby(ids).cumcount()
    return ids.where(again == 0, ids + "#" + (again + 1).astype("str"))
