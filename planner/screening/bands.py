"""Figures cut into bands, compiled; and how walks over a city's spans are compiled at all."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar, cast

import numpy as np
import numpy.typing as npt
from numba import njit

from planner.compiled import kept

Function = TypeVar("Function", bound=Callable[..., Any])
Numbers = npt.NDArray[np.float64]
Codes = npt.NDArray[np.int16]

# Nothing is allocated and no reference to an array counted: counting takes ten times as long as
# the walk itself, and more where two walks share an array.
_OPTIONS: dict[str, Any] = {"nogil": True, "_nrt": False}


def within(function: Function) -> Function:
    """Compile a part of a walk: it is set into what calls it, and is not kept by itself."""
    return cast("Function", njit(forceinline=True, **_OPTIONS)(function))


def compiled(function: Function) -> Function:
    """Compile a whole walk, to run beside others; kept on disk where a folder may be written.

    Notes
    -----
    numba knows by the file of a walk whether what is kept of it is old: a walk made of parts
    of another file must be told (see `flip_kernel`).
    """
    return kept(function, **_OPTIONS)


@within
def band_of(value: float, cuts: Numbers) -> int:
    """Give the band that a figure lies in: 2k below the cut k, 2k + 1 on it; 0 for NaN."""
    band = 0
    for k in range(len(cuts)):
        band += int(cuts[k] < value) + int(cuts[k] <= value)
    return band


@compiled
def band_figures(
    low: Numbers, high: Numbers, least: float, cuts: Numbers, out: Codes, bands: Codes
) -> None:
    """Write for each interval the number of its pair of bands; 0 = nothing is known.

    Notes
    -----
    Sums cut by cut, without a branch: whether a figure is known cannot be foreseen, and so
    the processor takes several at once. `bands` is room, two rows as long as `out`.
    """
    count, from_least = 2 * len(cuts) + 1, band_of(least, cuts)
    for i in range(len(out)):
        bands[0, i] = int(low[i] != low[i]) * from_least
        bands[1, i] = int(high[i] != high[i]) * (count - 1)
    for k in range(len(cuts)):
        cut = cuts[k]
        for i in range(len(out)):
            bands[0, i] += int(cut < low[i]) + int(cut <= low[i])
        for i in range(len(out)):
            bands[1, i] += int(cut < high[i]) + int(cut <= high[i])
    for i in range(len(out)):
        blank = int(low[i] != low[i]) * int(high[i] != high[i])
        out[i] = (1 - blank) * (1 + bands[0, i] * count + bands[1, i])
