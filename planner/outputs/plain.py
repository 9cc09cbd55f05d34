"""Text from files as a sheet or a drawing can hold it: text, on its line, in its order."""

from __future__ import annotations

import re
import unicodedata
from functools import lru_cache

MOST_LETTERS = 400
"""Longer text is cut, and says how long it is; the tables hold all of it."""

# An unbroken word this long could run over the edge of its cell.
_UNBROKEN = re.compile(r"\S{21,}")
_PIECE = re.compile(r".{8}(?=.)")
_RIGHT_TO_LEFT = "\u0590-\u08ff\ufb1d-\ufdff\ufe70-\ufeff"
_TURNED = re.compile(f"[{_RIGHT_TO_LEFT}]+(?:[^\\S\\n]*[{_RIGHT_TO_LEFT}]+)*")
_ISOLATE, _POP = "\u2068", "\u2069"
BREAK = "\u200b"
"""Stands where a long word may be broken; the sheet turns it into nothing that is read."""


class Drawing(str):
    """An SVG document among texts; `plain_all` leaves it as it is."""

    __slots__ = ()


@lru_cache(maxsize=4096)
def plain(text: str) -> str:
    r"""Make a text safe to stand in a line of others.

    Line breaks become blanks, other signs that steer a reader or a printer become '?';
    what runs from right to left is set apart, so that it turns no figure beside it; a
    very long text is cut.

    Examples
    --------
    >>> plain("Mill\nLane\x00 \u202e12")
    'Mill Lane? ?12'
    """
    if len(text) > MOST_LETTERS:
        text = f"{text[:MOST_LETTERS]}\u2026 (cut, {len(text)} letters in all)"
    if text.isascii() and text.isprintable():
        return text
    text = "".join(_sign(sign) for sign in text)
    return _TURNED.sub(lambda found: f"{_ISOLATE}{found[0]}{_POP}", text)


def _sign(sign: str) -> str:
    if sign.isspace():
        return " "
    kind = unicodedata.category(sign)
    # Cf holds the signs that turn text; what joins letters and emoji is none of them.
    return "?" if kind in ("Cc", "Cs", "Co", "Cn") or (kind == "Cf" and sign not in _KEPT) else sign


def _breakable(found: re.Match[str]) -> str:
    return _PIECE.sub(lambda piece: piece[0] + BREAK, found[0])


_KEPT = "\u00ad\u200b\u200c\u200d"


def plain_all(value: object) -> object:
    """Make every text of nested lists and dicts plain, with places to break long words."""
    if isinstance(value, Drawing):
        return value
    if isinstance(value, str):
        return _UNBROKEN.sub(_breakable, plain(value))
    if isinstance(value, dict):
        return {key: plain_all(one) for key, one in value.items()}
    if isinstance(value, list | tuple):
        return [plain_all(one) for one in value]
    return value
