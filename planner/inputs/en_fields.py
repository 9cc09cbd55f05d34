"""Field letters of EN 13508-2 into columns of `coded.FORM`, for its text and its XML form.

Names of inspectors (ABH) and what else tells of persons are never read.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from planner.errors import Fault, shown
from planner.inputs.cells import Style, is_empty, read_date, read_number, read_seconds

OBSERVED = {
    "I": "s_m",
    "A": "code",
    "B": "char1",
    "C": "char2",
    "D": "q1",
    "E": "q2",
    "F": "remark",
    "G": "clock_from_h",
    "H": "clock_to_h",
    "J": "stretch",
    "K": "joint",
    "M": "photo",
    "N": "video",
}
"""Column by letter of an observation (table B.3 of the norm)."""

HEAD = (
    "inspection_id",
    "pipe_id",
    "start_node",
    "end_node",
    "direction",
    "date",
    "zero_at",
    "stated_m",
    "size_mm",
    "width_mm",
    "shape",
    "material",
    "joint_every_m",
    "edition",
)
"""Columns that a header fills."""

# Letters of ACA as in the code tables of Kompetenzzentrum Wasser Berlin (MIT).
_SHAPES = {"A": "circular", "B": "box", "C": "egg"}
# Letters of AAK and ABC from memory: the norm is sold.
_DIRECTIONS = {"A": "down", "B": "up", "C": "unknown"}
_ZEROS = {"A": "wall", "B": "centre"}
_MAX_UNIT_MM = 20_000.0


@dataclass
class Head:
    """Header fields of one inspection: text by code, and the line that each stood on."""

    file: str
    line: int
    fields: dict[str, str] = field(default_factory=dict)

    def get(self, code: str) -> str:
        """Give a field; words that stand for nothing are ''."""
        text = self.fields.get(code, "").strip()
        return "" if is_empty(text) else text


def read_head(head: Head, style: Style, faults: list[Fault]) -> dict[str, str]:
    """Turn a header into columns; a field that cannot be read is one fault and left blank.

    Parameters
    ----------
    head
        As written.
    style
        Decimal sign of the file.
    faults
        The list that grows; no row is lost by a field of a header.

    Returns
    -------
    columns
        Texts by the names in `HEAD`, numbers with a decimal point. ``inspection_id`` is
        pipe, start node and day: the caller tells equal ones apart. Which of AAD and AAF
        lies upstream differs between writers, so the end node is the one of the two that
        the run did not start from.

    References
    ----------
    EN 13508-2:2003+A1:2011, tables B.1 and B.2, as far as the public code tables of
    Kompetenzzentrum Wasser Berlin (MIT) show them; ACG in mm is from memory.
    """
    start = head.get("AAB")
    nodes = [head.get("AAD"), head.get("AAF")]
    others = [node for node in nodes if node != start]
    end = others[0] if start in nodes and len(others) == 1 else ""
    if start and nodes != ["", ""] and start not in nodes:
        wanted = f"one of the nodes of the pipe, {' or '.join(n for n in nodes if n)}"
        faults.append(Fault(head.file, head.line, "AAB", shown(start), wanted, lost=False))
    if not start and all(nodes) and nodes[0] != nodes[1]:
        wanted = "the node the run started from"
        faults.append(Fault(head.file, head.line, "AAB", "", wanted, lost=False))
    pipe, day = head.get("AAA"), _day(head, faults)
    return {
        "inspection_id": "/".join(part for part in (pipe or end, start, day) if part),
        "pipe_id": pipe,
        "start_node": start,
        "end_node": end,
        "direction": _letter(head, "AAK", _DIRECTIONS, faults),
        "date": day,
        "zero_at": _letter(head, "ABC", _ZEROS, faults),
        "stated_m": _number(head, "ABQ", style, faults),
        "size_mm": _number(head, "ACB", style, faults),
        "width_mm": _number(head, "ACC", style, faults),
        "shape": _shape(head.get("ACA")),
        "material": head.get("ACD"),
        "joint_every_m": _unit_length(head, style, faults),
        "edition": head.get("ABA"),
    }


def video_column(texts: list[str]) -> str:
    """Say whether video references are times in a video (``video_s``) or names (``video``)."""
    marks = [text for text in texts if text.strip()]
    timed = bool(marks) and all(":" in mark and read_seconds(mark) is not None for mark in marks)
    return "video_s" if timed else "video"


def _day(head: Head, faults: list[Fault]) -> str:
    text = head.get("ABF")
    day = read_date(text) if text else ""
    if day is None:
        wanted = "a day as YYYY-MM-DD"
        faults.append(Fault(head.file, head.line, "ABF", shown(text), wanted, lost=False))
    return day or ""


def _letter(head: Head, code: str, words: Mapping[str, str], faults: list[Fault]) -> str:
    text = head.get(code).upper()
    if text and text not in words:
        wanted = " | ".join(words)
        faults.append(Fault(head.file, head.line, code, shown(text), wanted, lost=False))
    return words.get(text, "")


def _number(head: Head, code: str, style: Style, faults: list[Fault]) -> str:
    text = head.get(code)
    value = read_number(text, style) if text else None
    if text and (value is None or value < 0):
        wanted = "a number of at least 0"
        faults.append(Fault(head.file, head.line, code, shown(text), wanted, lost=False))
        return ""
    return "" if value is None else repr(value)


def _shape(letter: str) -> str:
    if len(letter) != 1:
        return letter
    return _SHAPES.get(letter.upper(), "other")


def _unit_length(head: Head, style: Style, faults: list[Fault]) -> str:
    text = _number(head, "ACG", style, faults)
    if not text:
        return ""
    if not 100.0 <= float(text) <= _MAX_UNIT_MM:
        wanted = f"a length in mm, from 100 to {_MAX_UNIT_MM:.0f}"
        found = shown(head.get("ACG"))
        faults.append(Fault(head.file, head.line, "ACG", found, wanted, lost=False))
        return ""
    return repr(float(text) / 1000.0)
