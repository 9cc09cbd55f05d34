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

from planner.compiled import kept

Order = npt.NDArray[np.intp]

# Up to so many rows a list is sorted and compared sooner than a column.
FEW = 200


def order_by(columns: Sequence[Any]) -> Order:
    """Give the order of rows by `columns`, arrays of texts or numbers, all known; stable."""
    count = len(columns[0])
    if count <= FEW:
        rows = _tuples(columns)
        return np.array(sorted(range(count), key=rows.__getitem__), dtype=np.intp)
    order, block = np.arange(count), np.zeros(count, dtype=np.int64)
    here = order  # rows that the columns before have not told apart
    for values in columns:
        rank = _rank(values if here is order else values[order[here]])
        own = block[here]
        same = own[1:] == own[:-1]
        falls = np.flatnonzero(same & (rank[1:] < rank[:-1]))
        if len(falls):
            within = _sorted_groups(own, rank, falls)
            order = order.copy()
            order[here], rank = order[here[within]], rank[within]
        new = np.ones(count, dtype=bool)
        new[1:] = block[1:] != block[:-1]
        new[here[1:]] |= ~same | (rank[1:] != rank[:-1])
        alone = np.append(new[1:], True) & new
        if alone.all():
            break
        here = np.flatnonzero(~alone)
        block = np.cumsum(new) - 1
    return order


def _sorted_groups(own: Order, rank: npt.NDArray[Any], falls: Order) -> Order:
    """Give the order of rows by rank within groups that lie together; `falls` are out of order."""
    starts = np.flatnonzero(np.append(True, own[1:] != own[:-1]))
    sizes = np.diff(np.append(starts, len(own)))
    loose = np.zeros(len(starts), dtype=bool)
    loose[np.searchsorted(starts, falls, side="right") - 1] = True
    within = np.arange(len(own))
    small = loose & (sizes <= _SMALL)
    sort_small(starts[small], sizes[small], _plain(rank), within)
    for start, size in zip(starts[loose & ~small], sizes[loose & ~small], strict=True):
        within[start : start + size] = start + np.argsort(rank[start : start + size], kind="stable")
    return within


def order_within(group: npt.NDArray[np.integer[Any]], values: npt.NDArray[np.float64]) -> Order:
    """Give the order of rows by the number of their group, then by value, none NaN; stable."""
    count = len(group)
    if (group[1:] >= group[:-1]).all():
        order = np.arange(count)
    else:
        order = np.argsort(group, kind="stable")
        group = group[order]
    starts = np.flatnonzero(np.append(True, group[1:] != group[:-1])) if count else order
    sizes = np.diff(np.append(starts, count))
    small = sizes <= _SMALL
    if not small.all():
        for start, size in zip(starts[~small].tolist(), sizes[~small].tolist(), strict=True):
            own = order[start : start + size]
            order[start : start + size] = own[np.argsort(values[own], kind="stable")]
        starts, sizes = starts[small], sizes[small]
    sort_small(starts, sizes, values, order)
    return order


# Rows of a group that are sorted one by one; more of them are sorted by numpy.
_SMALL = 64


def _plain(rank: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """Give ranks as one of three kinds of numbers, for the kernel."""
    wide = rank.dtype in (np.float64, np.uint64)
    return rank if wide else rank.astype(np.float64 if rank.dtype.kind == "f" else np.int64)


@kept
def sort_small(starts: Order, sizes: Order, rank: npt.NDArray[Any], within: Order) -> None:
    """Sort the places `within` each small group, which rise, by rank; equal ones as they stood."""
    for group in range(len(starts)):
        first = starts[group]
        last = first + sizes[group] - 1
        if first < last and rank[within[first]] > rank[within[last]]:
            # Mostly the group falls: turned round it is nearly sorted.
            for n in range(sizes[group] // 2):
                within[first + n], within[last - n] = within[last - n], within[first + n]
        for i in range(first + 1, last + 1):
            place = within[i]
            k = i
            while k > first and (
                rank[within[k - 1]] > rank[place]
                or (rank[within[k - 1]] == rank[place] and within[k - 1] > place)
            ):
                within[k] = within[k - 1]
                k -= 1
            within[k] = place


def rises(columns: Sequence[Any]) -> bool:
    """Tell whether each row lies after the one before it: then none stands twice."""
    count = len(columns[0])
    if any(_is_unknown_in(values) for values in columns):
        return False
    if count <= FEW:
        return all(one < other for one, other in pairwise(_tuples(columns)))
    later = np.zeros(count - 1, dtype=bool)
    same = ~later
    for values in columns:
        before, after = _neighbours(values)
        later |= same & np.asarray(before < after, dtype=bool)
        if later.all():
            return True
        same &= np.asarray(before == after, dtype=bool)
    return bool(later.all())


def _is_unknown_in(values: Any) -> bool:  # noqa: ANN401 - any array
    if str(values.dtype) == "str":
        return bool(pa.array(values, type=pa.large_string()).null_count)
    return bool(pd.isna(values).any())


def _neighbours(values: Any) -> tuple[Any, Any]:  # noqa: ANN401 - any array
    """Give each value but the last, and the one after it, as what compares them soonest."""
    if str(values.dtype) == "str":
        numbers = _as_numbers(_arrow(values))
        values = values if numbers is None else numbers
    return values[:-1], values[1:]


def _tuples(columns: Sequence[Any]) -> list[tuple[Any, ...]]:
    return list(zip(*(values.tolist() for values in columns), strict=True))


def ranks_of(texts: Any) -> npt.NDArray[np.intp]:  # noqa: ANN401 - any array
    """Give texts, none missing, numbers that sort as they do; equal ones have the same."""
    return ranked(texts)[0]


def ranked(texts: Any) -> tuple[npt.NDArray[np.intp], pa.Array]:  # noqa: ANN401 - any array
    """Give the number of each text, none missing, among the unlike ones in order; and these."""
    coded = _arrow(texts).dictionary_encode()
    # Arrow sorts by bytes: of UTF-8 they sort as the letters do.
    unlike = compute.sort_indices(coded.dictionary)
    rank = np.empty(len(unlike), dtype=np.intp)
    rank[unlike.to_numpy()] = np.arange(len(unlike))
    return rank[coded.indices.to_numpy()], coded.dictionary.take(unlike)


def _rank(values: Any) -> npt.NDArray[Any]:  # noqa: ANN401 - any array
    """Give numbers that sort as the values do."""
    if str(values.dtype) not in ("str", "object"):
        return np.asarray(values)
    held = _arrow(values)
    numbers = _as_numbers(held)
    return ranks_of(held) if numbers is None else numbers


def _arrow(texts: Any) -> pa.Array:  # noqa: ANN401 - any array
    plain = pa.array(texts, type=pa.large_string())
    return plain.combine_chunks() if isinstance(plain, pa.ChunkedArray) else plain


# So many letters, as bytes, fill a whole number.
_LETTERS = 8


def _as_numbers(texts: pa.Array) -> npt.NDArray[np.uint64] | None:
    """Read the last letters of texts as one number each; None where the rest is not alike.

    Ids are mostly so: of one length, and alike but for their last letters.
    """
    _, starts, data = texts.buffers()
    if data is None or not len(texts):
        return None
    ends = np.frombuffer(starts, dtype=np.int64)[texts.offset : texts.offset + len(texts) + 1]
    length = int(ends[1] - ends[0])
    if length == 0 or (np.diff(ends) != length).any():
        return None
    letters = np.frombuffer(data, dtype=np.uint8)[ends[0] : ends[-1]].reshape(-1, length)
    if length > _LETTERS:
        alike = letters[:, :-_LETTERS] == letters[0, :-_LETTERS]
        letters = letters[:, -_LETTERS:]
        if not alike.all():
            return None
    out = np.zeros((len(letters), _LETTERS), dtype=np.uint8)
    out[:, _LETTERS - letters.shape[1] :] = letters
    return out.view(">u8").reshape(-1).astype(np.uint64)
