"""Connections from a list or from a layer of points, each on the pipe that it names."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyproj
import shapely

from planner.contracts import LATERALS
from planner.errors import Fault
from planner.inputs.attributes import Reading
from planner.inputs.forms import read_form
from planner.inputs.paths import input_file
from planner.inputs.projection import flat_shapes, inside_area, settle_crs, to_local
from planner.inputs.specs import LayerSpec
from planner.inputs.vector import Shapes, read_layer
from planner.tables import conform

_PIPE = "the id of a pipe of the network"
_DERIVED = ("lateral_id", "source")
# A list may leave the state blank: then it is unknown, which counts as live.
_LISTED = dataclasses.replace(
    LATERALS,
    columns=tuple(
        dataclasses.replace(column, blank=True) if column.name == "state" else column
        for column in LATERALS.columns
    ),
)
_STATES = {"open": "open", "live": "open", "active": "open", "closed": "closed",
           "capped": "closed", "plugged": "closed", "dead": "closed",
           "unknown": "unknown"}  # fmt: skip


@dataclasses.dataclass(frozen=True)
class Laterals:
    """The connections, the rows refused, what is doubtful by lateral, rows read, the file.

    ``sha256`` is of the rows of a database, '' for a file.
    """

    laterals: pd.DataFrame
    faults: list[Fault]
    flags: list[tuple[str, str]]
    read_count: int
    name: str
    sha256: str = ""


@dataclasses.dataclass(frozen=True)
class OnPipes:
    """What laterals are read against: lines by pipe id, their system, the project's system."""

    lines: dict[str, shapely.LineString | None]
    local: pyproj.CRS
    project_crs: str
    snap_m: float


def read_laterals(spec: LayerSpec, root: Path, on: OnPipes) -> Laterals:
    """Read connections.

    Parameters
    ----------
    spec
        A CSV with `LATERALS` columns, whose ``x_m`` counts real metres of the pipe's own
        axis; or a vector layer with a column for ``pipe_id``, whose place along the drawn
        line counts.
    root
        The project folder.
    on
        The pipes.

    Returns
    -------
    laterals
        ``source`` is ``list`` for the first form and ``network`` for the second, whose
        ``x_m`` are drawn metres until locate stretches them to the axis. Rows that name no
        pipe, or a pipe without a line where one is needed, are refused.

    Raises
    ------
    FileError
        If the file cannot be read or names no pipes.
    """
    if spec.file and spec.file.suffix.lower() in (".csv", ".txt"):
        return _read_list(spec, spec.file, root, on)
    return _read_points(spec, root, on)


def _read_list(spec: LayerSpec, file: Path, root: Path, on: OnPipes) -> Laterals:
    name = spec.source
    frame, faults = read_form(
        input_file(root, file),
        _LISTED,
        columns=spec.columns,
        units=spec.units,
        required=("pipe_id", "x_m"),
        derived=_DERIVED,
        file=name,
    )
    known = frame["pipe_id"].isin(on.lines)
    for row, pipe_id in frame.loc[~known, ["row", "pipe_id"]].itertuples(index=False):
        faults.append(Fault(name, int(row), "pipe_id", pipe_id, _PIPE))
    kept = frame[known].assign(source="list")
    kept["state"] = kept["state"].where(kept["state"] != "", "unknown")
    lost = {fault.row for fault in faults if fault.lost}
    return Laterals(conform(_with_ids(kept), LATERALS), faults, [], len(kept) + len(lost), name)


def _read_points(spec: LayerSpec, root: Path, on: OnPipes) -> Laterals:
    layer = read_layer(spec, root)
    crs, faults = settle_crs(layer, spec, on.project_crs)
    reading = Reading(layer, spec.columns, spec.units, faults)
    reading.check_columns(["pipe_id"])
    shapes = flat_shapes(layer)
    for place in np.flatnonzero(~inside_area(shapes, crs, layer.name)).tolist():
        shapes[place] = None  # said below, as a lateral without a place
    shapes = to_local(shapes, crs, on.local)
    pipe_ids = reading.texts("pipe_id")
    frame = pd.DataFrame({name: reading.values(LATERALS[name]) for name in ("clock_h", "size_mm")})
    frame["pipe_id"] = pipe_ids
    frame["state"] = reading.words("state", _STATES, "unknown")
    frame["x_m"], beside = _places(reading, shapes, pipe_ids, on)
    kept = _with_ids(frame[frame["x_m"].notna()].assign(source="network"))
    flags = [
        (str(lateral_id), f"drawn {beside[place]:.1f} m beside its pipe")
        for place, lateral_id in zip(kept.index.tolist(), kept["lateral_id"], strict=True)
        if beside[place] > on.snap_m
    ]
    table = conform(kept, LATERALS)
    return Laterals(table, reading.faults, flags, len(frame), layer.name, layer.sha256)


def _places(
    reading: Reading, shapes: Shapes, pipe_ids: list[str], on: OnPipes
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Give how far along its pipe's line each lateral lies, and how far beside it [m]."""
    along = np.full(len(shapes), np.nan)
    beside = np.full(len(shapes), np.nan)
    for place, (pipe_id, shape) in enumerate(zip(pipe_ids, shapes, strict=True)):
        line = on.lines.get(pipe_id)
        if pipe_id not in on.lines:
            reading.fault(place, "pipe_id", pipe_id, _PIPE, lost=True)
        elif line is None:
            reading.fault(place, "pipe_id", pipe_id, "a pipe with a line", lost=True)
        elif shape is None or shape.is_empty:
            reading.fault(place, "geometry", "no geometry", "a point on its pipe", lost=True)
        else:
            # Of a lateral drawn as a line or area, the spot nearest to the pipe joins it.
            spot = shapely.get_point(shapely.shortest_line(line, shape), 0)
            along[place] = shapely.line_locate_point(line, spot)
            beside[place] = shapely.distance(line, shape)
    return along, beside


def _with_ids(frame: pd.DataFrame) -> pd.DataFrame:
    """Name each lateral by pipe and place; a second one at the same place gets a number."""
    ordered = frame.sort_values(["pipe_id", "x_m", "clock_h"], kind="stable")
    names = [
        f"{pipe_id}@{x_m:.2f}"
        for pipe_id, x_m in ordered[["pipe_id", "x_m"]].itertuples(index=False)
    ]
    again = pd.Series(names, ordered.index, dtype="str").groupby(names).cumcount()
    ordered["lateral_id"] = [
        name + (f"#{count + 1}" if count else "") for name, count in zip(names, again, strict=True)
    ]
    return ordered
