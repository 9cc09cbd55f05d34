"""How fast a file of coded rows is read and placed, beside the plainest reading of its text.

The city is that of `tests.bench.locate`, written as one CSV: once with the columns that files
of the exchange standards hold, once with as few as will do.
"""

from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np
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
# What a row needs to be placed; then what files of the exchange standards hold of each row.
NEEDED = ["inspection_id", "pipe_id", "start_node", "date", "s_m", "code", "char1", "char2", "q1",
          "surveyed_m", "complete"]  # fmt: skip
FULL = [*NEEDED, "end_node", "direction", "size_mm", "material", "q2", "clock_from_h",
        "clock_to_h", "stretch", "joint", "remark", "photo", "video", "video_s"]  # fmt: skip
REMARKS = ("", "", "", "", "root through the seal", "seen from the other side", "camera turned")


def run(size: int) -> BenchResult:
    """Read and place `size` coded rows; the apply takes a hundredth of them, at least 100."""
    city = make_city(size)
    few = min(size, max(100, size // 100))
    full_rows = whole_rows(city)
    lines: list[dict[str, object]] = []
    ratios: dict[str, float] = {}
    count = len(city.observations)
    names = {"": FULL, " (only the columns needed)": NEEDED}
    for told, columns in names.items():
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "rows.csv"
            full_rows[columns].to_csv(path, index=False)
            plain_s, _ = timed(
                lambda path=path: pd.read_csv(path, dtype=str, keep_default_na=False), tries=3
            )
            read_s, surveys = timed(lambda path=path: read(path), tries=3)
        locate_s, located = timed(lambda surveys=surveys: place_all(city, surveys), tries=2)
        lost = count - len(located.defects) - len(located.left_over)
        lines += [
            line(f"floor: pandas, all as text{told}", count, plain_s, "nothing checked"),
            line(f"ours: read{told}", count, read_s, "numbers, words, codes, runs"),
            line(f"ours: locate{told}", count, locate_s, "match, place, pairs, laterals, flags"),
        ]
        ratio = (read_s + locate_s) / plain_s
        ratios[f"reading and locating / reading as text by pandas{told}"] = ratio
        ratios[f"rows lost{told}"] = float(lost)
        apply_s, _ = timed(lambda located=located: place_by_apply(city, located.pipes, few))
        ratios["row-by-row apply / locating, per row"] = (apply_s / few) / (locate_s / count)
    lines.append(line("naive: apply row by row", few, apply_s, "place alone, no check"))
    return BenchResult(
        rows=lines, ratios=ratios, goals={name: list(goal) for name, goal in GOALS.items()}
    )


def whole_rows(city: City) -> pd.DataFrame:
    """Give the city's coded rows with the heads of their runs, as a full file repeats them."""
    heads = city.inspections[
        ["inspection_id", "pipe_ref", "start_node", "date", "surveyed_m"]
    ].rename(columns={"pipe_ref": "pipe_id"})
    ends = city.pipes[["pipe_id", "us_node", "ds_node"]]
    rows = city.observations[["inspection_id", "s_m", "code", "char1", "char2", "q1", "q2"]]
    rows = rows.merge(heads, on="inspection_id").merge(ends, on="pipe_id")
    draw = np.random.default_rng(11)
    from_us = rows["start_node"] == rows["us_node"]
    clock = draw.integers(1, 13, len(rows))
    clocked, cracked = rows["code"].isin(["BAB", "BCA"]), rows["code"] == "BAB"
    number = np.arange(len(rows))
    return rows.assign(
        complete="yes",
        surveyed_m=rows["surveyed_m"].round(3),
        end_node=rows["ds_node"].where(from_us, rows["us_node"]),
        direction=np.where(from_us, "down", "up"),
        size_mm=300,
        material="AO",
        clock_from_h=pd.Series(clock, rows.index).where(clocked).astype("Int64"),
        clock_to_h=pd.Series(clock % 12 + 1, rows.index).where(cracked).astype("Int64"),
        stretch="",
        joint=np.where(rows["code"] == "BAJ", "A", ""),
        remark=draw.choice(REMARKS, len(rows)),
        photo=np.where(clocked, [f"p{n:07d}.jpg" for n in number], ""),
        video=rows["inspection_id"] + ".mpg",
        video_s=(rows["s_m"] * 7.0).clip(lower=0).round(0).astype(int),
    )


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
