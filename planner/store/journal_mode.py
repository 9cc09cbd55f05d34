"""How SQLite keeps a change until it is whole: a journal on disk, or a log while it is edited."""

from __future__ import annotations

import sqlite3
from pathlib import Path

from planner.errors import StoreError


def keep_journal_on_disk(connection: sqlite3.Connection, path: Path) -> None:
    """Make sure that a kill leaves the old state or the new: a journal, or a log, on disk."""
    if connection.execute("PRAGMA journal_mode").fetchone()[0] == "wal":
        mode = leave_log(connection)
    else:
        mode = connection.execute("PRAGMA journal_mode = DELETE").fetchone()[0]
    if mode not in ("delete", "wal"):
        message = f"{path}: another program keeps it open (journal {mode}); close it there"
        raise StoreError(message)
    connection.execute("PRAGMA synchronous = FULL")


def leave_log(connection: sqlite3.Connection) -> str:
    """Go back to one file, unless somebody else edits it; give the kind of journal."""
    try:
        return str(connection.execute("PRAGMA journal_mode = DELETE").fetchone()[0])
    except sqlite3.OperationalError as error:
        if "locked" not in str(error):
            raise
        return "wal"
