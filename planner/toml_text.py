"""One guarded way into TOML: what is too large or too deep is refused before it is parsed.

A key of many dotted parts takes the parser memory by the square of their number: 50,000
parts, 100 kB of text, took 4.5 GB and 40 s where nothing stopped it.
"""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

MAX_BYTES = 16 * 1024 * 1024
MAX_PARTS = 20
# A name begins a line, or follows a bracket or comma. Nothing is given back once matched, so
# that a long word without a dot costs its length only.
_PART = r"(?:[\w-]++|\"[^\"\n]*+\"|'[^'\n]*+')[ \t]*+\.[ \t]*+"
_DEEP = re.compile(rf"(?:^|[\[{{,])[ \t]*+(?:{_PART}){{{MAX_PARTS}}}", re.ASCII | re.MULTILINE)


def parse_toml(text: str) -> dict[str, Any]:
    """Parse TOML.

    Raises
    ------
    ValueError
        If it is none, or nested deeper than any file of ours; one line.
    """
    deep = _DEEP.search(text)
    if deep:
        line = text.count("\n", 0, deep.start()) + 1
        message = f"a name of more than {MAX_PARTS} dotted parts (at line {line})"
        raise ValueError(message)
    try:
        return tomllib.loads(text)
    except RecursionError:
        message = "brackets within brackets, too deep to be read"
        raise ValueError(message) from None


def parse_toml_file(path: Path) -> dict[str, Any]:
    """Parse a TOML file in UTF-8, with or without a mark at its start.

    Raises
    ------
    ValueError
        If it is no TOML, too large or too deep; one line.
    OSError
        If it cannot be opened.
    """
    if path.stat().st_size > MAX_BYTES:
        message = f"larger than {MAX_BYTES >> 20} MB"
        raise ValueError(message)
    return parse_toml(path.read_text("utf-8-sig"))
