"""The words of a drawing apart from its lines, for a typesetter that sets words faster itself.

A renderer of SVG looks for the font and shapes anew for every word of every drawing; the
typesetter knows most of them already. What is drawn stays one SVG document for all outputs.
"""

from __future__ import annotations

import re
from xml.sax.saxutils import unescape

from planner.outputs.plain import Drawing

_TEXT = re.compile(r"<text([^>]*)>([^<]*)</text>")
_ATTRIBUTE = re.compile(r'([a-z-]+)="([^"]*)"')
_HEAD = re.compile(r'<svg [^>]*viewBox="0 0 ([\d.]+) ([\d.]+)"[^>]*font-size="([\d.]+)"')
BLACK = "#000000"


def words_apart(svg: str) -> dict[str, object]:
    """Take the words out of a drawing of ours.

    Parameters
    ----------
    svg
        As `strip.draw_strip` and `clock_face.draw_clock` write it; its words lie over all else.

    Returns
    -------
    dict
        ``svg`` without words, ``wide`` and ``high`` of it, ``size`` of its letters, and
        ``words``: [x, y of the base line, anchor, text, colour, whether bold, size], all
        lengths in the drawing's own units.

    Raises
    ------
    ValueError
        If it is no such drawing.

    Examples
    --------
    >>> svg = '<svg viewBox="0 0 9 5" font-size="3"><text x="1" y="2">A</text></svg>'
    >>> words_apart(svg)["words"]
    [[1.0, 2.0, 'start', 'A', '#000000', False, 3.0]]
    """
    head = _HEAD.match(svg)
    lines = _TEXT.sub("", svg)
    if head is None or "<text" in lines:
        message = f"no drawing of ours: {svg[:80]}"
        raise ValueError(message)
    wide, high, size = (float(one) for one in head.groups())
    words: list[list[object]] = []
    for attributes, text in _TEXT.findall(svg):
        said = dict(_ATTRIBUTE.findall(attributes))
        words.append(
            [
                float(said["x"]),
                float(said["y"]),
                said.get("text-anchor", "start"),
                " ".join(unescape(text).split()),  # as SVG has it
                said.get("fill", BLACK),
                "font-weight" in said,
                float(said.get("font-size", size)),
            ]
        )
    return {"svg": lines, "wide": wide, "high": high, "size": size, "words": words}


def all_words_apart(value: object) -> object:
    """Give nested lists and dicts with the words of each `Drawing` apart."""
    if isinstance(value, Drawing):
        return words_apart(value)
    if isinstance(value, dict):
        return {key: all_words_apart(one) for key, one in value.items()}
    if isinstance(value, list):
        return [all_words_apart(one) for one in value]
    return value
