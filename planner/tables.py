"""Table contracts as data: what columns a table has, in which unit, within which bounds.

`check` stands on the first and last line of every step. It repairs nothing: it
returns the very frame it was given or raises one error that lists all faults.
Text is never missing: an unknown text is ``""``. An unknown number is NaN, an
unknown whole number or flag is ``pandas.NA``. A date is text, ``YYYY-MM-DD``.
"""

from __future__ import annotations

import re
from collections.abc import Container, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Literal, TypeVar

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray
from pandas.api.internals import (  # type: ignore[import-not-found]  # in no stub yet
    create_dataframe_from_blocks,
)
from pandas.arrays import NumpyExtensionArray
from pyarrow import compute

from planner.arrays import (
    arrow_of,
    columns_in,
    is_missing_in,
    numbers_of,
    shapes_of,
    texts_of,
    unknown,
)
from planner.coded_text import Coded, Columns
from planner.errors import TableError, printable, shown
from planner.once import is_sound, note_sound
from planner.order import FEW, order_by, rises

Kind = Literal["text", "number", "whole", "flag", "date"]
DTYPES: dict[Kind, str] = {
    "text": "str",
    "date": "str",
    "number": "float64",
    "whole": "Int64",
    "flag": "boolean",
}
DATE = r"\d{4}-\d{2}-\d{2}"
_DATE = re.compile(DATE, re.ASCII)
_PLAIN = (np.dtype(bool), np.dtype(np.int64))
Frame = TypeVar("Frame", bound=pd.DataFrame)


@dataclass(frozen=True)
class Column:
    """One column: its name says the unit, `unit` repeats it, `meaning` says the rest."""

    name: str
    kind: Kind
    meaning: str
    unit: str = ""
    blank: bool = True
    low: float | None = None
    high: float | None = None
    one_of: tuple[str, ...] = ()


@dataclass(frozen=True)
class Table:
    """A contract: `one_row` says what a row is, `key` is unique and gives the order on disk."""

    name: str
    one_row: str
    columns: tuple[Column, ...]
    key: tuple[str, ...] = ()
    geometry: str = ""

    @property
    def names(self) -> list[str]:
        """Column names in their order, without the geometry."""
        return [column.name for column in self.columns]

    @cached_property
    def layout(self) -> tuple[pd.Index, dict[str, NDArray[np.int64]], NDArray[np.int64]]:
        """Columns of its frame, the place of each that is no number, and those of the numbers."""
        columns = pd.Index([*self.names, "geometry"] if self.geometry else self.names)
        kinds = [column.kind for column in self.columns]
        floats = np.array([at for at, kind in enumerate(kinds) if kind == "number"], dtype=np.int64)
        rest = {name: np.array([at]) for at, name in enumerate(columns) if at not in floats}
        return columns, rest, floats

    @cached_property
    def bounds(self) -> tuple[list[str], NDArray[np.float64], NDArray[np.bool_]]:
        """Number columns: their names, least and most (2 x columns x 1), which may be blank."""
        numbers = [column for column in self.columns if column.kind == "number"]
        far = float(np.finfo(np.float64).max)
        ends = [[-far if one.low is None else one.low for one in numbers],
                [far if one.high is None else one.high for one in numbers]]  # fmt: skip
        blank = np.array([one.blank for one in numbers], dtype=bool)
        return [one.name for one in numbers], np.array(ends)[:, :, None], blank[:, None]

    @cached_property
    def without_rows(self) -> pd.DataFrame:
        """A frame of it without rows; only for tables without geometry."""
        return _framed({column.name: unknown(column.kind, 0) for column in self.columns}, self, 0)

    def __getitem__(self, name: str) -> Column:
        for column in self.columns:
            if column.name == name:
                return column
        raise KeyError(name)


def text(name: str, meaning: str, *, blank: bool = True, one_of: Sequence[str] = ()) -> Column:
    """Make a text column; ``""`` is allowed unless `blank` is False."""
    return Column(name, "text", meaning, blank=blank, one_of=tuple(one_of))


def date(name: str, meaning: str, *, blank: bool = True) -> Column:
    """Make a date column, text of the form YYYY-MM-DD."""
    return Column(name, "date", meaning, blank=blank)


def number(
    name: str,
    unit: str,
    meaning: str,
    *,
    blank: bool = True,
    low: float | None = None,
    high: float | None = None,
) -> Column:
    """Make a float column in `unit`; NaN is allowed unless `blank` is False."""
    return Column(name, "number", meaning, unit, blank, low, high)


def whole(
    name: str, unit: str, meaning: str, *, blank: bool = True, low: float | None = None
) -> Column:
    """Make a whole-number column in `unit`."""
    return Column(name, "whole", meaning, unit, blank, low)


def flag(name: str, meaning: str, *, blank: bool = True) -> Column:
    """Make a yes/no column; unknown is allowed unless `blank` is False."""
    return Column(name, "flag", meaning, blank=blank)


def empty(table: Table, crs: object = None) -> pd.DataFrame:
    """Give a frame without rows that satisfies `table` (a GeoDataFrame where it has geometry)."""
    return conform([], table, crs=crs)


def conform(
    rows: pd.DataFrame | Mapping[str, Any] | Iterable[Mapping[str, Any]],
    table: Table,
    crs: object = None,
) -> pd.DataFrame:
    """Build the frame of `table`: its columns in order, right types, sorted by key, checked.

    Texts may come as `Coded`, and are then judged by their words.
    Columns that are missing from `rows` (a frame, columns by name, or one mapping for each
    row) are filled as unknown; columns that the contract does not name are dropped.

    Raises
    ------
    TableError
        If a value has the wrong type or the result breaks the contract.
    """
    if isinstance(rows, pd.DataFrame) and crs is None and _is_sound_in(rows, table):
        return in_place(rows, table)
    none = isinstance(rows, list) and not rows
    given, count = ({}, 0) if none else columns_in(rows, [*table.names, "geometry"])
    if not count and not table.geometry:
        return table.without_rows.copy(deep=False)
    data, fit = _cast_all(given, table, count)
    if table.geometry:
        crs = crs or getattr(rows, "crs", None)
        data["geometry"] = shapes_of(given.get("geometry"), count, crs)
    keys = [data[name] for name in table.key]
    apart = bool(keys) and rises(keys)
    if keys and not apart and not any(pd.isna(values).any() for values in keys):
        order = order_by(keys)
        data = {name: values.take(order) for name, values in data.items()}
    out = _framed(data, table, count)
    if keys and not apart and any(pd.isna(values).any() for values in keys):
        return check(in_order(out, list(table.key)), table)
    return _checked(out, data, table, apart=apart, fit=fit)


def _cast_all(given: Mapping[str, Any], table: Table, count: int) -> tuple[Columns, set[str]]:
    """Give the columns as the contract wants them; and the names of those that need no check."""
    data, fit = dict[str, Any](), set[str]()
    for column in table.columns:
        values = given.get(column.name)
        if isinstance(values, Coded):
            data[column.name] = values.column()
            fit |= {column.name} if _words_fit(values, column) else set()
        elif column.name not in given:
            # One figure stands for all: they are only read.
            none = np.broadcast_to(np.nan, count) if column.kind == "number" else None
            data[column.name] = unknown(column.kind, count) if none is None else none
            fit |= {column.name} if column.blank else set()
        else:
            found = _cast(values, column, table)
            # Numbers are copied where they are put into a frame.
            own = found is not values or column.kind == "number"
            data[column.name] = found if own else found.copy()
    return data, fit


def _words_fit(coded: Coded, column: Column) -> bool:
    """Tell whether all words of a column, which may be more than it holds, are fit for it."""
    if coded.words.null_count or column.kind not in ("text", "date"):
        return False
    if column.blank and not column.one_of and column.kind == "text":
        return True
    return len(coded.words) <= FEW and _all_fit(set(coded.listed()), column)


def _is_sound_in(frame: pd.DataFrame, table: Table) -> bool:
    """Tell whether a running process found `frame` sound, with no other columns than `table`."""
    return is_sound(frame, table.name) and frame.columns.equals(table.layout[0])


def in_place(frame: pd.DataFrame, table: Table) -> pd.DataFrame:
    """Give rows that obey `table` in its order, numbered from 0; they need no second look."""
    out = in_order(frame, list(table.key)) if table.key else frame
    index = out.index
    if not (isinstance(index, pd.RangeIndex) and index.start == 0 and index.step == 1):
        out = out.reset_index(drop=True)
    if out is not frame:
        note_sound(out, table.name)
    return out


def _framed(data: Mapping[str, Any], table: Table, count: int) -> pd.DataFrame:
    """Put columns into a frame: its number columns lie in one block, none is looked at again."""
    columns, rest, floats = table.layout
    blocks = [(data[name], place) for name, place in rest.items()]
    if len(floats):
        both = np.empty((len(floats), count))
        for at, place in enumerate(floats):
            both[at] = data[columns[place]]
        blocks.append((both, floats))
    out = create_dataframe_from_blocks(blocks, pd.RangeIndex(count), columns)
    return gpd.GeoDataFrame(out, geometry="geometry") if table.geometry else out


def in_order(frame: pd.DataFrame, keys: list[str]) -> pd.DataFrame:
    """Sort by `keys`, equal rows as they stood; a frame in order already is not touched."""
    columns = [frame[name].array for name in keys]
    if rises(columns):
        return frame
    if any(values.isna().any() for values in columns):
        return frame.sort_values(keys, kind="stable", ignore_index=True)
    return frame.take(order_by(columns)).reset_index(drop=True)


def _cast(values: Any, column: Column, table: Table) -> Any:  # noqa: ANN401 - any array
    wanted = DTYPES[column.kind]
    try:
        if column.kind in ("text", "date"):
            return texts_of(values)
        if column.kind == "number":
            return numbers_of(values)
        if str(getattr(values, "dtype", "")) == wanted:
            return values
        if isinstance(values, list) or getattr(values, "dtype", None) in _PLAIN:
            return pd.array(values, dtype=wanted)
        return pd.Series(values).astype(wanted).array  # type: ignore[call-overload]
    except (TypeError, ValueError) as error:
        message = f"{table.name}.{column.name}: wants {column.kind}, {error}"
        raise TableError(message) from error


def check(frame: Frame, table: Table) -> Frame:
    """Return `frame` untouched, or raise one error with all its faults.

    Raises
    ------
    TableError
        With one clause per fault: column, what was found, what is wanted, an example.
    """
    if is_sound(frame, table.name):
        return frame
    if not len(frame) and not table.geometry and frame.columns.equals(table.layout[0]):
        return frame
    plain = pd.DataFrame(frame) if isinstance(frame, gpd.GeoDataFrame) else frame
    data = {name: plain[name].array for name in table.names if name in plain.columns}
    return _checked(frame, data, table)


def _checked(
    frame: Frame, data: Mapping[str, Any], table: Table, *, apart: bool = False,
    fit: Container[str] = (),
) -> Frame:  # fmt: skip
    """Return `frame`, whose columns are `data`, or raise one error with all its faults.

    `apart` tells that no key stands twice, and `fit` names columns without a fault.
    """
    faults: list[str] = []
    fine = len(frame) <= FEW and _all_within(data, table)
    for column in table.columns:
        if column.name not in data:
            faults.append(f"{column.name}: column is missing")
        elif column.name not in fit and not (fine and column.kind == "number"):
            faults += _faults_of(data[column.name], column, frame.index)
    faults += [] if apart else _key_faults(frame, data, table)
    if table.geometry and not isinstance(frame, gpd.GeoDataFrame):
        faults.append(f"geometry: wants a {table.geometry} layer, has none")
    if faults:
        raise TableError(f"{table.name}: " + "; ".join(faults))
    note_sound(frame, table.name)
    return frame


def _all_within(data: Mapping[str, Any], table: Table) -> bool:
    """Tell by one look at all number columns of a few rows whether none has a fault."""
    names, (low, high), blank = table.bounds
    columns = [data.get(name) for name in names]
    if not columns or any(getattr(values, "dtype", None) != np.float64 for values in columns):
        return not columns
    numbers = np.array(columns)
    inside = (numbers >= low) & (numbers <= high)
    return bool((inside | (blank & np.isnan(numbers))).all())


def _faults_of(values: Any, column: Column, index: pd.Index) -> list[str]:  # noqa: ANN401
    wanted = DTYPES[column.kind]
    if len(values) == 0:
        return []
    if str(values.dtype) != wanted:
        return [f"{column.name}: holds {values.dtype}, wants {wanted}"]
    if column.kind in ("text", "date"):
        return _text_faults(values, column, index)
    faults = _blank_faults(values, column, index)
    unbound = column.low is None and column.high is None
    if column.kind == "flag" or (column.kind == "whole" and unbound):
        return faults
    numbers = _floats(values)
    if _inside(numbers, column):
        return faults
    bad = np.isinf(numbers)
    if column.low is not None:
        bad |= numbers < column.low
    if column.high is not None:
        bad |= numbers > column.high
    if bad.any():
        bounds = f"[{column.low}, {column.high}] {column.unit}".replace("None", "..")
        example = f"{numbers[bad][0]:g} in row {index[bad][0]}"
        faults.append(f"{column.name}: {int(bad.sum())} outside {bounds}, e.g. {example}")
    return faults


def _floats(values: Any) -> NDArray[np.float64]:  # noqa: ANN401
    """Give figures as an array of floats, without a copy where they are one."""
    if isinstance(values, np.ndarray | NumpyExtensionArray):
        return np.asarray(values, dtype=np.float64)
    found: NDArray[np.float64] = values.to_numpy(dtype=float, na_value=np.nan)
    return found


def _inside(numbers: NDArray[np.float64], column: Column) -> bool:
    """Tell by the least and the most of all that are known whether all lie within the bounds."""
    least, most = np.fmin.reduce(numbers), np.fmax.reduce(numbers)
    far = np.inf
    low = -far if column.low is None else column.low
    high = far if column.high is None else column.high
    return not (least < low or most > high or -far in {least, most} or far in {least, most})


def _blank_faults(values: Any, column: Column, index: pd.Index) -> list[str]:  # noqa: ANN401
    if column.blank:
        return []
    missing = np.asarray(pd.isna(values), dtype=bool)
    if not missing.any():
        return []
    return [f"{column.name}: {int(missing.sum())} blank, e.g. in row {index[missing][0]}"]


def _text_faults(values: Any, column: Column, index: pd.Index) -> list[str]:  # noqa: ANN401
    if is_missing_in(values):
        where = index[np.asarray(values.isna(), dtype=bool)][0]
        return [f"{column.name}: missing text (not even ''), e.g. in row {where}"]
    if column.blank and not column.one_of and column.kind == "text":
        return []
    if _fit(values, column):
        return []
    blank = np.asarray(values == "", dtype=bool)
    faults = []
    if not column.blank and blank.any():
        where = index[blank][0]
        faults.append(f"{column.name}: {int(blank.sum())} blank, e.g. in row {where}")
    bad, wanted = np.zeros(len(values), dtype=bool), ""
    if column.one_of:
        among = np.asarray(pd.Series(values).isin(column.one_of), dtype=bool)
        bad, wanted = ~blank & ~among, " | ".join(column.one_of)
    elif column.kind == "date":
        bad = ~blank & ~pd.Series(values).str.fullmatch(DATE).to_numpy(bool)
        wanted = "YYYY-MM-DD"
    if bad.any():
        example = f"'{shown(str(values[bad][0]))}' in row {index[bad][0]}"
        faults.append(f"{column.name}: {int(bad.sum())} not {wanted}, e.g. {example}")
    return faults


def _fit(values: Any, column: Column) -> bool:  # noqa: ANN401
    """Tell whether all texts are such as `column` takes; of many, each unlike one is asked once."""
    plain = None if len(values) <= FEW else arrow_of(values)
    if plain is None:
        return len(values) <= FEW and _all_fit(set(values.tolist()), column)
    if not column.one_of and column.kind == "text":
        return bool(compute.min(compute.binary_length(plain)).as_py() > 0)
    return _all_fit(set(compute.unique(plain).to_pylist()), column)


def _all_fit(texts: set[str], column: Column) -> bool:
    """Tell whether all unlike texts are such as `column` takes."""
    if "" in texts and not column.blank:
        return False
    texts.discard("")
    if column.one_of:
        return texts.issubset(column.one_of)
    return column.kind != "date" or all(map(_DATE.fullmatch, texts))


def _key_faults(frame: pd.DataFrame, data: Mapping[str, Any], table: Table) -> list[str]:
    if not table.key or not set(table.key) <= set(data):
        return []
    if rises([data[name] for name in table.key]):
        return []
    twice = frame.duplicated(list(table.key))
    if not twice.any():
        return []
    example = printable(", ".join(str(v) for v in frame.loc[twice, list(table.key)].iloc[0]))
    return [f"{' + '.join(table.key)}: repeated, e.g. {example}"]


def records_in(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Give rows as dictionaries by column; a few rows cost little."""
    names = [str(name) for name in frame.columns]
    rows = frame.to_numpy(dtype=object).tolist() if len(frame) <= FEW else rows_in(frame, names)
    return [dict(zip(names, row, strict=True)) for row in rows]


def rows_in(frame: pd.DataFrame, names: Sequence[str]) -> Iterator[tuple[Any, ...]]:
    """Give rows as tuples of the columns `names`; a few rows cost little."""
    return zip(*(frame[name].tolist() for name in names), strict=True)
