"""Places along many lines at once, on flat coordinates: what a city's rows need.

`measure.point_at` asks one line object for each place; here the vertices of all lines lie end
to end, each with its way from the first vertex of its own line (summed over a city a length
would lose digits), and one compiled walk finds all places.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely

from planner.compiled import kept
from planner.ground.measure import ROUNDING_M, Floats, lengths_of, refuse_beyond

Whole = npt.NDArray[np.int64]
# So many vertices further on are looked for one by one; beyond them by halves.
_STEPS = 8


@dataclass(frozen=True)
class Axes:
    """Vertices of lines end to end: those of line k stand from ``starts[k]`` on.

    `xy` are their coordinates (n x 2), `along_m` their ways from the first vertex of their own
    line [m].
    """

    xy: Floats
    along_m: Floats
    starts: Whole

    @classmethod
    def of(cls, lines: npt.ArrayLike) -> Axes:
        """Lay out lines, each in a metric projection.

        Raises
        ------
        ValueError
            If one is missing, empty or no line.
        """
        shapes = np.asarray(lines, dtype=object)
        lengths_of(shapes)
        starts = np.zeros(len(shapes) + 1, dtype=np.int64)
        np.cumsum(shapely.get_num_coordinates(shapes), out=starts[1:])
        xy = shapely.get_coordinates(shapes)
        along = np.empty(len(xy))
        _measure(xy, starts, along)
        return cls(xy, along, starts)

    @property
    def length_m(self) -> Floats:
        """Lengths of the lines [m]."""
        return self.along_m[self.starts[1:] - 1]

    def points(self, rows: npt.ArrayLike, d_m: npt.ArrayLike) -> Floats:
        """Find the points at distances along lines; fastest where rows of a line follow each other.

        Parameters
        ----------
        rows
            Which line each distance is on.
        d_m
            Distances [m] from the first vertex, ``0 <= d_m <= length`` each.

        Returns
        -------
        xy
            Coordinates of shape (n, 2).

        Raises
        ------
        ValueError
            If there is no such line, or a distance is no number or lies beyond an end.

        Examples
        --------
        >>> Axes.of([shapely.LineString([(0, 0), (10, 0)])]).points([0], [2.0]).tolist()
        [[2.0, 0.0]]
        """
        at, distances = np.asarray(rows, dtype=np.int64), np.asarray(d_m, dtype=np.float64)
        if at.shape != distances.shape:
            message = f"{at.size} lines but {distances.size} distances"
            raise ValueError(message)
        count = len(self.starts) - 1
        if len(at) and not (at.min() >= 0 and at.max() < count):
            message = f"there are {count} lines, from 0 on; asked of {at.min()} to {at.max()}"
            raise ValueError(message)
        out = np.empty((len(at), 2))
        if not _find(self.xy, self.along_m, self.starts, at, distances, out):
            refuse_beyond(distances, self.length_m[at])
        return out


@kept
def _measure(xy: Floats, starts: Whole, along: Floats) -> None:
    """Write the way of each vertex from the first one of its line."""
    for line in range(len(starts) - 1):
        way = 0.0
        for k in range(starts[line], starts[line + 1]):
            if k > starts[line]:
                dx, dy = xy[k, 0] - xy[k - 1, 0], xy[k, 1] - xy[k - 1, 1]
                way += np.sqrt(dx * dx + dy * dy)
            along[k] = way


@kept
def _find(xy: Floats, along: Floats, starts: Whole, rows: Whole, d_m: Floats, out: Floats) -> bool:
    """Write the point of each row; False where one lies beyond an end, or is no number."""
    before, k = -1, 0
    fine = True
    for i in range(len(rows)):
        row, d = rows[i], d_m[i]
        first, last = starts[row], starts[row + 1] - 1
        fine = fine and d >= -ROUNDING_M and d <= along[last] + ROUNDING_M
        if row != before or d < along[k]:
            before, k = row, first
        steps = 0
        while k + 1 < last and along[k + 1] < d:
            k += 1
            steps += 1
            if steps == _STEPS:
                k = max(first, np.searchsorted(along[k:last], d) + k - 1)
                break
        way = along[k + 1] - along[k]
        share = min(max((d - along[k]) / way, 0.0), 1.0) if way > 0.0 else 0.0
        for side in range(2):
            out[i, side] = xy[k, side] + share * (xy[k + 1, side] - xy[k, side])
    return fine
