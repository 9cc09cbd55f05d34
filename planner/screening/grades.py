"""All grades of all inspections: each figure with its scheme and whether it could be verified.

Grades of two schemes are never averaged or compared, and none moves a rule: rules read what
was seen. A figure that rests on an interval is given as an interval.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
from pyarrow import compute

from planner.coded_text import Coded, Columns, taken
from planner.compiled import plain
from planner.contracts import DEFECTS, GRADES, INSPECTIONS, PIPES
from planner.distinct import first_rows, groups_of, numbers_at, places_in, texts_at
from planner.errors import TableError
from planner.held import Held, held
from planner.screening.grade import rate_inspections
from planner.screening.grade_kernel import WANTING, Runs, Values, worst_of_runs
from planner.screening.grade_metres import METRES, metre_sums
from planner.screening.grade_points import BFR, POINT_M, REQUIREMENTS, conditions_of, points_of
from planner.screening.grade_steps import (
    HANDBOOK,
    NAMES,
    graded,
    handbook_table,
    look_up,
    looked_up,
    scales,
)
from planner.settings import Grades
from planner.tables import conform, rows_in

GRADE_COLUMN = "peak_per_m"
Places = npt.NDArray[np.intp]
_FIGURES = ("quantity_low", "quantity_high")
_NOTHING = pa.scalar("", pa.large_string())


@dataclass(frozen=True)
class GradeTables:
    """What a user has loaded, each as `GRADE_STEPS`; empty where nothing is."""

    classes: pd.DataFrame
    scores: pd.DataFrame
    score_grades: pd.DataFrame


@dataclass(frozen=True)
class _Rows:
    """Placed rows that can be graded, with the pipe of each, and the runs they belong to.

    `at` has the place of each in `defects`; `run_of` that of its inspection in `runs` and
    `pipe_of` that of its pipe in `pipes`, by the number of its text.
    """

    at: Places
    run_of: Places
    pipe_of: Places
    defects: Held
    pipes: Held
    runs: Held

    @cached_property
    def run(self) -> Places:
        """The place of the inspection of each row."""
        return self.run_of[self.defects.coded("inspection_id").codes[self.at]]

    @cached_property
    def of_pipe(self) -> Places:
        """The place of the pipe of each row."""
        return self.pipe_of[self.defects.coded("pipe_id").codes[self.at]]

    @cached_property
    def run_pipes(self) -> dict[str, str]:
        """The pipe of each run, by name."""
        return dict(rows_in(self.runs.frame, ["inspection_id", "pipe_id"]))

    def named(self, names: Iterable[str]) -> Columns:
        """Give what tables look at that name rows by some columns."""
        told: Columns = {name: self.defects.coded(name) for name in (*names, "quantity")}
        return told | {name: self.defects.floats(name) for name in _FIGURES}

    def in_handbook(self) -> Values:
        """Look the rows up in the handbook."""
        heights = numbers_at(self.pipes.floats("height_mm"), self.pipe_of)
        pipe, table = self.defects.coded("pipe_id").codes, handbook_table()
        return looked_up(self.named(table.names), (pipe, heights), self.at, table)

    def valued(self, steps: pd.DataFrame) -> pd.DataFrame:
        """Look the rows up in a table; give too the run and whereabouts of each value."""
        heights = numbers_at(self.pipes.floats("height_mm"), self.of_pipe)
        values = look_up(taken(self.named(NAMES), self.at), heights, steps)
        at = self.at[values["place"].to_numpy()]
        own = ("inspection_id", "x_from_m", "x_to_m")
        return values.assign(**{name: self.defects.column(name).take(at) for name in own})

    def without(self, bare: Places, open_: Places) -> Coded:
        """Say of each run which rows the table has no value for, and which are graded wide."""
        missing = self._listed(bare, "no row in the table: ")
        wide = self._listed(open_, "any that their kind can have, for want of a figure: ")
        between = np.where(missing.holds("") | wide.holds(""), "", "; ")
        parts = (missing.column(), pa.array(between, pa.large_string()), wide.column())
        both = compute.binary_join_element_wise(*map(pa.array, parts), _NOTHING)
        return Coded.by_row(both)

    def told(self, values: pd.DataFrame) -> dict[str, str]:
        """Say it by the name of the run, of those of which there is anything to say."""
        place = values["place"].to_numpy()
        bare = np.ones(len(self.at), dtype=bool)
        bare[place] = False
        open_ = np.unique(place[values["wanting"].to_numpy(dtype=bool)])
        said = self.without(np.flatnonzero(bare), open_).tolist()
        why = zip(self.runs.column("inspection_id").tolist(), said, strict=True)
        return {run: text for run, text in why if text}

    def _listed(self, places: Places, before: str) -> Coded:
        """Count the mechanisms of some rows by run; blank where there is none."""
        mechanism = self.defects.coded("mechanism").ordered()
        kinds = mechanism.listed()
        count, runs = max(len(kinds), 1), len(self.runs)
        of_run = self.run[places] * count + mechanism.codes[self.at[places]]
        pairs, counts = np.unique(of_run, return_counts=True)
        # What is said of a mechanism that stands so often is written once.
        most = int(counts.max(initial=0)) + 1
        said, unlike = pd.factorize((pairs % count) * most + counts)
        told = [
            f"{kinds[one // most]} {one % most}" if one % most > 1 else kinds[one // most]
            for one in unlike.tolist()
        ]
        starts = np.searchsorted(pairs // count, np.arange(runs + 1))
        lists = pa.LargeListArray.from_arrays(starts, pa.array(told, pa.large_string()).take(said))
        texts = compute.binary_join(lists, pa.scalar(", ", pa.large_string()))
        some = np.flatnonzero(starts[1:] > starts[:-1])
        named = compute.binary_join_element_wise(
            pa.scalar(before, pa.large_string()), texts.take(pa.array(some)), _NOTHING
        )
        return Coded.of(named).placed(some, runs)


def grade_all(
    defects: pd.DataFrame | Held,
    inspections: pd.DataFrame | Held,
    pipes: pd.DataFrame | Held,
    tables: GradeTables,
    settings: Grades,
) -> Held:
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
        Holds `GRADES`: the PACP family's nine figures for inspections coded in it, the
        handbook's worst class, and points and scores where the user has loaded a table.

    Raises
    ------
    TableError
        If `defects` breaks its contract, or has rows of a run that is not in `inspections`.
    """
    placed, network = held(defects, DEFECTS), held(pipes, PIPES)
    heads = held(inspections, INSPECTIONS)
    run_of = placed.coded("inspection_id").words_in(heads.column("inspection_id"))
    pipe_of = placed.coded("pipe_id").words_in(network.column("pipe_id"))
    rows = _Rows(graded(placed), run_of, pipe_of, placed, network, heads)
    classes = Held(GRADES, _classes(rows))
    found = rate_inspections(placed, heads)
    found += _points(rows, tables.classes, settings)
    found += _metres(rows, tables)
    if not found:
        return classes
    return Held.of(conform(pd.concat([classes.frame, conform(found, GRADES)]), GRADES), GRADES)


def _row(rows: _Rows, run: object, **more: object) -> dict[str, object]:
    return {"key": str(run), "pipe_id": rows.run_pipes[str(run)], **more}


def _between(low: float, high: float) -> str:
    """Print a figure, or both ends of what it can be."""
    return f"{high:g}" if low == high else f"{min(low, high):g} to {max(low, high):g}"


def _classes(rows: _Rows) -> Columns:
    """Give the worst class of each run, as columns of `GRADES`; words for who reads them."""
    values, count = rows.in_handbook(), len(rows.runs)
    best, none = np.full((2, count), np.inf), np.zeros((2, count), dtype=np.int64)
    runs = Runs(low=best[0], high=best[1], met=none[0], unsure=none[1])
    # 1 is the worst: the least of all is the run's class.
    run = rows.defects.coded("inspection_id")
    lost = worst_of_runs(
        plain(run.codes, np.int32), plain(rows.run_of, np.int64), plain(rows.at, np.int64),
        values, runs,
    )  # fmt: skip
    if lost >= 0:
        name = run[rows.at[lost : lost + 1]].tolist()[0]
        message = f"grades: rows of inspection '{name}', which is not in the list"
        raise TableError(message)
    some = np.flatnonzero(runs.met)
    low, high = runs.low[some], runs.high[some]

    def why() -> Coded:
        bare, open_ = np.flatnonzero(values.marks == 0), np.flatnonzero(values.marks & WANTING)
        return rows.without(bare, open_)[some]

    return {
        "key": Coded.by_row(rows.runs.column("inspection_id"))[some],
        "pipe_id": Coded.by_row(rows.runs.column("pipe_id"))[some],
        "scheme": Coded.one(HANDBOOK, len(some)),
        "requirement": Coded.one("overall", len(some)),
        "measure": Coded.one("worst class", len(some)),
        "value": low,
        "shown": lambda: _shown(low, high),
        "verified": runs.unsure[some] == 0,
        "why": why,
    }


def _shown(low: npt.NDArray[np.float64], high: npt.NDArray[np.float64]) -> Coded:
    """Print classes with both ends of their scale; each pair of ends once."""
    scale = scales()[HANDBOOK]
    tail = f" of {scale['worst']} (worst) to {scale['mildest']}"
    where, count = groups_of([low, high])
    first = first_rows(where, count)
    shown = [_between(*both) + tail for both in zip(low[first], high[first], strict=True)]
    return Coded.of(shown)[where]


def _points(rows: _Rows, classes: pd.DataFrame, settings: Grades) -> list[dict[str, object]]:
    if classes.empty:
        return []
    values = rows.valued(classes[classes["requirement"].isin(REQUIREMENTS)])
    uses = texts_at(rows.pipes.frame["use"], rows.of_pipe).astype(object)
    defects = rows.defects.frame[["clock_h", "arc_h", "at_joint"]].take(rows.at)
    conditions, unknown = conditions_of(defects, uses, settings)
    for end in ("low", "high"):
        values[f"{end}_points"] = 0.0
        for name in REQUIREMENTS:
            mine = values["requirement"] == name
            place = values.loc[mine, "place"].to_numpy(dtype=np.int64)
            here = {group: words[place] for group, words in conditions.items()}
            values.loc[mine, f"{end}_points"] = points_of(values.loc[mine, end], name, here)
    left_out = f"add-ons left out, not known: {', '.join(unknown)}" if unknown else ""
    why = rows.told(values)
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
    why, found = rows.told(values), []
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
        place = places_in(runs, rows.runs.column("inspection_id"))
        length = rows.runs.floats("surveyed_m")[place]
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
