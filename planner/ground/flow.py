"""What flows in a sewer: dry weather by population, its peak, infiltration, hold-back time.

Population is given in persons; the formulas' own unit, thousands, stays inside.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Numbers = npt.NDArray[np.float64]

DAY_S = 86_400.0
# Persons from which the formulas are said to hold (from memory). Below it Harmon is still
# taken, at the true population: it grows no further than 4.5. Babbitt grows without end there.
HARMON_FROM_PERSONS = 1_000.0
BABBITT_FROM_PERSONS = 1_000.0
# Babbitt's factor falls to 1.0 here: (5 / 1)^5 thousand persons.
BABBITT_TO_PERSONS = 3_125_000.0


def average_flow_l_s(
    population: npt.ArrayLike, litres_per_person_day: float, return_ratio: float
) -> Numbers:
    """Give the average dry-weather flow [l/s]: persons x litres a day x share returned.

    Parameters
    ----------
    population : array_like, shape (n,)
        Persons; NaN stays NaN.
    litres_per_person_day : float
        Water used [l].
    return_ratio : float
        Share of it that comes back as sewage.
    """
    persons = np.asarray(population, dtype=float)
    return np.asarray(persons * litres_per_person_day * return_ratio / DAY_S)


def harmon_factor(population: npt.ArrayLike, least: float = 1.0) -> Numbers:
    """Give peak / average flow by Harmon: 1 + 14 / (4 + sqrt P), P in thousands.

    Said to hold from `HARMON_FROM_PERSONS` up; for fewer it nears 4.5.

    Parameters
    ----------
    population : array_like, shape (n,)
        Persons, not below 0.
    least : float
        Floor of the factor [-].

    Examples
    --------
    >>> float(harmon_factor(25_000).round(4))
    2.5556
    """
    thousands = np.asarray(population, dtype=float) / 1000.0
    return np.asarray(np.maximum(1.0 + 14.0 / (4.0 + np.sqrt(thousands)), least))


def babbitt_factor(population: npt.ArrayLike, least: float = 1.0) -> Numbers:
    """Give peak / average flow by Babbitt: 5 / P^0.2, P in thousands, never below `least` [-].

    NaN below `BABBITT_FROM_PERSONS`, where it does not hold. The bare formula reaches
    1.0 at `BABBITT_TO_PERSONS` and would fall on: a peak below the average.
    """
    persons = np.asarray(population, dtype=float)
    thousands = np.where(persons >= BABBITT_FROM_PERSONS, persons, np.nan) / 1000.0
    return np.asarray(np.maximum(5.0 / thousands**0.2, max(least, 1.0)))


def gifft_most_factor(population: npt.ArrayLike) -> Numbers:
    """Give greatest day / average flow by Gifft: 5.0 P^(-1/6), P in thousands."""
    return np.asarray(5.0 * _thousands(population) ** (-1.0 / 6.0))


def gifft_least_factor(population: npt.ArrayLike) -> Numbers:
    """Give least day / average flow by Gifft: 0.2 P^(1/6), P in thousands."""
    return np.asarray(0.2 * _thousands(population) ** (1.0 / 6.0))


def gifft_span_factor(population: npt.ArrayLike) -> Numbers:
    """Give greatest / least day by Gifft: 25.0 P^(-1/3), P in thousands."""
    return np.asarray(25.0 * _thousands(population) ** (-1.0 / 3.0))


def peak_factors(population: npt.ArrayLike, least: float) -> tuple[Numbers, Numbers]:
    """Give the least and the greatest factor among the formulas that hold.

    Parameters
    ----------
    population : array_like, shape (n,)
        Persons.
    least : float
        Floor of both [-].

    Returns
    -------
    low, high : ndarray, shape (n,)
        Harmon alone below `BABBITT_FROM_PERSONS`.
    """
    harmon, babbitt = harmon_factor(population, least), babbitt_factor(population, least)
    return np.fmin(harmon, babbitt), np.fmax(harmon, babbitt)


def infiltration_by_length_l_s(length_m: npt.ArrayLike, l_s_per_km: float) -> Numbers:
    """Give the groundwater that leaks in [l/s] along so many metres of sewer."""
    return np.asarray(np.asarray(length_m, dtype=float) / 1000.0 * l_s_per_km)


def infiltration_by_area_l_s(area_m2: npt.ArrayLike, l_s_per_ha: float) -> Numbers:
    """Give the groundwater that leaks in [l/s] over so many square metres drained."""
    return np.asarray(np.asarray(area_m2, dtype=float) / 10_000.0 * l_s_per_ha)


def hold_back_s(storage_m3: npt.ArrayLike, flow_l_s: npt.ArrayLike) -> Numbers:
    """Give how long a plug can stand before the room above it is full [s]: t = V / Q.

    Parameters
    ----------
    storage_m3 : array_like, shape (n,)
        Room upstream, up to the level that may be held [m3].
    flow_l_s : array_like, shape (n,)
        What arrives at the plug [l/s]; 0 gives NaN: that nothing arrives is never taken
        as known.
    """
    flow = np.asarray(flow_l_s, dtype=float)
    return np.asarray(np.asarray(storage_m3) * 1000.0 / np.where(flow > 0.0, flow, np.nan))


def _thousands(population: npt.ArrayLike) -> Numbers:
    persons = np.asarray(population, dtype=float)
    return np.where(persons > 0.0, persons, np.nan) / 1000.0
