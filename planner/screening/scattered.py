"""Figures that few rows have: which rows have one, and from where to where it may lie."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
import numpy.typing as npt

from planner.held import Held
from planner.tables import Table

Numbers = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Scattered:
    """A figure of some of `count` rows.

    `at` are these rows, rising; ``ends[0]`` and ``ends[1]`` least and most, NaN where unknown.
    Both lie in memory one entry after the other.
    """

    at: npt.NDArray[np.int32]
    ends: Numbers
    count: int

    def column(self, side: int) -> Numbers:
        """Give least (0) or most (1) of all rows, NaN where there is none."""
        out = np.full(self.count, np.nan)
        out[self.at] = self.ends[side]
        return out

    def over(self, sizes: Numbers) -> Scattered:
        """Give the share that the figure is of a size of each of its rows."""
        return Scattered(self.at, self.ends / sizes, self.count)

    def taken(self, order: npt.NDArray[np.integer[Any]]) -> Scattered:
        """Give the figures of the same rows in another order."""
        back = np.empty(self.count, dtype=np.int32)
        back[order] = np.arange(self.count, dtype=np.int32)
        at = back[self.at]
        by = np.argsort(at)
        return Scattered(at[by], self.ends.take(by, axis=1), self.count)


class WithFigures(Held):
    """Rows held by column, with figures that few of them have; these are written out when read.

    Parameters
    ----------
    table, columns
        As for `Held`, by column.
    figures
        By the name of a pair of columns, without the ``_low`` and ``_high``.
    """

    def __init__(
        self, table: Table, columns: Mapping[str, Any], figures: Mapping[str, Scattered]
    ) -> None:
        """Take the columns of a table, and figures."""
        self.figures = figures
        ends = {
            f"{name}_{side}": partial(one.column, at)
            for name, one in figures.items()
            for at, side in enumerate(("low", "high"))
        }
        super().__init__(table, {**columns, **ends})


def scattered_in(rows: Held, name: str) -> Scattered | None:
    """Give a figure as few rows have it; None where it is held by row."""
    return rows.figures.get(name) if isinstance(rows, WithFigures) else None
