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

from planner.compiled import kept, plain

Numbers = npt.NDArray[np.float64]
Places = npt.NDArray[np.int64]
Letters = npt.NDArray[np.uint8]
Wholes = npt.NDArray[np.uint32]
Marks = npt.NDArray[np.bool_]

# As shapely numbers kinds of shapes; there is none, or one that only shapely reads.
POINT, LINE, RING = 0, 1, 2
NO_SHAPE, UNREAD = -1, -2
# Bytes before the vertices of a point and of a line: order of bytes, kind, how many.
_HEAD, _LINE_HEAD = 5, 9
# Figures of a vertex, by the thousands of the kind: plain, with height, measure, both.
_FIGURES = (2, 3, 3, 4)


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
        letters, starts, known = _bytes_of(self.held)
        count = len(starts) - 1
        kind, vertices = np.full(count, NO_SHAPE), np.zeros(count, dtype=np.int64)
        found = Ends(kind, vertices, np.full((count, 4), np.nan))
        wholes, figures = (_at_each(letters, one) for one in ("<u4", "<f8"))
        if read_ends(letters, wholes, figures, starts, known, found):
            unread = np.flatnonzero(kind == UNREAD)
            for own, some_own in zip(found, ends_of(self[unread].column()), strict=True):
                own[unread] = some_own
        return found


@kept
def read_ends(
    letters: Letters, wholes: Wholes, figures: Numbers, starts: Places, known: Marks, out: Ends
) -> int:
    """Read points and lines; give how many shapes are left unread, of which the kind says so.

    `wholes` and `figures` say what stands from each byte on.
    """
    odd = 0
    for n in range(len(out.kind)):
        at, size = starts[n], starts[n + 1] - starts[n]
        if size == 0 or (len(known) and not known[n]):
            continue
        out.kind[n] = UNREAD
        odd += 1
        if size < _LINE_HEAD or letters[at] != 1:
            continue
        # The bytes count kinds from 1.
        form, kind = divmod(np.int64(wholes[at + 1]) - 1, 1000)
        if not 0 <= form < len(_FIGURES) or kind > LINE:  # LINE follows POINT
            continue
        first, count = at + _HEAD, np.int64(1)
        if kind == LINE:
            first, count = at + _LINE_HEAD, np.int64(wholes[at + _HEAD])
        last = first + (count - 1) * 8 * _FIGURES[form]
        if at + size < last + 8 * _FIGURES[form]:
            continue
        odd -= 1
        # An empty point is one of no figures.
        if kind == POINT and np.isnan(figures[first]) and np.isnan(figures[first + 8]):
            count = np.int64(0)
        out.kind[n], out.vertices[n] = kind, count
        if count:
            out.xy[n, 0], out.xy[n, 1] = figures[first], figures[first + 8]
            out.xy[n, 2], out.xy[n, 3] = figures[last], figures[last + 8]
    return odd


def _bytes_of(held: pa.Array | pa.ChunkedArray) -> tuple[Letters, Places, Marks]:
    """Give all bytes, where each shape begins and the last ends, and which are there; () = all."""
    if isinstance(held, pa.ChunkedArray):
        held = held.chunk(0) if held.num_chunks == 1 else held.combine_chunks()
    wide = held.cast(pa.large_binary())
    _, starts, data = wide.buffers()
    at = np.frombuffer(starts, dtype=np.int64)[wide.offset : wide.offset + len(wide) + 1]
    letters = np.frombuffer(b"" if data is None else data, dtype=np.uint8)
    known = np.asarray(wide.is_valid()) if wide.null_count else np.zeros(0, dtype=bool)
    return plain(letters, np.uint8), plain(at, np.int64), plain(known, np.bool_)


def _at_each(letters: Letters, kind: str) -> Any:  # noqa: ANN401 - an array of that kind
    """Read a number from each byte on that enough of them follow."""
    count = max(len(letters) - np.dtype(kind).itemsize + 1, 0)
    return np.ndarray(count, kind, letters if count else None, strides=(1,))


def ends_of(shapes: Any) -> Ends:  # noqa: ANN401 - any array of shapes
    """Give the same of shapes that are made."""
    made = np.asarray(shapes, dtype=object)
    kind = np.asarray(shapely.get_type_id(made), dtype=np.int64)
    count = np.asarray(shapely.get_num_coordinates(made), dtype=np.int64)
    xy = np.full((len(made), 4), np.nan)
    some = np.flatnonzero(count)
    all_xy, last = shapely.get_coordinates(made[some]), np.cumsum(count[some]) - 1
    xy[some, :2], xy[some, 2:] = all_xy[last - count[some] + 1], all_xy[last]
    return Ends(kind, count, xy)
