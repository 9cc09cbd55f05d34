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
    data: dict[str, pd.Series] = {}
    for column in table.columns:
        if column.name in frame.columns:
            data[column.name] = _cast(frame[column.name], column, table)
        else:
            fill: Any = "" if column.kind in ("text", "date") else None
            data[column.name] = pd.Series([fill] * len(frame), frame.index, DTYPES[column.kind])
    out: pd.DataFrame = pd.DataFrame(data, columns=table.names)
    if table.geometry:
        shapes = frame["geometry"] if "geometry" in frame.columns else [None] * len(frame)
        crs = crs if crs is not None else getattr(frame, "crs", None)
        out = gpd.GeoDataFrame(out, geometry=gpd.GeoSeries(list(shapes), out.index), crs=crs)  # type: ignore[arg-type]
    if table.key:
        out = out.sort_values(list(table.key), kind="stable")
    return check(out.reset_index(drop=True), table)


def _cast(values: pd.Series, column: Column, table: Table) -> pd.Series:
    try:
        if column.kind in ("text", "date"):
            return values.astype(object).where(values.notna(), "").astype(str).astype("str")
        if column.kind == "number":
            return values.astype(object).where(values.notna(), np.nan).astype("float64")
        return values.astype(DTYPES[column.kind])  # type: ignore[call-overload, no-any-return]
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
    if len(values) and str(values.dtype) != wanted:
        return [f"{column.name}: holds {values.dtype}, wants {wanted}"]
    if column.kind in ("text", "date"):
        return _text_faults(values, column)
    faults = []
    missing = values.isna()
    if not column.blank and missing.any():
        faults.append(f"{column.name}: {int(missing.sum())} blank, e.g. in row {_first(missing)}")
    if column.kind == "flag":
        return faults
    numbers = values[~missing].astype("float64")
    bad = ~np.isfinite(numbers)
    bad |= numbers < (-np.inf if column.low is None else column.low)
    bad |= numbers > (np.inf if column.high is None else column.high)
    if bad.any():
        bounds = f"[{column.low}, {column.high}] {column.unit}".replace("None", "..")
        example = f"{numbers[bad].iloc[0]:g} in row {_first(bad)}"  # type: ignore[arg-type]
        faults.append(f"{column.name}: {int(bad.sum())} outside {bounds}, e.g. {example}")
    return faults


def _text_faults(values: pd.Series, column: Column) -> list[str]:
    missing = values.isna()
    if missing.any():
        return [f"{column.name}: missing text (not even ''), e.g. in row {_first(missing)}"]
    blank = values == ""
    faults = []
    if not column.blank and blank.any():
        faults.append(f"{column.name}: {int(blank.sum())} blank, e.g. in row {_first(blank)}")
    bad = pd.Series(data=False, index=values.index)
    wanted = ""
    if column.one_of:
        bad, wanted = ~blank & ~values.isin(column.one_of), " | ".join(column.one_of)
    elif column.kind == "date":
        bad, wanted = ~blank & ~values.str.fullmatch(DATE).astype(bool), "YYYY-MM-DD"
    if bad.any():
        example = f"'{values[bad].iloc[0]}' in row {_first(bad)}"
        faults.append(f"{column.name}: {int(bad.sum())} not {wanted}, e.g. {example}")
    return faults


def _key_faults(frame: pd.DataFrame, table: Table) -> list[str]:
    if not table.key or not set(table.key) <= set(frame.columns):
        return []
    twice = frame.duplicated(list(table.key))
    if not twice.any():
        return []
    example = ", ".join(str(v) for v in frame.loc[twice, list(table.key)].iloc[0])
    return [f"{' + '.join(table.key)}: repeated, e.g. {example}"]


def _first(mask: pd.Series) -> object:
    return mask.index[mask.to_numpy(dtype=bool)][0]


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
