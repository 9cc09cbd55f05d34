"""What is doubtful about camera runs and drawings, though their rows can be placed."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from planner.coded_text import Coded, alike
from planner.distinct import Texts, is_among, numbers_at, places_in, unlike_in
from planner.ground.material_words import coded_material
from planner.screening.match import Flags
from planner.settings import Survey

Numbers = npt.NDArray[np.float64]
Places = npt.NDArray[np.intp]

# As shapely numbers kinds of shapes: line, ring.
_LINES = (1, 2)
# Distances are written to the centimetre: less than half of one is no step back [m].
FALL_M = 0.005


def flag_drawings(
    pipes: pd.DataFrame, nodes: pd.DataFrame, runs: pd.DataFrame, settings: Survey, flags: Flags
) -> None:
    """Flag inspected pipes without a drawing, drawn away from their nodes, or laid uphill."""
    filmed = np.flatnonzero(is_among(pipes["pipe_id"], runs["pipe_id"]))
    lines = pipes["geometry"].to_numpy(dtype=object)[filmed]
    names, us_node, ds_node = (
        pipes[name].array.take(filmed) for name in ("pipe_id", "us_node", "ds_node")
    )
    bare = shapely.is_missing(lines) | shapely.is_empty(lines)
    for pipe_id in names[bare]:
        flags.add(pipe_id, "no drawing: placed along its own length, but not on the map")
    drawn = np.flatnonzero(~bare)
    if len(drawn):
        starts, ends = _ends_of(lines[drawn])
        nearest = np.fmin(
            _away(starts, us_node.take(drawn), nodes), _away(ends, ds_node.take(drawn), nodes)
        )
        for i in np.flatnonzero(nearest > settings.snap_m):
            flags.add(
                names[drawn[i]],
                "the drawing ends at neither of its manholes in the order named: distances hold "
                f"from the manholes, places on the map are not proved ({nearest[i]:.1f} m away)",
            )
    us_invert, ds_invert = (
        pipes[f"{end}_invert_m"].to_numpy(dtype=float)[filmed] for end in ("us", "ds")
    )
    for i in np.flatnonzero(us_invert < ds_invert):
        flags.add(
            names[i],
            f"its invert is lower at {us_node[i]} than at {ds_node[i]}: "
            "the order of its manholes counts",
        )


def _ends_of(lines: npt.NDArray[np.object_]) -> tuple[Numbers, Numbers]:
    """Give the first and the last vertex of each line [m]; NaN where a shape is no single line."""
    counts = shapely.get_num_coordinates(lines)
    xy, last = shapely.get_coordinates(lines), np.cumsum(counts) - 1
    single = np.isin(shapely.get_type_id(lines), _LINES)[:, None]
    start, end = xy[last - counts + 1], xy[last]
    return np.where(single, start, np.nan), np.where(single, end, np.nan)


def _away(spots: Numbers, names: Texts, nodes: pd.DataFrame) -> Numbers:
    """Measure how far places lie from their nodes [m]; NaN where a node has no place."""
    at = places_in(names, nodes["node_id"])
    shapes = nodes["geometry"].to_numpy(dtype=object, copy=True)
    shapes[shapely.is_empty(shapes)] = None  # they have no x to ask for
    own = np.append(np.column_stack([shapely.get_x(shapes), shapely.get_y(shapes)]),
                    [[np.nan, np.nan]], axis=0)  # fmt: skip
    dx, dy = (spots - own[at]).T
    return np.asarray(np.sqrt(dx * dx + dy * dy), dtype=float)


def flag_runs(
    runs: pd.DataFrame,
    pipes: pd.DataFrame,
    observations: pd.DataFrame,
    of_run: Places,
    first_day: str,
    flags: Flags,
) -> None:
    """Flag runs without rows, with an unknown zero, from the future, or whose counter jumps.

    `of_run` has the place in `runs` of the run of each of `observations`, -1 = none of them.
    """
    names, dates = runs["inspection_id"].array, runs["date"].array
    told = np.bincount(of_run[of_run >= 0], minlength=len(runs)) > 0
    for name in names[~told]:
        flags.add(name, "no coded rows: it proves nothing about its pipe")
    if first_day:
        for name in names[np.asarray(dates > first_day, dtype=bool)]:
            flags.add(name, f"survey of a day after {first_day}")
    _flag_filmed_twice(runs, flags)
    for key, what in told_zeros(unsure_zeros(runs)):
        flags.add(key, what)
    at = places_in(runs["pipe_id"], pipes["pipe_id"])
    sizes = numbers_at(pipes["height_mm"], at)
    coded = runs["size_mm"].to_numpy(dtype=float)
    for i in np.flatnonzero(np.abs(coded - sizes) > 0.1 * sizes):
        flags.add(names[i], f"coded height {coded[i]:g} mm, but the network says {sizes[i]:g} mm")
    _flag_materials(runs, pipes, at, flags)
    _flag_falls(runs, observations, of_run, flags)


def _flag_filmed_twice(runs: pd.DataFrame, flags: Flags) -> None:
    """Flag each pipe that two whole runs filmed on one day."""
    if len(unlike_in(runs["pipe_id"])) == len(runs):
        return
    whole = runs["complete"].array.to_numpy(dtype=bool, na_value=False)
    filmed = (runs[name].array[whole].tolist() for name in ("pipe_id", "date"))
    days = Counter(zip(*filmed, strict=True))
    for pipe_id, day in (key for key, times in days.items() if times > 1):
        flags.add(pipe_id, f"filmed more than once on {day or 'an unknown day'}: all rows count")


def unsure_zeros(runs: pd.DataFrame) -> Counter[str]:
    """Count by file the runs of `INSPECTIONS` whose zero is not stated; counts of parts add up."""
    unsure = is_among(runs["zero_at"], ("unknown", ""))
    return Counter(runs["file"].array[unsure].tolist() if unsure.any() else ())


def told_zeros(unsure: Mapping[str, int]) -> list[tuple[str, str]]:
    """Give the flags, key and text, of what `unsure_zeros` counted."""
    return [
        (
            file or "inspections",
            f"zero of the counter not stated for {count} runs: taken at the manhole's wall",
        )
        for file, count in sorted(unsure.items())
    ]


def _flag_materials(runs: pd.DataFrame, pipes: pd.DataFrame, at: Places, flags: Flags) -> None:
    """Flag each run whose coded material is not that of its pipe in the network.

    `at` has the row of each run's pipe, -1 = none.
    """
    both = [Coded.of(runs["material"]), Coded.of(pipes["material"]).at(at)]
    coded, listed = alike([one.mapped(coded_material) for one in both])
    unlike = (coded.codes != listed.codes) & ~coded.holds("") & ~listed.holds("")
    for i in np.flatnonzero(unlike):
        word, other = coded[[i]].tolist() + listed[[i]].tolist()
        flags.add(
            runs["inspection_id"].array[i], f"coded material {word}, but the network says {other}"
        )


def _flag_falls(
    runs: pd.DataFrame, observations: pd.DataFrame, of_run: Places, flags: Flags
) -> None:
    """Flag each run whose distances fall in the order of its file, at the first such row."""
    s_m = observations["s_m"].to_numpy(dtype=float)
    row = observations["row"].array.to_numpy(dtype=np.int64, na_value=0)
    known = np.flatnonzero((of_run >= 0) & ~np.isnan(s_m))
    run, number = of_run[known], row[known]
    if not ((run[1:] > run[:-1]) | (run[1:] == run[:-1]) & (number[1:] >= number[:-1])).all():
        known = known[np.lexsort((number, run))]
    same = of_run[known][1:] == of_run[known][:-1]
    falls = known[1:][same & (np.diff(s_m[known]) < -FALL_M)]
    _, first = np.unique(of_run[falls], return_index=True)
    places = falls[first]
    names = runs["inspection_id"].array.take(of_run[places]).tolist()
    for name, at_row in zip(names, row[places].tolist(), strict=True):
        flags.add(
            name,
            f"distances fall at row {at_row} of the file: counter set back, or rows out of order",
        )
