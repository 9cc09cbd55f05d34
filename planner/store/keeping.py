"""Where the tables of a store are kept: what `decisions.Store` asks of a file or a database."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from contextlib import AbstractContextManager
from typing import Protocol

import pandas as pd

from planner.tables import Table


class Change(Protocol):
    """One change of the tables, in the middle of being made; what it reads nobody overtakes."""

    def rows_of(self, table: Table, about: tuple[str, Iterable[str]] | None = None) -> pd.DataFrame:
        """Read one table; `about` is a column of texts and which of them are wanted."""

    def highest_in(self, table: Table, column: str) -> int:
        """Give the highest whole number in a column; 0 where there is none."""

    def add_rows(self, table: Table, frame: pd.DataFrame) -> None:
        """Add the rows of `frame`, which obeys `table`."""

    def replace_rows(self, table: Table, frame: pd.DataFrame) -> None:
        """Put `frame` in the place of all rows of `table`."""


class Keeping(Protocol):
    """A file or a database that keeps tables; its errors are `StoreError`, one line each."""

    @property
    def name(self) -> str:
        """What messages call it; holds no password."""

    def transaction(self, tables: Sequence[Table]) -> AbstractContextManager[Change]:
        """Open for one change of `tables`: all of it is kept, or none."""

    def read_tables(self, tables: Sequence[Table]) -> dict[str, pd.DataFrame]:
        """Read `tables` as they stood at one moment; what is not there is empty."""

    def stamp(self) -> object:
        """Give what differs once anything was written since; cheap to ask for."""

    def editing(self) -> AbstractContextManager[None]:
        """Stay ready for many small changes, such as a person makes in a review."""
