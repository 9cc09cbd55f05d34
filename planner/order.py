"""Rows in order of several columns, and whether they are: few by list, many by array."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
from pyarrow import compute

Order = npt.NDArray[np.intp]

# Up to so many rows a list is sorted and compared sooner than a column.
FEW = 200


def order_by(columns: Sequence[Any]) -> Order:
    """Give the order of rows by `columns`, arrays of texts or numbers, all known; stable."""
    count = len(columns[0])
    if count <= FEW:
        rows = _tuples(columns)
        return np.array(sorted(range(count), key=rows.__getitem__), dtype=np.intp)
    order = np.arange(count)
    block = np.zeros(count, dtype=np.int64)
    for values in columns:
        # Rows that an earlier column has told apart need no look at the later ones.
        here = np.flatnonzero(np.bincount(block)[block] > 1)
        rank = _rank(values[order[here]])
        within = np.lexsort((rank, block[here]))
        order[here], rank = order[here][within], rank[within]
        own = block[here]
        new = np.ones(count, dtype=bool)
        new[1:] = block[1:] != block[:-1]
        new[here[1:]] |= (rank[1:] != rank[:-1]) | (own[1:] != own[:-1])
        block = np.cumsum(new) - 1
        if block[-1] == count - 1:
            break
    return order


def rises(columns: Sequence[Any]) -> bool:
    """Tell whether each row lies after the one before it: then none stands twice."""
    count = len(columns[0])
    if any(pd.isna(values).any() for values in columns):
        return False
    if count <= FEW:
        return all(one < other for one, other in pairwise(_tuples(columns)))
    later = np.zeros(count - 1, dtype=bool)
    same = ~later
    for values in columns:
        before, after = values[:-1], values[1:]
        later |= same & np.asarray(before < after, dtype=bool)
        same &= np.asarray(before == after, dtype=bool)
        if later.all():
            return True
    return bool(later.all())


def _tuples(columns: Sequence[Any]) -> list[tuple[Any, ...]]:
    return list(zip(*(values.tolist() for values in columns), strict=True))


def ranks_of(texts: Any) -> npt.NDArray[np.intp]:  # noqa: ANN401 - any array
    """Give texts, none missing, numbers that sort as they do; equal ones have the same."""
    plain = pa.array(texts, type=pa.large_string())
    parts = plain.chunks if isinstance(plain, pa.ChunkedArray) else [plain]
    coded = pa.chunked_array(parts, type=plain.type).combine_chunks().dictionary_encode()
    # Arrow sorts by bytes: of UTF-8 they sort as the letters do.
    unlike = compute.sort_indices(coded.dictionary).to_numpy()
    rank = np.empty(len(unlike), dtype=np.intp)
    rank[unlike] = np.arange(len(unlike))
    return rank[coded.indices.to_numpy()]


def _rank(values: Any) -> npt.NDArray[Any]:  # noqa: ANN401 - any array
    """Give numbers that sort as the values do."""
    kind = str(values.dtype)
    return ranks_of(values) if kind in ("str", "object") else np.asarray(values)
