"""A table of a run, read from its Parquet file as the database takes it.

What the file's own figures tell is not read: a column without a value does not travel. Texts
that come again and again stay by number as they lie in the file.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq
from numpy.typing import NDArray

from planner.errors import StoreError
from planner.tables import Column, Table

_FEW_BYTES = 1.5  # a row in the file: 12 bits tell 4096 texts apart
_FEW, _SAMPLE = 256, 4096  # so many unlike values at most in a sample of so many rows
_HEAD = 5  # bytes of a WKB: 1 = little-endian, then the type
# 1 point, 2 line, ... ; 1000 more for a height.
_SHAPES = {1: "Point", 2: "LineString", 3: "Polygon", 5: "MultiLineString", 1001: "PointZ",
           1002: "LineStringZ"}  # fmt: skip


@dataclass(frozen=True)
class Numbered:
    """A column by number: of which word (or the unknown) each row is, and how many there are."""

    at: NDArray[np.integer]
    words: int


@dataclass(frozen=True)
class RunFile:
    """What one Parquet file of a run holds.

    `columns` are those with a value, null where a value is unknown, texts that repeat
    by number (dictionary); `blank` names the others.
    `shapes` is WKB, or None where the table has none.
    """

    count: int
    columns: dict[str, pa.ChunkedArray]
    blank: tuple[str, ...]
    shapes: pa.ChunkedArray | None
    metadata: Mapping[bytes, bytes]

    @cached_property
    def numbered(self) -> dict[str, Numbered]:
        """Give the columns that hold few unlike values, by number."""
        found = {name: _numbered(values) for name, values in self.columns.items()}
        return {name: held for name, held in found.items() if held is not None}

    @cached_property
    def still(self) -> dict[str, object]:
        """Give the columns that hold one value in all rows, with that value."""
        one = [name for name, held in self.numbered.items() if held.words == 1]
        return {name: self.columns[name][0].as_py() for name in one if self.count}


def read_run_file(path: Path, table: Table) -> RunFile:
    """Read one table of a run.

    Raises
    ------
    StoreError
        If the file lacks a column of `table`: it was written by another version.
    """
    about = pq.read_metadata(path)
    sizes, told_blank = _told(about)
    lacking = [name for name in table.names if name not in sizes]
    if lacking:
        message = f"{path}: lacks {', '.join(lacking)}; plan again with this version"
        raise StoreError(message)
    few = [
        column.name
        for column in table.columns
        if column.kind == "text" and sizes[column.name] < _FEW_BYTES * about.num_rows
    ]
    names = [name for name in table.names if name not in told_blank]
    with pq.ParquetFile(path, metadata=about, read_dictionary=few) as file:
        found = file.read([*names, "geometry"] if "geometry" in sizes else names)
    columns = {name: _cast(found.column(name), table[name]) for name in names}
    blank = {name for name, values in columns.items() if _is_blank(values)} | told_blank
    return RunFile(
        about.num_rows,
        {name: values for name, values in columns.items() if name not in blank},
        tuple(name for name in table.names if name in blank),
        found.column("geometry") if "geometry" in sizes else None,
        found.schema.metadata or {},
    )


def shape_type(shapes: pa.ChunkedArray) -> str:
    """Name the one type that all shapes are of, else the type of any shape."""
    heads = set[bytes]()
    for chunk in shapes.chunks:
        plain = chunk.cast(pa.large_binary()).drop_null()
        if not len(plain):
            continue
        ends = np.frombuffer(plain.buffers()[1], np.int64)[plain.offset :][: len(plain) + 1]
        if np.diff(ends).min() < _HEAD:
            return "Geometry"  # The server says what is wrong with it.
        signs = np.frombuffer(plain.buffers()[2], np.uint8)
        found = signs[ends[:-1, None] + np.arange(_HEAD)]
        if (found != found[0]).any():
            return "Geometry"
        heads.add(found[0].tobytes())
    if len(heads) != 1:
        return "Geometry"
    head = heads.pop()
    return _SHAPES.get(int.from_bytes(head[1:], "little"), "Geometry") if head[0] else "Geometry"


def _told(about: pq.FileMetaData) -> tuple[dict[str, int], set[str]]:
    """Give what the file says of its columns: bytes by name, and which have no value at all."""
    sizes, full = dict[str, int](), set[str]()
    for group in range(about.num_row_groups):
        rows = about.row_group(group)
        for at in range(rows.num_columns):
            part = rows.column(at)
            name, told = part.path_in_schema, part.statistics
            sizes[name] = sizes.get(name, 0) + part.total_uncompressed_size
            unknown = told is not None and told.has_null_count and told.null_count == rows.num_rows
            empty = told is not None and told.has_min_max and told.min == told.max == ""
            if not (unknown or (empty and told.has_null_count and told.null_count == 0)):
                full.add(name)
    if not about.num_row_groups:
        sizes = dict.fromkeys(about.schema.names, 0)
    return sizes, set(sizes) - full - {"geometry"}


def _is_blank(values: pa.ChunkedArray) -> bool:
    """Tell whether a column has no value: no figure, or no text that is longer than nothing."""
    if pa.types.is_dictionary(values.type):
        words = [word for chunk in values.chunks for word in chunk.dictionary.to_pylist()]
        return not any(words)
    if pa.types.is_string(values.type):
        return not pc.max(pc.binary_length(values)).as_py()
    return bool(values.null_count == len(values))


def _cast(values: pa.ChunkedArray, column: Column) -> pa.ChunkedArray:
    """Give a column of a Parquet file as the table takes it."""
    if column.kind == "date":
        return pc.if_else(pc.equal(values, ""), None, values).cast(pa.date32())
    if column.kind == "number":
        not_known = pc.is_nan(values)
        return pc.if_else(not_known, None, values) if pc.any(not_known).as_py() else values
    if pa.types.is_dictionary(values.type):
        return values
    kinds = {"text": pa.string(), "whole": pa.int64(), "flag": pa.bool_()}
    return values.cast(kinds[column.kind])


def _numbered(values: pa.ChunkedArray) -> Numbered | None:
    """Give a column by number; None where it holds many unlike values."""
    if pa.types.is_dictionary(values.type):
        both = values.unify_dictionaries().combine_chunks()
        return None if both.null_count else Numbered(both.indices.to_numpy(), len(both.dictionary))
    if pa.types.is_string(values.type):
        return None
    plain = values.combine_chunks()
    if pa.types.is_floating(plain.type):
        plain = plain.view(pa.int64())  # 0.0 and -0.0 are two values.
    step = max(1, len(plain) // _SAMPLE)
    if pc.count_distinct(plain.take(pa.array(np.arange(0, len(plain), step)))).as_py() > _FEW:
        return None
    both = plain.dictionary_encode(null_encoding="encode")
    return Numbered(both.indices.to_numpy(), len(both.dictionary))
