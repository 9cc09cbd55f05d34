"""The one door to PostgreSQL: a service that the user has named to libpq, read or written.

Host, user and password stand in the user's own service file and password file, which libpq
reads and whose rights it checks; none of them passes through here or through planner.toml.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from importlib import import_module
from typing import TYPE_CHECKING

import pyarrow as pa

from planner.errors import FileError, SettingsError

if TYPE_CHECKING:
    from adbc_driver_manager.dbapi import Connection

_NAME = re.compile(r"[A-Za-z0-9_][A-Za-z0-9_.-]*")
CONNECT_S, STATEMENT_S = 10, 600
MAX_BYTES = 2 * 1024**3
_PART_ROWS = 32_768
_LOCAL = (
    "set local client_encoding to 'UTF8'",
    f"set local statement_timeout to '{STATEMENT_S}s'",
)
_SECRET = frozenset(
    {"password", "passwd", "user", "host", "port", "dbname", "dsn", "postgis", "url"}
)


class PostgresError(FileError):
    """What the server or the driver says, in one line; `state` is the SQLSTATE, '' = none."""

    def __init__(self, text: str, state: str = "") -> None:
        super().__init__(text)
        self.state = state


class Session:
    """One connection to a service; what is run outside of `change` is not kept."""

    def __init__(self, connection: Connection, name: str) -> None:
        self._connection = connection
        self.name = name

    def table(self, sql: str, values: Sequence[object] = ()) -> pa.Table:
        """Give the rows of a query.

        Parameters
        ----------
        sql
            With ``$1``, ``$2`` for what comes from outside.
        values
            What stands for them.

        Raises
        ------
        FileError
            If the query fails, or gives more than `MAX_BYTES`.
        """
        with _one_line(self.name), self._connection.cursor() as cursor:
            cursor.execute(sql, list(values) or None)
            reader = cursor.fetch_record_batch()
            batches, size = [], 0
            for batch in reader:
                batches.append(batch)
                size += batch.nbytes
                if size > MAX_BYTES:
                    message = f"{self.name}: more than {MAX_BYTES >> 30} GB; name a view of a part"
                    raise FileError(message)
            return pa.Table.from_batches(batches, reader.schema)

    def value(self, sql: str, values: Sequence[object] = ()) -> object:
        """Give the one cell that a query has; None where it has no row."""
        found = self.table(sql, values)
        return found.column(0)[0].as_py() if found.num_rows else None

    def run(self, *statements: str) -> None:
        """Run statements that give no rows, one after the other."""
        with _one_line(self.name), self._connection.cursor() as cursor:
            for sql in statements:
                cursor.execute(sql)

    def add(self, table: pa.Table, name: str, schema: str) -> None:
        """Add rows to a table that is there; the columns that `table` has not take their default.

        Texts may come by number (dictionary); they are written out part by part.

        Raises
        ------
        PostgresError
            If a row breaks a rule of the table: then none is added.
        """
        with _one_line(self.name), self._connection.cursor() as cursor:
            cursor.adbc_ingest(name, _in_parts(table), mode="append", db_schema_name=schema)

    @contextmanager
    def snapshot(self) -> Iterator[None]:
        """All that is read inside is of one moment, and nothing can be written."""
        with self._ended():
            self.run("set transaction isolation level repeatable read, read only", *_LOCAL)
            yield

    @contextmanager
    def change(self, busy_s: float) -> Iterator[None]:
        """Keep all that is run inside, or none of it.

        Parameters
        ----------
        busy_s
            How long to wait for another session to let go of a lock [s].
        """
        with self._ended():
            self.run(*_LOCAL, f"set local lock_timeout to '{int(busy_s * 1000)}ms'")
            yield
            with _one_line(self.name):
                self._connection.commit()

    @contextmanager
    def _ended(self) -> Iterator[None]:
        """End the transaction; what was not committed is undone."""
        try:
            yield
        finally:
            try:
                self._connection.rollback()
            except import_module("adbc_driver_manager").Error:
                pass  # The connection is lost, and the transaction with it.


@contextmanager
def connected(service: str) -> Iterator[Session]:
    """Open a service until the block ends.

    Parameters
    ----------
    service
        A section of the user's ``pg_service.conf``.

    Raises
    ------
    FileError
        If the driver is not installed, the text is no bare name, or nobody answers.
    """
    name = f"service {service}"
    connection = _connect(service, name)
    try:
        yield Session(connection, name)
    finally:
        connection.close()


@contextmanager
def reading(service: str) -> Iterator[Session]:
    """Open a service for reading alone, as of one moment; see `connected`."""
    with connected(service) as session, session.snapshot():
        yield session


def check_service(service: str) -> None:
    """Refuse what is no bare name; its text is not shown, for it may hold a password.

    Raises
    ------
    FileError
        For a URL, a connection string, or anything else but a name.
    """
    if not _NAME.fullmatch(service):
        message = (
            "service = must be the bare name of a section of your pg_service.conf; host, user "
            "and password stay out of planner.toml (the password in ~/.pgpass, mode 0600)"
        )
        raise FileError(message)


def refuse_secrets(keys: Iterable[object], where: str) -> None:
    """Refuse keys that would put a password, or the way to a database, into a shared file.

    Raises
    ------
    SettingsError
        Naming the key and `where` it stands, never its value.
    """
    for key in keys:
        if str(key).casefold() in _SECRET:
            message = f"{where}: no {key} here: name a section of pg_service.conf"
            raise SettingsError(f"{message} by service =, and keep the password in ~/.pgpass")


def _in_parts(table: pa.Table) -> pa.RecordBatchReader:
    """Give rows a part at a time: the driver writes each part whole before it sends it."""
    plain = pa.schema(
        pa.field(field.name, field.type.value_type) if pa.types.is_dictionary(field.type) else field
        for field in table.schema
    )
    parts = (table.slice(at, _PART_ROWS).cast(plain) for at in range(0, len(table), _PART_ROWS))
    batches = (batch for part in parts for batch in part.combine_chunks().to_batches())
    return pa.RecordBatchReader.from_batches(plain, batches)


def quoted(*names: str) -> str:
    """Write names of schema, table or column as SQL takes them, whatever signs they hold."""
    return ".".join('"' + name.replace('"', '""') + '"' for name in names)


def _connect(service: str, name: str) -> Connection:
    check_service(service)
    try:
        dbapi = import_module("adbc_driver_postgresql.dbapi")
    except ImportError as error:
        message = f"{name}: needs the part for PostGIS: pip install 'sleeveplan[postgis]'"
        raise FileError(message) from error
    with _one_line(name):
        uri = f"postgresql://?service={service}&connect_timeout={CONNECT_S}"
        connection: Connection = dbapi.connect(uri)
        return connection


@contextmanager
def _one_line(name: str) -> Iterator[None]:
    """Turn the driver's errors into one line that names the service."""
    error_type = import_module("adbc_driver_manager").Error

    try:
        yield
    except error_type as error:
        told = {_plain(key): _plain(value) for key, value in error.details or ()}
        text = told.get("PG_DIAG_MESSAGE_PRIMARY") or str(error)
        text = " ".join(text.split()).removeprefix("IO: [libpq] ")
        message = f"{name}: {text[:300]}"
        raise PostgresError(message, error.sqlstate or "") from error


def _plain(text: str | bytes) -> str:
    return text if isinstance(text, str) else text.decode("utf-8", "replace")
