"""The one door to PostgreSQL: a service that the user has named to libpq, read or written.

Host, user and password stand in the user's own service file and password file, which libpq
reads and whose rights it checks; none of them passes through here or through planner.toml.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from importlib import import_module
from typing import TYPE_CHECKING

import pyarrow as pa

from planner.errors import FileError

if TYPE_CHECKING:
    from adbc_driver_manager.dbapi import Connection

_NAME = re.compile(r"[A-Za-z0-9_][A-Za-z0-9_.-]*")
CONNECT_S, STATEMENT_S = 10, 600
MAX_BYTES = 2 * 1024**3


class Snapshot:
    """One transaction on one connection: all that it reads is of one moment."""

    def __init__(self, connection: Connection, name: str) -> None:
        self._connection = connection
        self._name = name

    def table(self, sql: str, values: Sequence[str] = ()) -> pa.Table:
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
        with _one_line(self._name), self._connection.cursor() as cursor:
            cursor.execute(sql, list(values) or None)
            reader = cursor.fetch_record_batch()
            batches, size = [], 0
            for batch in reader:
                batches.append(batch)
                size += batch.nbytes
                if size > MAX_BYTES:
                    message = f"{self._name}: more than {MAX_BYTES >> 30} GB; name a view of a part"
                    raise FileError(message)
            return pa.Table.from_batches(batches, reader.schema)


@contextmanager
def reading(service: str) -> Iterator[Snapshot]:
    """Open a service for reading alone, as of one moment.

    Parameters
    ----------
    service
        A section of the user's ``pg_service.conf``.

    Yields
    ------
    snapshot
        Nothing can be written through it: the server is told so.

    Raises
    ------
    FileError
        If the driver is not installed, the text is no bare name, or nobody answers.
    """
    name = f"service {service}"
    connection = _connect(service, name)
    try:
        snapshot = Snapshot(connection, name)
        with _one_line(name), connection.cursor() as cursor:
            cursor.execute("set transaction isolation level repeatable read, read only")
            cursor.execute("set local client_encoding to 'UTF8'")
            cursor.execute(f"set local statement_timeout to '{STATEMENT_S}s'")
        yield snapshot
    finally:
        connection.close()


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
        text = " ".join(str(error).split()).removeprefix("IO: [libpq] ")
        message = f"{name}: {text[:300]}"
        raise FileError(message) from error
