"""What a rule can see of a thing: which columns, of which kind and unit, and their values.

A rule about a span sees the span and its pipe. Each figure of a span is one column
here, an interval; a plain number is an interval of no width. What lies beside a span
or under a sleeve (an earlier repair, a change of size) is added from the placed rows.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import cache
from typing import Any, Literal, TypeVar

import numpy as np
import numpy.typing as npt
import pandas as pd
from pandas.arrays import NumpyExtensionArray
from pyarrow import compute

from planner.arrays import arrow_of, texts_of
from planner.contracts.crews import SETUPS, VISITS
from planner.contracts.network import PIPES
from planner.contracts.repairs import PIPE_TOTALS, SLEEVES
from planner.contracts.verdicts import SPAN_QUANTITIES, SPANS
from planner.distinct import is_among, parted, places_in
from planner.once import made_once
from planner.order import FEW
from planner.tables import Column, Table

Kind = Literal["interval", "number", "text", "list", "flag"]
About = Literal["span", "pipe", "sleeve", "totals", "visit"]

Numbers = npt.NDArray[np.float64]
Texts = npt.NDArray[np.object_]
Marks = npt.NDArray[np.bool_]
Places = npt.NDArray[np.intp]
Read = TypeVar("Read")

# Texts that list things: blank means none, so it is never unknown.
_LISTS = frozenset({"mechanisms", "lent"})
_HIDDEN = frozenset({"file", "row"})


@dataclass(frozen=True)
class Seen:
    """One column that a rule may name; `least` is the smallest its figure can be."""

    kind: Kind
    unit: str = ""
    least: float = -np.inf


# Columns that stand in no table: taken from the placed rows when rules are run.
BESIDE: dict[About, dict[str, Seen]] = {
    "span": {"at_repair": Seen("flag"), "at_lining": Seen("flag")},
    "sleeve": {"repair_touched": Seen("flag"), "size_change_inside": Seen("flag")},
    "pipe": {"size_changes": Seen("flag"), "lining_changes": Seen("flag")},
    "totals": {},
    "visit": {},
}
_TABLES: dict[About, tuple[Table, ...]] = {
    "span": (SPANS, PIPES),
    "pipe": (PIPES,),
    "sleeve": (SLEEVES, PIPES),
    "totals": (PIPE_TOTALS, PIPES),
    "visit": (VISITS, SETUPS, PIPES),
}


@cache
def visible(about: About) -> Mapping[str, Seen]:
    """Give the columns that a rule about such a thing may name, in order of name."""
    found = dict(BESIDE[about])
    if about != "pipe":
        found |= BESIDE["pipe"]
    for table in _TABLES[about]:
        for column in table.columns:
            if column.name not in _HIDDEN and not _is_half(column.name):
                found.setdefault(column.name, _seen(column))
    if about == "span":
        found |= {name: Seen("interval", unit, 0.0) for name, unit in SPAN_QUANTITIES.items()}
    return dict(sorted(found.items()))


def _is_half(name: str) -> bool:
    return name.removesuffix("_low").removesuffix("_high") in SPAN_QUANTITIES


def _seen(column: Column) -> Seen:
    if column.name in _LISTS:
        return Seen("list")
    if column.kind in ("text", "date"):
        return Seen("text")
    if column.kind == "flag":
        return Seen("flag")
    return Seen("number", column.unit, -np.inf if column.low is None else column.low)


@dataclass(frozen=True)
class View:
    """Things of one kind as the rules see them; columns of the pipe are looked up by need.

    `changes` are columns of the pipes that stand in no table. Each column is read once,
    however many rules name it.
    """

    about: About
    things: pd.DataFrame
    pipes: pd.DataFrame
    seen: Mapping[str, Seen] = field(repr=False)
    changes: Mapping[str, Any] = field(repr=False)
    _read: dict[tuple[str, str], Any] = field(default_factory=dict, repr=False, compare=False)

    def __len__(self) -> int:
        return len(self.things)

    def interval(self, name: str) -> tuple[Numbers, Numbers]:
        """Give least and most of a figure; an unknown end runs as far as it can."""
        return self._once("interval", name, self._interval)

    def blank(self, name: str) -> Marks:
        """Mark where nothing at all is known of a column."""
        return self._once("blank", name, self._blank)

    def coded(self, name: str) -> tuple[Texts, Places]:
        """Give the unlike texts of a column, trimmed, and for each thing which one it has."""
        return self._once("coded", name, self._coded)

    def texts(self, name: str) -> Texts:
        """Give the texts of a column, trimmed."""
        column = None if ("coded", name) in self._read else texts_of(self._column(name))
        if column is not None and len(column) > FEW and not _may_be_trimmed(column):
            return np.asarray(column.to_numpy(dtype=object))
        unlike, where = self.coded(name)
        return unlike[where]

    def flags(self, name: str) -> Marks:
        """Give a yes/no column; unknown is False, see `blank`."""
        column = self._column(name)
        if not isinstance(column, pd.arrays.BooleanArray):
            column = pd.array(column, dtype="boolean")
        return np.asarray(column.to_numpy(dtype=bool, na_value=False), dtype=bool)

    def _once(self, what: str, name: str, read: Callable[[str], Read]) -> Read:
        if (what, name) not in self._read:
            self._read[what, name] = read(name)
        found: Read = self._read[what, name]
        return found

    def _interval(self, name: str) -> tuple[Numbers, Numbers]:
        seen = self.seen[name]
        split = seen.kind == "interval"
        low = self._floats(f"{name}_low" if split else name)
        high = self._floats(f"{name}_high" if split else name)
        return (
            np.where(np.isnan(low), seen.least, low),
            np.where(np.isnan(high), np.inf, high),
        )

    def _blank(self, name: str) -> Marks:
        kind = self.seen[name].kind
        if kind == "interval":
            return np.isnan(self._floats(f"{name}_low")) & np.isnan(self._floats(f"{name}_high"))
        if kind == "list":
            return np.zeros(len(self), dtype=bool)
        if kind == "text":
            unlike, where = self.coded(name)
            return np.asarray(unlike == "", dtype=bool)[where]
        return np.asarray(pd.isna(self._column(name)), dtype=bool)

    def _coded(self, name: str) -> tuple[Texts, Places]:
        column = pd.Series(texts_of(self._column(name)))
        where, unlike = _few_coded(column.tolist()) if len(column) <= FEW else parted(column)
        places: dict[str, int] = {}
        again = [places.setdefault(text.strip(), len(places)) for text in unlike]
        return np.array(list(places), dtype=object), np.array(again, dtype=np.intp)[where]

    def _floats(self, name: str) -> Numbers:
        column = self._column(name)
        if isinstance(column, np.ndarray) and column.dtype == np.float64:
            return column
        plain = pd.array(column, dtype="Float64")
        return np.asarray(plain.to_numpy(dtype="float64", na_value=np.nan), dtype=np.float64)

    def _column(self, name: str) -> Any:  # noqa: ANN401 - any array
        return self._once("column", name, self._any_column)

    def _any_column(self, name: str) -> Any:  # noqa: ANN401 - any array
        if name in self.things.columns:
            found = self.things[name].array
            return found.to_numpy() if isinstance(found, NumpyExtensionArray) else found
        values = self.changes[name] if name in self.changes else self.pipes[name].array
        at = self._once("place", "pipe_id", self._pipe_places)
        if isinstance(values, NumpyExtensionArray) and str(values.dtype) == "float64":
            return np.append(values.to_numpy(), np.nan)[at]
        return values.take(at, allow_fill=True)

    def _pipe_places(self, name: str) -> Places:
        return places_in(self.things[name], self.pipes[name])


def _may_be_trimmed(texts: Any) -> bool:  # noqa: ANN401 - any array
    """Tell whether some text may begin or end with a blank: with no plain letter or sign."""
    return bool(compute.any(compute.match_substring_regex(arrow_of(texts), _BLANK_END)).as_py())


# A first or a last letter that is no visible one of ASCII.
_BLANK_END = r"^[^!-~]|[^!-~]$"


def _few_coded(texts: list[str]) -> tuple[Places, list[str]]:
    places: dict[str, int] = {}
    where = [places.setdefault(text, len(places)) for text in texts]
    return np.array(where, dtype=np.intp), list(places)


def view_of(
    about: About, things: pd.DataFrame, pipes: pd.DataFrame, beside: pd.DataFrame | None
) -> View:
    """Show `things` to rules: with their pipe, and with what is placed beside them.

    Parameters
    ----------
    about
        What the things are.
    things
        The table of that name, each row with its pipe_id.
    pipes
        Obeys `PIPES`.
    beside
        Obeys `DEFECTS`; None where no rows were placed, so that none lies beside.
    """
    if about == "pipe":
        things = pipes
    own = pd.DataFrame(things)
    placed = dict.fromkeys(_PLACED, _NOTHING)
    if beside is not None:
        placed = made_once((beside,), "placed beside", lambda: _placed(beside))
    repairs = placed[REPAIR]
    if about == "span":
        own = own.assign(
            at_repair=_touched(own, repairs), at_lining=_touched(own, _linings(repairs))
        )
    if about == "sleeve":
        changed = placed["size_change"]
        own = own.assign(
            repair_touched=_touched(own, repairs), size_change_inside=_touched(own, changed)
        )
    return View(about, own, pd.DataFrame(pipes), visible(about), _changes(pipes, placed))


def _changes(pipes: pd.DataFrame, placed: Mapping[str, pd.DataFrame]) -> dict[str, Any]:
    """Mark the pipes on which size or lining changes."""
    found = {}
    for name, mechanism in CHANGES.items():
        rows = placed[mechanism]
        marks = is_among(pipes["pipe_id"], rows["pipe_id"]) if len(rows) else _none(pipes)
        found[name] = pd.array(marks, dtype="boolean")
    return found


def _none(things: pd.DataFrame) -> Marks:
    return np.zeros(len(things), dtype=bool)


_BESIDE = ["pipe_id", "from_m", "to_m", "detail"]


# Mechanisms that lie beside other things: by the column that marks a pipe of theirs.
REPAIR = "existing_repair"
CHANGES = {"size_changes": "size_change", "lining_changes": "lining_change"}
LINING = "local lining"
_PLACED = (REPAIR, *CHANGES.values())


def _placed(beside: pd.DataFrame) -> dict[str, pd.DataFrame]:
    """Give the rows of each mechanism that lies beside other things."""
    at = places_in(beside["mechanism"], list(_PLACED))
    there = set(at.tolist())
    return {
        mechanism: beside.loc[at == number, _BESIDE] if number in there else _NOTHING
        for number, mechanism in enumerate(_PLACED)
    }


_NOTHING = pd.DataFrame(columns=_BESIDE)


def _linings(repairs: pd.DataFrame) -> pd.DataFrame:
    return repairs[repairs["detail"] == LINING] if len(repairs) else repairs


def _touched(things: pd.DataFrame, rows: pd.DataFrame) -> Marks:
    """Mark the things that meet one of `rows` on the same pipe."""
    marks = _none(things)
    if rows.empty:
        return marks
    places = things[["pipe_id", "from_m", "to_m"]].assign(place=np.arange(len(things)))
    pairs = places.merge(rows, on="pipe_id", suffixes=("", "_row"))
    meet = (pairs["from_m_row"] <= pairs["to_m"]) & (pairs["to_m_row"] >= pairs["from_m"])
    marks[pairs.loc[meet, "place"].to_numpy(dtype=int)] = True
    return marks
