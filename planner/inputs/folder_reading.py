"""What is gathered while the files of one project folder are read, and what waits for which."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar

import pandas as pd

from planner.errors import Fault, FileError, PlannerError
from planner.inputs.copied import Copy, copied
from planner.inputs.paths import file_fault, input_file
from planner.inputs.specs import LayerSpec
from planner.toml_text import parse_toml_file

Found = TypeVar("Found")

# Files with fixed names, and what waits for each.
WAITING_FOR = {
    "systems.toml": "sleeves wait for systems.toml",
    "prices.toml": "costs, and the choice between methods by cost, wait for prices.toml",
    "crews.toml": "set-ups and the week of routes wait for crews.toml",
    "hours.toml": "hours, closed days and permits of streets wait for hours.toml",
    "notices.csv": "promised days wait for notices.csv",
    "stock.csv": "limits by what is in stock wait for stock.csv",
    "lots.csv": "lots onto visits, and what is short, wait for lots.csv",
    "done.csv": "works that follow done works wait for done.csv",
}
SECTIONS_WAIT = {
    "nodes": "lids, depths and access of manholes wait for [nodes]",
    "streets": "drives on streets wait for [streets]; until then they are reckoned by air",
    "laterals": "laterals beyond those that the camera coded wait for [laterals]",
    "addresses": "houses to be told of a cut connection wait for [addresses]",
}


@dataclass
class FolderReading:
    """What is gathered while the files of one folder are read; `copy` keeps what they gave."""

    folder: Path
    copy: Copy | None = None
    faults: list[Fault] = field(default_factory=list)
    read_count: dict[str, int] = field(default_factory=dict)
    missing: list[str] = field(default_factory=list)
    hashes: dict[str, str] = field(default_factory=dict)

    def toml(self, name: str) -> dict[str, Any]:
        """Parse a file with a fixed name; one that is not there or not TOML gives nothing."""
        try:
            return read_toml(input_file(self.folder, name), name)
        except (PlannerError, OSError) as error:
            self.wait(name, error)
            return {}

    def csv(
        self, name: str, read: Callable[[Path], tuple[pd.DataFrame, list[Fault]]]
    ) -> pd.DataFrame | None:
        """Read a CSV with a fixed name; None where it is not there or cannot be read."""
        try:
            frame, faults = read(input_file(self.folder, name))
        except (PlannerError, OSError) as error:
            self.wait(name, error)
            return None
        self.take(name, len(frame) + len({f.row for f in faults if f.lost}), faults)
        return frame

    def copied(
        self,
        kind: type[Found],
        asked: Mapping[str, Any],
        layers: Mapping[str, LayerSpec],
        read: Callable[[], Found],
    ) -> Found:
        """Give what `read` gives of `layers`; from the copy where it was made of the same.

        `asked` is all else that the reading hangs on. Layers of a database are read.
        """
        files = [spec.file for spec in layers.values() if spec.file is not None]
        if len(files) < len(layers):
            return read()
        try:
            paths = [input_file(self.folder, file) for file in files]
        except (PlannerError, OSError):
            return read()  # which says it
        specs = {name: spec.model_dump(mode="json") for name, spec in layers.items()}
        return copied(self.copy, kind, {**asked, "layers": specs}, paths, read)

    def wait(self, name: str, error: Exception) -> None:
        """Say what waits for a file; one that is there and cannot be read is a fault too."""
        there = (self.folder / name).exists()
        self.missing.append(WAITING_FOR[name] + (", which cannot be read" if there else ""))
        if there:
            self.take(name, 0, [file_fault(name, error)])

    def take(self, name: str, count: int, faults: list[Fault]) -> None:
        """Keep the faults and the rows read of one file."""
        self.faults += faults
        if count:
            self.read_count[name] = self.read_count.get(name, 0) + count


def read_toml(path: Path, name: str) -> dict[str, Any]:
    """Parse a TOML file; what is none is one line."""
    try:
        return parse_toml_file(path)
    except ValueError as error:
        message = f"{name}: not valid TOML: {error}"
        raise FileError(message) from error
