"""A column of shapes as files hold it (WKB), made into shapes for whoever reads them.

Where a line begins and ends can be read from the bytes: a part of a city asks no more of its
thousands of lines, and to make shapes of them takes as long as to place their coded rows.

References
----------
OGC 06-103r4, Simple feature access, part 1, sec. 8.2: well-known binary (kinds by thousands
for heights and measures); from memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import shapely
from geopandas.array import GeometryArray, from_shapely

Numbers = npt.NDArray[np.float64]
Places = npt.NDArray[np.int64]
Letters = npt.NDArray[np.uint8]

# As shapely numbers kinds of shapes; -1 = there is none.
POINT, LINE, RING = 0, 1, 2
# Bytes before the vertices of a point and of a line: order of bytes, kind, how many.
_HEAD, _LINE_HEAD = 5, 9
# Figures of a vertex, by the thousands of the kind: plain, with height, measure, both.
_FIGURES = np.array([2, 3, 3, 4])


class Ends(NamedTuple):
    """What is asked of shapes, a row for each.

    `kind` as shapely numbers them, -1 where there is no shape; `vertices` is how many it has;
    `xy` the first x and y and the last ones, NaN where it has none.
    """

    kind: Places
    vertices: Places
    xy: Numbers


@dataclass(frozen=True, eq=False)
class Shapes:
    """Shapes of one column.

    Parameters
    ----------
    held
        WKB, missing where there is no shape.
    crs
        Their system of coordinates.
    """

    held: pa.Array | pa.ChunkedArray
    crs: Any

    def __len__(self) -> int:
        return len(self.held)

    def __getitem__(self, at: Any) -> Shapes:  # noqa: ANN401 - places, marks or a slice
        return Shapes(self.held.take(pa.array(np.arange(len(self))[at])), self.crs)

    def column(self) -> GeometryArray:
        """Give them as shapes."""
        return self._made

    @cached_property
    def _made(self) -> GeometryArray:
        return from_shapely(
            shapely.from_wkb(self.held.to_numpy(zero_copy_only=False)), crs=self.crs
        )

    def ends(self) -> Ends:
        """Give kind, number of vertices, and the first and last of each."""
        letters, starts, size = _bytes_of(self.held)
        found = Ends(
            np.full(len(size), -1),
            np.zeros(len(size), dtype=np.int64),
            np.full((len(size), 4), np.nan),
        )
        there = np.flatnonzero(size >= _LINE_HEAD)
        head = letters[starts[there, None] + np.arange(_LINE_HEAD)]
        kind, told = (head[:, n : n + 4].copy().view("<u4")[:, 0].astype(np.int64) for n in (1, 5))
        form, kind = np.divmod(kind - 1, 1000)  # the bytes count kinds from 1
        plain = (head[:, 0] == 1) & (form < len(_FIGURES)) & ((kind == POINT) | (kind == LINE))
        unread = np.concatenate([there[~plain], np.flatnonzero((size > 0) & (size < _LINE_HEAD))])
        there, kind, told, form = there[plain], kind[plain], told[plain], form[plain]
        first = starts[there] + np.where(kind == POINT, _HEAD, _LINE_HEAD)
        step = 8 * _FIGURES[np.minimum(form, len(_FIGURES) - 1)]
        count = np.where(kind == POINT, 1, told)
        found.kind[there] = kind
        some = np.flatnonzero(count)
        for side, at in ((0, first), (2, first + np.maximum(count - 1, 0) * step)):
            vertex = letters[at[some, None] + np.arange(16)].view("<f8")
            found.xy[there[some], side : side + 2] = vertex
        # An empty point is one of no figures.
        empty = (kind == POINT) & np.isnan(found.xy[there, :2]).all(axis=1)
        found.vertices[there] = np.where(empty, 0, count)
        if len(unread):
            for own, some_own in zip(found, ends_of(self[unread].column()), strict=True):
                own[unread] = some_own
        return found


def _bytes_of(held: pa.Array | pa.ChunkedArray) -> tuple[Letters, Places, Places]:
    """Give all bytes, and where each shape begins among them and how long it is; 0 = missing."""
    if isinstance(held, pa.ChunkedArray):
        held = held.chunk(0) if held.num_chunks == 1 else held.combine_chunks()
    plain = held.cast(pa.large_binary())
    _, starts, data = plain.buffers()
    at = np.frombuffer(starts, dtype=np.int64)[plain.offset : plain.offset + len(plain) + 1]
    letters = np.frombuffer(b"" if data is None else data, dtype=np.uint8)
    size = np.where(np.asarray(plain.is_valid()), np.diff(at), 0)
    return letters, at[:-1], size


def ends_of(shapes: Any) -> Ends:  # noqa: ANN401 - any array of shapes
    """Give the same of shapes that are made."""
    plain = np.asarray(shapes, dtype=object)
    kind = np.asarray(shapely.get_type_id(plain), dtype=np.int64)
    count = np.asarray(shapely.get_num_coordinates(plain), dtype=np.int64)
    xy = np.full((len(plain), 4), np.nan)
    some = np.flatnonzero(count)
    all_xy, last = shapely.get_coordinates(plain[some]), np.cumsum(count[some]) - 1
    xy[some, :2], xy[some, 2:] = all_xy[last - count[some] + 1], all_xy[last]
    return Ends(kind, count, xy)
