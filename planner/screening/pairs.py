"""Which row ends which stretch: continuous codes are paired by their number, never by row order.

Stretches interleave (A1, A2, B2, B1), a number may be used again once it is closed, and
a change on the way (C1) stays a row of its own.
"""

from __future__ import annotations

import re
from collections import defaultdict
from dataclasses import dataclass
from itertools import groupby

import numpy as np
import numpy.typing as npt

from planner.coded_text import Columns

Whole = npt.NDArray[np.intp]
Marks = npt.NDArray[np.bool_]
Texts = npt.NDArray[np.object_]

_MARK = re.compile(r"([ABC])\s*(\d*)", re.IGNORECASE)


@dataclass(frozen=True)
class Pairs:
    """What the continuous codes of some rows say, all by position in those rows.

    `closed_by` is the row that ends a stretch, -1 if there is none; `opens` and `ends`
    mark rows that start and that end one; `change` marks a C row inside a stretch;
    `lonely` an end without a start; `doubts` holds what to flag, "" for nothing.
    """

    closed_by: Whole
    opens: Marks
    ends: Marks
    change: Marks
    lonely: Marks
    doubts: Texts


@dataclass(frozen=True)
class _Row:
    at: int
    inspection: str
    s_m: float
    letter: str
    number: str
    code: str


def pair_stretches(rows: Columns) -> Pairs:
    """Pair the starts and ends of stretches within each camera run.

    Parameters
    ----------
    rows
        inspection_id, s_m [m], row, code, stretch (``A1`` start, ``B1`` end, ``C1`` change).

    Returns
    -------
    Pairs
        An end takes the open start of its number that has its code; else the one open
        start of that number, with a doubt. A mark that cannot be read leaves a point.

    References
    ----------
    EN 13508-2:2003+A1:2011, field J.
    """
    n = len(rows["stretch"])
    found = Pairs(
        np.full(n, -1, dtype=np.intp),
        np.zeros(n, dtype=bool),
        np.zeros(n, dtype=bool),
        np.zeros(n, dtype=bool),
        np.zeros(n, dtype=bool),
        np.full(n, "", dtype=object),
    )
    places = np.flatnonzero(~rows["stretch"].holds(""))
    names = ("inspection_id", "s_m", "stretch", "code")
    told = zip(places.tolist(), *(rows[name][places].tolist() for name in names), strict=True)
    coded = [_row(at, run, s, mark, code, found) for at, run, s, mark, code in told]
    row_no = dict(zip(places.tolist(), rows["row"][places].tolist(), strict=True))
    ordered = sorted(
        (row for row in coded if row is not None),
        key=lambda row: (row.inspection, row.s_m, row.number, row.code, row_no[row.at], row.at),
    )
    for _, run in groupby(ordered, key=lambda row: row.inspection):
        _pair_run(list(run), found)
    return found


def _row(at: int, inspection: str, s_m: float, mark: str, code: str, found: Pairs) -> _Row | None:
    written = mark.strip()
    match = _MARK.fullmatch(written)
    if match is None:
        if written:
            found.doubts[at] = f"continuous mark '{written}' not read: taken as a point"
        return None
    number = match[2].lstrip("0") or match[2]
    return _Row(at, inspection, s_m, match[1].upper(), number, code)


def _pair_run(run: list[_Row], found: Pairs) -> None:
    """Go through one run from its start manhole on, station by station."""
    open_rows: dict[str, list[_Row]] = defaultdict(list)
    for _, station in groupby(run, key=lambda row: row.s_m):
        here = list(station)
        ends = [row for row in here if row.letter == "B"]
        # Ends first: at one station a number may be closed and opened again.
        late = [row for row in ends if not _close(row, open_rows[row.number], found)]
        for row in here:
            if row.letter == "A":
                found.opens[row.at] = True
                open_rows[row.number].append(row)
        for row in here:
            if row.letter == "C":
                _change(row, open_rows[row.number], found)
        for row in late:
            if not _close(row, open_rows[row.number], found):
                found.lonely[row.at] = True


def _close(end: _Row, starts: list[_Row], found: Pairs) -> bool:
    """Close the start that `end` belongs to; False if there is none."""
    same = [row for row in starts if row.code == end.code]
    if not same and len(starts) != 1:
        return False
    start = same[0] if same else starts[0]
    starts.remove(start)
    found.closed_by[start.at] = end.at
    found.ends[end.at] = True
    if not same:
        name = f"stretch {start.number or 'without number'}"
        found.doubts[start.at] = f"{name} starts as {start.code} and ends as {end.code}"
        found.doubts[end.at] = found.doubts[start.at]
    return True


def _change(row: _Row, starts: list[_Row], found: Pairs) -> None:
    found.change[row.at] = bool(starts)
    if not starts:
        found.doubts[row.at] = f"change of stretch {row.number} that is not open: taken as a point"
