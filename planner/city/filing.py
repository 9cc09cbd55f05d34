"""Working files of a city: GeoParquet, repeated texts as codes, written aside and renamed.

Rows of a part's tables are sorted by pipe, so that what lies on one pipe lies together; a
reader gets them back in the order of the contract.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import tempfile
import zlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
from pyarrow import compute
from shapely.errors import ShapelyError

from planner.city.columns import arrow_table, frame_of
from planner.errors import PlannerError
from planner.marks import Hashes
from planner.order import ranks_of
from planner.tables import Table

_SIZES = "sizes"
_NAME, _CHECK_BYTES = b"table", 4
_PACKED = pa.ipc.IpcWriteOptions(compression="lz4", use_threads=False)
_ALONE = pa.ipc.IpcReadOptions(use_threads=False)


class CityError(PlannerError):
    """Whatever stops a city's run; one line. What is finished stays finished."""


def write_frame(path: Path, frame: pd.DataFrame) -> None:
    """Write one table as (Geo)Parquet; the same rows give the same bytes.

    Parameters
    ----------
    path
        In a folder that is written aside; an earlier file is replaced.
    frame
        Any table; a `GeoDataFrame` keeps its system of coordinates.
    """
    write_table(path, arrow_table(frame))


def write_table(path: Path, held: pa.Table) -> None:
    """Write a table that arrow holds, see `columns.arrow_table`."""
    # Parquet itself keeps each text once and numbers in its place, as far as that is shorter;
    # figures are mostly all unlike. The least and the most help who looks for a pipe.
    texts = [one.name for one in held.schema if pa.types.is_large_string(one.type)]
    told = [name for name in ("pipe_id",) if name in held.column_names]
    pq.write_table(held, path, write_page_checksum=True, use_dictionary=texts,
                   write_statistics=told)  # fmt: skip


def read_frame(path: Path, table: Table | None = None) -> pd.DataFrame:
    """Read what `write_frame` wrote, in the order and the kinds of `table`.

    Without `table` it comes as it was written.

    Raises
    ------
    CityError
        If the file is damaged.
    TableError
        If it does not obey `table`.
    """
    with told_whole(path):
        return frame_of(_read(path), table)


def check_of(data: bytes) -> int:
    """Give a check sum of a file as a whole: those of Parquet leave out names of columns."""
    return zlib.crc32(data)


@dataclass(frozen=True)
class Stored:
    """A table in a file: some columns read, the others together once one of them is asked for.

    `now` holds those that are read, `schema` tells of all; `later` reads the others.
    """

    now: pa.Table
    schema: pa.Schema
    later: Callable[[], pa.Table] | None = None

    @cached_property
    def _others(self) -> pa.Table:
        return self.later() if self.later else self.now

    @cached_property
    def _there(self) -> frozenset[str]:
        return frozenset(self.now.column_names)

    def holding(self, name: str) -> pa.Table:
        """Give a table of all rows that has the column."""
        return self.now if name in self._there else self._others

    def whole(self) -> pa.Table:
        """Give all columns, in the order of the file."""
        columns = [self.holding(name)[name] for name in self.schema.names]
        return pa.table(columns, schema=self.schema)


def read_stored(
    path: Path, now: Sequence[str], by_number: Sequence[str] = (), check: int | None = None
) -> Stored:
    """Read what `write_table` wrote.

    Parameters
    ----------
    path
        Of the file.
    now
        Columns to read at once.
    by_number
        Columns of texts to read as arrow's dictionaries.
    check
        What `check_of` gave of the file; None = none is known: the sums in it count, and all is
        read at once, as a fault may lie anywhere.

    Raises
    ------
    CityError
        If the file is damaged.
    """
    with told_whole(path):
        if check is None:
            rows = _read(path, by_number)
            return Stored(rows, rows.schema)
        data = path.read_bytes()
        if check_of(data) != check:
            raise ValueError
        file = pq.ParquetFile(pa.BufferReader(data), read_dictionary=list(by_number))
        schema = file.schema_arrow
        others = [name for name in schema.names if name not in now]
        return Stored(
            file.read(columns=[name for name in schema.names if name in now], use_threads=False),
            schema,
            lambda: file.read(columns=others, use_threads=False),
        )


def write_held(path: Path, tables: Mapping[str, pa.Table]) -> None:
    """Write tables that are soon read again into one file, as arrow holds them.

    Parameters
    ----------
    path
        In a folder that is written aside.
    tables
        By name; see `columns.arrow_table`.
    """
    check = 0
    with path.open("wb") as file:
        for name, held in tables.items():
            sink = pa.BufferOutputStream()
            short = _with_texts(held, pa.string())
            named = short.replace_schema_metadata({**(held.schema.metadata or {}), _NAME: name})
            with pa.ipc.new_stream(sink, named.schema, options=_PACKED) as stream:
                stream.write_table(named.combine_chunks())
            data = sink.getvalue()
            check = zlib.crc32(data, check)
            file.write(data)
        file.write(check.to_bytes(_CHECK_BYTES, "big"))


def read_held(path: Path) -> Iterator[tuple[str, pa.Table]]:
    """Read what `write_held` wrote, one table after the other.

    Raises
    ------
    CityError
        If the file is damaged.
    """
    with told_whole(path):
        data = memoryview(path.read_bytes())
        rows, check = data[:-_CHECK_BYTES], data[-_CHECK_BYTES:]
        if check != zlib.crc32(rows).to_bytes(_CHECK_BYTES, "big"):
            raise ValueError
    source = pa.BufferReader(rows)
    while source.tell() < len(rows):
        with pa.ipc.open_stream(source, options=_ALONE) as stream:
            held = stream.read_all()
        said = dict(held.schema.metadata)
        name = said.pop(_NAME).decode()
        yield name, _with_texts(held, pa.large_string()).replace_schema_metadata(said)


def _with_texts(held: pa.Table, kind: pa.DataType) -> pa.Table:
    """Give a table with texts of a kind: small ones tell where each begins in half the bytes."""
    texts = (pa.string(), pa.large_string())
    fields = [one.with_type(kind) if one.type in texts else one for one in held.schema]
    return held.cast(pa.schema(fields, metadata=held.schema.metadata))


def _read(path: Path, by_number: Sequence[str] = ()) -> pa.Table:
    # Of a file that arrow opens itself a thread of its own reads, and stays: workers are forked
    # from processes that have none.
    source = pa.BufferReader(path.read_bytes())
    with pq.ParquetFile(
        source, page_checksum_verification=True, read_dictionary=list(by_number)
    ) as file:
        return file.read(use_threads=False)


@contextmanager
def told_whole(path: Path) -> Iterator[None]:
    """Say in one line that a file is damaged, where it is read or what was read is looked at.

    Raises
    ------
    CityError
        Naming the file, and what to do.
    """
    try:
        yield
    except PlannerError:
        raise
    # Check sums cover the rows; of what the file says of itself anything may come.
    except (OSError, ValueError, LookupError, TypeError, RuntimeError, ShapelyError) as error:
        message = (
            f"{path}: no table as a city's run wrote it ({type(error).__name__}); delete the "
            f"folder {path.parent} and run again"
        )
        raise CityError(message) from None


def by_pipe(held: pa.Table) -> pa.Table:
    """Sort rows by pipe, where the table names any; as they stood within one."""
    if "pipe_id" not in held.column_names:
        return held
    pipes = held["pipe_id"]
    if compute.all(compute.greater_equal(pipes[1:], pipes[:-1])).as_py() is not False:
        return held
    return held.take(np.argsort(ranks_of(pipes), kind="stable"))


def write_json(path: Path, values: Mapping[str, Any]) -> None:
    """Write a small record, aside and renamed: the old one or the new, never half."""
    text = json.dumps(values, indent=1, sort_keys=True, ensure_ascii=False)
    write_file_aside(path, lambda part: part.write_text(text, "utf-8"))


def write_file_aside(path: Path, write: Callable[[Path], object]) -> None:
    """Write a file aside and rename it: the old one or the new, never half."""
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=".part-")
    os.close(handle)
    part = Path(name)
    try:
        write(part)
        part.chmod(0o644)
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)


def read_json(path: Path) -> dict[str, Any]:
    """Read a small record; nothing where it is not there or damaged."""
    try:
        found = json.loads(path.read_text("utf-8"))
    except (OSError, ValueError):
        return {}
    return found if isinstance(found, dict) else {}


def read_shared(path: Path) -> dict[str, Any]:
    """Read what the command wrote for every worker.

    Raises
    ------
    CityError
        If nothing is there, as where a host does not see the project's folder.
    """
    found = read_json(path)
    if not found:
        message = f"{path}: not there; every host must see the project's folder by this path"
        raise CityError(message)
    return found


def fill_aside(target: Path, fill: Callable[[Path], None]) -> None:
    """Fill a folder aside and rename it; an earlier one is replaced as a whole.

    Two that write the same folder at once write the same: the later one stands.
    """
    target.parent.mkdir(parents=True, exist_ok=True)
    part = Path(tempfile.mkdtemp(dir=target.parent, prefix=".part-"))
    old = part.with_name(f"{part.name}-old")
    try:
        fill(part)
        part.chmod(0o755)
        if target.exists():
            target.rename(old)
        part.rename(target)
    finally:
        shutil.rmtree(part, ignore_errors=True)
        shutil.rmtree(old, ignore_errors=True)


RECORD = "record.json"


def write_record(folder: Path, values: Mapping[str, Any]) -> None:
    """Write what is recorded of a folder, the last file of it, with the sizes of the others."""
    sizes = {path.name: path.stat().st_size for path in folder.iterdir() if path.name != RECORD}
    write_json(folder / RECORD, {**values, _SIZES: sizes})


def read_record(folder: Path) -> dict[str, Any]:
    """Read what is recorded of a folder; nothing where a file of it is lost or cut short."""
    found = read_json(folder / RECORD)
    sizes = found.get(_SIZES)
    if not isinstance(sizes, dict):
        return {}
    try:
        whole = all((folder / name).stat().st_size == size for name, size in sizes.items())
    except OSError:
        return {}
    return found if whole else {}


@contextmanager
def in_one_line(folder: Path) -> Iterator[None]:
    """Say in one line of `folder` why the system refuses to read or write there."""
    try:
        yield
    except OSError as error:
        why = " ".join(str(error.strerror or error).split())
        message = (
            f"{error.filename or folder}: {why}; the last result stands and finished parts are "
            "kept: mend it and run again"
        )
        raise CityError(message) from None


def link_file(source: Path, target: Path) -> None:
    """Let a file stand in a second place; it is copied where it cannot be linked.

    Files of a city are never changed, only replaced: what is linked stays as it is.
    """
    try:
        os.link(source, target)
    except OSError:
        shutil.copyfile(source, target)


def digest_of(parts: Mapping[str, Hashes | str]) -> str:
    """Give one digest of rows of several tables, by name, and of texts."""
    digest = hashlib.sha256()
    for name in sorted(parts):
        value = parts[name]
        digest.update(f"{name}\x1f".encode())
        digest.update(value.encode() if isinstance(value, str) else value.tobytes())
        digest.update(b"\x1e")
    return digest.hexdigest()[:32]
