"""Tables of a workbook (XLSX) or of a SQLite file as rows of text.

Nothing is computed: of a formula the value counts that was saved with it. Nothing is
opened but the file itself. What could not fit into memory is refused before it is read.
"""

from __future__ import annotations

import datetime
import sqlite3
import time
import warnings
import zipfile
import zlib
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from xml.etree.ElementTree import ParseError

import numpy as np
import openpyxl
import pandas as pd

from planner.errors import Fault, FileError, shown
from planner.inputs.csv_text import CsvRows

MAX_UNPACKED = 512 * 1024 * 1024
MAX_PARTS = 2_000
MAX_ROWS = 1_100_000
MAX_COLUMNS = 400
MAX_CELLS = 20_000_000
MAX_BYTES = 2 * 1024**3
MAX_SECONDS = 120.0
MAX_TABLES = 200
_BROKEN = (
    KeyError, ValueError, TypeError, AttributeError, IndexError, OSError, EOFError,
    AssertionError, NotImplementedError, RuntimeError, OverflowError,
    zipfile.BadZipFile, zlib.error, ParseError,
)  # fmt: skip
_STEPS = 100_000

HeaderAt = Callable[[Sequence[Sequence[str]]], int]
"""Says which of the first rows of a sheet is its header."""


@dataclass(frozen=True)
class Sheet:
    """One table of a file: its name, rows, and the year its day numbers count from."""

    name: str
    rows: CsvRows
    epoch: int = 1900


def read_workbook(path: Path, file: str, header_at: HeaderAt) -> list[Sheet]:
    """Read all sheets of a workbook.

    Parameters
    ----------
    path
        The file.
    file
        Its name in messages.
    header_at
        Which of the first rows of a sheet is the header; rows above it are told.

    Returns
    -------
    sheets
        Those with text in them, in their order. A number is written with at most 15 digits,
        as the sheet shows it; a date as YYYY-MM-DD, by the workbook's own calendar (1900 or
        1904).

    Raises
    ------
    FileError
        If the file is damaged, locked, or larger than a limit once unpacked.
    """
    _check_parts(path, file)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of styles and the like, which are not read
            # Opened here: of a damaged file the library would leave its own handle open.
            with path.open("rb") as stream:
                book = openpyxl.load_workbook(
                    stream, read_only=True, data_only=True, keep_links=False
                )
                epoch = book.epoch.year + (book.epoch.year == 1899)
                sheets = []
                for sheet in book.worksheets[:MAX_TABLES]:
                    records = list(_records(sheet.iter_rows(values_only=True), file))
                    rows = _rows_of(records, _named(file, sheet.title), header_at)
                    if rows is not None:
                        sheets.append(Sheet(sheet.title, rows, epoch))
                book.close()
    except FileError:
        raise
    except _BROKEN as error:
        message = f"{file}: a workbook that cannot be read ({shown(type(error).__name__)})"
        raise FileError(message) from error
    return sheets


def _check_parts(path: Path, file: str) -> None:
    """Refuse what unpacks to more than fits, and parts that define words of their own."""
    try:
        with zipfile.ZipFile(path) as packed:
            parts = packed.infolist()
            size = sum(part.file_size for part in parts)
            if len(parts) > MAX_PARTS or size > MAX_UNPACKED:
                message = f"{file}: {len(parts)} parts of {size} bytes unpacked; too large"
                raise FileError(message)
            if any(part.flag_bits & 1 for part in parts):
                message = f"{file}: locked with a password; save it without"
                raise FileError(message)
            for part in parts:
                with packed.open(part) as stream:
                    head = stream.read(4096).replace(b"\0", b"")
                if b"<!DOCTYPE" in head or b"<!ENTITY" in head:
                    message = f"{file}: {shown(part.filename)} defines entities; not read"
                    raise FileError(message)
    except FileError:
        raise
    except _BROKEN as error:
        message = f"{file}: a packed file that cannot be opened ({type(error).__name__})"
        raise FileError(message) from error


def _records(rows: Iterable[Sequence[object]], file: str) -> Iterator[list[str]]:
    """Turn rows of cells into texts, trailing blanks off; refuse a sheet beyond the limits."""
    cells = signs = 0
    for count, row in enumerate(rows):
        width = len(row)
        while width and row[width - 1] is None:
            width -= 1
        texts = [_text(cell) for cell in row[:width]]
        cells += width
        signs += sum(map(len, texts))
        if count >= MAX_ROWS or width > MAX_COLUMNS or max(cells, signs // 16) > MAX_CELLS:
            message = f"{file}: more than {MAX_ROWS} rows or {MAX_COLUMNS} columns; split it"
            raise FileError(message)
        yield texts


def _text(cell: object) -> str:
    if cell is None:
        return ""
    if isinstance(cell, bool):
        return "yes" if cell else "no"
    if isinstance(cell, float):
        return f"{cell:.15g}"
    if isinstance(cell, datetime.datetime):
        midnight = cell.time() == datetime.time()
        return cell.date().isoformat() if midnight else cell.isoformat(" ", "seconds")
    if isinstance(cell, datetime.timedelta):
        return f"{cell.total_seconds():.15g}"
    return str(cell)


def _rows_of(records: list[list[str]], file: str, header_at: HeaderAt) -> CsvRows | None:
    lines = [n for n, record in enumerate(records, 1) if any(cell.strip() for cell in record)]
    records = [records[n - 1] for n in lines]
    if not records:
        return None
    first = header_at(records)
    faults = [
        Fault(file, line, "", shown(" ".join(filter(None, record))), "a header or a row")
        for line, record in zip(lines[:first], records[:first], strict=True)
    ]
    header = [name.strip() for name in records[first]]
    width = max(len(record) for record in records[first:])
    header += [""] * (width - len(header))
    body = [record + [""] * (width - len(record)) for record in records[first + 1 :]]
    columns = list(zip(*body, strict=True)) if body else [()] * width
    arrays = {place: pd.array(list(cells), dtype="str") for place, cells in enumerate(columns)}
    return CsvRows(
        file,
        tuple(header),
        pd.DataFrame(arrays, index=range(len(body))),
        np.asarray(lines[first + 1 :], dtype=np.int64),
        "",
        "",
        faults,
    )


def _named(file: str, table: str) -> str:
    return f"{file}, {shown(table)}"


def read_sqlite(path: Path, file: str) -> list[Sheet]:
    """Read all plain tables of a SQLite file; views and virtual tables run code and are not.

    Parameters
    ----------
    path
        The file; it is opened as one that nobody changes, so no file is made beside it.
    file
        Its name in messages.

    Raises
    ------
    FileError
        If the file is damaged, too large, or takes too long.
    """
    if path.stat().st_size > MAX_BYTES:
        message = f"{file}: {path.stat().st_size} bytes, more than {MAX_BYTES}"
        raise FileError(message)
    until = time.monotonic() + MAX_SECONDS
    try:
        link = sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro&immutable=1", uri=True)
        try:
            link.text_factory = lambda raw: raw.decode("utf-8", errors="replace")
            link.execute("PRAGMA trusted_schema = OFF")
            link.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, 1_000_000)
            link.set_progress_handler(lambda: int(time.monotonic() > until), _STEPS)
            sql = (
                "SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE "
                "'sqlite\\_%' ESCAPE '\\' AND upper(sql) NOT LIKE 'CREATE VIRTUAL%' ORDER BY name"
            )
            names = [str(name) for (name,) in link.execute(sql)][:MAX_TABLES]
            return [sheet for name in names for sheet in _table(link, name, file)]
        finally:
            link.close()
    except (sqlite3.Error, ValueError, OverflowError) as error:
        message = f"{file}: a SQLite file that cannot be read ({shown(str(error))})"
        raise FileError(message) from error


def _table(link: sqlite3.Connection, name: str, file: str) -> list[Sheet]:
    quoted = name.replace('"', '""')
    found = link.execute(f'SELECT * FROM "{quoted}"')
    header = [str(column[0]) for column in found.description]
    values = ([_plain(cell) for cell in row] for row in found)
    records = [header, *_records(values, file)]
    rows = _rows_of(records, _named(file, name), lambda _: 0)
    if rows is None:
        return []
    return [Sheet(name, replace(rows, row=rows.row - 1))]  # the names are no row of the table


def _plain(cell: object) -> object:
    return None if isinstance(cell, bytes) else cell
