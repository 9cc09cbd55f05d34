"""Times of one sleeve from its system's own table: stepped up in size, never extrapolated."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from planner.ground.light import NO_LAMP, Lamp

_TIMES = ("prepare_s", "cure_s", "cooldown_s", "drawdown_s", "finish_s")
# Parts of the batch; where one is not stated the whole preparation counts.
BATCH = ("mix_s", "wet_out_s", "pull_s", "inflate_s")
_NOT_STATED = math.nan


@dataclass(frozen=True)
class Durations:
    """Times of one sleeve [s], rounded up; None where the table does not say, and `note` why.

    `batch_s` runs from mixing to pressure. `at_c` is the temperature the times are read at.
    `lamp` holds the light's figures, `stated_s` the cure as the table states it.
    """

    prepare_s: int | None
    cure_s: int | None
    finish_s: int | None
    cooldown_s: int = 0
    drawdown_s: int = 0
    batch_s: int | None = None
    at_c: float = _NOT_STATED
    note: str = ""
    lamp: Lamp = NO_LAMP
    stated_s: float = _NOT_STATED

    @property
    def shut_s(self) -> int | None:
        """From pressure until the film is made [s]; None where not known."""
        if self.cure_s is None or self.finish_s is None:
            return None
        return self.cure_s + self.cooldown_s + self.drawdown_s + self.finish_s

    @property
    def site_s(self) -> int | None:
        """All of it [s]; None where not known."""
        shut_s = self.shut_s
        return None if shut_s is None or self.prepare_s is None else self.prepare_s + shut_s


@dataclass(frozen=True)
class PotLife:
    """Pot life [s] between two bounds: NaN = not known, infinite = no limit; `note` says why."""

    low_s: float
    high_s: float
    at_c: float
    note: str = ""

    def holds(self, batch_s: float | None) -> str:
        """Tell whether a batch is done in time: yes, no or undecided."""
        if self.low_s == math.inf:
            return "yes"
        if batch_s is None:
            return "undecided"
        if batch_s <= self.low_s:
            return "yes"
        return "no" if batch_s > self.high_s else "undecided"

    def refusal(self, batch_s: float | None) -> str:
        """Say why a batch cannot be set in time, with both times; '' unless that is certain."""
        if self.holds(batch_s) != "no":
            return ""
        at = f" at {self.at_c:g} degC" if math.isfinite(self.at_c) else ""
        return (
            f"the pot life is not held: the batch takes {batch_s:g} s from mixing to pressure,"
            f" the resin keeps at most {self.high_s:g} s{at}"
        )


def durations(
    process: pd.DataFrame,
    system: str,
    dn_mm: float,
    cold_c: float | None,
    length_m: float = math.nan,
) -> Durations:
    """Look up the times of a sleeve at one size and temperature.

    The row of the next larger size counts. Between two temperatures the time lies on a
    straight line in its logarithm, as curing speeds up by a factor per degree; outside
    of the table's temperatures there is no answer.

    Parameters
    ----------
    process
        Obeys `PROCESS`; not checked again here.
    system
        Sleeve system.
    dn_mm
        Nominal size [mm].
    cold_c
        Coldest of resin, air and wall [degC]; None takes the longest time of each column.
    length_m
        Length of the sleeve [m], for a lamp that moves.

    Returns
    -------
    durations
        All None, with a note, where the table does not reach.

    References
    ----------
    Pot life and cure that halve for every 10 degC: an adhesive maker's technical note
    (formulas.md 4.10 and 5).
    """
    rows, note = rows_of(process, system, dn_mm)
    if rows.empty:
        return Durations(None, None, None, note=note)
    at = rows["wall_c"].to_numpy(dtype=float)
    if cold_c is not None and not at[0] <= cold_c <= at[-1]:
        reach = f"{at[0]:g} to {at[-1]:g} degC"
        note = f"the process table of {system} covers {reach}, asked {cold_c:g}"
        return Durations(None, None, None, note=note)
    batch = rows[list(BATCH)].sum(axis=1, skipna=False).fillna(rows["prepare_s"])
    columns = {name: rows[name].to_numpy(dtype=float) for name in _TIMES}
    columns |= {name: np.nan_to_num(columns[name]) for name in ("cooldown_s", "drawdown_s")}
    columns["batch_s"] = batch.to_numpy(dtype=float)
    times = {name: _at(at, seconds, cold_c) for name, seconds in columns.items()}
    stated_s, lamp = times["cure_s"], _lamp(rows, at, cold_c)
    cure_s = lamp.cure_s(length_m, stated_s)
    known = math.isfinite(cure_s)
    return Durations(
        _up(times["prepare_s"]),
        _up(cure_s) if known else None,
        _up(times["finish_s"]),
        _up(times["cooldown_s"]),
        _up(times["drawdown_s"]),
        _up(times["batch_s"]),
        _worst_at(at, columns["cure_s"]) if cold_c is None else cold_c,
        "" if known else f"the process table of {system} states no time of cure here",
        lamp,
        stated_s,
    )


def pot_life(process: pd.DataFrame, system: str, dn_mm: float, warm_c: float | None) -> PotLife:
    """Look up the pot life of a batch at the warmest temperature.

    Inside the stated temperatures it is interpolated as the times are. Outside nothing is
    reckoned, but the nearest figure bounds it: colder resin keeps no shorter, warmer no
    longer.

    Parameters
    ----------
    process, system, dn_mm
        As for `durations`.
    warm_c
        Warmest of resin, air and wall [degC]; None takes the warmest of the table.
    """
    rows, note = rows_of(process, system, dn_mm)
    stated = rows[rows["pot_life_s"].notna()]
    if stated.empty:
        at_c = math.nan if warm_c is None else warm_c
        note = note or f"the process table of {system} states no pot life"
        return PotLife(math.nan, math.nan, at_c, note)
    stated_c = stated["pot_life_c"].fillna(stated["wall_c"]).to_numpy(dtype=float)
    seconds = stated["pot_life_s"].where(stated["pot_life_s"] > 0, math.inf)
    by_c = seconds.groupby(stated_c).min().sort_index()
    at, life = by_c.index.to_numpy(dtype=float), by_c.to_numpy(dtype=float)
    if warm_c is None:
        warm_c = float(rows["wall_c"].max())
        if warm_c <= at[-1]:
            least = float(life.min())
            return PotLife(_down(least), _down(least), float(at[life == least][-1]))
    if np.isinf(life).all():
        return PotLife(math.inf, math.inf, warm_c)
    reach = f"stated for {at[0]:g} to {at[-1]:g} degC"
    if warm_c < at[0]:
        return PotLife(_down(life[0]), math.nan, warm_c, f"{reach} only: no shorter where colder")
    if warm_c > at[-1]:
        return PotLife(math.nan, _down(life[-1]), warm_c, f"{reach} only: no longer where warmer")
    found = _between(at, np.where(np.isinf(life), 0.0, life), warm_c)
    return PotLife(_down(found or math.inf), _down(found or math.inf), warm_c)


def rows_of(process: pd.DataFrame, system: str, dn_mm: float) -> tuple[pd.DataFrame, str]:
    """Give the rows of the next larger size by rising temperature; none, and why.

    The table is checked where it is read and once by each step, not at each look-up.
    """
    rows = process[process["system"] == system]
    if rows.empty:
        return rows, f"the process table has no row for {system}"
    larger = rows[rows["dn_to_mm"] >= dn_mm]
    if larger.empty:
        most = rows["dn_to_mm"].max()
        note = f"the process table of {system} ends at DN {most:g}, asked DN {dn_mm:g}"
        return larger, note
    return larger[larger["dn_to_mm"] == larger["dn_to_mm"].min()].sort_values("wall_c"), ""


def _at(
    at: np.ndarray[tuple[int], np.dtype[np.float64]],
    seconds: np.ndarray[tuple[int], np.dtype[np.float64]],
    cold_c: float | None,
) -> float:
    return float(seconds.max()) if cold_c is None else _between(at, seconds, cold_c)


def _worst_at(
    at: np.ndarray[tuple[int], np.dtype[np.float64]],
    seconds: np.ndarray[tuple[int], np.dtype[np.float64]],
) -> float:
    """Give the temperature of the longest cure, the coldest of equals [degC]."""
    return float(at[0] if np.isnan(seconds).any() else at[int(np.argmax(seconds))])


def _lamp(
    rows: pd.DataFrame,
    at: np.ndarray[tuple[int], np.dtype[np.float64]],
    cold_c: float | None,
) -> Lamp:
    """Take the worst of the rows on both sides of the temperature; what one lacks is not known."""
    part = rows
    if cold_c is not None:
        right = int(np.searchsorted(at, cold_c))
        part = rows.iloc[[right] if at[right] == cold_c else [right - 1, right]]
    low, high = part.min(skipna=False, numeric_only=True), part.max(skipna=False, numeric_only=True)
    return Lamp(
        float(low["irradiance_mw_cm2"]),
        float(low["lit_m"]),
        float(high["energy_mj_cm2"]),
        float(low["lamp_m_per_min"]),
        float(low["lamp_w"]),
    )


def _up(seconds: float) -> int:
    return math.ceil(round(seconds, 6))


def _down(seconds: float) -> float:
    return seconds if math.isinf(seconds) else float(math.floor(round(seconds, 6)))


def _between(
    at: np.ndarray[tuple[int], np.dtype[np.float64]],
    seconds: np.ndarray[tuple[int], np.dtype[np.float64]],
    asked_c: float,
) -> float:
    """Interpolate in log(time); 0 has no logarithm: for a pot life it means no limit."""
    right = int(np.searchsorted(at, asked_c))
    if at[right] == asked_c:
        return float(seconds[right])
    first, last = float(seconds[right - 1]), float(seconds[right])
    if math.isnan(first) or math.isnan(last):
        return math.nan
    share = (asked_c - at[right - 1]) / (at[right] - at[right - 1])
    if first > 0 and last > 0:
        return float(math.exp(math.log(first) * (1 - share) + math.log(last) * share))
    return max(first, last)  # the longer of the two; no figure lies between 0 and another
