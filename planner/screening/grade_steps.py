"""Classes, scores and grades looked up in tables of steps, and the handbook's classes.

A step says: for this code or mechanism, from this figure on, this value. A figure that is an
interval can meet several steps; then both ends of what can be are kept, and nothing between
them is taken for true.

References
----------
Stein, Instandhaltung von Kanalisationen, sec. 4.7.4.3.1: five classes, 1 is mended at once.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache
from importlib import resources
from io import StringIO
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from planner.arrays import worded
from planner.coded_text import Columns
from planner.compiled import plain
from planner.contracts import GRADE_STEPS
from planner.distinct import first_rows, groups_of
from planner.held import Held
from planner.order import order_by
from planner.screening.grade_kernel import UNSURE, WANTING, Seen, Steps, Values, look
from planner.tables import conform, rows_in

HANDBOOK = "handbook classes"
Key = tuple[str, ...]
Places = npt.NDArray[np.int64]
Heights = tuple[npt.NDArray[np.int32], npt.NDArray[np.float64]]
_GRADED = ("damage", "condition")
NAMES = ("code", "char1", "mechanism")
_BOUNDS = ("over", "up_to", "dn_from_mm", "dn_below_mm", "value")


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


def graded(defects: Held) -> Places:
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
    count = len(defects["quantity_low"])
    every, named = np.arange(count), sorted(set(steps["requirement"]))
    heights = np.arange(count, dtype=np.int32), np.asarray(heights_mm, dtype=np.float64)
    tables = [StepTable.of(steps[steps["requirement"] == name]) for name in named]
    found = [looked_up(defects, heights, every, table) for table in tables]
    met = np.concatenate([np.zeros(0, dtype=np.intp), *(one.marks for one in found)]) > 0
    both = np.flatnonzero(met)
    place, requirement = both % max(count, 1), both // max(count, 1)
    order = order_by([place, requirement])
    some = both[order]
    low, high, marks = (
        np.concatenate([np.zeros(0, dtype=kind), *(getattr(one, name) for one in found)])[some]
        for name, kind in (("low", float), ("high", float), ("marks", np.int32))
    )
    return pd.DataFrame(
        {
            "place": place[order],
            "requirement": worded(named, requirement[order]),
            "low": low,
            "high": high,
            "verified": marks & UNSURE == 0,
            "wanting": marks & WANTING > 0,
        }
    )


@dataclass(frozen=True)
class StepTable:
    """Steps of one requirement by the code, char1 and mechanism that they name, '' = any.

    `places` has those of the steps of each such key, in capitals; `asked` says which of the
    three a key names; `quantities` are the figures that decide, `figure` the number of each
    step's, -1 = none; `numbers` the columns of `GRADE_STEPS`.
    """

    places: Mapping[Key, list[int]]
    asked: frozenset[tuple[bool, ...]]
    quantities: Sequence[str]
    figure: npt.NDArray[np.int64]
    numbers: Mapping[str, npt.NDArray[np.float64]]
    verified: npt.NDArray[np.bool_]

    @classmethod
    def of(cls, steps: pd.DataFrame) -> StepTable:
        """Sort `GRADE_STEPS`, all of one requirement, by what they name."""
        places: dict[Key, list[int]] = {}
        for at, key in enumerate(rows_in(steps, NAMES)):
            places.setdefault(tuple(str(name).upper() for name in key), []).append(at)
        quantities = sorted(set(steps["quantity"]) - {""})
        number = {word: at for at, word in enumerate(quantities)}
        return cls(
            places, frozenset(tuple(name != "" for name in key) for key in places), quantities,
            np.array([number.get(word, -1) for word in steps["quantity"]], dtype=np.int64),
            {name: steps[name].to_numpy(dtype=float) for name in _BOUNDS},
            steps["verified"].to_numpy(dtype=bool),
        )  # fmt: skip

    @cached_property
    def names(self) -> tuple[str, ...]:
        """The columns that any key names."""
        return tuple(n for at, n in enumerate(NAMES) if any(asked[at] for asked in self.asked))

    def by_kind(self, kinds: Sequence[Key]) -> Steps:
        """Give the steps that speak of each kind of row."""
        first, chosen = [0], list[int]()
        for kind in kinds:
            for asked in self.asked:
                key = tuple(one if ask else "" for one, ask in zip(kind, asked, strict=True))
                chosen += self.places.get(key, [])
            first.append(len(chosen))
        at = np.array(chosen, dtype=np.intp)
        return Steps(
            first=plain(first, np.int64), figure=plain(self.figure[at], np.int64),
            verified=plain(self.verified[at], np.bool_),
            **{name: plain(numbers[at], np.float64) for name, numbers in self.numbers.items()},
        )  # fmt: skip


@lru_cache(maxsize=1)
def handbook_table() -> StepTable:
    """Give the handbook's steps, all of one requirement, by what they name."""
    return StepTable.of(handbook_steps())


def looked_up(defects: Columns, heights: Heights, at: Places, table: StepTable) -> Values:
    """Find the values that the rows `at` of placed rows can have.

    Parameters
    ----------
    defects
        As for `look_up`, of the texts those that the table names.
    heights
        The number of the pipe of each row, and by number the height [mm].
    at, table
        Which rows; steps of one requirement.
    """
    codes, kinds = _kinds(defects, table)
    quantity = defects["quantity"]
    number = {word: one for one, word in enumerate(table.quantities)}
    # What no step asks for is like none of the figures.
    figure_of = [number.get(word, len(number)) for word in quantity.listed()]
    seen = Seen(
        plain(codes, np.int32), plain(quantity.codes, np.int32), plain(figure_of, np.int64),
        plain(heights[0], np.int32), plain(heights[1], np.float64),
        plain(defects["quantity_low"], np.float64), plain(defects["quantity_high"], np.float64),
    )  # fmt: skip
    count = len(at)
    values = Values(np.empty(count), np.empty(count), np.empty(count, dtype=np.int32))
    room = np.empty(count, dtype=np.int64)
    look(seen, table.by_kind(kinds), plain(at, np.int64), room, values)
    return values


def _kinds(defects: Columns, table: StepTable) -> tuple[npt.NDArray[Any], list[Key]]:
    """Give each row a number by what the table asks of it, and by number that, in capitals."""
    columns = [defects[name] for name in table.names]
    if not columns:  # all steps are for rows of any kind
        return np.zeros(len(defects["quantity"]), dtype=np.int32), [("",) * len(NAMES)]
    if len(columns) == 1:
        codes, words = columns[0].codes, [columns[0].listed()]
    else:
        codes, count = groups_of([one.codes for one in columns])
        words = [one[first_rows(codes, count)].tolist() for one in columns]
    count = max(map(len, words))
    blank, parts = [""] * count, iter(words)
    told = zip(*(next(parts) if name in table.names else blank for name in NAMES), strict=True)
    return codes, [tuple(word.upper() for word in kind) for kind in told]
