"""Tables as the columns that the map's script draws: short, plain numbers and texts.

Coordinates are whole numbers of 1e-7 degrees (about 1 cm), each as the difference
to the one before; texts that repeat are numbered. Both keep a city in a few MB.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Hashable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

import numpy as np
import pandas as pd
import shapely
import shapely.ops
from numpy.typing import NDArray
from pyproj import Transformer

from planner.ground.along import Axes

Packed = dict[str, Any]
DEGREE = 10_000_000


@dataclass(frozen=True)
class Layer:
    """Features of one kind on the map.

    ``geometry`` holds lines or points in ``crs``; ``classes`` a word each that says the
    look; ``angles`` [deg, clockwise on the screen from east] turn a symbol, None is for
    one without a side; ``fields`` are the lines of a popup by label, its first one the
    title; ``more`` gives further lines under ``more_title`` for a feature by its number;
    ``links`` turns the text of a field, by its label, into a link where it is not '';
    ``pictures`` gives an SVG document for a feature by its number.
    """

    geometry: NDArray[Any]
    crs: object
    classes: Sequence[str]
    fields: Mapping[str, Sequence[str]]
    angles: Sequence[int | None] | None = None
    more_title: str = ""
    more: Mapping[int, Sequence[str]] = field(default_factory=dict)
    links: Mapping[str, Sequence[str]] = field(default_factory=dict)
    pictures: Mapping[int, str] = field(default_factory=dict)

    def pack(self) -> Packed:
        """Write the layer as plain columns for JSON.

        Raises
        ------
        ValueError
            If a column's length is not the number of features.
        """
        count = len(self.geometry)
        for label, values in {**self.fields, "classes": self.classes}.items():
            if len(values) != count:
                message = f"{label}: {len(values)} values for {count} features"
                raise ValueError(message)
        return {
            **pack_shapes(self.geometry, self.crs),
            "class": pack_text(self.classes),
            "fields": [
                {"label": label, **pack_text(values), **self._links(label)}
                for label, values in self.fields.items()
            ],
            "angle": list(self.angles or []),
            "more_title": self.more_title,
            "more": {str(row): list(lines) for row, lines in sorted(self.more.items())},
            "pictures": {str(row): svg for row, svg in sorted(self.pictures.items())},
        }

    def _links(self, label: str) -> Packed:
        found = self.links.get(label, ())
        return {"href": pack_text(found)} if any(found) else {}


def pack_shapes(shapes: NDArray[Any], crs: object) -> Packed:
    """Give the number of points per shape and all points, delta-coded, lon before lat.

    Parameters
    ----------
    shapes : array of Point or LineString
        In `crs`; none of them missing or empty.
    crs : any
        Whatever pyproj reads as a coordinate system.
    """
    if not len(shapes):
        return {"n": [], "xy": []}
    xy = lon_lat(shapely.get_coordinates(shapes), crs)
    whole = np.rint(xy * DEGREE).astype(np.int64)
    steps = np.diff(whole, axis=0, prepend=np.zeros((1, 2), np.int64))
    return {"n": shapely.get_num_coordinates(shapes).tolist(), "xy": steps.ravel().tolist()}


def lon_lat(xy: NDArray[np.float64], crs: object) -> NDArray[np.float64]:
    """Turn points in `crs` into longitude and latitude [deg]."""
    lon, lat = _to_degrees(crs).transform(xy[:, 0], xy[:, 1])
    return np.column_stack([lon, lat]).astype(np.float64)


@lru_cache(maxsize=8)
def _to_degrees(crs: Hashable) -> Transformer:
    """Give what turns points into degrees; made anew it takes longer than a map of a week."""
    return Transformer.from_crs(crs, 4326, always_xy=True)


def pack_text(values: Sequence[str]) -> Packed:
    """Give numbers to texts that repeat; keep the rest as they are.

    Examples
    --------
    >>> pack_text(["clay", "clay", "clay", ""])
    {'words': ['clay', ''], 'at': [0, 0, 0, 1]}
    >>> pack_text(["A1", "A2"])
    {'all': ['A1', 'A2']}
    """
    words = list(dict.fromkeys(values))
    if len(words) * 2 > len(values):
        return {"all": list(values)}
    at = {word: number for number, word in enumerate(words)}
    return {"words": words, "at": [at[value] for value in values]}


# From so many places on they are found on flat coordinates, not line by line.
MANY = 10_000


@dataclass(frozen=True)
class Axis:
    """Lines of all pipes, to put places of the pipe's own axis onto the drawing.

    A place ``x_m`` lies at the same share of the drawn line as of ``length_m``.
    """

    lines: pd.Series
    length_m: pd.Series

    @classmethod
    def of(cls, pipes: pd.DataFrame) -> Axis:
        """Take the pipes of `PIPES` that have a line and a length."""
        known = has_shape(pipes) & (pipes["length_m"] > 0).to_numpy()
        part = pipes.loc[known]
        ids = part["pipe_id"].to_numpy()
        return cls(
            pd.Series(shapes_of(part), index=ids, dtype=object),
            pd.Series(part["length_m"].to_numpy(dtype=np.float64), index=ids),
        )

    def holds(self, pipe_id: pd.Series) -> NDArray[np.bool_]:
        """Say which of the pipes can carry a place."""
        return pipe_id.isin(self.lines.index).to_numpy(dtype=bool)

    def share(self, pipe_id: pd.Series, x_m: pd.Series) -> NDArray[np.float64]:
        """Turn places [m] into shares of the line [-], 0 at us_node."""
        length = self.length_m.loc[pipe_id].to_numpy()
        share: NDArray[np.float64] = x_m.to_numpy(dtype=np.float64) / length
        return np.clip(share, 0.0, 1.0)

    def points(self, pipe_id: pd.Series, x_m: pd.Series) -> tuple[NDArray[Any], list[int]]:
        """Give the points at `x_m` [m] and how the pipe runs there.

        Returns
        -------
        tuple
            Points in the tables' system, and angles on the screen [deg, clockwise from
            east] of the pipe's way from us_node to ds_node.
        """
        share, near = self.share(pipe_id, x_m), 0.001
        find = self._finder(pipe_id)
        at = np.asarray(shapely.points(find(share)), dtype=object)
        a, b = find(np.clip(share - near, 0, 1)), find(np.clip(share + near, 0, 1))
        way = b - a
        degrees = np.degrees(np.arctan2(-way[:, 1], way[:, 0]))
        return at, np.rint(degrees).astype(int).tolist()

    def _finder(self, pipe_id: pd.Series) -> Callable[[NDArray[np.float64]], NDArray[np.float64]]:
        """Give what finds the point of each row at a share of its line."""
        if len(pipe_id) < MANY:
            lines = self.lines.loc[pipe_id].to_numpy()
            return lambda share: shapely.get_coordinates(
                shapely.line_interpolate_point(lines, share, normalized=True)
            )
        axes, rows = Axes.of(self.lines.to_numpy()), self.lines.index.get_indexer(pd.Index(pipe_id))
        length = axes.length_m[rows]
        return lambda share: axes.points(rows, share * length)

    def parts(self, pipe_id: pd.Series, from_m: pd.Series, to_m: pd.Series) -> NDArray[Any]:
        """Cut the lines from `from_m` to `to_m` [m]."""
        starts, ends = self.share(pipe_id, from_m), self.share(pipe_id, to_m)
        lines = self.lines.loc[pipe_id].to_numpy()
        cut = [
            shapely.ops.substring(line, a, b, normalized=True)
            for line, a, b in zip(lines, starts, ends, strict=True)
        ]
        return np.array(cut, dtype=object)


def has_shape(frame: pd.DataFrame) -> NDArray[np.bool_]:
    """Say which rows have a geometry that is neither missing nor empty."""
    shapes = shapes_of(frame)
    return np.asarray(~(shapely.is_missing(shapes) | shapely.is_empty(shapes)), dtype=bool)


def shapes_of(frame: pd.DataFrame) -> NDArray[Any]:
    """Give the geometry column as an array of shapely objects."""
    return np.asarray(frame["geometry"].to_numpy(), dtype=object)


def records(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Give the rows without their geometry, as dictionaries."""
    plain = pd.DataFrame(frame.drop(columns="geometry", errors="ignore"))
    return [{str(key): value for key, value in row.items()} for row in plain.to_dict("records")]


def stretch_text(from_m: float, to_m: float, text: Callable[[float], str]) -> str:
    """Write a stretch [m], or one place where both ends read alike."""
    first, last = text(from_m), text(to_m)
    return first if first == last else f"{first} to {last}"


def known(value: object) -> bool:
    """Say whether a cell holds something."""
    if value is None or value is pd.NA:
        return False
    if isinstance(value, float):
        return math.isfinite(value)
    return bool(value != "")
