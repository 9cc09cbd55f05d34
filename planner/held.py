"""Tables that are held by column until somebody asks for the frame of their contract.

From step to step rows go as numbers: texts as `Coded`, figures as floats. A frame with its
texts written out, its bounds and its key checked, costs more than most steps do and is made
once, where somebody reads one.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from planner.arrays import texts_of, unknown
from planner.coded_text import Coded, Columns, Marks, coded_in, marks_of, taken
from planner.tables import Table, check, conform


class Late:
    """A column that is made when somebody reads it.

    Parameters
    ----------
    make
        Gives the column.
    count
        How many rows it has.
    """

    def __init__(self, make: Callable[[], Any], count: int) -> None:
        self._make = make
        self._count = count

    def __len__(self) -> int:
        return self._count

    def __getitem__(self, at: Any) -> Late:  # noqa: ANN401 - places, marks or a slice
        return Late(lambda: self.values[at], len(np.arange(self._count)[at]))

    @cached_property
    def values(self) -> Any:  # noqa: ANN401 - any array
        """The column."""
        return self._make()


class Held:
    """Rows of one contract, by column or as its frame.

    Parameters
    ----------
    table
        The contract.
    columns
        As `tables.conform` takes them, or `Late`, all as long as each other, at least one; rows
        in the order of the contract's key. What is missing is unknown.
    """

    def __init__(self, table: Table, columns: Columns) -> None:
        self.table = table
        self._columns = columns
        self._read: Columns = {}

    @staticmethod
    def of(frame: pd.DataFrame, table: Table) -> Held:
        """Hold a frame; `TableError` where it breaks its contract."""
        held = Held(table, {})
        held.__dict__["frame"] = check(frame, table)
        return held

    def __len__(self) -> int:
        if "frame" in self.__dict__:
            return len(self.frame)
        return len(next(iter(self._columns.values())))

    @cached_property
    def frame(self) -> pd.DataFrame:
        """The rows by their contract; `TableError` where they break it."""
        return conform({name: self._given(name) for name in self._columns}, self.table)

    def coded(self, name: str) -> Coded:
        """Give a column of texts by numbers, made once."""
        found: Coded = self._once(name, self._coded)
        return found

    def floats(self, name: str) -> npt.NDArray[np.float64]:
        """Give a column of figures, NaN where unknown; not to be written to."""
        found: npt.NDArray[np.float64] = self._once(name, self._floats)
        return found

    def marks(self, name: str) -> Marks:
        """Give a column of yes and no, unknown as no; not to be written to."""
        found: Marks = self._once(f"{name} yes", lambda _: marks_of(self.column(name)))
        return found

    def column(self, name: str) -> Any:  # noqa: ANN401 - any array
        """Give a column as the frame has it, texts as a text column; not to be written to."""
        return self._once(f"{name} written", lambda _: self._column(name))

    def taken(self, at: Any) -> Held:  # noqa: ANN401 - places, marks or a slice
        """Give some of the rows, in their order."""
        if "frame" in self.__dict__:
            some = self.frame.iloc[np.arange(len(self))[at]].reset_index(drop=True)
            return Held.of(some, self.table)
        return Held(self.table, taken(self._columns, at))

    def _once(self, what: str, read: Callable[[str], Any]) -> Any:  # noqa: ANN401 - any column
        if what not in self._read:
            self._read[what] = read(what)
        return self._read[what]

    def _given(self, name: str) -> Any:  # noqa: ANN401 - any column
        given = self._columns.get(name)
        return given.values if isinstance(given, Late) else given

    def _coded(self, name: str) -> Coded:
        if "frame" in self.__dict__:
            return coded_in(self.frame, name)
        given = self._given(name)
        if given is None:
            return Coded.one("", len(self))
        return given if isinstance(given, Coded) else Coded.of(given)

    def _floats(self, name: str) -> npt.NDArray[np.float64]:
        given = self.frame[name].array if "frame" in self.__dict__ else self._given(name)
        if given is None:
            found: npt.NDArray[np.float64] = np.broadcast_to(np.nan, len(self))
        elif isinstance(given, np.ndarray):
            found = np.asarray(given, dtype=np.float64)
        else:
            found = pd.array(given).to_numpy(dtype=float, na_value=np.nan)
        return found

    def _column(self, name: str) -> Any:  # noqa: ANN401 - any array
        if "frame" in self.__dict__:
            return self.frame[name].array
        given, kind = self._given(name), self.table[name].kind
        if given is None:
            return unknown(kind, len(self))
        if isinstance(given, Coded):
            return given.column()
        return texts_of(given) if kind in ("text", "date") else given


def held(rows: pd.DataFrame | Held, table: Table) -> Held:
    """Hold a frame, checked; what is held already is given back."""
    return rows if isinstance(rows, Held) else Held.of(rows, table)
