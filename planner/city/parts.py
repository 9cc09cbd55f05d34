"""Which pipes go together: catchments, small ones in one part, huge ones cut by a grid.

A part changes only where its own pipes do: one catchment more moves no other. So a later run
finds most parts as they were.
"""

from __future__ import annotations

import zlib
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

Places = npt.NDArray[np.intp]

FEWEST, MOST = 2_000, 16_000
"""Pipes of one part at most, in a small city and in a huge one: of 16,000 with ten coded rows each,
about five seconds of work and 0.9 GB of memory."""
# So many parts are enough for all who work on them.
_PARTS = 24
# The widest cell of the grid [m], halved until no cell holds too many; below the least the
# pipes lie on top of each other and are cut by their ids.
_WIDEST_M = 2.0**20
_LEAST_M = 1.0


def catchments(pipes: pd.DataFrame) -> Places:
    """Give the weakly connected component of the sewer that each pipe is in, as a number.

    Parameters
    ----------
    pipes
        Obeys `PIPES`. A node without a name joins nothing.
    """
    count = len(pipes)
    ends = [pipes[f"{end}_node"].to_numpy(dtype=object) for end in ("us", "ds")]
    codes, names = pd.factorize(np.concatenate(ends))
    named = np.concatenate(ends) != ""
    pipe = np.tile(np.arange(count), 2)[named]
    shape = (count + len(names), count + len(names))
    ones = np.ones(len(pipe), dtype=np.int8)
    graph = coo_array((ones, (pipe, count + codes[named])), shape=shape)
    _, labels = connected_components(graph, directed=False)
    return np.asarray(labels[:count], dtype=np.intp)


def most_of(count: int) -> int:
    """Give how many pipes a part of a city of `count` pipes has at most.

    What a part costs however few its pipes are is spread over more of them in a larger city. It
    grows by doubling, at 48,000 pipes, 96,000 and 192,000, so that a few pipes more seldom cut all
    anew.
    """
    most = FEWEST
    while most < MOST and most * _PARTS <= count:
        most *= 2
    return most


def part_pipes(pipes: pd.DataFrame, most: int | None = None) -> Places:
    """Give the part of each pipe, numbered from 0 in order of their least pipe_id.

    Parameters
    ----------
    pipes
        Obeys `PIPES`, sorted by pipe_id.
    most
        Pipes of one part at most; None = as `most_of` has it.
    """
    if not len(pipes):
        return np.zeros(0, dtype=np.intp)
    most = most or most_of(len(pipes))
    groups = _cut(catchments(pipes), _middles(pipes), most)
    # The pipes are in order: the first of a group is its least.
    _, first, sizes = np.unique(groups, return_index=True, return_counts=True)
    rank = np.argsort(first, kind="stable")
    ids = pipes["pipe_id"].to_numpy(dtype=object)[first[rank]]
    part_of = np.empty(len(first), dtype=np.intp)
    part_of[rank] = _packed(ids.tolist(), sizes[rank], most)
    _, inverse = np.unique(groups, return_inverse=True)
    return np.asarray(part_of[inverse], dtype=np.intp)


def _packed(names: Sequence[str], sizes: Places, most: int) -> Places:
    """Put groups, by the name and the size of each, one after the other into parts.

    A part ends where it is at least half full, before the group whose name has the least check
    sum of all before which it might end: as long as that one stands, parts after it stay as they
    are. So parts are filled to three quarters or so.
    """
    lots = np.array([zlib.crc32(name.encode()) for name in names], dtype=np.int64)
    until = np.cumsum(sizes)
    begins, begin, held = [0], 0, 0
    while until[-1] - held > most:
        # The groups before which what the part holds by then is half of the most, up to the most.
        low = int(np.searchsorted(until, held + most / 2, "left"))
        high = int(np.searchsorted(until, held + most, "right"))
        low = min(max(low, begin), high - 1) + 1
        begin = low + int(np.argmin(lots[low : high + 1]))
        begins.append(begin)
        held = int(until[begin - 1])
    marks = np.zeros(len(names), dtype=np.intp)
    marks[begins[1:]] = 1
    return np.cumsum(marks)


def _middles(pipes: pd.DataFrame) -> npt.NDArray[np.float64]:
    """Give the middle of each drawing's box [m]; NaN where there is none."""
    box = shapely.bounds(pipes["geometry"].to_numpy())
    return np.asarray((box[:, :2] + box[:, 2:]) / 2.0, dtype=float)


def _cut(groups: Places, middles: npt.NDArray[np.float64], most: int) -> Places:
    """Cut groups of more than `most` pipes by cells that are halved until they fit."""
    out = groups.copy()
    wide = _WIDEST_M
    while True:
        huge = np.flatnonzero(np.bincount(out)[out] > most)
        if not len(huge):
            return out
        cells = np.floor(middles[huge] / wide) if wide >= _LEAST_M else _turns(out[huge], most)
        # New groups are numbered above the old ones, which they leave empty.
        columns = pd.DataFrame(cells).assign(group=out[huge])
        names = list(columns.columns)
        out[huge] = out.max() + 1 + columns.groupby(names, sort=False, dropna=False).ngroup()
        wide /= 2.0


def _turns(groups: Places, most: int) -> npt.NDArray[np.float64]:
    """Give the turn of each pipe where a group takes turns of `most`, in the order of ids."""
    return (pd.Series(groups).groupby(groups).cumcount().to_numpy() // most).astype(float)
