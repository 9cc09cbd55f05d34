"""Rows gathered from the elements of an XML file."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from planner.errors import Fault
from planner.inputs.coded import rows_of
from planner.inputs.csv_text import CsvRows


class XmlRows:
    """Texts by column of `coded.FORM`, and the line of each row's element."""

    def __init__(self, file: str, columns: Sequence[str]) -> None:
        self.file = file
        self._texts: dict[str, list[str]] = {name: [] for name in columns}
        self._lines: list[int] = []

    def add(self, line: int, told: Mapping[str, str]) -> None:
        """Add a row; a column that is not told is blank."""
        for name, texts in self._texts.items():
            texts.append(told.get(name, ""))
        self._lines.append(line)

    @property
    def counted(self) -> str:
        """What to say where rows are counted, as several stand on one line."""
        alone = len(set(self._lines)) == len(self._lines)
        return "" if alone else ", rows counted in order (several stand on one line)"

    def table(self, faults: list[Fault]) -> CsvRows:
        """Give the rows; they are numbered by their lines, or counted if lines repeat."""
        row = range(1, len(self._lines) + 1) if self.counted else self._lines
        return rows_of(self.file, self._texts, list(row), faults, "XML")
