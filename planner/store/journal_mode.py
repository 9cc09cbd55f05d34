"""How SQLite keeps a change until it is whole: a journal on disk, or a log while it is edited."""

from __future__ import annotations

import sqlite3
import time
from pathlib import Path

from planner.errors import StoreError

_AGAIN_S = 0.02


def keep_journal_on_disk(connection: sqlite3.Connection, path: Path) -> None:
    """Make sure that a kill leaves the old state or the new: a journal, or a log, on disk."""
    mode = leave_log(connection)
    if mode not in ("delete", "wal"):
        message = f"{path}: another program keeps it open (journal {mode}); close it there"
        raise StoreError(message)
    connection.execute("PRAGMA synchronous = FULL")


def keep_log(connection: sqlite3.Connection, wait_s: float) -> None:
    """Go over to a write-ahead log, once nobody writes any more.

    SQLite does not wait by itself where somebody writes, or goes over as well.

    Raises
    ------
    sqlite3.OperationalError
        If somebody still does after `wait_s` [s].
    """
    until = time.monotonic() + wait_s
    while True:
        try:
            connection.execute("PRAGMA journal_mode = WAL").fetchone()
        except sqlite3.OperationalError as error:
            if "locked" not in str(error) or time.monotonic() > until:
                raise
            time.sleep(_AGAIN_S)
        else:
            return


def leave_log(connection: sqlite3.Connection) -> str:
    """Go back to one file, unless somebody else edits it; give the kind of journal."""
    try:
        return str(connection.execute("PRAGMA journal_mode = DELETE").fetchone()[0])
    except sqlite3.OperationalError as error:
        if "locked" not in str(error):
            raise
        return "wal"
