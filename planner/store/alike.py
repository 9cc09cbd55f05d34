"""Rows that are alike: each is told the first row that holds the same in the columns that repeat.

A value costs the server and the driver about 0.1 microseconds, be it the same word in each row.
So a reader fetches what repeats once, from the first row of each kind, and for each row the
number of that row alone.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from planner.store.run_file import Numbered

ALIKE = "alike"  # the column
_ROWS, _COLUMNS = 1000, 3  # with fewer a second query costs more than it saves
_APART = 4  # a kind for each so many rows, at most


@dataclass(frozen=True)
class Alike:
    """The columns that repeat, the first row alike by row [fid, from 1], and the count of kinds."""

    columns: tuple[str, ...]
    first: NDArray[np.int64]
    kinds: int


def alike_in(numbered: Mapping[str, Numbered], count: int) -> Alike | None:
    """Find rows alike in as many columns as leave few kinds of rows.

    Parameters
    ----------
    numbered
        Columns by number, each of all `count` rows.
    count
        Rows.

    Returns
    -------
    alike
        None where it would not pay.
    """
    if count < _ROWS:
        return None
    kind, kinds, names = np.zeros(count, dtype=np.int32), 1, list[str]()
    for name, column in sorted(numbered.items(), key=lambda item: (item[1].words, item[0])):
        if kinds * column.words > count // _APART:
            kind, kinds = _packed(kind, kinds)
        if kinds * column.words <= count // _APART:
            kind *= column.words
            kind += column.at
            kinds *= column.words
            names.append(name)
    if len(names) < _COLUMNS:
        return None
    kind, kinds = _packed(kind, kinds)
    first = np.zeros(kinds, dtype=np.int64)
    # Backwards: of the rows of a kind the last one written stays, which is the first one.
    first[kind[::-1]] = np.arange(count, 0, -1)
    return Alike(tuple(sorted(names)), first[kind], kinds)


def place_of(first: NDArray[np.int64], kinds: NDArray[np.int64]) -> NDArray[np.int64] | None:
    """Say at which place of `kinds` each row's first row stands; None where one is missing."""
    if not len(kinds):
        return None if len(first) else np.zeros(0, dtype=np.int64)
    if len(first) and (first.min() < 0 or first.max() > kinds.max()):
        return None
    places = np.full(int(kinds.max()) + 1, -1, dtype=np.int64)
    places[kinds] = np.arange(len(kinds))
    found = places[first]
    return None if (found < 0).any() else found


def _packed(kind: NDArray[np.int32], kinds: int) -> tuple[NDArray[np.int32], int]:
    """Give the kinds that there are new numbers without gaps, in their order."""
    there = np.zeros(kinds, dtype=bool)
    there[kind] = True
    return (np.cumsum(there, dtype=np.int32) - 1)[kind], int(there.sum())
