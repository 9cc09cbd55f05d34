"""Two surveys of one pipe laid on each other by the laterals that both of them saw."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from planner.screening.match import Flags

Numbers = npt.NDArray[np.float64]

# Counters zeroed at the wall and at the centre, or preset for the camera's own length,
# differ by less than this [m]; assumed.
MOST_SHIFT_M = 1.5
# Fewer laterals than this in common say too little, unless they are all there are; assumed.
ENOUGH = 3


@dataclass(frozen=True)
class Shift:
    """How far one survey reads further along the axis than another [m], from `count` laterals."""

    shift_m: float
    scatter_m: float
    count: int


def shift_between(own_m: Numbers, other_m: Numbers, touch_m: float) -> Shift | None:
    """Find the shift that lays most laterals of one survey on those of another.

    Parameters
    ----------
    own_m, other_m
        Places of laterals along the axis [m] in the two surveys.
    touch_m
        Laterals this close after the shift are one.

    Returns
    -------
    Shift or None
        Own minus other: median and greatest distance from it. Most laterals first, then
        least scatter, then least shift; None where too few agree.
    """
    own, other = np.sort(own_m), np.sort(other_m)
    found: list[tuple[int, float, float, float]] = []
    for shift in (own[:, None] - other[None, :]).ravel():
        if abs(shift) > MOST_SHIFT_M:
            continue
        steps = _steps(own, other, float(shift), touch_m)
        median = float(np.median(steps))
        scatter = float(np.max(np.abs(steps - median)))
        found.append((-len(steps), round(scatter, 6), round(abs(median), 6), median))
    if not found:
        return None
    count, scatter, _, median = min(found)
    if -count < min(ENOUGH, max(2, min(len(own), len(other)))):
        return None
    return Shift(median, scatter, -count)


def _steps(own: Numbers, other: Numbers, shift: float, touch_m: float) -> Numbers:
    """Pair laterals one to one, in order, under a trial shift; give own minus other."""
    steps, j = [], 0
    for x in own:
        while j < len(other) and other[j] + shift < x - touch_m - 1e-9:
            j += 1
        if j < len(other) and abs(other[j] + shift - x) <= touch_m + 1e-9:
            steps.append(x - other[j])
            j += 1
    return np.array(steps, dtype=float)


def align(laterals: pd.DataFrame, runs: pd.DataFrame, touch_m: float, flags: Flags) -> pd.Series:
    """Say how far each survey must be moved to lie on the newest one of its pipe.

    Parameters
    ----------
    laterals
        inspection_id, x_m [m] of each lateral seen.
    runs
        pipe_id, inspection_id, date, complete of the surveys.
    touch_m
        Laterals this close after the shift are one.
    flags
        Shift and scatter are reported here.

    Returns
    -------
    shift_m
        By inspection_id [m], only where it is known and not 0: what to take off.
    """
    shifts: dict[str, float] = {}
    again = runs["pipe_id"].duplicated(keep=False)
    if not again.any():
        return pd.Series(shifts, dtype=float)
    many = runs[again]
    own = laterals[laterals["inspection_id"].isin(many["inspection_id"])]
    places = {str(name): part["x_m"].to_numpy() for name, part in own.groupby("inspection_id")}
    many = many.assign(whole=many["complete"].fillna(value=False).astype(bool))
    many = many.sort_values(
        ["pipe_id", "whole", "date", "inspection_id"], ascending=[True, False, False, True]
    )
    for _, group in many.groupby("pipe_id", sort=True):
        first, *others = (str(name) for name in group["inspection_id"])
        for name in others:
            if name not in places or first not in places:
                continue
            shift = shift_between(places[name], places[first], touch_m)
            if shift is None:
                flags.add(name, f"not laid on {first}: too few laterals in common")
                continue
            shifts[name] = shift.shift_m
            flags.add(
                name,
                f"laid on {first} by {shift.count} laterals: moved by {-shift.shift_m:+.2f} m "
                f"along the pipe, scatter {shift.scatter_m:.2f} m",
            )
    return pd.Series(shifts, dtype=float)
