"""Rows of whole numbers by owner in flat arrays; the rows of one owner are replaced at little cost.

What is replaced stays where it lies, owned by nobody, until half of all is dead: then the rest
is moved together. So an edit of one pipe of a large town touches a few numbers only.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

Whole = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]
NOBODY = -1
_LEAST = 64


class Ragged:
    """Any number of rows for each owner, all with the same columns."""

    def __init__(self, owners: int, owner: Whole, columns: Whole) -> None:
        """Lay rows out.

        Parameters
        ----------
        owners
            How many owners there are, numbered from 0.
        owner
            Owner of each row, rising.
        columns
            One line of whole numbers for each column, as long as `owner`.
        """
        self._used = len(owner)
        self._owner, self._columns = owner.copy(), columns.copy()
        self._dead = 0
        at = np.arange(owners)
        self._start = np.searchsorted(owner, at, "left")
        self._stop = np.searchsorted(owner, at, "right")

    def __len__(self) -> int:
        return self._used - self._dead

    @property
    def owner(self) -> Whole:
        """Owner of each row as it lies, `NOBODY` for one that was replaced."""
        return self._owner[: self._used]

    def column(self, at: int) -> Whole:
        """Give one column of all rows as they lie; it may be written to."""
        return self._columns[at, : self._used]

    def columns(self) -> Whole:
        """Give all columns of all rows as they lie."""
        return self._columns[:, : self._used]

    def rows_of(self, owner: int) -> Whole:
        """Give the rows of one owner, a line for each column."""
        return self._columns[:, self._start[owner] : self._stop[owner]]

    def replace(self, owner: int, rows: Sequence[Sequence[int]]) -> None:
        """Let `rows`, each with a number for each column, stand for all of one owner."""
        start, stop = int(self._start[owner]), int(self._stop[owner])
        self._owner[start:stop] = NOBODY
        self._dead += stop - start
        count = len(rows)
        self._make_room(count)
        begin, end = self._used, self._used + count
        if count:
            self._columns[:, begin:end] = np.array(rows, dtype=np.int64).T
        self._owner[begin:end] = owner
        self._start[owner], self._stop[owner] = begin, end
        self._used = end
        if self._dead > max(self._used // 2, _LEAST):
            self._close_up()

    def _make_room(self, count: int) -> None:
        needed = self._used + count
        if needed <= len(self._owner):
            return
        room = max(2 * len(self._owner), needed, _LEAST)
        owner = np.full(room, NOBODY, dtype=np.int64)
        columns = np.zeros((len(self._columns), room), dtype=np.int64)
        owner[: self._used] = self.owner
        columns[:, : self._used] = self._columns[:, : self._used]
        self._owner, self._columns = owner, columns

    def _close_up(self) -> None:
        live = np.flatnonzero(self.owner != NOBODY)
        order = live[np.argsort(self.owner[live], kind="stable")]
        owner, columns = self._owner[order], self._columns[:, order]
        at = np.arange(len(self._start))
        self._start = np.searchsorted(owner, at, "left")
        self._stop = np.searchsorted(owner, at, "right")
        self._owner, self._columns = owner, columns
        self._used, self._dead = len(owner), 0
