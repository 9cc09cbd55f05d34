"""What stands in a text file at the rows that were refused, to be shown beside the reason."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path

from planner.errors import PlannerError
from planner.inputs.csv_text import MAX_BYTES
from planner.inputs.paths import input_file

LONGEST = 2000
_MARKS = ((b"\xef\xbb\xbf", "utf-8-sig"), (b"\xff\xfe", "utf-16"), (b"\xfe\xff", "utf-16"))


def raw_rows(root: Path, wanted: Mapping[str, Iterable[int]]) -> dict[tuple[str, int], str]:
    """Give lines of text files as they stand there.

    Parameters
    ----------
    root
        The project folder.
    wanted
        Rows by file; a row is the line on which a record begins, 1 = the first.

    Returns
    -------
    rows
        The text by file and row, cut at 2,000 signs. Files that are no text, or cannot be
        read, give nothing.
    """
    found = {}
    for file, rows in wanted.items():
        lines = _lines(root, file)
        for row in rows:
            if 0 < row <= len(lines):
                found[file, row] = lines[row - 1][:LONGEST]
    return found


def _lines(root: Path, file: str) -> list[str]:
    try:
        path = input_file(root, file)
        if path.is_dir() or path.stat().st_size > MAX_BYTES:
            return []
        raw = path.read_bytes()
    except (PlannerError, OSError):
        return []
    encoding = next((name for mark, name in _MARKS if raw.startswith(mark)), "")
    if not encoding and b"\0" in raw[:4096]:
        return []
    return _decoded(raw, encoding).replace("\r\n", "\n").replace("\r", "\n").split("\n")


def _decoded(raw: bytes, encoding: str) -> str:
    for name in [encoding] if encoding else ["utf-8", "cp1252"]:
        try:
            return raw.decode(name)
        except UnicodeDecodeError:
            continue
    return raw.decode("latin-1")
