"""What a rule can see of a thing: which columns, of which kind and unit, and their values.

A rule about a span sees the span and its pipe. Each figure of a span is one column
here, an interval; a plain number is an interval of no width. What lies beside a span
or under a sleeve (an earlier repair, a change of size) is added from the placed rows.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, Literal, TypeVar

import numpy as np
import numpy.typing as npt
import pandas as pd

from planner.contracts.crews import SETUPS, VISITS
from planner.contracts.network import PIPES
from planner.contracts.repairs import PIPE_TOTALS, SLEEVES
from planner.contracts.verdicts import SPAN_QUANTITIES, SPANS
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


def visible(about: About) -> dict[str, Seen]:
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

    Each column is read once, however many rules name it.
    """

    about: About
    things: pd.DataFrame
    pipes: pd.DataFrame
    seen: dict[str, Seen] = field(repr=False)
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
        unlike, where = self.coded(name)
        return unlike[where]

    def flags(self, name: str) -> Marks:
        """Give a yes/no column; unknown is False, see `blank`."""
        column = self._column(name).astype("boolean").fillna(value=False)
        return np.asarray(column, dtype=bool)

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
        return np.asarray(self._column(name).isna(), dtype=bool)

    def _coded(self, name: str) -> tuple[Texts, Places]:
        where, unlike = pd.factorize(self._column(name).astype("str").fillna("").str.strip())
        return np.asarray(unlike, dtype=object), where

    def _floats(self, name: str) -> Numbers:
        column = self._column(name).astype("Float64")
        return np.asarray(column.to_numpy(dtype="float64", na_value=np.nan), dtype=np.float64)

    def _column(self, name: str) -> pd.Series:
        if name in self.things.columns:
            return self.things[name]
        return self._once("pipe", name, self._of_pipe)

    def _of_pipe(self, name: str) -> pd.Series:
        return self.pipes[name].reindex(self.things["pipe_id"])


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
    shown = _with_changes(pd.DataFrame(pipes.drop(columns="geometry", errors="ignore")), beside)
    if about == "pipe":
        return View(about, shown, shown, visible(about))
    own = things.drop(columns="geometry", errors="ignore")
    if about == "span":
        own["at_repair"] = _touched(own, _rows(beside, "existing_repair"))
        own["at_lining"] = _touched(own, _linings(_rows(beside, "existing_repair")))
    if about == "sleeve":
        own["repair_touched"] = _touched(own, _rows(beside, "existing_repair"))
        own["size_change_inside"] = _touched(own, _rows(beside, "size_change"))
    return View(about, own, shown.set_index("pipe_id"), visible(about))


def _with_changes(pipes: pd.DataFrame, beside: pd.DataFrame | None) -> pd.DataFrame:
    size = set(_rows(beside, "size_change")["pipe_id"])
    lining = set(_rows(beside, "lining_change")["pipe_id"])
    return pipes.assign(
        size_changes=pipes["pipe_id"].isin(size), lining_changes=pipes["pipe_id"].isin(lining)
    )


def _rows(beside: pd.DataFrame | None, mechanism: str) -> pd.DataFrame:
    columns = ["pipe_id", "from_m", "to_m", "detail"]
    if beside is None:
        return pd.DataFrame(columns=columns)
    return beside.loc[beside["mechanism"] == mechanism, columns]


def _linings(repairs: pd.DataFrame) -> pd.DataFrame:
    return repairs[repairs["detail"] == "local lining"]


def _touched(things: pd.DataFrame, rows: pd.DataFrame) -> Marks:
    """Mark the things that meet one of `rows` on the same pipe."""
    if not len(rows):
        return np.zeros(len(things), dtype=bool)
    places = things[["pipe_id", "from_m", "to_m"]].assign(place=np.arange(len(things)))
    pairs = places.merge(rows, on="pipe_id", suffixes=("", "_row"))
    meet = (pairs["from_m_row"] <= pairs["to_m"]) & (pairs["to_m_row"] >= pairs["from_m"])
    marks = np.zeros(len(things), dtype=bool)
    marks[pairs.loc[meet, "place"].to_numpy(dtype=int)] = True
    return marks
