"""All decisions of a project in memory, and those on one pipe without a look at all of them."""

from __future__ import annotations

import numpy as np
import pandas as pd

from planner.contracts import DECISIONS
from planner.tables import conform, empty

_NONE = empty(DECISIONS)


class Decided:
    """Decisions by pipe; what is handed out is never changed, only replaced."""

    def __init__(self, decisions: pd.DataFrame) -> None:
        """Lay out `decisions`, which obey `DECISIONS`."""
        self._all, self._fresh = decisions, list[pd.DataFrame]()
        self._places = decisions.groupby("pipe_id", sort=False).indices
        self._own: dict[str, pd.DataFrame] = {}
        last = decisions.groupby("pipe_id", sort=False)["version"].max()
        self._last = {str(pipe): int(version) for pipe, version in last.items()}
        self._highest = max(self._last.values(), default=0)

    @property
    def all(self) -> pd.DataFrame:
        """All of them in the order they were taken in; obeys `DECISIONS`."""
        if self._fresh:
            rows = pd.concat([self._all, *self._fresh], ignore_index=True)
            self._all, self._fresh = conform(rows, DECISIONS), []
        return self._all

    @property
    def highest(self) -> int:
        """The number of the last decision; 0 = none."""
        return self._highest

    def on(self, pipe_id: str) -> pd.DataFrame:
        """Give those on one pipe and its spans, the oldest first; obeys `DECISIONS`."""
        own = self._own.get(pipe_id)
        if own is None:
            at = self._places.get(pipe_id)
            own = _NONE if at is None else self._all.take(np.asarray(at)).reset_index(drop=True)
            self._own[pipe_id] = own
        return own

    def last(self, pipe_id: str) -> int:
        """Give the number of the last one on a pipe; 0 = none."""
        return self._last.get(pipe_id, 0)

    def with_own(self, pipe_id: str, taken: pd.DataFrame) -> pd.DataFrame:
        """Give those on one pipe as if `taken`, which are on it too, followed them."""
        own = self.on(pipe_id)
        if own.empty:
            return conform(taken, DECISIONS)
        return conform(pd.concat([own, taken], ignore_index=True), DECISIONS)

    def add(self, pipe_id: str, taken: pd.DataFrame, own: pd.DataFrame) -> None:
        """Let `taken`, which are on one pipe, follow all others; `own` as `with_own` gave it."""
        self._own[pipe_id] = own
        self._fresh.append(taken)
        last = int(taken["version"].max())
        self._last[pipe_id] = max(self.last(pipe_id), last)
        self._highest = max(self._highest, last)
