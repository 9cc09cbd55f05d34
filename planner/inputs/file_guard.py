"""What a vector file really is, before the library that reads it sees it.

The first bytes must fit the ending. A GeoJSON may name its coordinate system by a link,
which the library would fetch; a GeoPackage may hold views or columns that call functions
which open other files or call out. Both are found and refused here.
"""

from __future__ import annotations

import json
import re
import sqlite3
from pathlib import Path
from typing import Any

from planner.errors import FileError

MAX_JSON_BYTES = 512 * 1024 * 1024
_ENDINGS = {
    ".gpkg": "GPKG",
    ".shp": "ESRI Shapefile",
    ".geojson": "GeoJSON",
    ".json": "GeoJSON",
    ".parquet": "Parquet",
    ".fgb": "FlatGeobuf",
    ".gml": "GML",
    ".tab": "MapInfo File",
    ".mif": "MapInfo File",
    ".gdb": "OpenFileGDB",
    ".xml": "ISYBAU XML",
}
_STARTS = {
    "GPKG": b"SQLite format 3\x00",
    "ESRI Shapefile": b"\x00\x00\x27\x0a",
    "GeoJSON": b"{",
    "Parquet": b"PAR1",
    "FlatGeobuf": b"fgb\x03fgb",
    "GML": b"<",
    "ISYBAU XML": b"<",
}
_MAPINFO = (b"!table", b"version")
_BOM = b"\xef\xbb\xbf"
_LOCK_WAIT_S = 5.0
# Functions that the library adds to SQL: some open other layers, some ask a server.
_CALLS = re.compile(r"(?<![a-z0-9_])((ogr|gdal)_[a-z]\w*|load_extension)", re.I)
_CRS_NAME = re.compile(r"(urn:(ogc|x-ogc):def:crs:[\w.:-]+|EPSG:\d+|OGC:CRS84)", re.I)


def driver_of(path: Path, name: str) -> str:
    """Tell the format of a vector file by its ending, proved by its first bytes.

    Parameters
    ----------
    path
        The file.
    name
        Its name in messages.

    Returns
    -------
    driver
        A GDAL driver of `drivers.ALLOWED`, ``Parquet`` or ``ISYBAU XML``.

    Raises
    ------
    FileError
        If the ending is none of those that are read, or the content is something else.
    """
    driver = _ENDINGS.get(path.suffix.lower())
    if driver is None:
        message = f"{name}: '{path.suffix}' is not read; wanted {', '.join(sorted(_ENDINGS))}"
        raise FileError(message)
    if "!" in str(path):
        message = f"{name}: a path with '!' in it is not read; rename the folder or file"
        raise FileError(message)
    if driver == "OpenFileGDB":
        return driver  # a folder, which its own guard looks into
    with path.open("rb") as stream:
        head = stream.read(512)
    if driver in ("GeoJSON", "GML", "ISYBAU XML"):
        head = head.removeprefix(_BOM).lstrip()
    starts = _MAPINFO if driver == "MapInfo File" else (_STARTS[driver],)
    begun = head.lstrip().lower() if driver == "MapInfo File" else head
    if not begun.startswith(starts):
        start = "".join(sign if sign.isprintable() else "?" for sign in head[:16].decode("latin-1"))
        message = f"{name}: is no {driver} file: it starts with '{start}'"
        raise FileError(message)
    return driver


def check_json(path: Path, name: str) -> bool:
    """Refuse a GeoJSON whose coordinate system would be fetched from elsewhere.

    Parameters
    ----------
    path
        The file.
    name
        Its name in messages.

    Returns
    -------
    names_crs
        Whether the file names a coordinate system; without one the format means degrees.

    Raises
    ------
    FileError
        If it is no JSON, too large, no collection of features, or its ``crs`` is a link.
    """
    if path.stat().st_size > MAX_JSON_BYTES:
        message = f"{name}: larger than {MAX_JSON_BYTES >> 20} MB; write it as GeoPackage"
        raise FileError(message)
    try:
        found = json.loads(path.read_bytes().decode("utf-8-sig"), object_pairs_hook=_pairs)
    except FileError as error:
        message = f"{name}: {error}"
        raise FileError(message) from error
    except (ValueError, RecursionError) as error:
        message = f"{name}: not valid JSON in UTF-8: {error}"
        raise FileError(message) from error
    if not isinstance(found, dict) or found.get("type") not in ("FeatureCollection", "Feature"):
        message = f"{name}: no GeoJSON: the top must be a FeatureCollection"
        raise FileError(message)
    return found.get("crs") is not None


def _pairs(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    """Make an object of its members; whatever is called ``crs`` must be a plain name."""
    for key, value in pairs:
        if key == "crs" and isinstance(value, dict):
            inside = value.get("properties")
            written = inside.get("name") if isinstance(inside, dict) else None
            if value.get("type") != "name" or not _CRS_NAME.fullmatch(str(written)):
                message = f"its crs is {json.dumps(value)[:80]}; wanted a name such as EPSG:25832"
                raise FileError(message)
    return dict(pairs)


def check_shapefile(path: Path, root: Path, name: str) -> None:
    """Refuse a shapefile whose parts are missing, or are links out of the folder.

    Parameters
    ----------
    path
        The ``.shp`` file.
    root
        The project folder.
    name
        Its name in messages.

    Raises
    ------
    FileError
        If ``.shx`` or ``.dbf`` is missing, or a part lies outside the folder.
    """
    parts = [part for part in path.parent.iterdir() if part.stem == path.stem]
    for part in sorted(parts):
        if not part.resolve().is_relative_to(root.resolve()):
            message = f"{name}: its part {part.name} is a link out of the project folder"
            raise FileError(message)
    endings = {part.suffix.lower() for part in parts}
    for ending in (".shx", ".dbf"):
        if ending not in endings:
            message = f"{name}: its part {path.stem}{ending} is missing beside it"
            raise FileError(message)


def check_geopackage(path: Path, name: str) -> None:
    """Refuse a GeoPackage that is locked, is none, or holds SQL that reaches out of it.

    Parameters
    ----------
    path
        The file.
    name
        Its name in messages.

    Raises
    ------
    FileError
        With the reason in one line.
    """
    try:
        base = sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True, timeout=_LOCK_WAIT_S)
        try:
            base.execute("PRAGMA trusted_schema = OFF")
            schema = base.execute("SELECT type, name, sql FROM sqlite_master").fetchall()
        finally:
            base.close()
    # SQLite quotes damaged bytes in its words: to decode them is a ValueError.
    except (sqlite3.Error, ValueError, OverflowError) as error:
        message = f"{name}: cannot be read as a GeoPackage: {error}"
        raise FileError(message) from error
    if not any(kind == "table" and table == "gpkg_contents" for kind, table, _ in schema):
        message = f"{name}: is a database but no GeoPackage: it has no table gpkg_contents"
        raise FileError(message)
    for _, table, sql in schema:
        text = str(sql or "")
        virtual = re.match(r"\s*CREATE\s+VIRTUAL\s+TABLE", text, re.I)
        if virtual and not re.search(r"\bUSING\s+\"?rtree\"?\s*\(", text, re.I):
            message = f"{name}: holds the virtual table '{table}', which may read other files"
            raise FileError(message)
        call = _CALLS.search(text) if not text.upper().startswith("CREATE TRIGGER") else None
        if call:
            message = f"{name}: '{table}' calls {call[1]}, which may reach out of the file"
            raise FileError(message)
