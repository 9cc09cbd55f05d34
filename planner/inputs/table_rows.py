"""One table of a file between reading and working it into our columns."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import pandas as pd

from planner.inputs.column_names import Places
from planner.inputs.csv_text import CsvRows


@dataclass(frozen=True)
class TableRows:
    """One table of a file: its rows, where our columns stand, and how it was written."""

    rows: CsvRows
    places: Places
    form: str
    epoch: int = 1900
    units: Mapping[str, str] = field(default_factory=dict)
    flags: tuple[tuple[str, str], ...] = ()

    def texts(self, name: str) -> pd.Series | None:
        """Give the cells of one of our columns; None where the table has none."""
        place = self.places.at.get(name)
        return None if place is None else self.rows.cells[place].str.strip()

    @property
    def lends(self) -> bool:
        """Tell whether it may say of rows of other tables in what unit they are written."""
        units = {"length_unit", "size_unit"} & set(self.places.at)
        return bool(units) and "inspection_id" in self.places.at
