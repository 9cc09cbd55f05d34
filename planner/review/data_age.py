"""Of when the data are that the page was computed from, and whether they changed since."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from planner.inputs.inputs import Inputs

Seen = tuple[int, int]


@dataclass(frozen=True)
class DataAge:
    """The files that were read, each with its time of change [ns] and size [bytes]."""

    folder: Path
    files: Mapping[str, Seen]

    @classmethod
    def of(cls, folder: Path, inputs: Inputs) -> DataAge:
        """Look at the files of a project as they were just read."""
        return cls(folder, {name: _seen(folder / name) for name in inputs.hashes})

    @property
    def newest(self) -> str:
        """Day and time here of the newest file, YYYY-MM-DD HH:MM; '' where there is no file."""
        times = [at_ns for at_ns, _ in self.files.values() if at_ns]
        if not times:
            return ""
        return datetime.fromtimestamp(max(times) / 1e9).astimezone().strftime("%Y-%m-%d %H:%M")

    def changed(self) -> list[str]:
        """Name the files that are not as they were read."""
        return [name for name, seen in self.files.items() if _seen(self.folder / name) != seen]


def _seen(path: Path) -> Seen:
    try:
        found = path.stat()
    except OSError:
        return (0, 0)
    return (found.st_mtime_ns, found.st_size)
