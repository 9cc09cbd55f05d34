"""Defects that come back at every joint of a stretch, told apart into one point per joint.

Where the joints are not known they stay one matter for the whole pipe: neither one long
sleeve nor a guess of many.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from planner.coded_text import Coded, Columns
from planner.distinct import numbers_at
from planner.held import Held
from planner.screening.match import Flags
from planner.settings import Survey

Numbers = npt.NDArray[np.float64]
Places = npt.NDArray[np.intp]

JOINT, REPEATED = "joint", "repeated"

# Joints that were all coded lie no further apart than this many pipe units; assumed.
ALL_CODED = 1.5
# Without a known pipe unit, this many joints must be coded before they say where all are.
ENOUGH_JOINTS = 3
# No pipe unit is shorter [m]; assumed.
LEAST_UNIT_M = 0.3


def split_repeated(
    defects: Held, again: Places, pipes: Held, settings: Survey, flags: Flags
) -> Columns:
    """Give a point for each joint of each repeated defect, or the defect as it is.

    Parameters
    ----------
    defects
        Holds all placed rows that count, `DEFECTS`: those coded at a joint say where joints are.
    again
        Which of them are damage of kind ``repeated``.
    pipes
        Holds `PIPES`: joint_every_m [m], length_m [m].
    settings
        Length of a joint, and how close two stations are one.
    flags
        What was assumed is said here.

    Returns
    -------
    rows
        row (of `defects`); group ``joint``, or ``repeated`` and its mechanism: unlike things
        that recur are unlike matters for the whole pipe; point (whether it is one joint), and
        for these x_from_m, x_to_m, from_m, to_m [m] and extent_from.
    """
    pipe = defects.coded("pipe_id")
    at = pipe.places_in(pipes.column("pipe_id"))[again]
    units, lengths = (numbers_at(pipes.floats(name), at) for name in ("joint_every_m", "length_m"))
    names = defects.column("observation_id").take(again).tolist()
    mechanisms = defects.coded("mechanism")[again].tolist()
    figures = defects.floats("quantity_high")[again]
    starts, ends = (defects.floats(name)[again] for name in ("from_m", "to_m"))
    coded = _coded_joints(defects, np.unique(pipe.codes[again]))
    half, parts = 0.5 * settings.joint_extent_m, list[_Split]()
    for n, row in enumerate(again.tolist()):
        whole = _Split(row, f"{REPEATED} {mechanisms[n]}", np.array([np.nan]), "")
        if mechanisms[n] == "joint_angle" and np.isnan(figures[n]):
            # Likely a sag in mm: as many bent joints it would be read wrongly many times.
            flags.add(names[n], "bent by an unknown angle all along: one matter")
            parts.append(whole)
            continue
        seen, unit = coded[int(pipe.codes[row])], float(units[n])
        stretch = (float(starts[n]), float(ends[n]))
        places, coded_all = joints_within(stretch, seen, unit, settings.touch_m)
        if not len(places):
            flags.add(names[n], "at joints all along, and no joint is known")
            parts.append(whole)
            continue
        if not coded_all:
            what = f"at joints all along: {len(places)} joints taken at every {unit:.2f} m"
            flags.add(names[n], what)
        places = np.clip(places, 0.0, lengths[n])
        parts.append(_Split(row, JOINT, places, "coded" if coded_all else "assumed", lengths[n]))
    return _under_each_other(parts, half)


@dataclass(frozen=True)
class _Split:
    """A repeated defect at its joints [m]; one place, unknown, where it stays one matter."""

    row: int
    group: str
    places: Numbers
    extent_from: str
    length_m: float = np.nan


def _under_each_other(parts: Sequence[_Split], half_m: float) -> Columns:
    """Lay parts out by column."""
    times = np.array([len(part.places) for part in parts], dtype=np.intp)
    x = np.concatenate([part.places for part in parts])
    length = np.repeat([part.length_m for part in parts], times)
    return {
        "row": np.repeat([part.row for part in parts], times),
        "group": Coded.of(np.repeat([part.group for part in parts], times).tolist()),
        "point": np.repeat([part.group == JOINT for part in parts], times),
        "x_from_m": x,
        "x_to_m": x,
        "from_m": np.maximum(x - half_m, 0.0),
        "to_m": np.minimum(x + half_m, length),
        "extent_from": Coded.of(np.repeat([part.extent_from for part in parts], times).tolist()),
    }


def _coded_joints(defects: Held, pipes: npt.NDArray[np.integer[Any]]) -> dict[int, Numbers]:
    """Give the places of single rows coded at a joint, by the number of their pipe."""
    pipe, x = defects.coded("pipe_id").codes, defects.floats("x_from_m")
    at_joint = defects.marks("at_joint") & defects.coded("kind").holds("point")
    some = np.flatnonzero(at_joint & np.isin(pipe, pipes))
    apart = np.flatnonzero(np.diff(pipe[some])) + 1
    parts = zip(np.split(pipe[some], apart), np.split(x[some], apart), strict=True)
    found = {int(codes[0]): places for codes, places in parts if len(codes)}
    return {int(one): found.get(int(one), np.array([])) for one in pipes}


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
