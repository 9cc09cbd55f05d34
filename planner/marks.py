"""Numbers that tell rows apart: 64 bits for each row, made of all its columns.

Texts are read where arrow holds them, one after the other; to hash each as an object of
Python, or to write a table as text first, costs ten times as much.
"""

from __future__ import annotations

import hashlib
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import shapely
from geopandas.array import GeometryArray
from pandas.arrays import NumpyExtensionArray

from planner.arrays import arrow_of
from planner.compiled import inner, kept

Hashes = npt.NDArray[np.uint64]

# Odd numbers and shifts of 64-bit mixing (MurmurHash by A. Appleby, public domain; from memory).
_TIMES, _AGAIN = np.uint64(0xC6A4A7935BD1E995), np.uint64(0xFF51AFD7ED558CCD)
_LAST = np.uint64(0xC4CEB9FE1A85EC53)
_SHIFT, _HALF, _BYTE = np.uint64(47), np.uint64(33), np.uint64(8)
_MISSING = np.uint64(0x9E3779B97F4A7C15)
_WORD = 8


def row_marks(frame: pd.DataFrame) -> Hashes:
    """Give a number for each row that differs wherever two rows do.

    Parameters
    ----------
    frame
        Any table. Names of columns and what is missing count, the index does not.

    Returns
    -------
    marks
        64 bits for each row; zero where there is no column. Not for what somebody might
        forge: two rows alike in it can be made on purpose.
    """
    marks = np.zeros(len(frame), dtype=np.uint64)
    plain = pd.DataFrame(frame) if isinstance(frame, gpd.GeoDataFrame) else frame
    for name in plain.columns if len(frame) else ():
        values: Any = plain[name].array
        seed = np.uint64(_seed_of(f"{name}\x1f{values.dtype}"))
        flat = _flat_of(values)
        if flat is None:
            _take_numbers(*_numbers_of(values), seed, marks)
        else:
            _take_texts(*flat, seed, marks)
    return marks


def rows_digest(*frames: pd.DataFrame) -> str:
    """Give one digest of the rows of tables, in their order."""
    digest = hashlib.sha256()
    for frame in frames:
        digest.update(f"{len(frame)}\x1f".encode())
        digest.update(row_marks(frame).tobytes())
    return digest.hexdigest()


def _seed_of(text: str) -> int:
    return int.from_bytes(hashlib.sha256(text.encode()).digest()[:_WORD], "little")


def _flat_of(values: Any) -> tuple[Any, Any, Any] | None:  # noqa: ANN401 - any array
    """Give texts or shapes as bytes, where each begins, and which are there; None for others."""
    held: Any = arrow_of(values)
    if isinstance(values, GeometryArray):
        shapes = shapely.to_wkb(np.asarray(values, dtype=object))
        held = pa.array(shapes, type=pa.large_binary())
    if held is None:
        return None
    if isinstance(held, pa.ChunkedArray):
        held = held.chunk(0) if held.num_chunks == 1 else held.combine_chunks()
    if not pa.types.is_large_binary(held.type):
        held = held.cast(pa.large_string())
    known = np.zeros(0, dtype=bool)
    if held.null_count:
        known = held.is_valid().to_numpy(zero_copy_only=False)
    _, starts, data = held.buffers()
    at = np.frombuffer(starts, dtype=np.int64)[held.offset : held.offset + len(held) + 1]
    none = np.zeros(0, dtype=np.uint8)
    return none if data is None else np.frombuffer(data, dtype=np.uint8), at, known


def _numbers_of(values: Any) -> tuple[Hashes, npt.NDArray[np.bool_]]:  # noqa: ANN401 - any array
    """Give figures as 64 bits each, and which are there."""
    if isinstance(values, pd.arrays.IntegerArray | pd.arrays.BooleanArray):
        known = ~np.asarray(values.isna(), dtype=bool)
        return values.to_numpy(dtype=np.int64, na_value=0).view(np.uint64), known
    plain = np.asarray(values) if isinstance(values, NumpyExtensionArray) else values
    kind = getattr(plain, "dtype", np.dtype(object))
    if isinstance(plain, np.ndarray) and kind.kind == "f":
        figures = np.array(plain, dtype=np.float64)
        # What is no number has many forms.
        figures[np.isnan(figures)] = np.nan
        return figures.view(np.uint64), np.zeros(0, dtype=bool)
    if isinstance(plain, np.ndarray) and kind.kind in "iub":
        return plain.astype(np.int64).view(np.uint64), np.zeros(0, dtype=bool)
    found = pd.util.hash_pandas_object(pd.Series(values), index=False)
    return np.asarray(found, dtype=np.uint64), np.zeros(0, dtype=bool)


@inner
def _mixed(mark: np.uint64, value: np.uint64) -> np.uint64:
    """Mix a value into a mark; in another order another mark comes of it."""
    value ^= value >> _HALF
    value *= _AGAIN
    value ^= value >> _HALF
    value *= _LAST
    value ^= value >> _HALF
    return (mark ^ value) * _TIMES + _MISSING


@kept
def _take_numbers(
    values: Hashes, known: npt.NDArray[np.bool_], seed: np.uint64, marks: Hashes
) -> None:
    """Mix a column of figures into the marks of their rows."""
    for n in range(len(marks)):
        there = len(known) == 0 or known[n]
        marks[n] = _mixed(marks[n], (values[n] * _TIMES) ^ seed if there else seed ^ _MISSING)


@kept
def _take_texts(
    data: npt.NDArray[np.uint8],
    starts: npt.NDArray[np.int64],
    known: npt.NDArray[np.bool_],
    seed: np.uint64,
    marks: Hashes,
) -> None:
    """Mix a column of texts into the marks of their rows, eight bytes at a time."""
    for n in range(len(marks)):
        if len(known) and not known[n]:
            marks[n] = _mixed(marks[n], seed ^ _MISSING)
            continue
        at, end = starts[n], starts[n + 1]
        value = seed ^ (np.uint64(end - at) * _TIMES)
        while at < end:
            word = np.uint64(0)
            for step in range(min(_WORD, end - at)):
                word |= np.uint64(data[at + step]) << (np.uint64(step) * _BYTE)
            word *= _TIMES
            word ^= word >> _SHIFT
            value = (value ^ (word * _TIMES)) * _TIMES
            at += _WORD
        marks[n] = _mixed(marks[n], value)


def warm_up() -> None:
    """Compile what marks rows, or load it."""
    row_marks(pd.DataFrame({"text": pd.array(["a"], dtype="str"), "figure": [1.0]}))
