"""Times of one sleeve from its system's own table: stepped up in size, never extrapolated."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from planner.contracts.repairs import PROCESS
from planner.tables import check


@dataclass(frozen=True)
class Durations:
    """Times of one sleeve [s]; None where the table does not say, and `note` why.

    `prepare_s`, `cure_s` and `finish_s` are rounded up to the second, `pot_life_s`
    down; a pot life of 0 sets no limit.
    """

    prepare_s: int | None
    cure_s: int | None
    finish_s: int | None
    pot_life_s: int | None
    note: str = ""


def durations(process: pd.DataFrame, system: str, dn_mm: float, wall_c: float) -> Durations:
    """Look up the times of a sleeve at one size and wall temperature.

    The row of the next larger size counts. Between two temperatures the time lies on a
    straight line in its logarithm, as curing speeds up by a factor per degree; outside
    of the table's temperatures there is no answer.

    Parameters
    ----------
    process
        Obeys `PROCESS`.
    system
        Sleeve system.
    dn_mm
        Nominal size [mm].
    wall_c
        Temperature of the pipe wall [degC].

    Returns
    -------
    durations
        All None, with a note, where the table does not reach.

    Raises
    ------
    TableError
        If the table breaks its contract.

    References
    ----------
    Pot life and cure that halve for every 10 degC: an adhesive maker's technical note
    (formulas.md 4.10 and 5).
    """
    rows = check(process, PROCESS)
    rows = rows[rows["system"] == system]
    if rows.empty:
        return _unknown(f"the process table has no row for {system}")
    larger = rows[rows["dn_to_mm"] >= dn_mm]
    if larger.empty:
        most = rows["dn_to_mm"].max()
        return _unknown(f"the process table of {system} ends at DN {most:g}, asked DN {dn_mm:g}")
    rows = larger[larger["dn_to_mm"] == larger["dn_to_mm"].min()].sort_values("wall_c")
    at = rows["wall_c"].to_numpy(dtype=float)
    if not at[0] <= wall_c <= at[-1]:
        reach = f"{at[0]:g} to {at[-1]:g} degC"
        return _unknown(f"the process table of {system} covers {reach}, the wall has {wall_c:g}")
    prepare, cure, finish, pot = (
        _between(at, rows[name].to_numpy(dtype=float), wall_c)
        for name in ("prepare_s", "cure_s", "finish_s", "pot_life_s")
    )
    note = "" if math.isfinite(pot) else f"the process table of {system} states no pot life here"
    pot_life = math.floor(round(pot, 6)) if math.isfinite(pot) else None
    return Durations(_up(prepare), _up(cure), _up(finish), pot_life, note)


def _up(seconds: float) -> int:
    return math.ceil(round(seconds, 6))


def _between(
    at: np.ndarray[tuple[int], np.dtype[np.float64]],
    seconds: np.ndarray[tuple[int], np.dtype[np.float64]],
    wall_c: float,
) -> float:
    """Interpolate in log(time); 0 has no logarithm: for a pot life it means no limit."""
    right = int(np.searchsorted(at, wall_c))
    if at[right] == wall_c:
        return float(seconds[right])
    first, last = float(seconds[right - 1]), float(seconds[right])
    share = (wall_c - at[right - 1]) / (at[right] - at[right - 1])
    if first > 0 and last > 0:
        return float(math.exp(math.log(first) * (1 - share) + math.log(last) * share))
    return max(first, last)  # the longer of the two; no figure lies between 0 and another


def _unknown(note: str) -> Durations:
    return Durations(None, None, None, None, note)
