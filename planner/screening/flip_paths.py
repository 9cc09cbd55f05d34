"""The ways of figures through all bands that cuts make: where a figure is moved, compiled."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, cast

import numpy as np
from numba import types
from numba.extending import intrinsic

from planner.screening.bands import band_of, within
from planner.screening.flip_tables import COLUMN, RATIO, RATIO_COLUMN, Figures, Paths
from planner.screening.rule_kernel import Ints, Numbers

_SPREAD = np.uint64(0x9E3779B97F4A7C15)


def _bits(_: Any, number: Any) -> Any:  # noqa: ANN401 - as numba calls it
    def generate(context: Any, builder: Any, __: Any, given: Any) -> Any:  # noqa: ANN401
        return builder.bitcast(given[0], context.get_value_type(types.uint64))

    return types.uint64(number), generate


# The bits of a figure.
bits_of = cast("Callable[[float], np.uint64]", intrinsic(_bits))


@within
def _cuts_for(figure: int, figures: Figures, per_mm: float, cuts: Numbers) -> int:
    """Write all cuts of a figure in order, those of its share in mm; gives how many."""
    count = 0
    for k in range(figures.cuts_from[figure], figures.cuts_from[figure + 1]):
        cuts[count] = figures.cuts[k]
        count += 1
    if per_mm > 0.0:
        for k in range(figures.ratio_from[figure], figures.ratio_from[figure + 1]):
            value, at = figures.ratio_cuts[k] / per_mm, count
            while at > 0 and cuts[at - 1] > value:
                cuts[at] = cuts[at - 1]
                at -= 1
            cuts[at] = value
            count += 1
    return count


@within
def bands_for(column: int, bands_from: Ints) -> int:
    """Give how many bands a column of the book has; one where it has none."""
    return 2 * (bands_from[column + 1] - bands_from[column]) + 1 if column >= 0 else 1


@within
def band_at(column: int, value: float, bands: Numbers, bands_from: Ints) -> int:
    """Give the band of a figure in a column of the book."""
    if column < 0:
        return 0
    return band_of(value, bands[bands_from[column] : bands_from[column + 1]])


@within
def shares_of(facts: Ints, bands_from: Ints) -> int:
    """Give how many verdicts are kept of a band of a figure: by its share, and as that lies."""
    return bands_for(facts[RATIO_COLUMN], bands_from) + 1 if facts[RATIO] >= 0 else 1


@within
def _point(kind: int, k: int, count: int, cuts: Numbers) -> float:
    """Give a figure on the cut k (kind 0), in the band below it (1) or above it (2)."""
    if kind == 0:
        return float(cuts[k])
    if kind == 1:
        return float(((cuts[k - 1] if k > 0 else 0.0) + cuts[k]) / 2.0)
    return float((cuts[k] + (cuts[k + 1] if k + 1 < count else cuts[k] + 2.0)) / 2.0)


@within
def _write_path(row: int, figure: int, per_mm: float, figures: Figures, paths: Paths) -> None:
    """Write the way of a figure through all its bands: its cuts, then below each, then above."""
    count = _cuts_for(figure, figures, per_mm, paths.edges[row])
    facts, bands, bands_from = figures.facts[figure], figures.bands, figures.bands_from
    shares = shares_of(facts, bands_from)
    for kind in range(3):
        for k in range(count):
            n, edge, share = kind * count + k, paths.edges[row, k], shares - 1
            value = _point(kind, k, count, paths.edges[row])
            if not np.isnan(per_mm):
                share = band_at(facts[RATIO_COLUMN], value * per_mm, bands, bands_from)
            place = band_at(facts[COLUMN], value, bands, bands_from) * shares + share
            paths.values[row, n], paths.edges[row, n] = value, edge
            paths.places[row, n] = figures.verdicts_from[figure] + place
    paths.figure[row], paths.per_mm[row], paths.steps[row] = figure, per_mm, 3 * count


@within
def path_of(figure: int, per_mm: float, figures: Figures, paths: Paths) -> int:
    """Give the way of a figure, written where it is not there yet."""
    row, first = figure, len(figures.facts)
    if figures.facts[figure, RATIO] >= 0:
        mixed = (bits_of(per_mm) ^ np.uint64(figure)) * _SPREAD >> np.uint64(32)
        row = first + int(np.int64(mixed % np.uint64(len(paths.figure) - first)))
    known = paths.per_mm[row]
    same = known == per_mm or (np.isnan(known) and np.isnan(per_mm))
    if paths.figure[row] != figure or not same:
        _write_path(row, figure, per_mm, figures, paths)
    return row
