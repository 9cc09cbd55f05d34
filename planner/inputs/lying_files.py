"""Which files of a folder could be its pipes or its coded rows, told by their endings.

Only names are looked at, and of a shapefile what shapes it holds; nothing is read. What is
alone of its kind is named in a new ``planner.toml``, of several a person chooses.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from pathlib import Path

LAYER_ENDINGS = frozenset(
    {".gpkg", ".shp", ".geojson", ".parquet", ".fgb", ".gml", ".tab", ".mif", ".gdb"}
)
TABLE_ENDINGS = frozenset({".xlsx", ".csv", ".txt", ".xml", ".sqlite", ".db3"})
# Files with a meaning of their own in a project.
_OURS = frozenset(
    {"project.gpkg", "done.csv", "stock.csv", "lots.csv", "notices.csv", "events.csv",
     "decisions.csv", "id_matches.csv", "prices_changed.csv"}
)  # fmt: skip
# Kinds of shape in a shapefile that are lines: plain, with Z, with M (ESRI 1998, table 1).
_LINES = frozenset({3, 13, 23})
_SHAPE_AT = 32


@dataclass(frozen=True)
class LyingFiles:
    """Names of files, sorted: ``layers`` could be pipes, ``tables`` coded rows."""

    layers: tuple[str, ...] = ()
    tables: tuple[str, ...] = ()

    def __str__(self) -> str:
        return ", ".join([*self.layers, *self.tables])


def lying_files(folder: Path) -> LyingFiles:
    """List what lies directly in a folder.

    Parameters
    ----------
    folder
        Need not be there.
    """
    try:
        paths = sorted(folder.iterdir(), key=lambda path: path.name)
    except OSError:
        return LyingFiles()
    names = [
        path for path in paths
        if path.name not in _OURS and path.name.isprintable()
        and not path.name.startswith((".", "~"))
    ]  # fmt: skip
    layers = [p.name for p in names if p.suffix.lower() in LAYER_ENDINGS and _may_be_lines(p)]
    tables = [p.name for p in names if p.suffix.lower() in TABLE_ENDINGS]
    return LyingFiles(tuple(layers), tuple(tables))


def _may_be_lines(path: Path) -> bool:
    """Tell whether a layer may hold lines; only a shapefile says so in its first bytes."""
    if path.suffix.lower() != ".shp":
        return True
    try:
        with path.open("rb") as stream:
            head = stream.read(_SHAPE_AT + 4)
    except OSError:
        return False
    return len(head) < _SHAPE_AT + 4 or struct.unpack_from("<i", head, _SHAPE_AT)[0] in _LINES
