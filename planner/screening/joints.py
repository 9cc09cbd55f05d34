"""Defects that come back at every joint of a stretch, told apart into one point per joint.

Where the joints are not known they stay one matter for the whole pipe: neither one long
sleeve nor a guess of many.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

from planner.screening.match import Flags
from planner.settings import Survey

Numbers = npt.NDArray[np.float64]

JOINT, REPEATED = "joint", "repeated"

# Joints that were all coded lie no further apart than this many pipe units; assumed.
ALL_CODED = 1.5
# Without a known pipe unit, this many joints must be coded before they say where all are.
ENOUGH_JOINTS = 3
# No pipe unit is shorter [m]; assumed.
LEAST_UNIT_M = 0.3


def split_repeated(
    repeated: pd.DataFrame,
    defects: pd.DataFrame,
    pipes: pd.DataFrame,
    settings: Survey,
    flags: Flags,
) -> pd.DataFrame:
    """Give one row per joint for each repeated defect, or the row itself.

    Parameters
    ----------
    repeated
        Rows of `DEFECTS` of kind ``repeated``.
    defects
        All placed rows that count: those coded at a joint say where joints are.
    pipes
        Obeys `PIPES`: joint_every_m [m], length_m [m].
    settings
        Length of a joint, and how close two stations are one.
    flags
        What was assumed is said here.

    Returns
    -------
    rows
        With group ``joint`` (kind point), or ``repeated`` and its mechanism: unlike things
        that recur are unlike matters for the whole pipe.
    """
    if repeated.empty:
        return repeated.assign(group="")
    units = dict(zip(pipes["pipe_id"], pipes["joint_every_m"].astype(float), strict=True))
    lengths = dict(zip(pipes["pipe_id"], pipes["length_m"].astype(float), strict=True))
    at_joint = defects["at_joint"].fillna(value=False).to_numpy(dtype=bool)
    coded = defects[at_joint & (defects["kind"] == "point").to_numpy()]
    joints = {
        str(pipe_id): part["x_from_m"].to_numpy() for pipe_id, part in coded.groupby("pipe_id")
    }
    parts = []
    for row in repeated.to_dict("records"):
        pipe_id = str(row["pipe_id"])
        stretch = (float(row["from_m"]), float(row["to_m"]))
        whole = f"{REPEATED} {row['mechanism']}"
        if row["mechanism"] == "joint_angle" and np.isnan(float(row["quantity_high"])):
            # Likely a sag in mm: as many bent joints it would be read wrongly many times.
            flags.add(row["observation_id"], "bent by an unknown angle all along: one matter")
            parts.append(pd.DataFrame([{**row, "group": whole}]))
            continue
        unit = units[pipe_id]
        seen = joints.get(pipe_id, np.array([]))
        places, coded_all = joints_within(stretch, seen, unit, settings.touch_m)
        if not len(places):
            flags.add(row["observation_id"], "at joints all along, and no joint is known")
            parts.append(pd.DataFrame([{**row, "group": whole}]))
            continue
        if not coded_all:
            what = f"at joints all along: {len(places)} joints taken at every {unit:.2f} m"
            flags.add(row["observation_id"], what)
        half = 0.5 * settings.joint_extent_m
        points = _points(pd.DataFrame([row] * len(places)), places, half, lengths[pipe_id])
        parts.append(points.assign(extent_from="coded" if coded_all else "assumed"))
    return pd.concat([part.astype(object) for part in parts], ignore_index=True)


def joints_within(
    stretch: tuple[float, float], seen: Numbers, unit_m: float, touch_m: float
) -> tuple[Numbers, bool]:
    """Say where the joints of a stretch are.

    Parameters
    ----------
    stretch
        From and to [m].
    seen
        Places of rows coded at a joint [m].
    unit_m
        Length of one pipe unit [m], NaN if unknown.
    touch_m
        Stations this close are one joint.

    Returns
    -------
    places, coded
        Coded joints where they leave no gap; else by the pipe unit, counted from a coded
        joint if there is one, from us_node if not; else none.
    """
    start, end = stretch
    unit = unit_m if unit_m >= LEAST_UNIT_M else np.nan
    near = _apart(np.sort(seen), touch_m)
    inside = near[(near >= start - touch_m) & (near <= end + touch_m)]
    step = unit
    if np.isnan(step) and len(inside) >= ENOUGH_JOINTS:
        step = float(np.median(np.diff(inside)))
    if len(inside) and not np.isnan(step):
        gaps = np.diff(np.concatenate([[start], inside, [end]]))
        if gaps.max() <= ALL_CODED * step:
            return inside, True
    if np.isnan(unit):
        return np.array([]), False
    anchor = float(inside[0]) if len(inside) else float(near[0]) if len(near) else 0.0
    first = int(np.ceil((start - anchor) / unit - 1e-9))
    last = int(np.floor((end - anchor) / unit + 1e-9))
    grid: Numbers = anchor + unit * np.arange(first, last + 1, dtype=float)
    return grid, False


def _apart(places: Numbers, touch_m: float) -> Numbers:
    """Keep the first of stations that are one joint."""
    kept: list[float] = []
    for x in places.tolist():
        if not kept or x > kept[-1] + touch_m:
            kept.append(x)
    return np.array(kept, dtype=float)


def _points(rows: pd.DataFrame, places: Numbers, half_m: float, length_m: float) -> pd.DataFrame:
    places = np.clip(places, 0.0, length_m)
    return rows.assign(
        group=JOINT,
        kind="point",
        x_from_m=places,
        x_to_m=places,
        from_m=np.maximum(places - half_m, 0.0),
        to_m=np.minimum(places + half_m, length_m),
        at_joint=True,
    )
