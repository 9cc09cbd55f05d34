"""Classes, scores and grades looked up in tables of steps, and the handbook's classes.

A step says: for this code or mechanism, from this figure on, this value. A figure that is an
interval can meet several steps; then both ends of what can be are kept, and nothing between
them is taken for true.

References
----------
Stein, Instandhaltung von Kanalisationen, sec. 4.7.4.3.1: five classes, 1 is mended at once.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache
from importlib import resources
from io import StringIO
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from planner.arrays import worded
from planner.coded_text import Coded, Columns
from planner.contracts import GRADE_STEPS
from planner.held import Held
from planner.once import made_once
from planner.order import order_by
from planner.tables import conform

HANDBOOK = "handbook classes"
Row = Any  # a row as `itertuples` gives it: its columns are those of the contract
_GRADED = ("damage", "condition")


@lru_cache(maxsize=1)
def scales() -> dict[str, dict[str, str]]:
    """Give of each scheme its worst, its mildest value and the one for no damage."""
    text = resources.files("planner").joinpath("data/grades/scales.csv").read_text("utf-8")
    rows = pd.read_csv(StringIO(text), dtype=str, keep_default_na=False).to_dict("records")
    return {str(row["scheme"]): {str(k): str(v) for k, v in row.items()} for row in rows}


@lru_cache(maxsize=1)
def handbook_steps() -> pd.DataFrame:
    """Give the handbook's table as `GRADE_STEPS`."""
    text = resources.files("planner").joinpath("data/grades/handbook.csv").read_text("utf-8")
    rows = pd.read_csv(StringIO(text), dtype=str, keep_default_na=False)
    numbers = ["over", "up_to", "dn_from_mm", "dn_below_mm", "value"]
    rows[numbers] = rows[numbers].replace("", "nan").astype("float64")
    rows["verified"] = rows["verified"] == "yes"
    return conform(rows.assign(file="handbook.csv", row=np.arange(2, len(rows) + 2)), GRADE_STEPS)


def graded(defects: Held) -> npt.NDArray[np.intp]:
    """Give the placed rows that a table of classes or scores can speak of, by place."""
    return np.flatnonzero(defects.coded("role").among(_GRADED))


def look_up(defects: Columns, heights_mm: npt.ArrayLike, steps: pd.DataFrame) -> pd.DataFrame:
    """Find the values that each placed row can have.

    Parameters
    ----------
    defects
        Of `DEFECTS`: code, char1, mechanism, quantity, quantity_low, quantity_high.
    heights_mm
        Height of the pipe of each row [mm]; NaN where unknown.
    steps
        Obeys `GRADE_STEPS`.

    Returns
    -------
    values
        A row for each placed row and requirement that the table names it in: ``place`` in
        `defects`, ``requirement``, ``low`` and ``high`` of what can be, ``verified``, and
        ``wanting`` where a step would need a figure that is not known (low and high then
        cover the steps that are left possible: all of that code).
    """
    height = np.asarray(heights_mm, dtype=np.float64)
    seen = _Seen(
        {name: defects[name].mapped(str.upper) for name in ("code", "char1", "mechanism")},
        defects["quantity"],
        defects["quantity_low"],
        defects["quantity_high"],
        height,
    )
    met: list[tuple[Row, Any, Any]] = [(step, *_met(seen, step)) for step in _rows_of(steps)]
    counts = [len(place) for _, place, _ in met]
    named = sorted({step.requirement for step, _, _ in met})
    requirement = np.array([named.index(step.requirement) for step, _, _ in met], dtype=np.intp)
    found = {
        "place": np.concatenate([place for _, place, _ in met] or [np.zeros(0, np.int64)]),
        "wanting": np.concatenate([open_ for _, _, open_ in met] or [np.zeros(0, bool)]),
        "requirement": np.repeat(requirement, counts),
        "value": np.repeat(np.array([step.value for step, _, _ in met], dtype=float), counts),
        "verified": np.repeat(np.array([step.verified for step, _, _ in met], dtype=bool), counts),
    }
    order = order_by([found["place"], found["requirement"]])
    found = {name: values[order] for name, values in found.items()}
    new = np.ones(len(order), dtype=bool)
    new[1:] = found["place"][1:] != found["place"][:-1]
    new[1:] |= found["requirement"][1:] != found["requirement"][:-1]
    first = np.flatnonzero(new)
    return pd.DataFrame(
        {
            "place": found["place"][first],
            "requirement": worded(named, found["requirement"][first]),
            "low": np.minimum.reduceat(found["value"], first),
            "high": np.maximum.reduceat(found["value"], first),
            "verified": np.logical_and.reduceat(found["verified"], first),
            "wanting": np.logical_or.reduceat(found["wanting"], first),
        }
    )


def _rows_of(steps: pd.DataFrame) -> list[Row]:
    if steps is handbook_steps():
        return _handbook_rows()
    return made_once((steps,), "rows", lambda: list(steps.itertuples(index=False)))


@lru_cache(maxsize=1)
def _handbook_rows() -> list[Row]:
    return list(handbook_steps().itertuples(index=False))


@dataclass(frozen=True)
class _Seen:
    """What steps look at, as arrays."""

    names: dict[str, Coded]
    quantity: Coded
    low: npt.NDArray[np.float64]
    high: npt.NDArray[np.float64]
    height_mm: npt.NDArray[np.float64]
    rows_of: dict[tuple[str, ...], npt.NDArray[np.int64]] = field(default_factory=dict)

    def named_in(self, step: Row) -> npt.NDArray[np.int64]:
        """Give the rows of the code or mechanism that a step names; most name one of few."""
        key = tuple(str(getattr(step, column)).upper() for column in self.names)
        if key not in self.rows_of:
            fits = np.ones(len(self.low), dtype=bool)
            for wanted, found in zip(key, self.names.values(), strict=True):
                if wanted:
                    fits &= found.holds(wanted)
            self.rows_of[key] = np.flatnonzero(fits)
        return self.rows_of[key]


def _met(seen: _Seen, step: Row) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.bool_]]:
    """Give the rows that one step can hold for, and which of them want a figure for it."""
    place = seen.named_in(step)
    fits, wanting = np.ones(len(place), dtype=bool), np.zeros(len(place), dtype=bool)
    if not len(place):
        return place, wanting
    if not (np.isnan(step.dn_from_mm) and np.isnan(step.dn_below_mm)):
        # An unknown height may be of any class.
        height_mm = seen.height_mm[place]
        fits &= ~((height_mm < step.dn_from_mm) | (height_mm >= step.dn_below_mm))
        wanting |= np.isnan(height_mm)
    if step.quantity:
        low, high = seen.low[place], seen.high[place]
        known = seen.quantity[place].codes == seen.quantity.code_of(step.quantity)
        known &= ~np.isnan(low) & ~np.isnan(high)
        fits &= ~(known & ((high <= step.over) | (low > step.up_to)))
        wanting |= ~known
    return place[fits], wanting[fits]
