"""The week as it stands on the page: the run that stands, with what people changed in it since."""

from __future__ import annotations

import threading
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Any

import pandas as pd

from planner.contracts import TABLES
from planner.crews.pinned import in_force
from planner.errors import FileError
from planner.kept import week_tables
from planner.outputs.read_back import read_record, read_tables
from planner.review.live import Live
from planner.rule_spans import Tables
from planner.runs import Run, hand_made, read_run, standing_run
from planner.tables import records_in

Row = dict[str, Any]


@dataclass(frozen=True)
class WeekNow:
    """One state of the week.

    `tables` are all tables of the run that stands, with visits, unserved, findings about
    visits, audit and pins as people changed the week since; `version` is the number of the
    last change in the store that is in it, `edits` are all changes (`WEEK_EDITS`).
    """

    run: Run
    tables: Tables
    version: int
    edits: pd.DataFrame
    changed: frozenset[tuple[str, str]] = field(default_factory=frozenset)

    @property
    def name(self) -> str:
        """Number of the run, as its folder is called."""
        return self.run.folder.name

    @property
    def visits(self) -> pd.DataFrame:
        """Obeys `VISITS`."""
        return self.tables["visits"]

    @cached_property
    def said(self) -> dict[str, dict[str, Row]]:
        """What people said of set-ups that is in force, by what it is about."""
        return in_force(self.edits)

    @cached_property
    def last(self) -> dict[str, Row]:
        """The last change of each set-up, whether in force or not."""
        return {str(row["setup_id"]): row for row in records_in(self.edits)}

    def seen(self, setup_id: str) -> int:
        """Give the number of the last change of a set-up; 0 = none."""
        row = self.last.get(setup_id)
        return int(row["version"]) if row else 0


class Weeks:
    """Gives the week as it stands; reads a run once, and a change of it once."""

    def __init__(self, live: Live) -> None:
        self._live = live
        self._lock = threading.RLock()
        self._read: tuple[Path, Run, Tables] | None = None
        self._now: WeekNow | None = None
        self._stamp: object = None

    def now(self) -> WeekNow | None:
        """Give the week as it stands; None where no plan was made yet.

        Costs next to nothing where neither a run nor a change has come since.

        Raises
        ------
        PlannerError
            If the run or the store cannot be read.
        """
        with self._lock:
            try:
                folder = standing_run(self._live.folder)
            except FileError:
                return None
            stamp = self._live.store.stamp()
            same = self._now is not None and self._now.run.folder == folder
            if self._now is not None and same and stamp == self._stamp:
                return self._now
            edits = self._live.store.read_week_edits()
            version = int(edits["version"].max()) if len(edits) else 0
            if self._now is None or not same or version != self._now.version:
                self._now = self._made(folder, edits, version)
            self._stamp = stamp
            return self._now

    def if_changed(self, edits: pd.DataFrame) -> WeekNow | None:
        """Give the week as it would be with other changes; nothing is kept."""
        with self._lock:
            now = self.now()
            return None if now is None else self._made(now.run.folder, edits, now.version)

    def _made(self, folder: Path, edits: pd.DataFrame, version: int) -> WeekNow:
        if self._read is None or self._read[0] != folder:
            self._read = (folder, read_run(folder), _all_tables(folder))
        _, run, tables = self._read
        if edits.empty:
            return WeekNow(run, tables, version, edits)
        by_hand = hand_made(run, edits)
        own = {**tables, "visits": by_hand.visits, "unserved": by_hand.unserved}
        own = week_tables(own, run, edits, self._live.made.book)
        return WeekNow(run, own, version, edits, by_hand.changed)


def _all_tables(folder: Path) -> Tables:
    record = read_record(folder)
    return read_tables(folder, list(TABLES), str(record.get("local_crs", "")))
