"""Sizes of pipes written as text: one reading or a refusal that says why, never a guess.

Read are a nominal size (``DN 200``), a number in the file's unit (``200``), numbers with
inch or foot marks (``8"``, ``2'-6"``) or with a unit (``0,225 m``), and two of them with
an x between (``300x450``), width first, or with a word for an egg (``Ei 300/450``), which is
higher than wide whatever comes first. A word such as ``est`` marks a size as estimated. A
general unit parser does not do: to one such ``2'-6" x 3'-9"`` is -7 and ``0,225 m`` is 0 m,
both without an error.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, replace

from planner.errors import shown
from planner.inputs.cells import is_empty
from planner.units import factor

# No sewer is smaller or larger; a figure beyond stands in another unit than was said.
LEAST_MM, MOST_MM = 40.0, 10_000.0
NO_SIZE = "no size given"

_UNKNOWN = frozenset({"0", "0.0", "?", "unk", "unknown", "xxx", "zzz", "tbc", "tbd"})
_SIGNS = str.maketrans(
    {
        "\u201c": '"', "\u201d": '"', "\u2033": '"', "\u2018": "'", "\u2019": "'",
        "\u2032": "'", "\u00d7": "x", "\u00a0": " ", "\u2009": " ", "\u202f": " ",
        "\u2013": "-", "\u2011": "-", "\u2212": "-",
    }
)  # fmt: skip
_NUMBER = r"\d+(?:[.,]\d+)?(?:e\+?\d)?"
_FEET = re.compile(rf"(\d+)\s*(?:'|ft\b)\s*-?\s*({_NUMBER})\s*(?:\"|in\b)", re.I)
_SINGLE = re.compile(rf"({_NUMBER})\s*(\"|'|mm|cm|m|inches|inch|in\.?|ft\.?|feet|foot)?", re.I)
_TWO = re.compile(rf"(?:dn\s*)?{_NUMBER}\s*(?:\"|in)?\s*/\s*{_NUMBER}\s*(?:\"|mm|cm|m|in)?", re.I)
_NOMINAL = re.compile(rf"(?:dn|nd)\s*({_NUMBER})(?:\s*mm)?", re.I)
_ROUND = re.compile(r"^[\u00d8\u00f8\u2300\u03a6\u03c6]\s*")
_EGG = re.compile(
    r"\b(?:egg|eggs|egg-shaped|ovoid|ei|eiprofil|eivormig|ovo\u00efde|oeuf)\b[:.]?", re.I
)
_ESTIMATED = re.compile(
    r"(?:\b(?:est|estimated|approx|approximately|about|circa|ca|assumed)\b\.?|[~\u2248])", re.I
)
_PAIR = re.compile(r"\s*(?:x|/|\bby\b)\s*", re.I)
# An egg in metres where the column is in mm: nothing else fits such figures.
_EGG_M = (0.2, 6.0)
_UNITS = {
    '"': "in", "in": "in", "in.": "in", "inch": "in", "inches": "in",
    "'": "ft", "ft": "ft", "ft.": "ft", "foot": "ft", "feet": "ft",
}  # fmt: skip
_DECIMALS = 1  # of a millimetre: 0.666667 ft and 8 in are one size


@dataclass(frozen=True)
class Size:
    """What a text says about a pipe's size.

    ``dn_mm`` is the nominal size of a circular pipe, NaN for any other shape and where
    nothing could be read; then ``reason`` says why. ``estimated``: the text itself says so.
    ``note`` says what stays open: which of two figures is the width.
    """

    shape: str
    height_mm: float
    width_mm: float
    dn_mm: float
    reason: str
    estimated: bool = False
    note: str = ""


def read_size(text: str, unit: str = "mm") -> Size:
    """Read a size.

    Parameters
    ----------
    text
        As written.
    unit
        Unit of bare numbers, see `units.LENGTHS`.

    Returns
    -------
    size
        ``circular`` for one number; ``egg`` for two with a word for it; ``other`` for two
        without, since neither egg nor box is proved by them; ``unknown`` where nothing could
        be read, or where the text names two sizes of one pipe.

    Raises
    ------
    UnitError
        If `unit` is unknown.

    Examples
    --------
    >>> read_size("DN 200").dn_mm, read_size('8"').dn_mm
    (200.0, 203.2)
    >>> size = read_size("300x450")
    >>> size.shape, size.width_mm, size.height_mm, size.dn_mm
    ('other', 300.0, 450.0, nan)
    >>> print(read_size('8/10"').reason)
    '8/10"' names two sizes: which of them holds where is to be confirmed
    """
    per_unit = factor(unit, "mm")
    plain = " ".join(text.translate(_SIGNS).replace("''", '"').split())
    estimated = bool(_ESTIMATED.search(plain))
    plain = " ".join(_ESTIMATED.sub(" ", plain).split())
    if is_empty(plain) or plain.casefold() in _UNKNOWN:
        return _refused(NO_SIZE)
    return replace(_read(plain, per_unit, unit, text), estimated=estimated)


def _read(plain: str, per_unit: float, unit: str, text: str) -> Size:
    """Read a size that is tidied; `text` is what was written."""
    if _EGG.search(plain):
        return _egg(_EGG.sub(" ", plain).strip(), unit, text)
    nominal = _NOMINAL.fullmatch(plain)
    if nominal:
        return _one(_plausible(_readings(nominal[1], 1.0)), text)
    if _TWO.fullmatch(plain):
        why = "names two sizes: which of them holds where is to be confirmed"
        return _refused(f"'{shown(text)}' {why}")
    parts = re.split(r"\s*x\s*", plain, flags=re.I)
    if len(parts) == 1:
        return _one(_millimetres(_ROUND.sub("", plain), per_unit), text)
    if len(parts) != 2:
        return _refused(f"cannot read '{shown(text)}' as a size")
    after, before = _SINGLE.fullmatch(parts[1]), _SINGLE.fullmatch(parts[0])
    if after and after[2] and before and not before[2]:
        parts[0] += after[2]  # one unit behind both, as in 300x450 mm
    return _two(_millimetres(parts[0], per_unit), _millimetres(parts[1], per_unit), text)


def _millimetres(text: str, per_unit: float) -> list[float] | None:
    """Give the plausible readings [mm] of one dimension; None if it is no dimension."""
    feet = _FEET.fullmatch(text)
    if feet:
        inches = _readings(feet[2], 1.0)
        return _plausible([int(feet[1]) * 304.8 + i * 25.4 for i in inches if i < 12])
    single = _SINGLE.fullmatch(text)
    if not single:
        return None
    written = (single[2] or "").lower()
    per = factor(_UNITS.get(written, written), "mm") if written else per_unit
    return _plausible(_readings(single[1], per))


def _readings(number: str, times: float) -> list[float]:
    """Give every value a number may have: before three digits a comma may be either sign."""
    values = [float(number.replace(",", ".")) * times]
    if re.fullmatch(r"[1-9]\d{0,2},\d{3}", number):
        values.append(float(number.replace(",", "")) * times)
    return values


def _plausible(values: list[float]) -> list[float]:
    """Keep what may be a sewer; where nothing may, keep all, so that the figure can be named.

    Two readings are a factor of 1000 apart, the bounds only of 250: at most one is kept.
    """
    return [v for v in values if LEAST_MM <= v <= MOST_MM] or values


def _one(values: list[float] | None, text: str) -> Size:
    reason = _why_not(values, text)
    if reason or not values:
        return _refused(reason)
    value = round(values[0], _DECIMALS)
    return Size("circular", value, value, value, "")


def _two(wide: list[float] | None, high: list[float] | None, text: str) -> Size:
    reason = _why_not(wide, text) or _why_not(high, text)
    if reason or not wide or not high:
        return _refused(reason)
    height, width = round(high[0], _DECIMALS), round(wide[0], _DECIMALS)
    note = "" if height == width else "taken as width x height, which the text does not say"
    return Size("other", height, width, math.nan, "", note=note)


def _egg(plain: str, unit: str, text: str) -> Size:
    """Read the two figures of an egg: the smaller is its width."""
    parts = _PAIR.split(plain)
    if len(parts) != 2:
        return _refused(f"cannot read '{shown(text)}' as an egg's width and height")
    bare = [re.fullmatch(_NUMBER, part) for part in parts]
    figures = [float(part.replace(",", ".")) for part in parts] if all(bare) else []
    if figures and unit == "mm" and all(_EGG_M[0] <= one <= _EGG_M[1] for one in figures):
        unit = "m"
    size = read_size(f"{parts[0]} x {parts[1]}", unit)
    if size.reason:
        return replace(size, reason=size.reason.replace(shown(plain), shown(text)))
    low, high = sorted((size.width_mm, size.height_mm))
    return Size("egg", high, low, math.nan, "")


def _why_not(values: list[float] | None, text: str) -> str:
    if not values:
        return f"cannot read '{shown(text)}' as a size"
    if not LEAST_MM <= values[0] <= MOST_MM:
        return (
            f"'{shown(text)}' would be {values[0]:g} mm, which no sewer is "
            f"({LEAST_MM:g} to {MOST_MM:g} mm); is the unit right?"
        )
    return ""


def _refused(reason: str) -> Size:
    return Size("unknown", math.nan, math.nan, math.nan, reason)
