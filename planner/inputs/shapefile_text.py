"""In which letters the table beside a shapefile is written.

The file that should say so is often missing or wrong, so the bytes themselves decide: what
is valid UTF-8 is UTF-8, and only otherwise the named set, or that of western Windows, counts.
"""

from __future__ import annotations

import codecs
from pathlib import Path

_WESTERN = "cp1252"
_HEADER_SIZE = slice(8, 10)


def encoding_of(path: Path) -> tuple[str, str]:
    """Find the encoding of a shapefile's table.

    Parameters
    ----------
    path
        The ``.shp`` file.

    Returns
    -------
    encoding, note
        A name that Python and GDAL know; what is doubtful about it, or ``""``.
    """
    parts = {part.suffix.lower(): part for part in path.parent.iterdir() if part.stem == path.stem}
    raw = parts[".dbf"].read_bytes()
    body = raw[int.from_bytes(raw[_HEADER_SIZE], "little") :]
    named = _named(parts.get(".cpg"))
    if body.isascii():
        return "UTF-8", ""
    if _fits(body, "utf-8"):
        note = f"its .cpg says {named}, its bytes are UTF-8" if named not in ("", "utf-8") else ""
        return "UTF-8", note
    if named and named != "utf-8" and _fits(body, named):
        return named.upper(), ""
    why = f"its .cpg says {named}, which its bytes are not" if named else "it has no .cpg"
    return _WESTERN.upper(), f"{why}; its text was read as {_WESTERN}"


def _named(part: Path | None) -> str:
    """Give Python's name of the set that a ``.cpg`` names, or ``""``."""
    if part is None:
        return ""
    text = part.read_text("latin-1").strip()
    for name in (text, f"cp{text.removeprefix('ANSI').strip()}"):
        try:
            return codecs.lookup(name).name
        except (LookupError, ValueError):
            continue
    return ""


def _fits(body: bytes, encoding: str) -> bool:
    try:
        body.decode(encoding)
    except UnicodeDecodeError:
        return False
    return True
