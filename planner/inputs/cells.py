"""One cell of text into one value: numbers of either decimal sign, dates, yes and no.

Each reader gives None for a text it cannot read; it never guesses. Which sign is the
decimal one is decided once for a whole file, by the cells that leave no doubt.
"""

from __future__ import annotations

import datetime
import math
import re
from collections.abc import Iterable
from typing import Literal

Style = Literal["point", "comma", "mixed", "open"]

# Words that stand for an empty cell in lists from databases and spreadsheets.
EMPTY_WORDS = frozenset({"", "-", "nan", "na", "n/a", "none", "null", r"\n", "<na>", "nat"})
_YES = frozenset({"yes", "y", "true", "t", "1"})
_NO = frozenset({"no", "n", "false", "f", "0"})

_SPACES = re.compile(r"(?<=\d)[ \u00a0\u2009\u202f'\u2019](?=\d{3}(?!\d))")
MOST_WHOLE = 2**63
"""No table holds a whole number of this or more, nor of its opposite or less."""
_PLAIN = re.compile(r"-?[0-9]{1,15}(\.[0-9]{1,15})?")
_WHOLE = re.compile(r"[+-]?\d+")
_UNSURE = re.compile(r"[+-]?[1-9]\d{0,2}([.,])\d{3}")
_POINT = re.compile(r"[+-]?(\d*\.\d+|\d{1,3}(,\d{3})+\.\d+|\d{1,3}(,\d{3}){2,})")
_COMMA = re.compile(r"[+-]?(\d*,\d+|\d{1,3}(\.\d{3})+,\d+|\d{1,3}(\.\d{3}){2,})")
_POWER = re.compile(r"[+-]?\d+(\.\d+)?[eE][+-]?\d{1,3}")
_TIMECODE = re.compile(r"(?:(\d{1,2}):)?([0-5]?\d):([0-5]\d)(?:[.,](\d{1,3}))?")
_DATES = (
    re.compile(r"(?P<y>\d{4})-(?P<m>\d{1,2})-(?P<d>\d{1,2})(?:[T ]\d{2}:\d{2}.*)?"),
    re.compile(r"(?P<y>\d{4})/(?P<m>\d{1,2})/(?P<d>\d{1,2})"),
    re.compile(r"(?P<d>\d{1,2})\.(?P<m>\d{1,2})\.(?P<y>\d{4})"),
)


def is_empty(text: str) -> bool:
    """Tell whether a cell says nothing: blank, ``-``, ``nan``, ``null`` and their kin."""
    return text.strip().casefold() in EMPTY_WORDS


def is_unsure(text: str) -> bool:
    """Tell whether a number has two readings: ``1.250`` is 1.25 or 1250."""
    return _UNSURE.fullmatch(_tidy(text)) is not None


def decimal_style(texts: Iterable[str], separator: str) -> Style:
    """Say which sign is the decimal one in a file, from all texts of its number columns.

    Parameters
    ----------
    texts
        Cells as written; what is no number has no say.
    separator
        Between the cells of the file: a file cut by commas writes its bare numbers with
        a point.

    Returns
    -------
    style
        ``mixed`` where some cells prove the point and others the comma; ``open`` where
        none proves either: then a number such as 1.250 stays unread.

    Examples
    --------
    >>> decimal_style(["12,5", "1.204,75", "3"], ";")
    'comma'
    >>> decimal_style(["12,5", "7.25"], ";")
    'mixed'
    """
    point = comma = bare_point = False
    for text in texts:
        # Most cells tell nothing new: looked at before the slower tests below.
        if "," not in text and (point or "." not in text):
            continue
        cell = _tidy(text)
        unsure = _UNSURE.fullmatch(cell)
        if unsure:
            bare_point |= unsure[1] == "."
            continue
        point |= bool(_POINT.fullmatch(cell) or (_POWER.fullmatch(cell) and "." in cell))
        comma |= bool(_COMMA.fullmatch(cell))
    if point and comma:
        return "mixed"
    if point or comma:
        return "point" if point else "comma"
    return "point" if bare_point and separator == "," else "open"


def read_number(text: str, style: Style = "point") -> float | None:
    """Read a number; None if it is none, or if `style` leaves two readings.

    Examples
    --------
    >>> read_number("1.204,75", "comma")
    1204.75
    >>> read_number("1.250", "mixed") is None
    True
    """
    if style == "point" and _PLAIN.fullmatch(text):
        return float(text)
    cell = _tidy(text)
    if _WHOLE.fullmatch(cell) or _POWER.fullmatch(cell):
        value = float(cell)
        return value if math.isfinite(value) else None
    if _UNSURE.fullmatch(cell):
        if style not in ("point", "comma"):
            return None
        return _plain(cell, style)
    if style != "comma" and _POINT.fullmatch(cell):
        return _plain(cell, "point")
    return _plain(cell, "comma") if style != "point" and _COMMA.fullmatch(cell) else None


def _plain(cell: str, style: Style) -> float:
    if style == "point":
        return float(cell.replace(",", ""))
    return float(cell.replace(".", "").replace(",", "."))


def _tidy(text: str) -> str:
    return _SPACES.sub("", text.strip().replace("\u2212", "-"))


def read_whole(text: str, style: Style = "point") -> int | None:
    """Read a whole number; ``3.0`` is 3, ``3.5`` is none, nor is what 64 bits do not hold."""
    value = read_number(text, style)
    if value is None or not abs(value) < MOST_WHOLE or value != int(value):
        return None
    return int(value)


def read_seconds(text: str, style: Style = "point") -> float | None:
    """Read seconds, plain or as a time code ``[hh:]mm:ss``."""
    found = _TIMECODE.fullmatch(text.strip())
    if not found:
        return read_number(text, style)
    hours, minutes, seconds, part = found.groups()
    whole = int(hours or 0) * 3600 + int(minutes) * 60 + int(seconds)
    return whole + float(f"0.{part or 0}")


def read_clock_time(text: str) -> int | None:
    """Read ``07:30`` as seconds from midnight; ``24:00`` is the end of the day."""
    found = re.fullmatch(r"(\d{1,2}):([0-5]\d)(?::([0-5]\d))?", text.strip())
    if not found:
        return None
    seconds = int(found[1]) * 3600 + int(found[2]) * 60 + int(found[3] or 0)
    return seconds if seconds <= 24 * 3600 else None


def read_date(text: str) -> str | None:
    """Read a day as YYYY-MM-DD; day and month in doubt (03/04/2025) are never guessed.

    Examples
    --------
    >>> read_date("25.04.2025"), read_date("2025-04-25 09:05"), read_date("03/04/2025")
    ('2025-04-25', '2025-04-25', None)
    """
    for form in _DATES:
        found = form.fullmatch(text.strip())
        if found:
            try:
                day = datetime.date(int(found["y"]), int(found["m"]), int(found["d"]))
            except ValueError:
                return None
            return day.isoformat()
    return None


def read_flag(text: str) -> bool | None:
    """Read yes or no, true or false, 1 or 0."""
    word = text.strip().casefold()
    if word in _YES:
        return True
    return False if word in _NO else None
