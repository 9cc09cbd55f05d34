"""How fast a file of coded rows is read and placed, beside the plainest reading of its text.

The city is that of `tests.bench.locate`, written as one CSV.
"""

from __future__ import annotations

import tempfile
from pathlib import Path

import pandas as pd
import shapely

from planner.contracts import LATERALS, NODES
from planner.inputs.observations import Surveys, read_observations
from planner.inputs.specs import InspectionSpec
from planner.screening.locate import Located, locate
from planner.settings import load_settings
from planner.tables import empty
from tests.bench.frame import BenchResult, timed
from tests.bench.locate import CRS, City, line, make_city

GOALS: dict[str, tuple[str, float]] = {
    "row-by-row apply / locating, per row": (">=", 20.0),
    "reading and locating / reading as text by pandas": ("<=", 4.0),
}
COLUMNS = ["inspection_id", "pipe_id", "start_node", "date", "s_m", "code", "char1", "char2", "q1",
           "surveyed_m", "complete"]  # fmt: skip


def run(size: int) -> BenchResult:
    """Read and place `size` coded rows; the apply takes a hundredth of them, at least 100."""
    city = make_city(size)
    few = min(size, max(100, size // 100))
    with tempfile.TemporaryDirectory() as folder:
        path = write_rows(city, Path(folder))
        plain_s, _ = timed(lambda: pd.read_csv(path, dtype=str, keep_default_na=False), tries=2)
        read_s, surveys = timed(lambda: read(path), tries=2)
    locate_s, located = timed(lambda: place_all(city, surveys))
    apply_s, _ = timed(lambda: place_by_apply(city, located.pipes, few))
    count = len(city.observations)
    return BenchResult(
        rows=[
            line("floor: pandas, all as text", count, plain_s, "nothing checked"),
            line("ours: read", count, read_s, "numbers, words, codes, runs"),
            line("ours: locate", count, locate_s, "match, place, pairs, laterals, flags"),
            line("naive: apply row by row", few, apply_s, "place alone, no check"),
        ],
        ratios={
            "row-by-row apply / locating, per row": (apply_s / few) / (locate_s / count),
            "reading and locating / reading as text by pandas": (read_s + locate_s) / plain_s,
            "rows lost": float(count - len(located.defects) - len(located.left_over)),
        },
        goals={name: list(goal) for name, goal in GOALS.items()},
    )


def write_rows(city: City, folder: Path) -> Path:
    """Write the city's coded rows with the heads of their runs."""
    heads = city.inspections[
        ["inspection_id", "pipe_ref", "start_node", "date", "surveyed_m", "complete"]
    ].rename(columns={"pipe_ref": "pipe_id"})
    rows = city.observations.merge(heads, on="inspection_id")
    rows["complete"] = "yes"
    rows["surveyed_m"] = rows["surveyed_m"].round(3)
    path = folder / "rows.csv"
    rows[COLUMNS].to_csv(path, index=False)
    return path


def read(path: Path) -> Surveys:
    return read_observations([InspectionSpec(file=Path(path.name), zero_at="wall")], path.parent)


def place_all(city: City, surveys: Surveys) -> Located:
    nodes, laterals = empty(NODES, crs=CRS), empty(LATERALS)
    settings = load_settings().survey
    found = (city.pipes, nodes, surveys.inspections, surveys.observations, laterals)
    return locate(*found, settings, "")


def place_by_apply(city: City, pipes: pd.DataFrame, count: int) -> pd.Series:
    """Put rows on the map one by one, as a short script would."""
    runs = city.inspections.set_index("inspection_id")
    by_id = pipes.set_index("pipe_id")

    def place(row: pd.Series) -> shapely.Point:
        run = runs.loc[row["inspection_id"]]
        pipe = by_id.loc[run["pipe_ref"]]
        d = row["s_m"] if run["start_node"] == pipe["us_node"] else pipe["length_m"] - row["s_m"]
        return shapely.line_interpolate_point(
            pipe["geometry"], d * pipe["drawn_m"] / pipe["length_m"]
        )

    return city.observations.head(count).apply(place, axis=1)
