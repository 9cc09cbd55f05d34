"""Which row of the pipes each span has, without a look-up where both stand in order of id."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd

from planner.arrays import letters_of
from planner.distinct import places_in
from planner.screening.bands import compiled, within
from planner.screening.threads import each, pieces

Places = npt.NDArray[np.intp]
Letters = npt.NDArray[np.uint8]


class Laid(NamedTuple):
    """The bytes of texts laid end to end, and where each begins; the last is the end."""

    at: npt.NDArray[np.int64]
    letters: Letters


def pipe_rows(ids: pd.Series, pipe_ids: pd.Series) -> Places:
    """Give the row of each id in `pipe_ids`, which are unlike; -1 = nowhere.

    Contract tables stand in order of pipe: one walk along both finds all. Where they do not,
    the ids are looked up.
    """
    out = np.empty(len(ids), dtype=np.intp)
    texts, pipes = Laid(*letters_of(ids.array)), Laid(*letters_of(pipe_ids.array))
    count = len(ids)
    in_order = each(lambda piece: _walk(texts, pipes, out, *piece), pieces(count), count)
    rows = len(pipe_ids)
    ascending = each(lambda piece: _ascends(pipes, *piece), pieces(rows), rows)
    return out if all(in_order) and all(ascending) else places_in(ids, pipe_ids)


@within
def _order(one: Laid, i: int, two: Laid, k: int) -> int:
    """Give -1, 0 or 1: whether a text comes before another, is the same, or comes after."""
    at, other = one.at[i], two.at[k]
    length, other_length = one.at[i + 1] - at, two.at[k + 1] - other
    for n in range(min(length, other_length)):
        letter, other_letter = one.letters[at + n], two.letters[other + n]
        if letter != other_letter:
            return -1 if letter < other_letter else 1
    longer = length - other_length
    return 0 if longer == 0 else (-1 if longer < 0 else 1)


@within
def _same(one: Laid, i: int, two: Laid, k: int) -> bool:
    """Tell whether two texts are the same; ids differ in their last letters."""
    at, other = one.at[i], two.at[k]
    length = one.at[i + 1] - at
    same = length == two.at[k + 1] - other
    n = length
    while same and n > 0:
        n -= 1
        same = one.letters[at + n] == two.letters[other + n]
    return bool(same)


@compiled
def _ascends(pipes: Laid, start: int, stop: int) -> bool:
    """Tell whether each text of a piece comes before the next one of all."""
    for k in range(start, min(stop, len(pipes.at) - 2)):
        if _order(pipes, k, pipes, k + 1) >= 0:
            return False
    return True


@compiled
def _walk(texts: Laid, pipes: Laid, out: Places, start: int, stop: int) -> bool:
    """Write the row of each text of a piece, of pipes in order; False where they are not."""
    row, count = 0, len(pipes.at) - 1
    after = count if start < stop else 0
    while row < after:  # the first pipe that does not come before the first text
        middle = (row + after) // 2
        if _order(pipes, middle, texts, start) < 0:
            row = middle + 1
        else:
            after = middle
    for i in range(start, stop):
        # What has the pipe that the text before it may have, or the next one, stands in order.
        if i > start and row + 1 < count:
            here = _same(texts, i, pipes, row)
            if here or _same(texts, i, pipes, row + 1):
                row += int(not here)
                out[i] = row
                continue
        if i > 0 and _order(texts, i, texts, i - 1) < 0:
            return False
        out[i] = -1
        while row < count:
            order = _order(pipes, row, texts, i)
            if order >= 0:
                out[i] = row if order == 0 else -1
                break
            row += 1
    return True
