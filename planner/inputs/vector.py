"""One guarded reader for vector layers of eight formats, and of PostGIS.

Every attribute comes as text, an id of 417 as ``417`` and never as ``417.0``; which columns
were numbers in the file is kept beside. Nothing outside the project folder is opened and
nothing is fetched: see `file_guard` and `drivers`.
"""

from __future__ import annotations

import json
import tempfile
import warnings
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from types import ModuleType
from typing import Any, Literal

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet
import shapely

from planner.errors import FileError, shown
from planner.ground.measure import read_crs
from planner.inputs.attributes import RESERVED, in_utf8, is_number, text_of
from planner.inputs.drivers import guarded_gdal
from planner.inputs.file_guard import check_geopackage, check_json, check_shapefile, driver_of
from planner.inputs.forms import nearest
from planner.inputs.isybau_network import LAYERS, NUMBERS, read_isybau_network
from planner.inputs.more_guards import check_geodatabase, check_mapinfo, copy_gml
from planner.inputs.paths import input_file
from planner.inputs.postgis_layer import read_service_layer
from planner.inputs.shapefile_text import encoding_of
from planner.inputs.specs import LayerSpec

Shapes = npt.NDArray[np.object_]
MAX_PARQUET_ROWS = 20_000_000
MAX_PARQUET_COLUMNS = 2_000
MAX_PARQUET_BYTES = 2 * 1024**3
_PARQUET_BATCH = 2_048
_GEO = b"geo"
_LON_LAT = "OGC:CRS84"


@dataclass(frozen=True)
class Layer:
    """One layer as it stands in its file.

    ``frame`` has every attribute as text, ``row`` (1 = first feature) and the geometry; its
    ``crs`` is None where the file names none. ``name`` is the file, and the layer where the
    spec names one. ``numbers`` are the columns that the file holds as numbers, ``notes``
    what was doubtful in reading it. ``lon_lat`` says that the format means degrees where a
    file names no system. ``sha256`` is of the rows of a database, '' for a file.
    """

    frame: gpd.GeoDataFrame
    driver: str
    name: str
    numbers: frozenset[str] = frozenset()
    notes: tuple[str, ...] = ()
    lon_lat: bool = False
    sha256: str = ""


@dataclass
class _Found:
    """What a driver gives: a table of attributes, geometry in WKB or shapes, the system."""

    table: pa.Table
    shapes: Shapes
    crs: object
    notes: list[str] = field(default_factory=list)


def read_layer(spec: LayerSpec, root: Path) -> Layer:
    """Read one vector layer.

    Parameters
    ----------
    spec
        The file, relative to `root`, or the service, and the layer where it holds several.
    root
        The project folder.

    Returns
    -------
    layer
        Every feature in the order of the file, none left out.

    Raises
    ------
    FileError
        If the file lies outside the folder, is none of the formats read by ending and by
        first bytes, reaches out of itself, is locked or damaged, or lacks the layer.
    """
    if spec.file is None:
        return _service(spec)
    path = input_file(root, spec.file)
    name = spec.source
    driver = driver_of(path, name)
    lon_lat = False
    if driver == "GPKG":
        check_geopackage(path, name)
    elif driver == "ESRI Shapefile":
        check_shapefile(path, root, name)
    elif driver == "GeoJSON":
        lon_lat = not check_json(path, name)
    elif driver == "MapInfo File":
        check_mapinfo(path, root, name)
    elif driver == "OpenFileGDB":
        check_geodatabase(path, root, name)
    if driver == "ISYBAU XML":
        return _isybau(path, spec)
    if driver == "GML":
        with tempfile.TemporaryDirectory() as folder:
            found = _by_gdal(copy_gml(path, name, Path(folder)), spec, driver)
    else:
        found = _parquet(path, name) if driver == "Parquet" else _by_gdal(path, spec, driver)
    return _layer(found, spec, driver, lon_lat=lon_lat)


def _service(spec: LayerSpec) -> Layer:
    """Read a layer of the PostGIS database that a service names."""
    rows = read_service_layer(spec)
    found = _Found(rows.table, rows.shapes, rows.crs, rows.notes)
    layer = _layer(found, spec, "PostGIS", lon_lat=False)
    return replace(layer, numbers=rows.numbers, sha256=rows.sha256)


def _isybau(path: Path, spec: LayerSpec) -> Layer:
    """Read pipes or nodes of an ISYBAU XML; its columns bear our names."""
    if spec.layer not in LAYERS:
        message = f"{spec.source}: an ISYBAU XML; name layer = {' or '.join(LAYERS)}"
        raise FileError(message)
    frame = read_isybau_network(path, spec.source, spec.layer)
    frame.insert(len(frame.columns) - 1, "row", np.arange(1, len(frame) + 1))
    frame["row"] = frame["row"].astype("Int64")
    numbers = NUMBERS & set(frame.columns)
    return Layer(frame, "ISYBAU XML", spec.name, numbers=numbers)


def _layer(found: _Found, spec: LayerSpec, driver: str, *, lon_lat: bool) -> Layer:
    table = found.table
    data: dict[str, pd.Series] = {}
    numbers = []
    for place, column in enumerate(table.column_names):
        key = f"{column}*" if column in RESERVED else column
        if key in data:
            message = f"{spec.name}: two columns are called '{column}'; rename one"
            raise FileError(message)
        data[key] = pd.Series(text_of(table.column(place)), dtype="str")
        if is_number(table.column(place).type):
            numbers.append(key)
    rows = np.arange(1, len(found.shapes) + 1)
    data["row"] = pd.Series(rows, dtype="Int64")
    crs = None if lon_lat or not found.crs else read_crs(found.crs)
    frame = gpd.GeoDataFrame(pd.DataFrame(data), geometry=gpd.GeoSeries(found.shapes), crs=crs)
    return Layer(
        frame=frame,
        driver=driver,
        name=spec.name,
        numbers=frozenset(numbers),
        notes=tuple(dict.fromkeys(found.notes)),
        lon_lat=lon_lat,
    )


@dataclass(frozen=True)
class _Source:
    """One layer of one file, as GDAL opens it."""

    gdal: ModuleType
    path: Path
    layer: str
    options: dict[str, str]

    def attributes(self) -> tuple[dict[str, Any], pa.Table]:
        """Give the layer's description and all its columns, geometry in WKB among them."""
        options = {"datetime_as_string": True, **self.options}
        meta, table = self.gdal.read_arrow(self.path, layer=self.layer, **options)
        return meta, table

    def keys(self) -> pa.ChunkedArray:
        """Give the key of the file's own table, which readers hide."""
        options = {"return_fids": True, "read_geometry": False, "columns": []}
        return self.gdal.read_arrow(self.path, layer=self.layer, **options)[1].column(0)

    def straight(self) -> Shapes:
        """Give geometry by GDAL's other way of reading, which turns arcs into short pieces."""
        return _from_wkb(self.gdal.raw.read(self.path, layer=self.layer, columns=[])[2], "ignore")


def _by_gdal(path: Path, spec: LayerSpec, driver: str) -> _Found:
    gdal = guarded_gdal()
    notes: list[str] = []
    options: dict[str, str] = {}
    if driver == "GeoJSON":
        options = {"DATE_AS_STRING": "YES", "ARRAY_AS_STRING": "YES"}
    if driver == "GML":
        options = {"DOWNLOAD_SCHEMA": "NO", "USE_SCHEMA_IMPORT": "NO", "WRITE_GFS": "NO"}
    if driver == "ESRI Shapefile":
        options["encoding"], note = encoding_of(path)
        notes += [note] if note else []
    errors = gdal.errors
    broken = (errors.DataSourceError, errors.DataLayerError, errors.FeatureError,
              errors.GeometryError, errors.FieldError, pa.ArrowException, OSError,
              # What the library lets through for a damaged index, text or coordinate system.
              UnicodeError, UnboundLocalError)  # fmt: skip
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        try:
            source = _Source(gdal, path, _pick_layer(gdal, path, spec), options)
            found = _found_in(source, spec, notes)
        except broken as error:
            message = f"{spec.source}: cannot be read as {driver}: {_one_line(error)}"
            raise FileError(message) from error
    # Python's own warnings would reach the user as noise: each becomes a note of the layer.
    found.notes += [_one_line(warning.message) for warning in caught]
    return found


def _found_in(source: _Source, spec: LayerSpec, notes: list[str]) -> _Found:
    meta, table = source.attributes()
    place = meta["geometry_name"] or "wkb_geometry"
    if place not in table.column_names:
        message = f"{spec.name}: a table without geometry; wanted a layer of shapes"
        raise FileError(message)
    try:
        shapes = _from_wkb(table.column(place).to_pylist(), "raise")
    except (NotImplementedError, shapely.errors.ShapelyError):
        shapes = source.straight()
        notes.append("curves were read as short straight pieces")
    table, odd = in_utf8(table.drop_columns([place]))
    if odd:
        names = ", ".join(shown(name) for name in odd)
        notes.append(f"text that is no UTF-8 was read as Windows-1252 in {names}")
    key = meta["fid_column"]
    if key and key not in table.column_names and key in spec.columns.values():
        table = table.append_column(key, source.keys())
    return _Found(table, shapes, meta["crs"], notes)


def _pick_layer(gdal: ModuleType, path: Path, spec: LayerSpec) -> str:
    name = spec.source
    names = [str(layer) for layer in gdal.list_layers(path)[:, 0]]
    if spec.layer:
        if spec.layer in names:
            return spec.layer
        hint = nearest(spec.layer, names)
        message = f"{name}: no layer '{spec.layer}'{hint}; found {', '.join(names) or 'none'}"
        raise FileError(message)
    if len(names) != 1:
        message = f"{name}: holds {len(names)} layers ({', '.join(names)}); name one by layer ="
        raise FileError(message)
    return names[0]


def _from_wkb(wkb: Sequence[bytes | None], on_invalid: Literal["raise", "ignore"]) -> Shapes:
    # A coordinate may be NaN: numpy would warn, the network says it of the pipe.
    with np.errstate(invalid="ignore"):
        shapes = shapely.from_wkb(np.array(wkb, dtype=object), on_invalid)
    return np.asarray(shapes, dtype=object)


def _one_line(text: object) -> str:
    return " ".join(str(text).split())[:300]


def _parquet(path: Path, name: str) -> _Found:
    try:
        with path.open("rb") as stream:
            table = _within_limits(pyarrow.parquet.ParquetFile(stream), name)
    except (pa.ArrowException, OSError, MemoryError) as error:
        message = f"{name}: cannot be read as Parquet: {_one_line(error)}"
        raise FileError(message) from error
    place, column = _geo_column(table, name)
    if column.get("encoding") != "WKB":
        found = column.get("encoding")
        message = f"{name}: its geometry is written as {found}; wanted GeoParquet with WKB"
        raise FileError(message)
    try:
        shapes = _from_wkb(table.column(place).to_pylist(), "ignore")
    except NotImplementedError as error:
        message = f"{name}: holds curves, which are not read from Parquet; wanted GeoPackage"
        raise FileError(message) from error
    # A crs left away means degrees by the format; one that is null means unknown.
    crs = column.get("crs", _LON_LAT)
    crs = json.dumps(crs) if isinstance(crs, dict) else crs
    return _Found(table.drop_columns([place]), shapes, crs)


def _within_limits(file: Any, name: str) -> pa.Table:  # noqa: ANN401 - pyarrow has no types
    """Read rows as long as they fit: packed, a file of 6 kB can hold 20 GB of text."""
    rows, columns = file.metadata.num_rows, file.metadata.num_columns
    parts = []
    size = 0
    if rows <= MAX_PARQUET_ROWS and columns <= MAX_PARQUET_COLUMNS:
        for batch in file.iter_batches(batch_size=_PARQUET_BATCH):
            parts.append(batch)
            size += sum(map(_unpacked, batch.columns))
            if size > MAX_PARQUET_BYTES:
                break
        else:
            return pa.Table.from_batches(parts, file.schema_arrow)
    message = (
        f"{name}: {rows} rows of {columns} columns: more than {MAX_PARQUET_ROWS} rows, "
        f"{MAX_PARQUET_COLUMNS} columns or {MAX_PARQUET_BYTES >> 20} MB unpacked; split it"
    )
    raise FileError(message)


def _unpacked(column: Any) -> int:  # noqa: ANN401 - pyarrow has no types
    """Give the bytes of a column once each row holds its own text, not a number of one."""
    if not pa.types.is_dictionary(column.type):
        return int(column.nbytes)
    words = column.dictionary
    if not (pa.types.is_string(words.type) or pa.types.is_large_string(words.type)):
        return int(column.nbytes + len(column) * words.nbytes / max(len(words), 1))
    lengths = pc.take(pc.binary_length(words), column.indices)
    return int(column.nbytes + (pc.sum(lengths).as_py() or 0))


def _geo_column(table: pa.Table, name: str) -> tuple[str, dict[str, Any]]:
    try:
        meta = json.loads((table.schema.metadata or {})[_GEO])
        place = meta["primary_column"]
        column = meta["columns"][place]
        table.schema.field(place)
    except (KeyError, ValueError, TypeError, RecursionError) as error:
        message = f"{name}: Parquet without geometry: wanted GeoParquet (metadata 'geo')"
        raise FileError(message) from error
    return str(place), dict(column)
