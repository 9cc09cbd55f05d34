"""What is doubtful about camera runs and drawings, though their rows can be placed."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from planner.distinct import is_among, mapped, numbers_at, places_in
from planner.ground.material_words import coded_material
from planner.screening.match import Flags
from planner.settings import Survey
from planner.tables import rows_in

Texts = npt.NDArray[np.object_]

# Distances are written to the centimetre: less than half of one is no step back [m].
FALL_M = 0.005


def flag_drawings(
    pipes: pd.DataFrame, nodes: pd.DataFrame, runs: pd.DataFrame, settings: Survey, flags: Flags
) -> None:
    """Flag inspected pipes without a drawing, drawn away from their nodes, or laid uphill."""
    filmed = is_among(pipes["pipe_id"], runs["pipe_id"])
    names, us_node, ds_node, lines = (
        pipes[name].to_numpy(dtype=object)[filmed]
        for name in ("pipe_id", "us_node", "ds_node", "geometry")
    )
    bare = np.array([line is None or line.is_empty for line in lines], dtype=bool)
    for pipe_id in names[bare]:
        flags.add(pipe_id, "no drawing: placed along its own length, but not on the map")
    drawn = np.flatnonzero(~bare)
    if len(drawn):
        away_us = _away(lines[drawn], 0, us_node[drawn], nodes)
        away_ds = _away(lines[drawn], -1, ds_node[drawn], nodes)
        nearest = np.fmin(away_us, away_ds)
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


def _away(lines: Texts, vertex: int, names: Texts, nodes: pd.DataFrame) -> npt.NDArray[np.float64]:
    """Measure how far an end of each line lies from its node [m]; NaN where it has no place."""
    at = places_in(names, nodes["node_id"])
    own = np.append(nodes["geometry"].to_numpy(), np.array([None], dtype=object))[at]
    return np.asarray(shapely.distance(shapely.get_point(lines, vertex), own), dtype=float)


def flag_runs(
    runs: pd.DataFrame,
    pipes: pd.DataFrame,
    observations: pd.DataFrame,
    first_day: str,
    flags: Flags,
) -> None:
    """Flag runs without rows, with an unknown zero, from the future, or whose counter jumps."""
    empty = ~is_among(runs["inspection_id"], observations["inspection_id"])
    names, dates = (runs[name].to_numpy(dtype=object) for name in ("inspection_id", "date"))
    for name in names[empty]:
        flags.add(name, "no coded rows: it proves nothing about its pipe")
    if first_day:
        for name in names[dates > first_day]:
            flags.add(name, f"survey of a day after {first_day}")
    whole = runs["complete"].array.to_numpy(dtype=bool, na_value=False)
    filmed = runs["pipe_id"].to_numpy(dtype=object)
    days = Counter(zip(filmed[whole], dates[whole], strict=True))
    for pipe_id, day in (key for key, times in days.items() if times > 1):
        flags.add(pipe_id, f"filmed more than once on {day or 'an unknown day'}: all rows count")
    for key, what in told_zeros(unsure_zeros(runs)):
        flags.add(key, what)
    at = places_in(runs["pipe_id"], pipes["pipe_id"])
    sizes = numbers_at(pipes["height_mm"], at)
    coded = runs["size_mm"].to_numpy(dtype=float)
    for i in np.flatnonzero(np.abs(coded - sizes) > 0.1 * sizes):
        flags.add(
            runs["inspection_id"].iloc[i],
            f"coded height {coded[i]:g} mm, but the network says {sizes[i]:g} mm",
        )
    _flag_materials(runs, pipes, flags)
    _flag_falls(runs, observations, flags)


def unsure_zeros(runs: pd.DataFrame) -> Counter[str]:
    """Count by file the runs of `INSPECTIONS` whose zero is not stated; counts of parts add up."""
    zeros = rows_in(runs, ["file", "zero_at"])
    return Counter(file for file, zero_at in zeros if zero_at in ("unknown", ""))


def told_zeros(unsure: Mapping[str, int]) -> list[tuple[str, str]]:
    """Give the flags, key and text, of what `unsure_zeros` counted."""
    return [
        (
            file or "inspections",
            f"zero of the counter not stated for {count} runs: taken at the manhole's wall",
        )
        for file, count in sorted(unsure.items())
    ]


def _flag_materials(runs: pd.DataFrame, pipes: pd.DataFrame, flags: Flags) -> None:
    """Flag each run whose coded material is not that of its pipe in the network."""
    coded = mapped(runs["material"], coded_material).to_numpy(dtype=object)
    at = places_in(runs["pipe_id"], pipes["pipe_id"])
    own = mapped(pipes["material"], coded_material).to_numpy(dtype=object)
    listed = np.append(own, "")[at]
    for i in np.flatnonzero((coded != listed) & (coded != "") & (listed != "")):
        flags.add(
            runs["inspection_id"].iloc[i],
            f"coded material {coded[i]}, but the network says {listed[i]}",
        )


def _flag_falls(runs: pd.DataFrame, observations: pd.DataFrame, flags: Flags) -> None:
    """Flag each run whose distances fall in the order of its file, at the first such row."""
    names = runs["inspection_id"].to_numpy(dtype=object)
    of_run = places_in(observations["inspection_id"], runs["inspection_id"])
    s_m = observations["s_m"].to_numpy(dtype=float)
    row = observations["row"].fillna(0).to_numpy(dtype=np.int64)
    order = np.lexsort((row, of_run))
    order = order[(of_run[order] >= 0) & ~np.isnan(s_m[order])]
    same = of_run[order][1:] == of_run[order][:-1]
    falls = order[1:][same & (np.diff(s_m[order]) < -FALL_M)]
    _, first = np.unique(of_run[falls], return_index=True)
    for i in falls[first]:
        flags.add(
            names[of_run[i]],
            f"distances fall at row {row[i]} of the file: counter set back, or rows out of order",
        )
