"""A table laid by what its rows belong to, so that a few can be taken out and replaced cheaply.

The table itself is never copied: rows put in place of others lie beside it until somebody
asks for the whole.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
import pandas as pd

from planner.once import note_sound
from planner.tables import Table, conform

Places = npt.NDArray[np.intp]
_KEPT = 64  # owners whose rows are kept as they were taken last
NOBODY, SEVERAL = -1, -2
"""Owner of a row that belongs to none, or whose key names things of several owners."""


class Overlay:
    """Rows of one table by their owner, a number from 0 on; below 0 a row stays as it is."""

    def __init__(self, frame: pd.DataFrame, owner: Places, table: Table | None = None) -> None:
        """Lay out `frame`, which obeys `table` where one is given; `owner` has one for each row."""
        self._frame, self._owner, self._table = frame, owner, table
        self._order = np.argsort(owner, kind="stable")
        self._sorted = owner[self._order]
        self._put: dict[int, pd.DataFrame] = {}
        # Rows taken last, by owner: who looks at one thing asks for its rows several times.
        self._taken: dict[int, pd.DataFrame] = {}

    def take(self, owners: Places) -> pd.DataFrame:
        """Give the rows of `owners` as they stand, in the order of the contract.

        They are not to be changed: whoever asks next gets the same.
        """
        if len(owners) != 1:
            return self._take(owners)
        one = int(owners[0])
        rows = self._taken.get(one)
        if rows is None:
            rows = self._take(owners)
            if len(self._taken) >= _KEPT:
                self._taken.clear()
            self._taken[one] = rows
        return rows

    def _take(self, owners: Places) -> pd.DataFrame:
        fresh = [self._put[one] for one in owners.tolist() if one in self._put]
        left = np.array([one for one in owners.tolist() if one not in self._put], dtype=np.intp)
        starts = np.searchsorted(self._sorted, left, "left").tolist()
        stops = np.searchsorted(self._sorted, left, "right").tolist()
        spans = [self._order[a:b] for a, b in zip(starts, stops, strict=True)]
        at = np.sort(np.concatenate(spans)) if spans else np.empty(0, dtype=np.intp)
        if fresh and not len(at) and len(fresh) == 1:
            return fresh[0]
        rows = self._frame.take(at)
        if fresh:
            return self._joined([rows, *fresh])
        out = rows.reset_index(drop=True)
        if self._table is not None:
            note_sound(out, self._table.name)  # some rows of a sound table are sound
        return out

    def put(self, owners: Places, rows: pd.DataFrame, own: Places) -> None:
        """Let `rows`, of which `own` says the owner of each, stand for all of `owners`."""
        for one in owners.tolist():
            self._put[one] = rows if len(owners) == 1 else rows[own == one]
            self._taken.pop(one, None)

    def whole(self) -> pd.DataFrame:
        """Give the whole table as it stands."""
        if not self._put:
            return self._frame
        keep = ~np.isin(self._owner, list(self._put))
        return self._joined([self._frame[keep], *self._put.values()])

    def _joined(self, parts: Sequence[pd.DataFrame]) -> pd.DataFrame:
        full = [part for part in parts if len(part)] or [parts[0]]
        rows = pd.concat(full, ignore_index=True)
        return conform(rows, self._table) if self._table else rows


def owners_by_key(keys: pd.Series, named: Sequence[tuple[pd.Series, Places]]) -> Places:
    """Find the owner of rows that name a thing of any kind by its key.

    Parameters
    ----------
    keys
        Key of each row.
    named
        Of each kind of thing: its ids, and their owners.

    Returns
    -------
    owners
        `NOBODY` where no thing is called so, `SEVERAL` where things of several owners are.
    """
    asked = pd.Index(keys.unique())
    parts = []
    for ids, owner in named:
        wanted = ids.isin(asked).to_numpy(dtype=bool) & (owner != NOBODY)
        parts.append(pd.DataFrame({"key": ids[wanted].to_numpy(object), "owner": owner[wanted]}))
    pairs = pd.concat(parts).drop_duplicates()
    pairs["owner"] = pairs["owner"].mask(pairs["key"].duplicated(keep=False), SEVERAL)
    pairs = pairs.drop_duplicates("key")
    at = pd.Index(pairs["key"]).get_indexer(keys.to_numpy(object))
    found: Places = np.append(pairs["owner"].to_numpy(dtype=np.intp), NOBODY)[at]
    return found
