"""Columns of one kind made of any values: lists, arrays, columns of another type."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyarrow as pa
from geopandas.array import GeometryArray
from numpy.typing import NDArray
from pandas.arrays import NumpyExtensionArray

_STR = pd.StringDtype("pyarrow", na_value=np.nan)


def texts_of(values: Any) -> pd.api.extensions.ExtensionArray:  # noqa: ANN401 - any array
    """Give a text column of any values; what is missing becomes ``""``."""
    if str(getattr(values, "dtype", "")) == "str":
        return values.fillna("") if values.isna().any() else values  # type: ignore[no-any-return]
    try:
        plain = pa.array(values, type=pa.large_string(), from_pandas=True)
        texts: Any = pd.arrays.ArrowStringArray(plain, dtype=_STR)  # type: ignore[call-arg]
    except (pa.ArrowInvalid, pa.ArrowTypeError, TypeError):
        kind = getattr(values, "dtype", None)
        plain = values if kind == "object" else pd.Series(values).astype(object).array
        texts = pd.array(plain, dtype="str")
    return texts.fillna("") if texts.isna().any() else texts  # type: ignore[no-any-return]


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
        return texts_of([""] * count)
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
