"""All grades of all inspections: each figure with its scheme and whether it could be verified.

Grades of two schemes are never averaged or compared, and none moves a rule: rules read what
was seen. A figure that rests on an interval is given as an interval.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
from pyarrow import compute

from planner.contracts import DEFECTS, GRADES
from planner.distinct import numbers_at, places_in, texts_at
from planner.order import ranked
from planner.screening.grade import rate_inspections
from planner.screening.grade_metres import METRES, metre_sums
from planner.screening.grade_points import BFR, POINT_M, REQUIREMENTS, conditions_of, points_of
from planner.screening.grade_steps import HANDBOOK, graded, handbook_steps, look_up, scales
from planner.settings import Grades
from planner.tables import check, conform, rows_in

GRADE_COLUMN = "peak_per_m"


@dataclass(frozen=True)
class GradeTables:
    """What a user has loaded, each as `GRADE_STEPS`; empty where nothing is."""

    classes: pd.DataFrame
    scores: pd.DataFrame
    score_grades: pd.DataFrame


@dataclass(frozen=True)
class _Rows:
    """Placed rows that can be graded, with the pipe of each, and the runs they belong to."""

    defects: pd.DataFrame
    heights_mm: pd.Series
    uses: pd.Series
    runs: pd.DataFrame
    pipe_of: dict[str, str]

    def valued(self, steps: pd.DataFrame) -> pd.DataFrame:
        """Look the rows up in a table; give too the run and whereabouts of each value."""
        values = look_up(self.defects, self.heights_mm.to_numpy(), steps)
        place = values["place"].to_numpy()
        own = ("inspection_id", "x_from_m", "x_to_m")
        return values.assign(**{name: self.defects[name].array.take(place) for name in own})

    def without(self, values: pd.DataFrame) -> dict[str, str]:
        """Say by run which rows the table has no value for, and which are graded wide."""
        place = values["place"].to_numpy()
        bare = np.ones(len(self.defects), dtype=bool)
        bare[place] = False
        missing = self._listed(np.flatnonzero(bare), "no row in the table: ")
        open_ = np.unique(place[values["wanting"].to_numpy(dtype=bool)])
        wide = self._listed(open_, "any that their kind can have, for want of a figure: ")
        runs = missing.keys() | wide.keys()
        return {
            run: "; ".join(part for part in (missing.get(run), wide.get(run)) if part)
            for run in sorted(runs)
        }

    def _listed(self, at: npt.NDArray[np.intp], before: str) -> dict[str, str]:
        """Count the mechanisms of some rows by run."""
        names = ("inspection_id", "mechanism")
        (run, runs), (kind, kinds) = (
            _in_order(self.defects[name].array.take(at)) for name in names
        )
        pairs, counts = np.unique(run * len(kinds) + kind, return_counts=True)
        # What is said of a mechanism that stands so often is written once.
        most = int(counts.max(initial=0)) + 1
        said, unlike = pd.factorize((pairs % max(len(kinds), 1)) * most + counts)
        told = [
            f"{kinds[one // most]} {one % most}" if one % most > 1 else kinds[one // most]
            for one in unlike.tolist()
        ]
        starts = np.searchsorted(pairs // max(len(kinds), 1), np.arange(len(runs) + 1))
        lists = pa.LargeListArray.from_arrays(starts, pa.array(told, pa.large_string()).take(said))
        texts = compute.binary_join(lists, pa.scalar(", ", pa.large_string())).to_pylist()
        return {run: before + text for run, text in zip(runs, texts, strict=True)}


def grade_all(
    defects: pd.DataFrame,
    inspections: pd.DataFrame,
    pipes: pd.DataFrame,
    tables: GradeTables,
    settings: Grades,
) -> pd.DataFrame:
    """Grade every placed inspection in every scheme that has a table.

    Parameters
    ----------
    defects, inspections, pipes
        Obey `DEFECTS`, `INSPECTIONS`, `PIPES`, as located.
    tables
        Classes, scores and grades by score that the user has loaded.
    settings
        What the project says of soil, groundwater and protection zone.

    Returns
    -------
    grades
        Obeys `GRADES`: the PACP family's nine figures for inspections coded in it, the
        handbook's worst class, and points and scores where the user has loaded a table.
    """
    check(defects, DEFECTS)
    own = graded(defects)
    at = places_in(own["pipe_id"], pipes["pipe_id"])
    rows = _Rows(
        own,
        pd.Series(numbers_at(pipes["height_mm"], at), own.index),
        texts_at(pipes["use"], at).astype(object),
        inspections,
        dict(rows_in(inspections, ["inspection_id", "pipe_id"])),
    )
    found = rate_inspections(defects, inspections)
    found += _points(rows, tables.classes, settings)
    found += _metres(rows, tables)
    both = [conform(_classes(rows), GRADES), conform(found, GRADES)]
    return conform(pd.concat(both), GRADES) if found else both[0]


def _row(rows: _Rows, run: object, **more: object) -> dict[str, object]:
    return {"key": str(run), "pipe_id": rows.pipe_of[str(run)], **more}


def _between(low: float, high: float) -> str:
    """Print a figure, or both ends of what it can be."""
    return f"{high:g}" if low == high else f"{min(low, high):g} to {max(low, high):g}"


def _in_order(texts: object) -> tuple[npt.NDArray[np.intp], list[str]]:
    """Give the number of each row's text among the unlike ones in order, and these."""
    codes, unlike = ranked(texts)
    return codes, unlike.to_pylist()


def _classes(rows: _Rows) -> dict[str, Any]:
    """Give the worst class of each run, as columns of `GRADES`."""
    values = rows.valued(handbook_steps())
    why, scale = rows.without(values), scales()[HANDBOOK]
    code, runs = _in_order(values["inspection_id"].array)
    # 1 is the worst: the least of all is the run's class.
    low, high = np.full(len(runs), np.inf), np.full(len(runs), np.inf)
    np.fmin.at(low, code, values["low"].to_numpy(dtype=float))
    np.fmin.at(high, code, values["high"].to_numpy(dtype=float))
    unsure = np.bincount(code[~values["verified"].to_numpy(dtype=bool)], minlength=len(runs))
    tail = f" of {scale['worst']} (worst) to {scale['mildest']}"
    ends = list(zip(low.tolist(), high.tolist(), strict=True))
    shown = {both: _between(*both) + tail for both in set(ends)}
    return {
        "key": runs,
        "pipe_id": [rows.pipe_of[run] for run in runs],
        "scheme": HANDBOOK,
        "requirement": "overall",
        "measure": "worst class",
        "value": low,
        "shown": [shown[both] for both in ends],
        "verified": unsure == 0,
        "why": [why.get(run, "") for run in runs],
    }


def _points(rows: _Rows, classes: pd.DataFrame, settings: Grades) -> list[dict[str, object]]:
    if classes.empty:
        return []
    values = rows.valued(classes[classes["requirement"].isin(REQUIREMENTS)])
    conditions, unknown = conditions_of(rows.defects, rows.uses, settings)
    for end in ("low", "high"):
        values[f"{end}_points"] = 0.0
        for name in REQUIREMENTS:
            mine = values["requirement"] == name
            place = values.loc[mine, "place"].to_numpy(dtype=np.int64)
            here = {group: words[place] for group, words in conditions.items()}
            values.loc[mine, f"{end}_points"] = points_of(values.loc[mine, end], name, here)
    left_out = f"add-ons left out, not known: {', '.join(unknown)}" if unknown else ""
    why = rows.without(values)
    found = []
    by = values.groupby(["inspection_id", "requirement"], sort=True)
    largest = by.agg(
        low=("low_points", "max"), high=("high_points", "max"), verified=("verified", "all")
    )
    for (run, name), low, high, verified in largest.itertuples():
        said = "; ".join(part for part in (left_out, why.get(str(run), "")) if part)
        row = {"scheme": BFR, "requirement": name, "measure": "largest points", "value": high}
        more = {"shown": _between(low, high), "verified": verified, "why": said}
        found.append(_row(rows, run, **row, **more))
    # The largest of a damage's three figures counts over its length.
    each = values.groupby("place").agg(
        run=("inspection_id", "first"), points=("high_points", "max"), verified=("verified", "all"),
        from_m=("x_from_m", "first"), to_m=("x_to_m", "first"),
    )  # fmt: skip
    each["product"] = each["points"] * np.maximum(each["to_m"] - each["from_m"], POINT_M)
    sums = each.groupby("run", sort=True).agg(
        product=("product", "sum"), verified=("verified", "all")
    )
    for run, product, verified in sums.itertuples():
        row = {"scheme": BFR, "requirement": "overall", "measure": "points x m", "value": product}
        more = {"shown": f"{product:.1f}", "verified": verified, "why": left_out}
        found.append(_row(rows, run, **row, **more))
    return found


def _metres(rows: _Rows, tables: GradeTables) -> list[dict[str, object]]:
    if tables.scores.empty:
        return []
    values = rows.valued(tables.scores)
    why, found = rows.without(values), []
    for name, part in values.groupby("requirement", sort=True):
        code, runs = pd.factorize(part["inspection_id"], sort=True)
        verified = part.groupby(code)["verified"].all().to_numpy()
        sums = {
            end: metre_sums(code, part["x_from_m"], part["x_to_m"], part[end]).groupby("run")[
                "score"
            ]
            for end in ("low", "high")
        }
        peak_low, peak = sums["low"].max().to_numpy(), sums["high"].max().to_numpy()
        total_low, total = sums["low"].sum().to_numpy(), sums["high"].sum().to_numpy()
        place = places_in(runs, rows.runs["inspection_id"])
        length = rows.runs["surveyed_m"].to_numpy(dtype=np.float64)[place]
        with np.errstate(divide="ignore", invalid="ignore"):
            mean_low, mean = total_low / length, total / length
        table = {
            "peak per m": (peak_low, peak),
            "total": (total_low, total),
            "mean per m": (mean_low, mean),
            **_grade_of_peak(str(name), peak_low, peak, tables.score_grades),
        }
        for measure, (low, high) in table.items():
            for at, run in enumerate(runs):
                if np.isfinite(high[at]):
                    row = {"scheme": METRES, "requirement": name, "measure": measure}
                    shown = _between(round(low[at], 2), round(high[at], 2))
                    more = {"value": high[at], "shown": shown, "verified": False}
                    said = f"method from memory{'' if verified[at] else '; so are scores'}"
                    said += f"; {why[str(run)]}" if str(run) in why else ""
                    found.append(_row(rows, run, **row, **more, why=said))
    return found


def _grade_of_peak(
    requirement: str, low: np.ndarray, high: np.ndarray, steps: pd.DataFrame
) -> dict[str, tuple[np.ndarray, np.ndarray]]:
    mine = steps[(steps["requirement"] == requirement) & (steps["quantity"] == GRADE_COLUMN)]
    if mine.empty:
        return {}
    ends = []
    for peak in (low, high):
        grade = np.full(len(peak), np.nan)
        bounds = mine["over"].fillna(-np.inf), mine["up_to"].fillna(np.inf), mine["value"]
        for over, up_to, value in zip(*bounds, strict=True):
            grade[(peak > over) & (peak <= up_to)] = value
        ends.append(grade)
    return {"grade by peak": (ends[0], ends[1])}
