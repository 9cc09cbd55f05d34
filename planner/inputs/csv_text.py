"""A CSV as rows of text, whatever its separator and encoding; nothing is turned into a number.

What was found out about the file (separator, encoding) stands beside the rows, so that a
wrong guess shows. Rows are numbered by their line in the file, the header's line included,
as an editor shows it.
"""

from __future__ import annotations

import csv
import io
import itertools
import re
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pandas as pd

from planner.errors import Fault, FileError, shown
from planner.inputs.csv_columns import cut_clean

MAX_BYTES = 512 * 1024 * 1024
SEPARATORS = (";", "\t", ",")
_SAMPLE_LINES = 60
_SAMPLE_SIGNS = 1_000_000
_PROBE = 4096
_UNMARKED = ("utf-16-le", "utf-16-be")
_MARKS = (
    (b"\xef\xbb\xbf", "utf-8-sig"),
    (b"\xff\xfe\x00\x00", "utf-32"),
    (b"\x00\x00\xfe\xff", "utf-32"),
    (b"\xff\xfe", "utf-16"),
    (b"\xfe\xff", "utf-16"),
)


@dataclass(frozen=True)
class CsvRows:
    """Rows of text: ``cells`` has one column by position for each name in ``header``.

    ``row`` is the line of each row in the file; ``decimal`` the decimal sign where the file
    says it (point or comma), '' where the cells must tell. Rows without any text are left
    away; rows that cannot be cut into cells are in ``faults``.
    """

    file: str
    header: tuple[str, ...]
    cells: pd.DataFrame
    row: npt.NDArray[np.int64]
    separator: str
    encoding: str
    faults: list[Fault]
    decimal: str = ""

    @property
    def read_count(self) -> int:
        """Rows with text in them, below the header, whether they could be cut or not."""
        return len(self.row) + sum(fault.lost for fault in self.faults)


def read_csv_rows(path: Path, *, file: str = "") -> CsvRows:
    """Read a CSV into rows of text.

    Parameters
    ----------
    path
        The file.
    file
        Its name in messages; the file's own name if blank.

    Returns
    -------
    CsvRows
        Separator ``;``, tab or ``,`` as the header and the rows below it agree on, or as a
        first line ``sep=;`` says. UTF-8, UTF-16 and UTF-32 by their marks, else UTF-8, else
        Windows-1252 with a fault that says so and loses no row.

    Raises
    ------
    FileError
        If the file is too large, is not text, or has no header.
    """
    file = file or path.name
    text, encoding = _decode(path, file)
    faults = []
    if encoding == "cp1252":
        found, wanted = "bytes that are not UTF-8, read as Windows-1252", "UTF-8"
        faults.append(Fault(file, 0, "", found, wanted, lost=False))
    elif encoding in _UNMARKED:
        found = f"zero bytes as in {encoding} without its mark, read as that"
        faults.append(Fault(file, 0, "", found, "UTF-8", lost=False))
    text, skipped, separator = _take_directive(text)
    separator = separator or _sniff(text)
    clean = cut_clean(text.encode(), separator)
    if clean is not None and len(clean[1]):
        cells, row = clean
        header = tuple(str(name).strip() for name in cells.iloc[0])
        cells = cells.iloc[1:].reset_index(drop=True)
        return CsvRows(file, header, cells, row[1:] + skipped, separator, encoding, faults)
    records, lines, broken = _cut(text, separator, file, skipped)
    if not records:
        message = f"{file}: the file is empty; wanted a header and rows"
        raise FileError(message)
    header = tuple(name.strip() for name in records[0])
    cells, row, odd = _square(records[1:], lines[1:], len(header), file)
    return CsvRows(file, header, cells, row, separator, encoding, faults + broken + odd)


def _decode(path: Path, file: str) -> tuple[str, str]:
    size = path.stat().st_size
    if size > MAX_BYTES:
        message = f"{file}: {size} bytes, more than {MAX_BYTES}; split the file"
        raise FileError(message)
    raw = path.read_bytes()
    if raw[:4] == b"PK\x03\x04":
        message = f"{file}: a workbook or another packed file; save the sheet as CSV"
        raise FileError(message)
    marked = [name for mark, name in _MARKS if raw.startswith(mark)] or _unmarked(raw)
    for encoding in marked[:1] or ["utf-8", "cp1252"]:
        try:
            text = raw.decode(encoding)
        except UnicodeDecodeError:
            continue
        if "\0" in text:
            message = f"{file}: holds zero bytes: not a text file"
            raise FileError(message)
        return text, encoding
    message = f"{file}: not text in {' or '.join(marked[:1] or ['UTF-8', 'Windows-1252'])}"
    raise FileError(message)


def _unmarked(raw: bytes) -> list[str]:
    """Tell UTF-16 without its mark: in Western text every other byte is zero."""
    head = raw[: _PROBE - _PROBE % 2]
    odd, even = head[1::2].count(0), head[::2].count(0)
    if len(raw) % 2 or max(odd, even) < 0.4 * len(head) / 2 or min(odd, even) > 0:
        return []
    return [_UNMARKED[0] if odd > even else _UNMARKED[1]]


def _take_directive(text: str) -> tuple[str, int, str]:
    """Take a first line ``sep=;`` off; give the rest, the lines taken and the separator."""
    found = re.match(r"\"?sep=([;,\t])\"?[;,\t]*(\r\n|\r|\n)", text)
    return (text[found.end() :], 1, found[1]) if found else (text, 0, "")


def _sniff(text: str) -> str:
    head = io.StringIO(text[:_SAMPLE_SIGNS], newline="")
    sample = "".join(itertools.islice(head, _SAMPLE_LINES))
    best, best_score = SEPARATORS[-1], (0.0, 1)
    for separator in SEPARATORS:
        try:
            records = list(csv.reader(io.StringIO(sample, newline=""), delimiter=separator))
        except csv.Error:
            continue
        widths = [len(r) for r in records if any(cell.strip() for cell in r)]
        if not widths or widths[0] == 1:
            continue
        score = (widths.count(widths[0]) / len(widths), widths[0])
        if score > best_score:
            best, best_score = separator, score
    return best


def _cut(
    text: str, separator: str, file: str, skipped: int
) -> tuple[list[list[str]], list[int], list[Fault]]:
    """Cut text into records with the line on which each begins.

    An unclosed quote would swallow the rest of the file. So where the text as a whole does
    not hold together, each line stands for itself and the broken ones are faults.
    """
    records, lines, line = [], [], skipped + 1
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    try:
        for record in reader:
            if any(cell.strip() for cell in record):
                records.append(record)
                lines.append(line)
            line = skipped + reader.line_num + 1
    except csv.Error:
        return _cut_by_line(text, separator, file, skipped)
    return records, lines, []


def _cut_by_line(
    text: str, separator: str, file: str, skipped: int
) -> tuple[list[list[str]], list[int], list[Fault]]:
    records, lines, faults = [], [], []
    for number, line in enumerate(io.StringIO(text, newline=""), skipped + 1):
        if not line.strip():
            continue
        try:
            record = next(csv.reader([line], delimiter=separator, strict=True))
        except csv.Error:
            wanted = f"cells of up to {csv.field_size_limit()} signs, with closed quotes"
            faults.append(Fault(file, number, "", shown(line.strip()), wanted))
            continue
        if any(cell.strip() for cell in record):
            records.append(record)
            lines.append(number)
    return records, lines, faults


def _square(
    records: list[list[str]], lines: list[int], width: int, file: str
) -> tuple[pd.DataFrame, npt.NDArray[np.int64], list[Fault]]:
    """Bring all rows to the header's width; a row with text beyond it is a fault."""
    kept, row, faults = [], [], []
    for record, line in zip(records, lines, strict=True):
        if len(record) > width and any(cell.strip() for cell in record[width:]):
            wanted = f"{width} cells as in the header; quote a cell that holds the separator"
            faults.append(Fault(file, line, "", f"{len(record)} cells", wanted))
            continue
        kept.append(record[:width] + [""] * (width - len(record)))
        row.append(line)
    cells = pd.DataFrame(kept, columns=range(width), dtype="str")
    return cells, np.asarray(row, dtype=np.int64), faults
