"""Whether a stop of a run sheet surely has room on one page, and is kept whole there."""

from __future__ import annotations

import math
import re
from typing import Any

# Heights in pt as `sheet.typ` sets them, rounded up; A4 less its margins is 757 pt high.
PAGE_PT = 750.0
_HEAD, _PLACE, _TITLE, _LINE, _ROW, _BEFORE, _FIELDS, _WORK, _END = (
    50.0, 15.0, 18.0, 12.0, 16.5, 16.5, 19.0, 18.0, 62.0,
)  # fmt: skip
_LETTERS_LINE, _LETTERS_CELL, _LETTERS_PLACE, _LETTERS_BEFORE = 85, 60, 40, 26
_SVG_HEIGHT = re.compile(r'height="([\d.]+)"')
_SVG_PT = 0.72


def fits_on_a_page(content: dict[str, Any]) -> bool:
    """Tell whether a stop that sets no sleeve is no higher than a page, by its own texts.

    Parameters
    ----------
    content
        As `stops.stop_of` gathers it.
    """
    places = ("street", "stand", "other", "pipe", "material", "stand_words", "other_words")
    high = _HEAD + sum(_lines(str(content[name]), _LETTERS_PLACE) * _PLACE for name in places) / 2
    high += sum(_lines(note, _LETTERS_LINE) * _LINE for note in content["notes"])
    found = _SVG_HEIGHT.search(content["strip"])
    high += float(found[1]) * _SVG_PT + 2 * _LINE if found else 0.0
    if content["before"]:
        high += _TITLE
    for one in content["before"]:
        found_then = f"{one['state']}; {one['found']}" if one["found"] else one["state"]
        cells = (_lines(found_then, _LETTERS_BEFORE), _lines(one["check"], _LETTERS_PLACE))
        high += max(cells) * _LINE + _BEFORE - _LINE
    for block in content["blocks"]:
        high += _TITLE + sum(_lines(line, _LETTERS_LINE) * _LINE for line in block["lines"])
        high += _ROW if block["rows"] else 0.0
        for row in block["rows"]:
            narrow = _LETTERS_CELL if len(row) == 2 else _LETTERS_BEFORE
            high += max(_lines(cell, narrow) for cell in row) * _LINE + _ROW - _LINE
        high += math.ceil(len(block["fields"]) / 2) * _FIELDS
    high += _TITLE + _ROW + _END
    high += sum(
        _lines(work["words"] + work["id"], _LETTERS_LINE) * _WORK for work in content["works"]
    )
    return high <= PAGE_PT


def _lines(text: str, letters: int) -> int:
    return max(1, math.ceil(len(text) / letters))
