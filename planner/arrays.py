"""Columns of one kind made of any values: lists, arrays, columns of another type."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyarrow as pa
from geopandas.array import GeometryArray
from numpy.typing import NDArray
from pandas.arrays import NumpyExtensionArray
from pyarrow import compute

from planner.compiled import kept, plain

_STR = pd.StringDtype("pyarrow", na_value=np.nan)


def column_of(plain: pa.Array | pa.ChunkedArray) -> pd.arrays.ArrowStringArray:
    """Give a text column of texts as arrow holds them, without a copy."""
    return pd.arrays.ArrowStringArray(plain, dtype=_STR)  # type: ignore[call-arg]


def arrow_of(texts: Any) -> pa.ChunkedArray | None:  # noqa: ANN401 - any array
    """Give a text column as arrow holds it, without a copy; None where it is held otherwise."""
    if not isinstance(texts, pd.arrays.ArrowStringArray):
        return None
    found: pa.ChunkedArray = texts.__arrow_array__()
    return found


def is_missing_in(texts: Any) -> bool:  # noqa: ANN401 - any array
    """Tell whether a text column lacks a text somewhere."""
    plain = arrow_of(texts)
    return bool(texts.isna().any()) if plain is None else plain.null_count > 0


def worded(words: Sequence[str], codes: NDArray[Any]) -> pd.arrays.ArrowStringArray:
    """Give each row the word of its number, as a text column; each word is looked at once."""
    at = pa.array(codes.astype(np.int64, copy=False))
    return column_of(pa.array(words, type=pa.large_string()).take(at))


def alike_at(
    one: Any,  # noqa: ANN401
    at: NDArray[np.intp],
    other: Any,  # noqa: ANN401
    at_other: NDArray[np.intp],
) -> NDArray[np.bool_]:
    """Tell where a text of one column is that of another, none missing, each by its place."""
    out = np.empty(len(at), dtype=np.bool_)
    compare_texts(*letters_of(one), plain(at, np.int64),
                  *letters_of(other), plain(at_other, np.int64), out)  # fmt: skip
    return out


def letters_of(texts: Any) -> tuple[NDArray[np.int64], NDArray[np.uint8]]:  # noqa: ANN401
    """Give where each text of a column begins, and the last ends, and the bytes of all."""
    held = pa.array(texts, type=pa.large_string())
    held = held.combine_chunks() if isinstance(held, pa.ChunkedArray) else held
    _, starts, data = held.buffers()
    at = np.frombuffer(starts, dtype=np.int64)[held.offset : held.offset + len(held) + 1]
    letters = np.frombuffer(b"" if data is None else data, dtype=np.uint8)
    return plain(at, np.int64), plain(letters, np.uint8)


@kept
def compare_texts(  # noqa: PLR0913, PLR0917  two columns, places in them, and where it is written
    starts: NDArray[np.int64],
    letters: NDArray[np.uint8],
    at: NDArray[np.int64],
    starts_other: NDArray[np.int64],
    others: NDArray[np.uint8],
    at_other: NDArray[np.int64],
    out: NDArray[np.bool_],
) -> None:
    """Compare texts byte by byte."""
    for n in range(len(at)):
        own, other = starts[at[n]], starts_other[at_other[n]]
        size = starts[at[n] + 1] - own
        alike = starts_other[at_other[n] + 1] - other == size
        k = 0
        while alike and k < size:
            alike = letters[own + k] == others[other + k]
            k += 1
        out[n] = alike


def figures_of(column: pa.ChunkedArray) -> NDArray[np.float64]:
    """Give a column of floats as arrow holds it; what is missing becomes NaN."""
    if column.num_chunks != 1 or column.null_count in {0, len(column)}:
        found: NDArray[np.float64] = column.to_numpy()
        return found
    held = column.chunk(0)
    bits, data = (np.frombuffer(one, dtype=kind) for one, kind in zip(
        held.buffers(), (np.uint8, np.float64), strict=True))  # fmt: skip
    out = np.empty(len(held))
    fill_figures(plain(bits, np.uint8), plain(data, np.float64), held.offset, out)
    return out


@kept
def fill_figures(
    bits: NDArray[np.uint8], figures: NDArray[np.float64], first: int, out: NDArray[np.float64]
) -> None:
    """Take figures from the place `first` on, NaN where the bit of one says that it is missing."""
    for n in range(len(out)):
        at = first + n
        figure, there = figures[at], (bits[at >> 3] >> (at & 7)) & 1
        out[n] = figure if there else np.nan


def blanks_in(texts: Any) -> NDArray[np.bool_]:  # noqa: ANN401 - a text column
    """Tell which texts of a column, none missing, are blank."""
    lengths = compute.binary_length(pa.array(texts, pa.large_string()))
    return np.asarray(compute.equal(lengths, 0), dtype=bool)


def texts_of(values: Any) -> pd.api.extensions.ExtensionArray:  # noqa: ANN401 - any array
    """Give a text column of any values; what is missing becomes ``""``."""
    if str(getattr(values, "dtype", "")) == "str":
        return values.fillna("") if is_missing_in(values) else values  # type: ignore[no-any-return]
    try:
        plain = pa.array(values, type=pa.large_string(), from_pandas=True)
        texts: Any = column_of(plain)
    except (pa.ArrowInvalid, pa.ArrowTypeError, TypeError):
        kind = getattr(values, "dtype", None)
        plain = values if kind == "object" else pd.Series(values).astype(object).array
        texts = pd.array(plain, dtype="str")
    return texts.fillna("") if is_missing_in(texts) else texts  # type: ignore[no-any-return]


def numbers_of(values: Any) -> NDArray[np.float64]:  # noqa: ANN401 - any array
    """Give a column of floats; what is missing becomes NaN."""
    if isinstance(values, np.ndarray | NumpyExtensionArray):
        values = np.asarray(values)
        if values.dtype == np.float64:
            return values  # type: ignore[no-any-return]
    if isinstance(values, list) or str(getattr(values, "dtype", "")) == "object":
        try:
            return np.array(values, dtype=np.float64)
        except TypeError:  # pandas.NA is no float
            pass
    column = pd.Series(values)
    return column.astype(object).where(column.notna(), np.nan).to_numpy(dtype=float)


def unknown(kind: str, count: int) -> Any:  # noqa: ANN401 - any array
    """Give a column of which nothing is known."""
    if kind in ("text", "date"):
        return column_of(pa.repeat(pa.scalar("", pa.large_string()), count))
    if kind == "number":
        return np.full(count, np.nan)
    if kind == "whole":
        return pd.arrays.IntegerArray(np.ones(count, dtype=np.int64), np.ones(count, dtype=bool))
    return pd.arrays.BooleanArray(np.zeros(count, dtype=bool), np.ones(count, dtype=bool))


def shapes_of(given: Any, count: int, crs: object) -> Any:  # noqa: ANN401 - any array
    """Give a column of shapes in `crs`; None where there are none."""
    if isinstance(given, GeometryArray) and (crs is None or crs == given.crs):
        return given.copy()
    shapes = [None] * count if given is None else list(given)
    return gpd.GeoSeries(shapes, crs=crs).array  # type: ignore[arg-type]


def columns_in(
    rows: pd.DataFrame | Mapping[str, Any] | Iterable[Mapping[str, Any]], names: Sequence[str]
) -> tuple[dict[str, Any], int]:
    """Give the columns of `rows` that are named, each as an array or a list; and the count."""
    if isinstance(rows, pd.DataFrame):
        plain = pd.DataFrame(rows) if isinstance(rows, gpd.GeoDataFrame) else rows
        return {name: plain[name].array for name in names if name in plain.columns}, len(plain)
    if isinstance(rows, Mapping):
        found = {name: rows[name] for name in names if name in rows}
        found = {key: v.array if isinstance(v, pd.Series) else v for key, v in found.items()}
        count = max((len(v) for v in found.values() if _is_column(v)), default=0)
        return {
            name: values if _is_column(values) else [values] * count
            for name, values in found.items()
        }, count
    listed = list(rows)
    there = set().union(*listed)
    return {name: [row.get(name) for row in listed] for name in names if name in there}, len(listed)


def _is_column(values: object) -> bool:
    return not isinstance(values, str) and hasattr(values, "__len__")
