"""Table contracts as data: what columns a table has, in which unit, within which bounds.

`check` stands on the first and last line of every step. It repairs nothing: it
returns the very frame it was given or raises one error that lists all faults.
Text is never missing: an unknown text is ``""``. An unknown number is NaN, an
unknown whole number or flag is ``pandas.NA``. A date is text, ``YYYY-MM-DD``.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal, TypeVar

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from planner.errors import TableError

Kind = Literal["text", "number", "whole", "flag", "date"]
DTYPES: dict[Kind, str] = {
    "text": "str",
    "date": "str",
    "number": "float64",
    "whole": "Int64",
    "flag": "boolean",
}
DATE = r"\d{4}-\d{2}-\d{2}"
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
    rows: pd.DataFrame | Iterable[Mapping[str, Any]], table: Table, crs: object = None
) -> pd.DataFrame:
    """Build the frame of `table`: its columns in order, right types, sorted by key, checked.

    Columns that are missing from `rows` are filled as unknown; columns that the
    contract does not name are dropped.

    Raises
    ------
    TableError
        If a value has the wrong type or the result breaks the contract.
    """
    frame = rows if isinstance(rows, pd.DataFrame) else pd.DataFrame(list(rows))
    data: dict[str, Any] = {}
    for column in table.columns:
        if column.name in frame.columns:
            data[column.name] = _cast(frame[column.name], column, table)
        else:
            fill: Any = "" if column.kind in ("text", "date") else None
            data[column.name] = pd.array([fill] * len(frame), dtype=DTYPES[column.kind])  # type: ignore[call-overload]
    out: pd.DataFrame = pd.DataFrame(data, columns=table.names, index=range(len(frame)))
    if table.geometry:
        shapes = frame["geometry"] if "geometry" in frame.columns else [None] * len(frame)
        crs = crs if crs is not None else getattr(frame, "crs", None)
        out = gpd.GeoDataFrame(out, geometry=gpd.GeoSeries(list(shapes), out.index), crs=crs)  # type: ignore[arg-type]
    if table.key:
        out = in_order(out, list(table.key))
    return check(out, table)


def in_order(frame: pd.DataFrame, keys: list[str]) -> pd.DataFrame:
    """Sort by `keys`, equal rows as they stood; a frame in order already is not touched."""
    if _rises(frame, keys):
        return frame
    if frame[keys].isna().any(axis=None):
        return frame.sort_values(keys, kind="stable", ignore_index=True)
    order = np.arange(len(frame))
    block = np.zeros(len(frame), dtype=np.int64)
    for name in keys:
        # Rows that an earlier key has told apart need no look at the later ones.
        here = np.flatnonzero(np.bincount(block)[block] > 1)
        rank = _rank(frame[name].iloc[order[here]])
        within = np.lexsort((rank, block[here]))
        order[here], rank = order[here][within], rank[within]
        own = block[here]
        new = np.ones(len(frame), dtype=bool)
        new[1:] = block[1:] != block[:-1]
        new[here[1:]] |= (rank[1:] != rank[:-1]) | (own[1:] != own[:-1])
        block = np.cumsum(new) - 1
        if block[-1] == len(frame) - 1:
            break
    return frame.take(order).reset_index(drop=True)


def _rank(values: pd.Series) -> NDArray[Any]:
    """Give numbers that sort as the values do."""
    if values.dtype == "str":
        return np.asarray(pd.factorize(values, sort=True)[0])
    return values.to_numpy()


def _rises(frame: pd.DataFrame, keys: Sequence[str]) -> bool:
    """Tell whether each row lies after the one before it: then no key stands twice."""
    later = np.zeros(max(len(frame) - 1, 0), dtype=bool)
    same = ~later
    for name in keys:
        values = frame[name].array
        if values.isna().any():
            return False
        before, after = values[:-1], values[1:]
        later |= same & np.asarray(before < after, dtype=bool)
        same &= np.asarray(before == after, dtype=bool)
        if later.all():
            return True
    return bool(later.all())


def _cast(values: pd.Series, column: Column, table: Table) -> Any:  # noqa: ANN401 - any array
    wanted = DTYPES[column.kind]
    same = str(values.dtype) == wanted
    try:
        if same and (column.kind not in ("text", "date") or not values.array.isna().any()):
            return values.array
        if column.kind in ("text", "date"):
            plain = values.array if values.dtype in ("object", "str") else values.astype(object)
            texts: Any = pd.array(plain, dtype="str")  # type: ignore[arg-type]
            return texts.fillna("") if texts.isna().any() else texts
        if column.kind == "number":
            return values.astype(object).where(values.notna(), np.nan).to_numpy(dtype=float)
        return values.astype(wanted).array  # type: ignore[call-overload]
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
    faults: list[str] = []
    for column in table.columns:
        if column.name not in frame.columns:
            faults.append(f"{column.name}: column is missing")
            continue
        faults += _faults_of(frame[column.name], column)
    faults += _key_faults(frame, table)
    if table.geometry and not isinstance(frame, gpd.GeoDataFrame):
        faults.append(f"geometry: wants a {table.geometry} layer, has none")
    if faults:
        raise TableError(f"{table.name}: " + "; ".join(faults))
    return frame


def _faults_of(values: pd.Series, column: Column) -> list[str]:
    wanted = DTYPES[column.kind]
    if len(values) == 0:
        return []
    if str(values.dtype) != wanted:
        return [f"{column.name}: holds {values.dtype}, wants {wanted}"]
    if column.kind in ("text", "date"):
        return _text_faults(values, column)
    faults = []
    missing = np.asarray(values.array.isna(), dtype=bool)
    if not column.blank and missing.any():
        where = _first(values, missing)
        faults.append(f"{column.name}: {int(missing.sum())} blank, e.g. in row {where}")
    if column.kind == "flag":
        return faults
    numbers = values.to_numpy(dtype=float, na_value=np.nan)
    bad = np.isinf(numbers)
    if column.low is not None:
        bad |= numbers < column.low
    if column.high is not None:
        bad |= numbers > column.high
    if bad.any():
        bounds = f"[{column.low}, {column.high}] {column.unit}".replace("None", "..")
        example = f"{numbers[bad][0]:g} in row {_first(values, bad)}"
        faults.append(f"{column.name}: {int(bad.sum())} outside {bounds}, e.g. {example}")
    return faults


def _text_faults(values: pd.Series, column: Column) -> list[str]:
    missing = np.asarray(values.array.isna(), dtype=bool)
    if missing.any():
        where = _first(values, missing)
        return [f"{column.name}: missing text (not even ''), e.g. in row {where}"]
    if column.blank and not column.one_of and column.kind == "text":
        return []
    blank = np.asarray(values.array == "", dtype=bool)
    faults = []
    if not column.blank and blank.any():
        where = _first(values, blank)
        faults.append(f"{column.name}: {int(blank.sum())} blank, e.g. in row {where}")
    bad, wanted = np.zeros(len(values), dtype=bool), ""
    if column.one_of:
        bad, wanted = ~blank & ~values.isin(column.one_of).to_numpy(bool), " | ".join(column.one_of)
    elif column.kind == "date":
        bad, wanted = ~blank & ~values.str.fullmatch(DATE).to_numpy(bool), "YYYY-MM-DD"
    if bad.any():
        example = f"'{values[bad].iloc[0]}' in row {_first(values, bad)}"
        faults.append(f"{column.name}: {int(bad.sum())} not {wanted}, e.g. {example}")
    return faults


def _key_faults(frame: pd.DataFrame, table: Table) -> list[str]:
    if not table.key or not set(table.key) <= set(frame.columns):
        return []
    if _rises(frame, table.key):
        return []
    twice = frame.duplicated(list(table.key))
    if not twice.any():
        return []
    example = ", ".join(str(v) for v in frame.loc[twice, list(table.key)].iloc[0])
    return [f"{' + '.join(table.key)}: repeated, e.g. {example}"]


def _first(values: pd.Series, mask: NDArray[np.bool_]) -> object:
    return values.index[mask][0]


def describe(table: Table) -> pd.DataFrame:
    """Print-ready data dictionary of `table`: column, kind, unit, may be blank, bounds, meaning."""
    rows = []
    for column in table.columns:
        bounds = " | ".join(column.one_of)
        if column.low is not None or column.high is not None:
            bounds = f"{column.low} .. {column.high}".replace("None", "")
        rows.append(
            {
                "column": column.name,
                "kind": column.kind,
                "unit": column.unit,
                "blank": "yes" if column.blank else "no",
                "bounds": bounds,
                "meaning": column.meaning,
            }
        )
    return pd.DataFrame(rows)
