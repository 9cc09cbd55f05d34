"""How fast coded rows come to their places, and what the naive way puts elsewhere.

The city is invented: pipes of 20 to 120 m with bends, ten coded rows each, half of the
runs from the far end, one row in a hundred before the start or past the end.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from planner.contracts import INSPECTIONS, LATERALS, NODES, OBSERVATIONS, PIPES
from planner.distinct import places_in
from planner.ground.along import Axes
from planner.ground.codes import read_codes
from planner.held import Held
from planner.screening.locate import Located, locate
from planner.screening.position import Placed, Walked, place
from planner.screening.row_kernel import Runs
from planner.settings import Survey, load_settings
from planner.tables import conform, empty
from tests.bench.budget import clocked
from tests.bench.frame import BenchResult, Found

ROWS_PER_PIPE = 10
CRS = "EPSG:25832"
CODES = (
    ("BAB", "B", "B", "2"),
    ("BAJ", "B", "", "10"),
    ("BCA", "A", "A", "150"),
    ("BDB", "", "", ""),
)
GOALS: dict[str, tuple[str, float]] = {
    "referencing: shapely / ours": (">=", 15.0),
    "row loop / ours with link and place, per row": (">=", 100.0),
    "largest difference from shapely [m]": ("<=", 1e-6),
}

Numbers = npt.NDArray[np.float64]


@dataclass(frozen=True)
class City:
    """Contract tables of an invented city."""

    pipes: pd.DataFrame
    inspections: pd.DataFrame
    observations: pd.DataFrame


def run(size: int) -> BenchResult:
    """Place `size` coded rows; the row loop takes a hundredth of them, at least 100.

    Referencing is the same on both sides: pipe row and distance of each row, in order of
    pipe, to coordinates; ours lays out the vertices of the lines first, which counts. Times
    are CPU seconds of this process, the least of some tries, after one run of what is compiled.
    """
    settings = load_settings().survey
    city = make_city(size)
    few = min(size, max(100, size // 100))
    Axes.of(city.pipes.geometry.to_numpy()[:1]).points([0], [0.0])
    whole_s, located = _best(lambda: locate_all(city, settings), 1)
    lines, at, d_m = referenced(city, located.pipes, settings)
    flat_s, axes = _best(lambda: Axes.of(lines))
    point_s, here = _best(lambda: axes.points(at, d_m))
    shapely_s, there = _best(
        lambda: shapely.get_coordinates(shapely.line_interpolate_point(lines[at], d_m))
    )
    ours_s, (xy, placed) = _best(lambda: place_ours(city, located.pipes, settings))
    naive_s, far = _best(lambda: place_by_shapely(city, located.pipes))
    loop_s, _ = _best(lambda: place_by_loop(city, located.pipes, few), 1)
    count = len(city.observations)
    away = np.hypot(*(xy - far[placed.at]).T)
    # Past an end both must differ: ours sets to the end, the naive way clamps or wraps.
    inside, refused = placed.past_m == 0.0, count - len(placed.at)
    differ = max(float(np.hypot(*(here - there).T).max()), float(away[inside].max(initial=0.0)))
    return BenchResult(
        rows=[
            line("ours: flat axes", len(axes.starts) - 1, flat_s, "pipes; from line objects"),
            line("ours: referencing", len(at), point_s, "one walk, rows in order of pipe"),
            line("shapely: referencing", len(at), shapely_s, "interpolate, coordinates"),
            line("ours: link, place, referencing", count, ours_s, "ends checked"),
            line("naive: merge, shapely", count, naive_s, "all rows at once, no check"),
            line("naive: row by row", few, loop_s, "no check"),
            line("ours: the whole step", count, whole_s, "contracts, pairs, laterals, flags too"),
        ],
        ratios={
            "referencing: shapely / ours": shapely_s / (flat_s + point_s),
            "referencing: shapely / ours, flat axes at hand": shapely_s / point_s,
            "merge and shapely / ours with link and place": naive_s / ours_s,
            "row loop / ours with link and place, per row": (loop_s / few) / (ours_s / count),
            "the whole step / merge and shapely": whole_s / naive_s,
            "largest difference from shapely [m]": differ,
            "rows the naive way puts elsewhere": float((away > 0.01).sum() + refused),
            "rows left over by ours": float(refused),
        },
        goals={name: list(goal) for name, goal in GOALS.items()},
    )


def _best(work: Callable[[], Found], tries: int = 3) -> tuple[float, Found]:
    """Give the least CPU seconds of some tries, and what the last one found."""
    tried = [clocked(work) for _ in range(tries)]
    return min(seconds for seconds, _ in tried), tried[-1][1]


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


def walked(
    city: City, pipes: pd.DataFrame, settings: Survey
) -> tuple[npt.NDArray[np.intp], Walked]:
    """Link rows, and put them on the pipe's own axis: what the step does by then."""
    rows, runs = Held.of(city.observations, OBSERVATIONS), city.inspections
    of_run = rows.coded("inspection_id").places_in(runs["inspection_id"])
    pipe = places_in(runs["pipe_ref"], pipes["pipe_id"])
    us_node = pipes["us_node"].array.take(pipe)
    linked = Runs(
        used=np.ones(len(runs), dtype=bool),
        from_us=np.asarray(runs["start_node"].array == us_node, dtype=bool),
        part_m=np.zeros(len(runs)),
        length_m=pipes["length_m"].to_numpy(dtype=float)[pipe],
        doubt_m=pipes["length_doubt_m"].to_numpy(dtype=float)[pipe],
        shift_m=np.zeros(len(runs)),
    )
    return pipe[of_run], place(rows, of_run, linked, settings)


def referenced(
    city: City, pipes: pd.DataFrame, settings: Survey
) -> tuple[npt.NDArray[np.object_], npt.NDArray[np.intp], Numbers]:
    """Give the lines, and of each row that is placed its line and its distance along it [m]."""
    of_pipe, found = walked(city, pipes, settings)
    at = of_pipe[found.placed.at]
    drawn, length = (pipes[name].to_numpy(dtype=float)[at] for name in ("drawn_m", "length_m"))
    d_m = np.minimum(found.placed.x_from_m * drawn / length, drawn)
    return pipes.geometry.to_numpy(), at, d_m


def place_ours(city: City, pipes: pd.DataFrame, settings: Survey) -> tuple[Numbers, Placed]:
    """Link, place, and find the point on the map; refused rows have none."""
    of_pipe, found = walked(city, pipes, settings)
    at = of_pipe[found.placed.at]
    axes = Axes.of(pipes.geometry.to_numpy())
    drawn, length = axes.length_m[at], pipes["length_m"].to_numpy(dtype=float)[at]
    return axes.points(at, np.minimum(found.placed.x_from_m * drawn / length, drawn)), found.placed


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
