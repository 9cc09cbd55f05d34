"""Tables as arrow holds them, made of frames and back, each column in one step.

Texts are shared, not copied; shapes are WKB, with what GeoParquet says of them. A system of
coordinates is made out of its words once, however many files name it.
"""

from __future__ import annotations

import io
import json
from collections.abc import Mapping
from functools import lru_cache
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import shapely
from geopandas.array import GeometryArray
from pyproj import CRS

from planner.arrays import arrow_of, column_of, figures_of, unknown
from planner.coded_text import Coded
from planner.shapes import Shapes
from planner.tables import Table, conform

SHAPES = "geometry"
_GEO, _PANDAS = b"geo", b"pandas"
# Whole numbers and flags may be unknown.
_MASKED: dict[pa.DataType, Any] = {pa.int64(): pd.Int64Dtype(), pa.bool_(): pd.BooleanDtype()}
# In the order of the numbers that shapely gives them; a ring is told as the line that it is.
_KINDS = ("Point", "LineString", "LineString", "Polygon", "MultiPoint", "MultiLineString",
          "MultiPolygon", "GeometryCollection")  # fmt: skip
_TOLD_KINDS = (*_KINDS, *(f"{kind} Z" for kind in _KINDS))


def arrow_table(frame: pd.DataFrame) -> pa.Table:
    """Give a frame as arrow holds it; a `GeoDataFrame` with what GeoParquet says of it.

    Parameters
    ----------
    frame
        Any table whose shapes, if it has any, are its column ``geometry``.
    """
    plain = pd.DataFrame(frame) if isinstance(frame, gpd.GeoDataFrame) else frame
    columns = {str(name): plain[name].array for name in plain.columns}
    kinds = tuple((name, str(values.dtype)) for name, values in columns.items())
    said = {_PANDAS: _told_by_pandas(kinds)}
    shapes = columns.get(SHAPES)
    if isinstance(shapes, GeometryArray):
        said[_GEO] = _told_of(shapes)
    arrays = [_as_arrow(values) for values in columns.values()]
    return pa.Table.from_arrays(arrays, names=list(columns), metadata=said)


def frame_of(held: pa.Table, table: Table | None = None) -> pd.DataFrame:
    """Give what `arrow_table` was given, by `table`; without it, as it was.

    Raises
    ------
    TableError
        If it does not obey `table`.
    """
    if table is None:
        return _as_it_was(held)
    there = [name for name in table.names if name in held.column_names]
    there += [SHAPES] if table.geometry else []
    found = {name: array_of(held, name) for name in there}
    return conform(found if there else _as_it_was(held), table)


def _as_it_was(held: pa.Table) -> pd.DataFrame:
    if _GEO not in (held.schema.metadata or {}):
        plain: pd.DataFrame = held.to_pandas(use_threads=False)
        return plain
    at = held.column_names.index(SHAPES)
    frame = held.remove_column(at).to_pandas(use_threads=False)
    frame.insert(at, SHAPES, array_of(held, SHAPES))
    return gpd.GeoDataFrame(frame, geometry=SHAPES)


def _as_arrow(values: Any) -> pa.Array | pa.ChunkedArray:  # noqa: ANN401 - any array
    if isinstance(values, GeometryArray):
        # GeoParquet wants heights told in the way of ISO.
        bytes_of = shapely.to_wkb(np.asarray(values, dtype=object), flavor="iso")
        return pa.array(bytes_of, type=pa.binary())
    texts = arrow_of(values)
    return pa.array(values, from_pandas=True) if texts is None else texts


def array_of(held: pa.Table, name: str) -> Any:  # noqa: ANN401 - any array
    """Give a column as a contract wants it, if it is held so; else what pandas makes of it."""
    column = held[name]
    if name == SHAPES:
        return shapes_of(held).column()
    if pa.types.is_large_string(column.type):
        return column_of(column)
    if pa.types.is_dictionary(column.type) and not column.null_count:
        return Coded.held(column)
    if pa.types.is_float64(column.type):
        return figures_of(column)
    if column.type in _MASKED:
        bare = column.type == pa.bool_() and column.null_count == len(column)
        made: Any = _MASKED[column.type]
        return unknown("flag", len(column)) if bare else made.__from_arrow__(column)
    return column.to_pandas().array


def shapes_of(held: pa.Table) -> Shapes:
    """Give the shapes of a table as bytes."""
    return Shapes(held[SHAPES], _crs_of(held))


@lru_cache(maxsize=256)
def _told_by_pandas(kinds: tuple[tuple[str, str], ...]) -> bytes:
    """Give what pandas writes of columns by name and type, so that it reads them so again."""
    # Shapes are bytes to it.
    types = {name: "object" if kind == SHAPES else kind for name, kind in kinds}
    frame = pd.DataFrame({name: pd.Series([], dtype=kind) for name, kind in types.items()})
    schema = pa.Schema.from_pandas(frame, preserve_index=False)
    return bytes(schema.metadata[_PANDAS])


def _told_of(shapes: GeometryArray) -> bytes:
    """Give what GeoParquet says of shapes: system of coordinates, kinds, box around all."""
    told: dict[str, Any] = json.loads(_told_of_crs("" if shapes.crs is None else shapes.crs.srs))
    plain = np.asarray(shapes, dtype=object)
    kinds = np.unique(shapely.get_type_id(plain) + len(_KINDS) * shapely.has_z(plain))
    column = told["columns"][SHAPES]
    # Whatever is missing has no kind.
    column["geometry_types"] = sorted({_TOLD_KINDS[n] for n in kinds[kinds >= 0]})
    box = shapely.total_bounds(plain) if len(plain) else np.array([np.nan])
    if np.isfinite(box).all():
        column["bbox"] = box.tolist()
    return json.dumps(told).encode()


@lru_cache(maxsize=16)
def _told_of_crs(words: str) -> str:
    """Give what geopandas writes of no shapes at all in a system of coordinates."""
    file = io.BytesIO()
    gpd.GeoDataFrame({SHAPES: []}, geometry=SHAPES, crs=words or None).to_parquet(file)
    return str(pq.read_metadata(file).metadata[_GEO].decode())


def _crs_of(held: pa.Table) -> CRS | None:
    told: Mapping[str, Any] = json.loads((held.schema.metadata or {})[_GEO])["columns"][SHAPES]
    # GeoParquet: where none is told it is that of longitude and latitude.
    words = told.get("crs", "OGC:CRS84")
    return None if words is None else _crs(json.dumps(words))


@lru_cache(maxsize=16)
def _crs(words: str) -> CRS:
    return CRS.from_user_input(json.loads(words))
