"""How fast coded rows come to their places, and what the naive way puts elsewhere.

The city is invented: pipes of 20 to 120 m with bends, ten coded rows each, half of the
runs from the far end, one row in a hundred before the start or past the end.
"""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from planner.contracts import INSPECTIONS, LATERALS, NODES, OBSERVATIONS, PIPES
from planner.ground.codes import read_codes
from planner.ground.measure import point_at
from planner.screening.locate import Located, locate
from planner.screening.position import place
from planner.settings import Survey, load_settings
from planner.tables import conform, empty
from tests.bench.frame import BenchResult, timed

ROWS_PER_PIPE = 10
CRS = "EPSG:25832"
CODES = (
    ("BAB", "B", "B", "2"),
    ("BAJ", "B", "", "10"),
    ("BCA", "A", "A", "150"),
    ("BDB", "", "", ""),
)
GOALS: dict[str, tuple[str, float]] = {"largest difference from shapely [m]": ("<=", 1e-6)}

Numbers = npt.NDArray[np.float64]


@dataclass(frozen=True)
class City:
    """Contract tables of an invented city."""

    pipes: pd.DataFrame
    inspections: pd.DataFrame
    observations: pd.DataFrame


def run(size: int) -> BenchResult:
    """Place `size` coded rows; the row loop takes a hundredth of them, at least 100."""
    settings = load_settings().survey
    city = make_city(size)
    few = min(size, max(100, size // 100))
    whole_s, located = timed(lambda: locate_all(city, settings))
    ours_s, (xy, kept) = timed(lambda: place_ours(city, located.pipes, settings), tries=3)
    naive_s, far = timed(lambda: place_by_shapely(city, located.pipes), tries=3)
    loop_s, _ = timed(lambda: place_by_loop(city, located.pipes, few))
    count = len(city.observations)
    away = np.hypot(*(xy - far[kept]).T)
    # Past an end both must differ: ours sets to the end, the naive way clamps or wraps.
    rows = linked(city, located.pipes)
    inside = place(rows, settings, np.zeros(count)).past_m[kept] == 0.0
    return BenchResult(
        rows=[
            line("ours: link, place, point", count, ours_s, "ends checked"),
            line("naive: shapely, all rows at once", count, naive_s, "no check"),
            line("naive: row by row", few, loop_s, "no check"),
            line("ours: the whole step", count, whole_s, "contracts, pairs, laterals, flags too"),
        ],
        ratios={
            "shapely time / ours": naive_s / ours_s,
            "row loop time / ours, per row": (loop_s / few) / (ours_s / count),
            "largest difference from shapely [m]": float(away[inside].max(initial=0.0)),
            "rows the naive way puts elsewhere": float((away > 0.01).sum() + (~kept).sum()),
            "rows left over by ours": float((~kept).sum()),
        },
        goals={name: list(goal) for name, goal in GOALS.items()},
    )


def line(what: str, count: int, seconds: float, note: str) -> dict[str, object]:
    rate = round(count / seconds)
    return {
        "what": what,
        "rows": count,
        "seconds": round(seconds, 4),
        "rows_per_s": rate,
        "note": note,
    }


def make_city(size: int) -> City:
    """Invent a city with `size` coded rows, the same one each time."""
    rng = np.random.default_rng(7)
    count = max(1, size // ROWS_PER_PIPE)
    ids = np.array([f"{number:06d}" for number in range(count)], dtype=object)
    steps = rng.uniform(5.0, 30.0, (count, 4))
    angles = rng.uniform(-0.4, 0.4, (count, 4)).cumsum(axis=1)
    xy = np.zeros((count, 5, 2))
    xy[:, 1:, 0] = (steps * np.cos(angles)).cumsum(axis=1)
    xy[:, 1:, 1] = (steps * np.sin(angles)).cumsum(axis=1)
    xy += rng.uniform(0.0, 20_000.0, (count, 1, 2))
    lines = shapely.linestrings(xy)
    drawn = shapely.length(lines)
    us, ds = "N" + ids, "M" + ids
    pipes = gpd.GeoDataFrame(
        {"pipe_id": ids, "us_node": us, "ds_node": ds, "dn_mm": 200.0, "drawn_m": drawn},
        geometry=lines,
        crs=CRS,
    )
    from_ds = rng.random(count) < 0.5
    runs = pd.DataFrame(
        {
            "inspection_id": "I" + ids, "pipe_ref": ids, "date": "2025-06-01",
            "scheme": "EN 13508-2", "start_node": np.where(from_ds, ds, us), "zero_at": "wall",
            "direction": "unknown", "surveyed_m": drawn - 0.8, "complete": True,
            "laterals_coded": "yes", "row": range(count),
        }
    )  # fmt: skip
    of_run = np.sort(rng.integers(0, count, size))
    s_m = rng.random(size) * (drawn - 0.8)[of_run]
    odd = rng.random(size)
    s_m = np.where(odd < 0.005, -rng.uniform(0.1, 2.0, size), s_m)
    s_m = np.where(odd > 0.995, (drawn - 0.8)[of_run] + rng.uniform(0.1, 2.0, size), s_m)
    code = pd.DataFrame([CODES[i] for i in rng.integers(0, len(CODES), size)])
    code.columns = pd.Index(["code", "char1", "char2", "q1"])
    rows = code.assign(
        q2="", stretch="", at_joint=False, s_m=s_m.round(2), row=np.arange(size),
        inspection_id=("I" + ids)[of_run],
        observation_id=[f"{number:08d}" for number in range(size)],
    )  # fmt: skip
    rows = rows.join(read_codes(rows))
    return City(conform(pipes, PIPES), conform(runs, INSPECTIONS), conform(rows, OBSERVATIONS))


def locate_all(city: City, settings: Survey) -> Located:
    nothing = (empty(NODES, crs=CRS), empty(LATERALS))
    return locate(
        city.pipes, nothing[0], city.inspections, city.observations, nothing[1], settings, ""
    )


def linked(city: City, pipes: pd.DataFrame) -> pd.DataFrame:
    """Put pipe, counter node and length beside each row: what the step does by then."""
    rows, runs = city.observations, city.inspections
    of_run = pd.Index(runs["inspection_id"]).get_indexer(pd.Index(rows["inspection_id"]))
    out = rows[["s_m", "mechanism"]].copy()
    for name, source in (("pipe_id", "pipe_ref"), ("counter_node", "start_node")):
        out[name] = runs[source].to_numpy(dtype=object)[of_run]
    out["zero_at"] = runs["zero_at"].to_numpy(dtype=object)[of_run]
    at = pd.Index(pipes["pipe_id"]).get_indexer(pd.Index(runs["pipe_ref"]))[of_run]
    out["us_node"] = pipes["us_node"].to_numpy(dtype=object)[at]
    out["length_m"] = pipes["length_m"].to_numpy(dtype=float)[at]
    return out.assign(pipe_row=at)


def place_ours(
    city: City, pipes: pd.DataFrame, settings: Survey
) -> tuple[Numbers, npt.NDArray[np.bool_]]:
    """Link, place, and find the point on the map; refused rows have none."""
    rows = linked(city, pipes)
    spots = place(rows, settings, np.zeros(len(rows)))
    kept = ~spots.refused
    at = rows["pipe_row"].to_numpy()[kept]
    drawn = pipes["drawn_m"].to_numpy(dtype=float)[at]
    map_m = np.minimum(spots.x_m[kept] * drawn / spots.length_m[kept], drawn)
    return point_at(pipes.geometry.to_numpy()[at], map_m), kept


def place_by_shapely(city: City, pipes: pd.DataFrame) -> Numbers:
    """Merge and interpolate all at once, as one would without a thought of the ends."""
    both = city.observations.merge(city.inspections, on="inspection_id")
    both = both.merge(pipes, left_on="pipe_ref", right_on="pipe_id")
    scale = both["drawn_m"] / both["length_m"]
    d = np.where(both["start_node"] == both["us_node"], both["s_m"], both["length_m"] - both["s_m"])
    points = shapely.line_interpolate_point(both["geometry"].to_numpy(), d * scale.to_numpy())
    return shapely.get_coordinates(points)


def place_by_loop(city: City, pipes: pd.DataFrame, count: int) -> list[tuple[float, float]]:
    """Go through the rows one by one."""
    runs = {run.inspection_id: run for run in city.inspections.itertuples()}
    by_id = {pipe.pipe_id: pipe for pipe in pipes.itertuples()}
    points = []
    for _, row in city.observations.head(count).iterrows():
        pipe = by_id[runs[row["inspection_id"]].pipe_ref]
        d = row["s_m"]
        if runs[row["inspection_id"]].start_node != pipe.us_node:
            d = pipe.length_m - d
        point = pipe.geometry.interpolate(d * pipe.drawn_m / pipe.length_m)
        points.append((point.x, point.y))
    return points
