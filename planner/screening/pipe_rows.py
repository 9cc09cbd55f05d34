"""Which row of the pipes each span has, without a look-up where both stand in order of id."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa

from planner.distinct import places_in
from planner.screening.bands import compiled, within

Places = npt.NDArray[np.intp]
Letters = npt.NDArray[np.uint8]


def pipe_rows(ids: pd.Series, pipe_ids: pd.Series) -> Places:
    """Give the row of each id in `pipe_ids`, which are unlike; -1 = nowhere.

    Contract tables stand in order of pipe: one walk along both finds all. Where they do not,
    the ids are looked up.
    """
    out = np.empty(len(ids), dtype=np.intp)
    if not _walk(*letters_of(ids), *letters_of(pipe_ids), out):
        out = places_in(ids, pipe_ids)
    return out


def letters_of(texts: pd.Series) -> tuple[npt.NDArray[np.int64], Letters]:
    """Give the bytes of texts laid end to end, and where each begins; the last is the end."""
    held = pa.array(texts.array, type=pa.large_string())
    if isinstance(held, pa.ChunkedArray):
        held = held.combine_chunks()
    _, starts, data = held.buffers()
    offsets = np.frombuffer(starts, dtype=np.int64)[held.offset : held.offset + len(held) + 1]
    letters = np.frombuffer(data if data is not None else b"", dtype=np.uint8)
    for one in (offsets, letters):
        one.flags.writeable = False  # one kind of array for the kernel
    return offsets, letters


@within
def _order(
    data: Letters, start: int, stop: int, other: Letters, other_start: int, other_stop: int
) -> int:
    """Give -1, 0 or 1: whether a text comes before another, is the same, or comes after."""
    for k in range(min(stop - start, other_stop - other_start)):
        one, two = data[start + k], other[other_start + k]
        if one != two:
            return -1 if one < two else 1
    longer = (stop - start) - (other_stop - other_start)
    return 0 if longer == 0 else (-1 if longer < 0 else 1)


@compiled
def _walk(
    at: npt.NDArray[np.int64],
    texts: Letters,
    pipe_at: npt.NDArray[np.int64],
    pipes: Letters,
    out: Places,
) -> bool:
    """Write the row of each text; False where one of both is not in order."""
    row, last = 0, len(pipe_at) - 2
    for k in range(last):
        a, b, c = pipe_at[k], pipe_at[k + 1], pipe_at[k + 2]
        if _order(pipes, a, b, pipes, b, c) >= 0:
            return False
    for i in range(len(out)):
        if i > 0:
            order = _order(texts, at[i], at[i + 1], texts, at[i - 1], at[i])
            if order < 0:
                return False
            if order == 0:
                out[i] = out[i - 1]
                continue
        out[i] = -1
        while row <= last:
            order = _order(pipes, pipe_at[row], pipe_at[row + 1], texts, at[i], at[i + 1])
            if order >= 0:
                out[i] = row if order == 0 else -1
                break
            row += 1
    return True
