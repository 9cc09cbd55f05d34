"""Where a person puts a sleeve: two places on the pipe, or a length alone, read from a text."""

from __future__ import annotations

import re
from dataclasses import dataclass

WANTED = "metres from us_node such as '12.30 to 14.30', or a length such as '2.00'"
_METRES = r"(\d+(?:\.\d+)?)(?:\s*m)?"
_PLACES = re.compile(rf"{_METRES}\s+to\s+{_METRES}")
_LENGTH = re.compile(_METRES)


@dataclass(frozen=True)
class OwnPlace:
    """Places and length in whole centimetres; `places_cm` is None where only a length is said."""

    length_cm: int
    places_cm: tuple[int, int] | None = None


def read_own_place(text: str) -> OwnPlace | str:
    """Read where a sleeve shall lie, or how long it shall be.

    Parameters
    ----------
    text
        ``12.30 to 14.30``: from_m and to_m of the sleeve [m] from us_node. ``2.00``: its
        nominal length [m]; where it lies over its span is then left to the placement.

    Returns
    -------
    place
        In whole centimetres, or what is wrong with the text and what is wanted.
    """
    said = text.strip()
    both, alone = _PLACES.fullmatch(said), _LENGTH.fullmatch(said)
    figures = both.groups() if both else alone.groups() if alone else ()
    if not figures:
        negative = said.startswith("-") or " -" in said
        return WANTED + ("; no place is negative" if negative else "")
    if any(len(one.partition(".")[2].rstrip("0")) > 2 for one in figures):
        return "metres to the centimetre, not finer"
    whole = [round(100 * float(one)) for one in figures]
    if both and whole[0] >= whole[1]:
        return "the place nearer us_node first, then the other one: " + WANTED
    if not whole[-1]:
        return "a length above 0: " + WANTED
    return OwnPlace(whole[1] - whole[0], (whole[0], whole[1])) if both else OwnPlace(whole[0])
