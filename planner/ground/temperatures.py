"""Which temperature a sleeve cures at, and which its pot life is read at."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from planner.contracts.process import CONDITIONS
from planner.tables import check

_PLACES = ("resin", "air", "wall")
NONE_STATED = "none stated"


@dataclass(frozen=True)
class Temperatures:
    """Coldest for the cure and warmest for the pot life [degC]; None = the worst column counts.

    `cold_from` and `warm_from` say what was stated and when, or what is missing.
    """

    cold_c: float | None
    cold_from: str
    warm_c: float | None
    warm_from: str


def temperatures(conditions: pd.DataFrame | None, wall_c: float | None) -> Temperatures:
    """Take the coldest and the warmest of what is stated for the planned days.

    A cure needs the wall stated on each day: the ground may be colder than the air. A pot
    life needs air or resin: the resin is mixed above ground. Without them the worst column
    of the process table counts.

    Parameters
    ----------
    conditions
        Obeys `CONDITIONS`; empty or None where nothing is stated.
    wall_c
        Coldest pipe wall of all days [degC], used on days that state none of their own.

    Raises
    ------
    TableError
        If the conditions break their contract.
    """
    if conditions is None or conditions.empty:
        warm_from = f"{NONE_STATED} for air or resin"
        if wall_c is None:
            return Temperatures(None, NONE_STATED, None, warm_from)
        return Temperatures(wall_c, "wall by [week] wall_c", None, warm_from)
    days = check(conditions, CONDITIONS)
    filled = days["wall_c"].isna().to_numpy(dtype=bool) & (wall_c is not None)
    if wall_c is not None:
        days = days.assign(wall_c=days["wall_c"].fillna(wall_c))
    no_wall, above = days["wall_c"].isna(), days["air_c"].isna() & days["resin_c"].isna()
    cold_c, cold_from = _missing(days, no_wall, "the wall") or _end(days, filled, coldest=True)
    warm_c, warm_from = _missing(days, above, "air or resin") or _end(days, filled, coldest=False)
    return Temperatures(cold_c, cold_from, warm_c, warm_from)


def _missing(days: pd.DataFrame, missing: pd.Series, what: str) -> tuple[None, str] | None:
    if not missing.any():
        return None
    first = days[missing].iloc[0]
    return None, f"{NONE_STATED} for {what} on {first['date'] or first['period']}"


def _end(days: pd.DataFrame, filled: npt.NDArray[np.bool_], *, coldest: bool) -> tuple[float, str]:
    """Find the coldest or warmest figure, and say of what and when it is."""
    figures = days[[f"{place}_c" for place in _PLACES]].to_numpy(dtype=float)
    at = int(np.nanargmin(figures) if coldest else np.nanargmax(figures))
    row, place = divmod(at, len(_PLACES))
    value = float(figures[row, place])
    if _PLACES[place] == "wall" and filled[row]:
        return value, "wall by [week] wall_c"
    day = days.iloc[row]
    source = f", {day['source']}" if day["source"] else ""
    return value, f"{_PLACES[place]} of {day['period']}{source}"
