"""Columns of text worked by their distinct texts: a city's rows repeat a few thousand.

To ask each row in Python costs a thousand times what asking each distinct text once does.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence, Sized
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
from pyarrow import compute

from planner.order import FEW

Codes = npt.NDArray[np.intp]
Texts = pd.Series | pd.Index | npt.NDArray[Any] | Iterable[str]


def parted(texts: pd.Series) -> tuple[Codes, list[str]]:
    """Give the number of each row's text, and the distinct texts as they first appear."""
    codes, uniques = pd.factorize(texts)
    return codes, [str(text) for text in uniques.to_numpy(dtype=object)]


def unlike_in(texts: pd.Series) -> list[str]:
    """Give the distinct texts of a column as they first appear."""
    found: list[str] = compute.unique(_arrow(texts)).to_pylist()
    return found


def values_at(values: Sequence[Any], codes: Codes, dtype: str) -> pd.Series:
    """Give each row the value of its number, as a column of `dtype`."""
    table = pd.array(list(values), dtype=dtype)  # type: ignore[call-overload]
    return pd.Series(table.take(codes) if len(codes) else table[:0])


def mapped(texts: pd.Series, turn: Callable[[str], Any], dtype: str = "str") -> pd.Series:
    """Turn each distinct text of a column once; the index stays."""
    codes, uniques = parted(texts)
    return values_at([turn(text) for text in uniques], codes, dtype).set_axis(texts.index)


def places_in(texts: Texts, known: Texts) -> Codes:
    """Give the place of each text in `known`, the first where it stands twice; -1 = nowhere."""
    if _are_few(texts) and _are_few(known):
        places: dict[str, int] = {}
        for at, text in enumerate(_listed(known)):
            if isinstance(text, str):  # what is missing is nowhere
                places.setdefault(text, at)
        return np.array([places.get(text, -1) for text in _listed(texts)], dtype=np.intp)
    found = compute.index_in(_arrow(texts), value_set=_arrow(known), skip_nulls=True)
    return np.asarray(found.fill_null(-1), dtype=np.intp)


def places_of(columns: Sequence[Texts], known: Texts) -> list[Codes]:
    """Give for each of some columns what `places_in` does; `known` is gone through once."""
    if all(_are_few(texts) for texts in columns):
        return [places_in(texts, known) for texts in columns]
    plain = [_arrow(texts) for texts in columns]
    chunks = [part for one in plain for part in (one.chunks if _is_chunked(one) else [one])]
    both = places_in(pa.chunked_array(chunks, pa.large_string()), known)
    return np.split(both, np.cumsum([len(one) for one in plain])[:-1])


def _is_chunked(texts: Any) -> bool:  # noqa: ANN401 - an arrow array
    return isinstance(texts, pa.ChunkedArray)


def _are_few(texts: Texts) -> bool:
    return isinstance(texts, Sized) and len(texts) <= FEW


def _listed(texts: Texts) -> list[Any]:
    return list(texts.tolist() if hasattr(texts, "tolist") else texts)


def is_among(texts: Texts, words: Texts) -> npt.NDArray[np.bool_]:
    """Tell which rows hold one of `words`."""
    return places_in(texts, words) >= 0


def matches(texts: Texts, known: Texts) -> tuple[Codes, Codes]:
    """Pair each row of `texts` with each of `known` that holds the same, in the order of both."""
    unlike = pd.unique(np.asarray(known, dtype=object))
    return pairs_of(places_in(texts, unlike), places_in(known, unlike), len(unlike))


def pairs_of(
    one: npt.NDArray[np.integer[Any]], other: npt.NDArray[np.integer[Any]], count: int
) -> tuple[Codes, Codes]:
    """Pair each row of `one` with each of `other` that has the same number, in the order of both.

    Numbers run from 0 to below `count`; in `one` -1 is like none.
    """
    order = np.argsort(other, kind="stable")
    counts = np.append(np.bincount(other, minlength=count), 0)
    starts = np.cumsum(counts) - counts
    times = counts[one]
    rows = np.repeat(np.arange(len(one)), times)
    within = np.arange(len(rows)) - np.repeat(np.cumsum(times) - times, times)
    return rows, order[np.repeat(starts[one], times) + within]


def numbers_at(values: pd.Series | npt.NDArray[np.float64], at: Codes) -> npt.NDArray[np.float64]:
    """Take numbers by place; unknown where the place is -1."""
    plain = values if isinstance(values, np.ndarray) else values.to_numpy(dtype=float)
    return np.append(plain, np.nan)[at]


def texts_at(values: pd.Series, at: Codes) -> pd.Series:
    """Take texts by place; blank where the place is -1."""
    found = pd.Series(values.array.take(at, allow_fill=True, fill_value=""))
    return found if found.dtype == "str" else found.astype("str")


def _arrow(texts: Texts) -> pa.Array:
    if isinstance(texts, pd.Series | pd.Index):
        texts = texts.array
    if isinstance(texts, pa.ChunkedArray):
        return texts
    return pa.array(texts, type=pa.large_string(), from_pandas=True)


def groups_of(columns: Sequence[pd.Series | npt.NDArray[Any]]) -> tuple[Codes, int]:
    """Give each row a number by what they hold in all `columns`, in order of first appearance."""
    numbers = None
    for column in columns:
        codes, uniques = pd.factorize(column)
        blank = bool((codes < 0).any())
        if numbers is None and not blank:
            numbers = codes if len(uniques) > 1 else None
        elif len(uniques) > 1 or blank:
            before = 0 if numbers is None else numbers * (len(uniques) + 1)
            numbers, _ = pd.factorize(before + codes + 1)
    if numbers is None:
        numbers = np.zeros(len(columns[0]) if columns else 0, dtype=np.int64)
    return numbers, int(numbers.max(initial=-1)) + 1


def first_rows(groups: Codes, count: int, wanted: npt.NDArray[np.bool_] | None = None) -> Codes:
    """Give the first row of each group, among those `wanted`; -1 where there is none."""
    rows = np.arange(len(groups)) if wanted is None else np.flatnonzero(wanted)
    first = np.full(count, -1, dtype=np.intp)
    first[groups[rows[::-1]]] = rows[::-1]
    return first


def any_of(groups: Codes, count: int, wanted: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """Tell which groups have a row that is `wanted`."""
    out = np.zeros(count, dtype=bool)
    out[groups[wanted]] = True
    return out
