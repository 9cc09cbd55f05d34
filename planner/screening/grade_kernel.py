"""The values that tables of steps give to placed rows, and the worst of each run, compiled."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from planner.screening.bands import compiled, part

Codes = npt.NDArray[np.int32]
Means = npt.NDArray[np.int64]
Numbers = npt.NDArray[np.float64]
Marks = npt.NDArray[np.bool_]

MET, WANTING, UNSURE = 1, 2, 4
"""Of a row, as marks that are added: it has a value; a figure it lacks could give another; a
step could not be verified."""


class Steps(NamedTuple):
    """Steps by kind of row: those of kind k stand from ``first[k]`` to ``first[k + 1]``.

    `figure` is the number of the quantity that decides, -1 = the kind alone; the rest as in
    `GRADE_STEPS`, NaN where there is no bound.
    """

    first: Means
    figure: Means
    over: Numbers
    up_to: Numbers
    dn_from_mm: Numbers
    dn_below_mm: Numbers
    value: Numbers
    verified: Marks


class Seen(NamedTuple):
    """What steps look at: of each row the number of a word, and by number what it stands for.

    The kind as in `Steps`, the number of the quantity, the height of the pipe [mm]; and both
    ends of the figure.
    """

    kind: Codes
    quantity: Codes
    figure_of: Means
    pipe: Codes
    height_of: Numbers
    low: Numbers
    high: Numbers


class Values(NamedTuple):
    """Least and most of what each row can be, and marks; 0 = no step speaks of it."""

    low: Numbers
    high: Numbers
    marks: Codes


class Runs(NamedTuple):
    """Of each run the least of both ends, how many values it has, and how many are unsure."""

    low: Numbers
    high: Numbers
    met: Means
    unsure: Means


@part
def _fits(steps: Steps, s: int, height_mm: float, figure: int, low: float, high: float) -> int:
    """Tell whether a step can hold (`MET`), and whether that wants a figure (`WANTING`)."""
    marks = MET
    if not (np.isnan(steps.dn_from_mm[s]) and np.isnan(steps.dn_below_mm[s])):
        # An unknown height may be of any class.
        if height_mm < steps.dn_from_mm[s] or height_mm >= steps.dn_below_mm[s]:
            return 0
        marks |= WANTING if np.isnan(height_mm) else 0
    if steps.figure[s] < 0:
        return marks
    if steps.figure[s] != figure or np.isnan(low) or np.isnan(high):
        return marks | WANTING
    return 0 if high <= steps.over[s] or low > steps.up_to[s] else marks


@compiled
def look(seen: Seen, steps: Steps, at: Means, named: Means, out: Values) -> None:
    """Find the values that each of the rows `at` can have; `named` is room for as many places."""
    # First which rows any step names: to find out row by row whether to look takes longer.
    count = len(at) - len(at)  # no constant: a variable of the walk
    for n in range(len(at)):
        kind = seen.kind[at[n]]
        named[count] = n
        count += int(steps.first[kind + 1] > steps.first[kind])
        out.low[n], out.high[n], out.marks[n] = np.nan, np.nan, 0
    for n in named[:count]:
        i, marks, least, most = at[n], 0, np.nan, np.nan
        height_mm = seen.height_of[seen.pipe[i]]
        figure, kind = seen.figure_of[seen.quantity[i]], seen.kind[i]
        for s in range(steps.first[kind], steps.first[kind + 1]):
            met = _fits(steps, s, height_mm, figure, seen.low[i], seen.high[i])
            if not met:
                continue
            value = steps.value[s]
            least, most = (value, value) if not marks else (min(least, value), max(most, value))
            marks |= met | (0 if steps.verified[s] else UNSURE)
        out.low[n], out.high[n], out.marks[n] = least, most, marks


@compiled
def worst_of_runs(run: Codes, place_of: Means, at: Means, values: Values, runs: Runs) -> int:
    """Take the worst value, the least, of each run; give the first row without a run, else -1.

    `place_of` has the place of the run of each number.
    """
    for n in range(len(at)):
        r = place_of[run[at[n]]]
        if r < 0:
            return n
        # A row without a value has NaN, which is less than nothing: to branch would take longer.
        runs.low[r] = values.low[n] if values.low[n] < runs.low[r] else runs.low[r]
        runs.high[r] = values.high[n] if values.high[n] < runs.high[r] else runs.high[r]
        runs.met[r] += values.marks[n] != 0
        runs.unsure[r] += values.marks[n] & UNSURE > 0
    return -1
