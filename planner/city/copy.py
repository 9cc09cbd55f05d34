"""The working copy of what was read: one file of Arrow with a check sum for each reading.

It lies under ``.city`` in files named by digest: of the content of what was read, of all else
that its reading hangs on, and of the code. What is damaged, or is of other code, is not there.
"""

from __future__ import annotations

import hashlib
from contextlib import suppress
from dataclasses import fields, is_dataclass
from pathlib import Path
from typing import Any, TypeVar, get_type_hints

import geopandas as gpd
import numpy as np
import pandas as pd
import pyarrow as pa
import pyproj
import shapely
from pydantic import PydanticUserError, TypeAdapter, ValidationError
from pydantic_core import PydanticSerializationError
from pyproj.exceptions import CRSError

from planner.city.code import code_mark
from planner.city.columns import SHAPES, arrow_table, frame_of
from planner.city.filing import CityError, read_held, write_file_aside, write_held
from planner.contracts import ADDRESSES, TABLES
from planner.errors import TableError

FOLDER, _ENDING = "read", ".arrow"
_SAID, _TEXT, _CRS = "said", "text", "crs"
_CONTRACTS = {table.name: table for table in (*TABLES, ADDRESSES)}
_BAD = (CityError, TableError, ValidationError, CRSError, pa.ArrowException, OSError, LookupError,
        ValueError, TypeError, MemoryError)  # fmt: skip
Found = TypeVar("Found")


class WorkingCopy:
    """Keeps what reading the files of a project gave; see `inputs.copied`.

    Parameters
    ----------
    home
        ``.city`` of the project; made when something is first kept, never through a link.
    """

    def __init__(self, home: Path) -> None:
        self._home = home
        self._folder = home / FOLDER
        self.used: set[str] = set()
        """Names of the files that this run found or wrote."""

    def find(self, mark: str, kind: type[Found]) -> Found | None:
        """Give what was kept under `mark`; None where nothing is, or it is damaged."""
        path = self.path_of(mark)
        if self._leads_away() or not path.is_file():
            return None
        try:
            tables = dict(read_held(path))
            said = tables.pop(_SAID)
            texts: dict[str, str] = dict(zip(*(said[n].to_pylist() for n in said.column_names),
                                             strict=True))  # fmt: skip
            values: dict[str, Any] = {
                name: _frame_of(name, held, texts.pop(f"{_CRS} {name}", ""))
                for name, held in tables.items()
            }
            hints = get_type_hints(kind)
            values |= {name: TypeAdapter(hints[name]).validate_json(text)
                       for name, text in texts.items()}  # fmt: skip
            found = kind(**values)
        except _BAD:
            return None
        self.used.add(path.name)
        return found

    def keep(self, mark: str, found: object) -> None:
        """Keep what was read, if it can be given back as it is; else nothing is kept."""
        if self._leads_away() or not is_dataclass(found):
            return
        path, hints = self.path_of(mark), get_type_hints(type(found))
        frames, texts = dict[str, pd.DataFrame](), dict[str, str]()
        try:
            for one in fields(found):
                value = getattr(found, one.name)
                if not isinstance(value, pd.DataFrame):
                    texts[one.name] = TypeAdapter(hints[one.name]).dump_json(value).decode()
                    continue
                if one.name not in _CONTRACTS:
                    return
                frames[one.name] = value
                if isinstance(value, gpd.GeoDataFrame):
                    if not _are_plain(value):
                        return
                    texts[f"{_CRS} {one.name}"] = "" if value.crs is None else value.crs.srs
            held = {name: arrow_table(frame) for name, frame in frames.items()}
            held[_SAID] = pa.table({"name": list(texts), _TEXT: list(texts.values())})
            self._home.mkdir(exist_ok=True)
            self._folder.mkdir(exist_ok=True)
            write_file_aside(path, lambda part: write_held(part, held))
        # What cannot be kept is read again: that is all that is lost.
        except (pa.ArrowException, OSError, PydanticSerializationError, PydanticUserError,
                UnicodeError):  # fmt: skip
            return
        self.used.add(path.name)

    def sweep(self) -> None:
        """Delete what this run neither found nor kept; what cannot be deleted only takes room."""
        if self._leads_away() or not self._folder.is_dir():
            return
        with suppress(OSError):
            for path in self._folder.iterdir():
                if path.name not in self.used:
                    _delete(path)

    def path_of(self, mark: str) -> Path:
        """Give the file that holds what was kept under `mark`."""
        text = f"{code_mark()} {mark}"
        return self._folder / (hashlib.sha256(text.encode()).hexdigest() + _ENDING)

    def _leads_away(self) -> bool:
        return self._home.is_symlink() or self._folder.is_symlink()


def _delete(path: Path) -> None:
    with suppress(OSError):
        path.unlink()


def _frame_of(name: str, held: pa.Table, crs: str) -> pd.DataFrame:
    frame = frame_of(held, _CONTRACTS[name])
    if crs and isinstance(frame, gpd.GeoDataFrame):
        # The file tells the system in other words.
        return frame.set_crs(pyproj.CRS(crs), allow_override=True)
    return frame


def _are_plain(frame: gpd.GeoDataFrame) -> bool:
    """Tell whether shapes come back from bytes as they are: an empty one may not."""
    shapes = np.asarray(frame[SHAPES].array, dtype=object)
    figures = shapely.get_coordinates(shapes, include_z=bool(shapely.has_z(shapes).any()))
    kinds = shapely.get_type_id(shapes)
    is_ring = kinds == int(shapely.GeometryType.LINEARRING)
    return bool(np.isfinite(figures).all() and not shapely.is_empty(shapes).any()
                and not is_ring.any())  # fmt: skip
