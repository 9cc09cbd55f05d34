"""Grades of inspections in the PACP family, each with whether its table could be verified.

A grade belongs to one scheme: (scheme, value, verified). Grades of two schemes are never
averaged, and a grade moves no rule: rules read what was seen.

References
----------
NASSCO, article on condition grading, 12 Jul 2023: nine figures for each inspection, for the
length surveyed. City of Santa Ana, Sewer Rate Study, p. 240: quick rating 5236. That a
continuous defect counts once for each 5 ft, and the letters for counts above 9, are from
memory and unverified.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from importlib import resources
from io import StringIO

import numpy as np
import pandas as pd

from planner.ground.codes import PACP
from planner.held import Held

REQUIREMENTS = ("structural", "operation")
OVERALL = "overall"
# A continuous defect counts once for so much of its length [m]: 5 ft, from memory.
EVERY_M = 1.524


def quick_rating(counts: Mapping[int, int]) -> str:
    """Write the two worst grades and how often each stands, as four signs.

    Parameters
    ----------
    counts
        Occurrences by grade, 1 to 5.

    Examples
    --------
    >>> quick_rating({5: 2, 3: 6}), quick_rating({4: 12}), quick_rating({})
    ('5236', '4A00', '0000')
    """
    present = [(grade, counts[grade]) for grade in sorted(counts, reverse=True) if counts[grade]]
    signs = "".join(f"{grade}{_sign(count)}" for grade, count in present[:2])
    return signs.ljust(4, "0")


def _sign(count: int) -> str:
    """Write a count in one sign: A for 10 to 14, B for 15 to 19, and on to Z."""
    return str(count) if count < 10 else chr(ord("A") + min((count - 10) // 5, 25))


@dataclass(frozen=True)
class Rating:
    """Pipe rating (grades times occurrences), index (mean grade) and quick rating."""

    rating: int
    index: float
    quick: str


def rate(counts: Mapping[int, int]) -> Rating:
    """Rate one requirement of one inspection.

    Parameters
    ----------
    counts
        Occurrences by grade, 1 to 5.
    """
    total = sum(counts.values())
    rating = sum(grade * count for grade, count in counts.items())
    return Rating(rating, round(rating / total, 2) if total else 0.0, quick_rating(counts))


@lru_cache(maxsize=1)
def _table() -> dict[str, list[dict[str, str]]]:
    text = resources.files("planner").joinpath("data/grades/pacp_family.csv").read_text("utf-8")
    rows = pd.read_csv(StringIO(text), dtype=str, keep_default_na=False).to_dict("records")
    found: dict[str, list[dict[str, str]]] = {}
    for row in rows:
        found.setdefault(str(row["code"]), []).append({str(k): str(v) for k, v in row.items()})
    return found


def grade_of(code: str, arc_h: float, pct: float) -> dict[str, str] | None:
    """Give the row of the grade table that fits a code; None where none does.

    Parameters
    ----------
    code
        As written.
    arc_h
        Clock hours that it spans; NaN unknown.
    pct
        Its percentage at most; NaN unknown: a code that is graded by it has no grade then.
    """
    figures = {"arc_h": arc_h, "pct": pct}
    for row in _table().get(code.strip().upper(), []):
        if not row["by"]:
            return row
        figure = figures[row["by"]]
        if float(row["over"]) < figure <= float(row["up_to"]):
            return row
    return None


def rate_inspections(defects: Held, inspections: Held) -> list[dict[str, object]]:
    """Rate each inspection of the PACP family.

    Parameters
    ----------
    defects
        Holds `DEFECTS`.
    inspections
        Holds `INSPECTIONS`, with scheme.

    Returns
    -------
    rows
        Of `GRADES`: rating, index and quick rating for structural, operation and overall of
        each. An inspection with a stretch that never ends, or with a defect that has no
        grade for want of a figure, is rated without it and says so.
    """
    if not inspections.coded("scheme").holds(PACP).any():
        return []
    told = inspections.frame
    wanted = (told["scheme"] == PACP) & (told["pipe_id"] != "")
    runs = told[wanted]
    own = defects.coded("inspection_id").among(set(runs["inspection_id"]))
    mine = defects.taken(np.flatnonzero(own)).frame
    rows = []
    by = {str(name): part for name, part in mine.groupby("inspection_id", sort=True)}
    for run, pipe in zip(runs["inspection_id"], runs["pipe_id"], strict=True):
        rows += _rated(str(run), str(pipe), by.get(str(run), mine.iloc[:0]))
    return rows


def _rated(run: str, pipe: str, defects: pd.DataFrame) -> list[dict[str, object]]:
    counts: dict[str, dict[int, int]] = {name: {} for name in (*REQUIREMENTS, OVERALL)}
    verified, without, open_ended = True, [], 0
    for record in defects.to_dict("records"):
        row = {str(name): value for name, value in record.items()}
        if row["role"] not in ("damage", "condition"):
            continue
        open_ended += _never_ends(row)
        found = grade_of(str(row["code"]), row["arc_h"], _pct_of(row))
        if found is None:
            if str(row["code"]).upper() in _table():
                without.append(f"{row['code']} at {row['s_m']:.2f} m")
            continue
        verified &= found["verified"] == "yes"
        grade, times = int(found["grade"]), _occurrences(row)
        for name in (found["requirement"], OVERALL):
            counts[name][grade] = counts[name].get(grade, 0) + times
    doubts = [f"not graded for want of a figure: {', '.join(without)}"] if without else []
    doubts += [f"{open_ended} stretches never end: their length is assumed"] if open_ended else []
    rows: list[dict[str, object]] = []
    for name, rated in ((name, rate(found)) for name, found in counts.items()):
        measures = (
            ("rating", rated.rating, f"{rated.rating}"),
            ("index", rated.index, f"{rated.index:.2f}"),
            ("quick rating", np.nan, rated.quick),
        )
        row = {"key": run, "pipe_id": pipe, "scheme": PACP, "requirement": name}
        row |= {"verified": verified and not doubts, "why": "; ".join(doubts)}
        rows += [{**row, "measure": m, "value": v, "shown": text} for m, v, text in measures]
    return rows


def _never_ends(row: Mapping[str, object]) -> int:
    return int(row["kind"] != "point" and row["extent_from"] == "assumed")


def _pct_of(row: Mapping[str, object]) -> float:
    figure = row["quantity_high"]
    return float(figure) if str(row["quantity"]).endswith("_pct") else np.nan  # type: ignore[arg-type]


def _occurrences(row: Mapping[str, object]) -> int:
    if row["kind"] == "point":
        return 1
    length = float(row["x_to_m"]) - float(row["x_from_m"])  # type: ignore[arg-type]
    return max(1, int(np.floor(length / EVERY_M + 0.5)))
