"""One quantification as written into an interval: ``12``, ``<5``, ``10-15``, ``3 cm``, blank."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from planner.errors import UnitError
from planner.units import factor

_NUMBER = r"(?:\d+(?:[.,]\d+)?|[.,]\d+)"
_FIGURE = re.compile(
    rf"(?P<op><=|>=|<|>|≤|≥)?\s*(?P<a>{_NUMBER})"
    rf"(?:\s*(?:-|\u2013|\.\.|to)\s*(?P<b>{_NUMBER}))?\s*(?P<unit>%|mm|cm|m|°|deg|in|\")?"
)
_THOUSANDS = re.compile(r"\d+,\d{3}")
_SAME_UNIT = {"°": "deg", '"': "in"}


@dataclass(frozen=True)
class Figure:
    """What a figure can be: from `low` to `high`; NaN at one end is open, at both unknown."""

    low: float
    high: float
    note: str = ""


NOT_KNOWN = Figure(np.nan, np.nan)


@lru_cache(maxsize=4096)
def read_figure(text: str, unit: str = "") -> Figure:
    """Read one quantification.

    Parameters
    ----------
    text
        As written: ``12``, ``2,5``, ``<5``, ``>50``, ``10-15``, ``3 cm``, blank.
    unit
        Unit the code asks for: mm, %, deg or "". A length in another unit is turned
        into it; any other unit makes the figure unreadable.

    Returns
    -------
    figure
        Unknown with a note saying why where the text cannot be read.

    Examples
    --------
    >>> read_figure("10-15", "%")
    Figure(low=10.0, high=15.0, note='')
    >>> read_figure("<5", "mm")
    Figure(low=0.0, high=5.0, note='')
    """
    plain = text.strip().lower()
    if not plain:
        return NOT_KNOWN
    found = _FIGURE.fullmatch(plain)
    if found is None:
        return _unreadable(text, "no figure")
    if any(part and _THOUSANDS.fullmatch(part) for part in found.group("a", "b")):
        return _unreadable(text, "a comma before three digits may part thousands or decimals")
    try:
        scale = _scale(found["unit"] or "", unit)
    except UnitError:
        return _unreadable(text, f"wants {unit or 'no unit'}")
    return _interval(text, found, scale)


def _interval(text: str, found: re.Match[str], scale: float) -> Figure:
    first = float(found["a"].replace(",", ".")) * scale
    if found["b"] is not None:
        second = float(found["b"].replace(",", ".")) * scale
        if found["op"] or second < first:
            return _unreadable(text, "no class from low to high")
        return Figure(first, second)
    if found["op"] in ("<", "<=", "≤"):
        return Figure(0.0, first)
    return Figure(first, np.nan if found["op"] else first)


def _scale(found: str, wanted: str) -> float:
    found = _SAME_UNIT.get(found, found)
    if not found or found == wanted:
        return 1.0
    if wanted != "mm":
        message = f"'{found}' where {wanted} is wanted"
        raise UnitError(message)
    return factor(found, wanted)


def _unreadable(text: str, why: str) -> Figure:
    return Figure(np.nan, np.nan, f"figure '{text.strip()}' not read: {why}")


def height_pct_of(section_pct: float) -> float:
    """Turn a share of a circle's section [%] into the depth from the invert [% of height].

    A segment of depth r (share of the diameter) has the share (acos(1 - 2 r) -
    (1 - 2 r) 2 sqrt(r - r^2)) / pi of the section; solved for r by bisection.

    Examples
    --------
    >>> height_pct_of(50.0)
    50.0
    """
    if np.isnan(section_pct):
        return section_pct
    wanted = min(max(section_pct / 100.0, 0.0), 1.0)
    low, high = 0.0, 1.0
    for _ in range(60):
        r = (low + high) / 2
        share = (math.acos(1 - 2 * r) - (1 - 2 * r) * 2 * math.sqrt(r - r * r)) / math.pi
        low, high = (r, high) if share < wanted else (low, r)
    return round((low + high) / 2 * 100.0, 9)
