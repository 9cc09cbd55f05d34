"""Tables that are held by column until somebody asks for the frame of their contract.

From step to step rows go as numbers: texts as `Coded`, figures as floats. A frame with its
texts written out, its bounds and its key checked, costs more than most steps do and is made
once, where somebody reads one.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from functools import cached_property, partial
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from pandas.arrays import IntegerArray, NumpyExtensionArray

from planner.arrays import blanks_in, columns_in, texts_of, unknown
from planner.coded_text import Coded, Columns, Joined, Marks, coded_in, marks_of
from planner.once import note_sound
from planner.shapes import Ends, Shapes, ends_of
from planner.tables import Table, check, conform, in_place


class Held:
    """Rows of one contract, by column or as its frame.

    Parameters
    ----------
    table
        The contract.
    columns
        As `tables.conform` takes them, texts also as `Joined`, all as long as each other, at
        least one; rows in the order of the contract's key. What is missing is unknown. A column
        may be a function without arguments that gives it: it is asked once, where somebody reads
        the column. Or a function that gives all of them.
    """

    def __init__(
        self, table: Table, columns: Mapping[str, Any] | Callable[[], Mapping[str, Any]]
    ) -> None:
        self.table = table
        self._make = columns if callable(columns) else partial(dict, columns)
        self._read: Columns = {}

    @cached_property
    def _columns(self) -> Columns:
        return dict(self._make())

    @staticmethod
    def of(frame: pd.DataFrame, table: Table) -> Held:
        """Hold a frame as it is now; `TableError` where it breaks its contract."""
        return Held.sound(_own(check(frame, table), table), table)

    @staticmethod
    def sound(frame: pd.DataFrame, table: Table) -> Held:
        """Hold a frame that is known to obey its contract."""
        held = Held(table, {})
        held.__dict__["frame"] = frame
        return held

    @property
    def by_column(self) -> bool:
        """Tell whether rows lie by column, whatever frame was made of them since."""
        return bool(self._columns)

    def has(self, name: str) -> bool:
        """Tell whether anything is known of a column."""
        return not self._columns or self._columns.get(name) is not None

    def __len__(self) -> int:
        if not self._columns:
            return len(self.frame)
        return len(self._given(next(iter(self._columns))))

    @cached_property
    def frame(self) -> pd.DataFrame:
        """The rows by their contract; `TableError` where they break it."""
        given = {name: self._given(name) for name in self._columns}
        told = {
            n: one.column() if isinstance(one, Joined | Shapes) else one for n, one in given.items()
        }
        return conform(told, self.table)

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

    def wholes(self, name: str) -> npt.NDArray[np.int64]:
        """Give a column of whole numbers, unknown as 0; not to be written to."""
        found: npt.NDArray[np.int64] = self._once(f"{name} whole", lambda _: self._wholes(name))
        return found

    def column(self, name: str) -> Any:  # noqa: ANN401 - any array
        """Give a column as the frame has it, texts as a text column; not to be written to."""
        return self._once(f"{name} written", lambda _: self._column(name))

    def is_blank(self, name: str) -> bool:
        """Tell whether no row has a text in a column."""
        return bool(self.blanks(name).all())

    def blanks(self, name: str) -> Marks:
        """Tell which rows have no text in a column."""
        given = self._given(name)
        if isinstance(given, Coded):
            return given.holds("")
        return blanks_in(self.column(name))

    def ends(self) -> Ends:
        """Give where the shapes begin and end, without making shapes of what is held as bytes."""
        given = self._given("geometry")
        return given.ends() if isinstance(given, Shapes) else ends_of(self.column("geometry"))

    def renewed(self, columns: Mapping[str, Any]) -> Held:
        """Give the same rows with some columns, none of the key, set anew."""
        return _Renewed(self, columns)

    def texts(self, name: str, at: Any) -> Any:  # noqa: ANN401 - places, a text column
        """Write out the texts of some rows, by their places."""
        some = self.picked(name, at)
        return some.column() if isinstance(some, Coded | Joined) else some

    def picked(self, name: str, at: Any) -> Any:  # noqa: ANN401 - places, any column
        """Give a column of some rows, by their places, as it is held: to be put elsewhere."""
        given = self._given(name)
        if isinstance(given, Coded | Joined):
            return given[at]
        return self.column(name).take(at)

    def taken(self, at: Any) -> Held:  # noqa: ANN401 - places, marks or a slice
        """Give some of the rows, in their order."""
        if not self._columns:
            some = self.frame.iloc[np.arange(len(self))[at]].reset_index(drop=True)
            return Held.of(some, self.table)
        later = {name: partial(self._taken, name, at) for name in self._columns}
        return Held(self.table, later)

    def _given(self, name: str) -> Any:  # noqa: ANN401 - any column, None where there is none
        given = self._columns.get(name)
        if callable(given):
            given = self._columns[name] = given()
        return given

    def _taken(self, name: str, at: Any) -> Any:  # noqa: ANN401 - any column
        return self._given(name)[at]

    def _once(self, what: str, read: Callable[[str], Any]) -> Any:  # noqa: ANN401 - any column
        if what not in self._read:
            self._read[what] = read(what)
        return self._read[what]

    def _coded(self, name: str) -> Coded:
        if not self._columns:
            return coded_in(self.frame, name)
        given = self._given(name)
        if given is None:
            return Coded.one("", len(self))
        if isinstance(given, Joined):
            given = given.column()
        return given if isinstance(given, Coded) else Coded.of(given)

    def _floats(self, name: str) -> npt.NDArray[np.float64]:
        given = self._given(name) if self._columns else self.frame[name].array
        if given is None:
            found: npt.NDArray[np.float64] = np.broadcast_to(np.nan, len(self))
        elif isinstance(given, np.ndarray | NumpyExtensionArray):
            found = np.asarray(given, dtype=np.float64)
        else:
            found = pd.array(given).to_numpy(dtype=float, na_value=np.nan)
        return found

    def _wholes(self, name: str) -> npt.NDArray[np.int64]:
        given = self.column(name)
        plain = given if isinstance(given, IntegerArray) else pd.array(given, dtype="Int64")
        return np.asarray(plain.to_numpy(dtype=np.int64, na_value=0))

    def _column(self, name: str) -> Any:  # noqa: ANN401 - any array
        if not self._columns:
            return self.frame[name].array
        given = self._given(name)
        if isinstance(given, Coded | Joined | Shapes):
            return given.column()
        kind = self.table[name].kind
        if given is None:
            return unknown(kind, len(self))
        return texts_of(given) if kind in ("text", "date") else given


class _Renewed(Held):
    """Rows of another with some columns set anew; the frame keeps what it does not name."""

    def __init__(self, base: Held, columns: Mapping[str, Any]) -> None:
        super().__init__(base.table, columns)
        self._base = base

    def __len__(self) -> int:
        return len(self._base)

    @property
    def by_column(self) -> bool:
        """Tell whether the rows that are set anew lie by column."""
        return self._base.by_column

    def has(self, name: str) -> bool:
        """Tell whether anything is known of a column."""
        return super().has(name) if name in self._columns else self._base.has(name)

    @cached_property
    def frame(self) -> pd.DataFrame:
        """The rows by their contract; `TableError` where a new column breaks it."""
        new = {name: self._given(name) for name in self._columns}
        return put(self._base.frame, self.table, new)

    def taken(self, at: Any) -> Held:  # noqa: ANN401 - places, marks or a slice
        """Give some of the rows, in their order."""
        own = {name: partial(self._taken, name, at) for name in self._columns}
        return self._base.taken(at).renewed(own)

    def ends(self) -> Ends:
        """Give where the shapes begin and end; they are never set anew."""
        return self._base.ends()

    def _coded(self, name: str) -> Coded:
        return super()._coded(name) if name in self._columns else self._base.coded(name)

    def _floats(self, name: str) -> npt.NDArray[np.float64]:
        return super()._floats(name) if name in self._columns else self._base.floats(name)

    def _column(self, name: str) -> Any:  # noqa: ANN401 - any array
        return super()._column(name) if name in self._columns else self._base.column(name)


def put(frame: pd.DataFrame, table: Table, columns: Mapping[str, Any]) -> pd.DataFrame:
    """Set columns of a frame that obeys `table` anew: only these are looked at, none is lost.

    Parameters
    ----------
    frame
        As `tables.check` gave it; it stays as it is.
    table
        Its contract.
    columns
        As for `tables.conform`, row for row; none of the key.

    Raises
    ------
    TableError
        If one of these has a wrong type or breaks the contract.
    """
    if not frame.columns.equals(table.layout[0]):
        given, _ = columns_in(frame, [*table.names, "geometry"])
        return conform({**given, **columns}, table)
    if not columns:
        return in_place(_own(frame, table), table)
    own = tuple(column for column in table.columns if column.name in columns)
    own_table = replace(table, columns=own, key=(), geometry="")
    new, out = conform(columns, own_table), frame.copy(deep=False)
    for name in columns:
        out[name] = new[name].array
    note_sound(out, table.name)
    return in_place(out, table)


def in_order(rows: pd.DataFrame | Held, table: Table) -> Held:
    """Hold a frame, checked, put in the order of its key; what is held already is so."""
    if isinstance(rows, Held):
        return rows
    return Held.sound(put(check(rows, table), table, {}), table)


def _own(frame: pd.DataFrame, table: Table) -> pd.DataFrame:
    """Give a frame that obeys `table` apart: what is written into the given one is not for it."""
    out = frame.copy(deep=False)
    note_sound(out, table.name)
    return out


def held(rows: pd.DataFrame | Held, table: Table) -> Held:
    """Hold a frame, checked; what is held already is given back."""
    return rows if isinstance(rows, Held) else Held.of(rows, table)
