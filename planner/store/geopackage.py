"""Attribute tables in one GeoPackage, each change a single SQLite transaction.

SQLite's rollback journal is kept on disk and deleted at the commit, so a killed
process leaves the old state or the new (measured: a journal in memory, or none,
left half-written files that passed an integrity check; so did overwriting a layer
through GDAL). GDAL is not used here: the file is written with the standard library.

Nobody here opens the file but SQLite, not even to look at it: closing it would let go of the
locks that another thread of this process holds on it, and a second writer would come in.

References
----------
OGC 12-128r18, GeoPackage Encoding Standard 1.3.1, clauses 1.1 and 2.2.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from planner.errors import StoreError, TableError
from planner.store.journal_mode import keep_journal_on_disk, keep_log, leave_log
from planner.store.keeping import Change
from planner.store.share import refuse_share
from planner.tables import Column, Table, conform

APPLICATION_ID = 0x47504B47  # "GPKG"
USER_VERSION = 10301
BUSY_S = 5.0
_SQL_TYPES = {
    "text": "TEXT NOT NULL",
    "date": "DATE",
    "number": "DOUBLE",
    "whole": "INTEGER",
    "flag": "BOOLEAN",
}
_WGS84 = (
    'GEOGCS["WGS 84",DATUM["WGS_1984",SPHEROID["WGS 84",6378137,298.257223563,'
    'AUTHORITY["EPSG","7030"]],AUTHORITY["EPSG","6326"]],PRIMEM["Greenwich",0,'
    'AUTHORITY["EPSG","8901"]],UNIT["degree",0.0174532925199433,'
    'AUTHORITY["EPSG","9122"]],AUTHORITY["EPSG","4326"]]'
)
_SYSTEMS = (
    ("Undefined Cartesian SRS", -1, "NONE", -1, "undefined", "undefined Cartesian"),
    ("Undefined geographic SRS", 0, "NONE", 0, "undefined", "undefined geographic"),
    ("WGS 84 geodetic", 4326, "EPSG", 4326, _WGS84, "longitude and latitude in degrees"),
)
_HOUSE = (
    "CREATE TABLE gpkg_spatial_ref_sys (srs_name TEXT NOT NULL, srs_id INTEGER PRIMARY KEY, "
    "organization TEXT NOT NULL, organization_coordsys_id INTEGER NOT NULL, "
    "definition TEXT NOT NULL, description TEXT)",
    "CREATE TABLE gpkg_contents (table_name TEXT NOT NULL PRIMARY KEY, data_type TEXT NOT NULL, "
    "identifier TEXT UNIQUE, description TEXT DEFAULT '', last_change DATETIME NOT NULL "
    "DEFAULT (strftime('%Y-%m-%dT%H:%M:%fZ','now')), min_x DOUBLE, min_y DOUBLE, max_x DOUBLE, "
    "max_y DOUBLE, srs_id INTEGER, CONSTRAINT fk_gc_r_srs_id FOREIGN KEY (srs_id) "
    "REFERENCES gpkg_spatial_ref_sys(srs_id))",
    # Empty, as nothing here has a geometry; GDAL opens no GeoPackage without it.
    "CREATE TABLE gpkg_geometry_columns (table_name TEXT NOT NULL, column_name TEXT NOT NULL, "
    "geometry_type_name TEXT NOT NULL, srs_id INTEGER NOT NULL, z TINYINT NOT NULL, "
    "m TINYINT NOT NULL, CONSTRAINT pk_geom_cols PRIMARY KEY (table_name, column_name), "
    "CONSTRAINT uk_gc_table_name UNIQUE (table_name), CONSTRAINT fk_gc_tn FOREIGN KEY "
    "(table_name) REFERENCES gpkg_contents(table_name), CONSTRAINT fk_gc_srs FOREIGN KEY "
    "(srs_id) REFERENCES gpkg_spatial_ref_sys(srs_id))",
    f"PRAGMA application_id = {APPLICATION_ID}",
    f"PRAGMA user_version = {USER_VERSION}",
)


class GeoPackage:
    """Tables kept in the GeoPackage at `path`; see `planner.store.keeping.Keeping`.

    Raises
    ------
    StoreError
        If it lies on a network share, where file locks do not hold.
    """

    def __init__(self, path: Path) -> None:
        refuse_share(path)
        self.path = path

    @property
    def name(self) -> str:
        """Give the path."""
        return str(self.path)

    @contextmanager
    def transaction(self, tables: Sequence[Table]) -> Iterator[Change]:
        """Open the file for one change of `tables`; see `transaction`."""
        with transaction(self.path, tables) as connection:
            yield _Change(connection)

    def read_tables(self, tables: Sequence[Table]) -> dict[str, pd.DataFrame]:
        """Read `tables` as they stood at one moment; see `read_tables`."""
        return read_tables(self.path, tables)

    def stamp(self) -> object:
        """Give what differs once anything was written since: of the file and its log."""
        found = []
        for path in (self.path, self.path.with_name(self.path.name + "-wal")):
            try:
                at = path.stat()
            except OSError:
                found.append((0, 0))
            else:
                found.append((at.st_mtime_ns, at.st_size))
        return tuple(found)

    @contextmanager
    def editing(self) -> Iterator[None]:
        """Keep a write-ahead log until the block ends: readers and a writer do not wait.

        Then the log is written into the file and there is one file again, once nobody else is
        editing. Of a killed session the next opening takes the log in. While it is edited the
        file must not be copied: the log beside it is a part of it.
        """
        with transaction(self.path, []):
            pass  # The file is there, whole and ours.
        with _errors_of(self.path):
            connection = sqlite3.connect(self.path, timeout=BUSY_S, isolation_level=None)
        try:
            with _errors_of(self.path):
                keep_log(connection, BUSY_S)
                # The log stays for as long as this connection has looked into it.
                connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
            try:
                yield
            finally:
                with _errors_of(self.path):
                    connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
                    leave_log(connection)
        finally:
            connection.close()


@dataclass(frozen=True)
class _Change:
    connection: sqlite3.Connection

    def rows_of(self, table: Table, about: tuple[str, Iterable[str]] | None = None) -> pd.DataFrame:
        return rows_of(self.connection, table, about)

    def highest_in(self, table: Table, column: str) -> int:
        return highest_in(self.connection, table, column)

    def add_rows(self, table: Table, frame: pd.DataFrame) -> None:
        add_rows(self.connection, table, frame)

    def replace_rows(self, table: Table, frame: pd.DataFrame) -> None:
        replace_rows(self.connection, table, frame)


@contextmanager
def transaction(
    path: Path, tables: Sequence[Table], *, busy_s: float = BUSY_S
) -> Iterator[sqlite3.Connection]:
    """Open `path` for one change of `tables`: all of it is kept, or none.

    The file and its tables are made within the same transaction if they are missing.
    The write lock is taken at once, so what is read inside cannot be overtaken.

    Parameters
    ----------
    path
        The GeoPackage.
    tables
        Contracts of the tables that must be there.
    busy_s
        How long to wait for another program to let go [s].

    Raises
    ------
    StoreError
        If the file is no GeoPackage, is in use, cannot be written, or its tables
        have other columns.
    """
    _refuse_links(path)
    with _errors_of(path):
        connection = sqlite3.connect(path, timeout=busy_s, isolation_level=None)
    try:
        with _errors_of(path):
            keep_journal_on_disk(connection, path)
            connection.execute("BEGIN IMMEDIATE")
            _make_house(connection, path)
            for table in tables:
                _make_table(connection, table)
                _add_new_texts(connection, table)
                _check_columns(connection, table, path)
            yield connection
            connection.execute("COMMIT")
    finally:
        # Closing rolls back whatever was not committed.
        connection.close()


def read_tables(
    path: Path, tables: Sequence[Table], *, busy_s: float = BUSY_S
) -> dict[str, pd.DataFrame]:
    """Read `tables` as they stood at one moment; what is not there is empty.

    Raises
    ------
    StoreError
        If the file is no GeoPackage, is in use, or a table breaks its contract.
    """
    _refuse_links(path)
    if not path.exists() or path.stat().st_size == 0:
        return {table.name: conform([], table) for table in tables}
    with _errors_of(path):
        connection = sqlite3.connect(path, timeout=busy_s, isolation_level=None)
    try:
        with _errors_of(path):
            connection.execute("BEGIN")
            if _is_new(connection):
                return {table.name: conform([], table) for table in tables}
            _refuse_other_databases(connection, path)
            return {table.name: _rows_or_none(connection, table, path) for table in tables}
    finally:
        connection.close()


def rows_of(
    connection: sqlite3.Connection, table: Table, about: tuple[str, Iterable[str]] | None = None
) -> pd.DataFrame:
    """Read one table within a transaction; the frame obeys `table`.

    `about` is a column of texts and which of them are wanted; None = all rows.
    """
    there = _columns(connection, table)
    # A column that an earlier version did not write is read as blank.
    names = ", ".join(f'"{name}"' if name in there else "''" for name in table.names)
    sql, values = f'SELECT {names} FROM "{table.name}"', list[str]()
    if about is not None:
        name, values = about[0], sorted(set(about[1]))
        sql += f' WHERE "{name}" IN (SELECT value FROM json_each(?))'
    found = connection.execute(sql, [json.dumps(values)] if about is not None else []).fetchall()
    if not found:
        return conform([], table)
    columns: dict[str, Any] = {}
    for column, held in zip(table.columns, zip(*found, strict=True), strict=True):
        columns[column.name] = list(held)
        if column.kind == "flag":
            flags = [pd.NA if value is None else bool(value) for value in held]
            columns[column.name] = pd.array(flags, dtype="boolean")
    return conform(columns, table)


def highest_in(connection: sqlite3.Connection, table: Table, column: str) -> int:
    """Give the highest whole number in a column within a transaction; 0 where there is none."""
    found = connection.execute(f'SELECT max("{column}") FROM "{table.name}"').fetchone()[0]
    return int(found or 0)


def replace_rows(connection: sqlite3.Connection, table: Table, frame: pd.DataFrame) -> None:
    """Put `frame` in the place of all rows of `table`, within a transaction."""
    connection.execute(f'DELETE FROM "{table.name}"')
    add_rows(connection, table, frame)


def add_rows(connection: sqlite3.Connection, table: Table, frame: pd.DataFrame) -> None:
    """Add the rows of `frame`, which obeys `table`, within a transaction."""
    names = ", ".join(f'"{name}"' for name in table.names)
    marks = ", ".join("?" * len(table.names))
    values = zip(*(_plain(frame[column.name], column) for column in table.columns), strict=True)
    connection.executemany(f'INSERT INTO "{table.name}" ({names}) VALUES ({marks})', values)
    connection.execute(
        "UPDATE gpkg_contents SET last_change = strftime('%Y-%m-%dT%H:%M:%fZ','now') "
        "WHERE table_name = ?",
        (table.name,),
    )


def _plain(values: pd.Series, column: Column) -> list[object]:
    """Give `values` as what sqlite3 stores: an unknown is NULL, a text is never NULL."""
    if column.kind == "text":
        return [str(value) for value in values]
    if column.kind == "date":
        return [str(value) or None for value in values]
    cast = {"number": float, "whole": int, "flag": int}[column.kind]
    return [None if pd.isna(value) else cast(value) for value in values]


def _rows_or_none(connection: sqlite3.Connection, table: Table, path: Path) -> pd.DataFrame:
    if not _exists(connection, table.name):
        return conform([], table)
    _check_columns(connection, table, path)
    return rows_of(connection, table)


def _is_new(connection: sqlite3.Connection) -> bool:
    return not connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]


def _exists(connection: sqlite3.Connection, name: str) -> bool:
    sql = "SELECT count(*) FROM sqlite_master WHERE type = 'table' AND name = ?"
    return bool(connection.execute(sql, (name,)).fetchone()[0])


def _make_house(connection: sqlite3.Connection, path: Path) -> None:
    """Make an empty database a GeoPackage; refuse a database of another kind."""
    if not _is_new(connection):
        _refuse_other_databases(connection, path)
        return
    for statement in _HOUSE:
        connection.execute(statement)
    connection.executemany("INSERT INTO gpkg_spatial_ref_sys VALUES (?, ?, ?, ?, ?, ?)", _SYSTEMS)


def _make_table(connection: sqlite3.Connection, table: Table) -> None:
    if _exists(connection, table.name):
        return
    lone_key = len(table.key) == 1 and table[table.key[0]].kind == "whole"
    parts = [] if lone_key else ['"fid" INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL']
    for column in table.columns:
        own = lone_key and column.name == table.key[0]
        kind = "INTEGER PRIMARY KEY NOT NULL" if own else _SQL_TYPES[column.kind]
        parts.append(f'"{column.name}" {kind}')
    if not lone_key and table.key:
        parts.append("UNIQUE (" + ", ".join(f'"{name}"' for name in table.key) + ")")
    connection.execute(f'CREATE TABLE "{table.name}" ({", ".join(parts)})')
    connection.execute(
        "INSERT INTO gpkg_contents (table_name, data_type, identifier, description) "
        "VALUES (?, 'attributes', ?, ?)",
        (table.name, table.name, table.one_row),
    )


def _add_new_texts(connection: sqlite3.Connection, table: Table) -> None:
    """Give a table of an earlier version the text columns that it lacks and may be blank."""
    found = _columns(connection, table)
    for column in table.columns:
        if column.name not in found and column.kind == "text" and column.blank:
            statement = f'ALTER TABLE "{table.name}" ADD COLUMN "{column.name}" TEXT DEFAULT \'\''
            connection.execute(statement)


def _columns(connection: sqlite3.Connection, table: Table) -> set[str]:
    return {row[1] for row in connection.execute(f'PRAGMA table_info("{table.name}")')}


def _check_columns(connection: sqlite3.Connection, table: Table, path: Path) -> None:
    found = _columns(connection, table)
    # A text that may be blank is added, or read as blank: an earlier version did not know it.
    lacking = [
        column.name
        for column in table.columns
        if column.name not in found and not (column.kind == "text" and column.blank)
    ]
    if lacking:
        message = f"{path}: table {table.name} lacks {', '.join(lacking)}; not written by this tool"
        raise StoreError(message)


def _refuse_other_databases(connection: sqlite3.Connection, path: Path) -> None:
    found = connection.execute("PRAGMA application_id").fetchone()[0]
    if found != APPLICATION_ID or not _exists(connection, "gpkg_contents"):
        message = f"{path}: is a SQLite database but no GeoPackage; move it away"
        raise StoreError(message)


def _refuse_links(path: Path) -> None:
    """Refuse a link out of the folder under any of a store's names: SQLite would follow it."""
    for ending in ("", "-journal", "-wal", "-shm"):
        one = path.with_name(path.name + ending)
        if one.is_symlink() and not one.resolve().is_relative_to(path.parent.resolve()):
            message = f"{one}: is a link out of the project folder; it is not followed"
            raise StoreError(message)


@contextmanager
def _errors_of(path: Path) -> Iterator[None]:
    """Turn what SQLite raises into one line that a user can act on."""
    try:
        yield
    except sqlite3.OperationalError as error:
        if "locked" in str(error) or "busy" in str(error):
            message = f"{path}: in use by another program; close it there and try again"
        else:
            message = f"{path}: cannot be opened or written: {error}"
        raise StoreError(message) from error
    except sqlite3.IntegrityError as error:
        message = f"{path}: refused, nothing was kept: {error}"
        raise StoreError(message) from error
    except sqlite3.DatabaseError as error:
        message = f"{path}: is not a GeoPackage, or damaged ({error}); move it away to start anew"
        raise StoreError(message) from error
    # SQLite quotes damaged bytes in its words; a damaged figure may fit none of ours.
    except (UnicodeDecodeError, OverflowError) as error:
        message = f"{path}: damaged: {error}"
        raise StoreError(message) from error
    except TableError as error:
        message = f"{path}: {error}"
        raise StoreError(message) from error
