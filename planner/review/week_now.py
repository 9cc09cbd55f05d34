"""The week as it stands on the page: the run that stands, with what people changed in it since."""

from __future__ import annotations

import threading
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from planner.contracts import TABLES
from planner.errors import FileError
from planner.outputs.read_back import read_record, read_tables
from planner.propose import Tables
from planner.review.live import Live
from planner.runs import Run, read_run, standing_run


@dataclass(frozen=True)
class WeekNow:
    """One state of the week.

    `tables` are all tables of the run that stands, with visits and unserved as people changed
    them since; `version` is the number of the last change in the store that is in it.
    """

    run: Run
    tables: Tables
    version: int

    @property
    def name(self) -> str:
        """Number of the run, as its folder is called."""
        return self.run.folder.name

    @property
    def visits(self) -> pd.DataFrame:
        """Obeys `VISITS`."""
        return self.tables["visits"]


class Weeks:
    """Gives the week as it stands; reads a run once."""

    def __init__(self, live: Live) -> None:
        self._live = live
        self._lock = threading.RLock()
        self._read: tuple[Path, Run, Tables] | None = None

    def now(self) -> WeekNow | None:
        """Give the week as it stands; None where no plan was made yet."""
        with self._lock:
            try:
                folder = standing_run(self._live.folder)
            except FileError:
                return None
            if self._read is None or self._read[0] != folder:
                self._read = (folder, read_run(folder), _all_tables(folder))
            _, run, tables = self._read
            return WeekNow(run, tables, 0)


def _all_tables(folder: Path) -> Tables:
    record = read_record(folder)
    return read_tables(folder, list(TABLES), str(record.get("local_crs", "")))
