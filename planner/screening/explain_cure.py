"""The cure of a sleeve: temperatures and their origin, each time, pot life, light, pressure."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from planner.contracts.facts import Tables

Row = Any  # a row as `itertuples` gives it: its columns are those of the contract
_TIMES = ("prepare", "cure", "cooldown", "drawdown", "finish")


def cure_lines(sleeve_id: str, tables: Tables) -> list[str]:
    """Write out the times of one sleeve and what they rest on.

    Parameters
    ----------
    sleeve_id
        Sleeve.
    tables
        Of it: cures, sleeves, pressure_steps; without cures there is nothing to tell.
    """
    if "cures" not in tables:
        return []
    frame = tables["cures"]
    lines: list[str] = []
    for row in frame[frame["sleeve_id"] == sleeve_id].itertuples(index=False):
        lines += _head(row)
        lines += _light(row) if row.cure == "light" else []
        lines += _pressure(row, tables)
    return lines


def _head(row: Row) -> list[str]:
    source = f" | {row.source}" if row.source else ""
    times = ", ".join(f"{name} {_figure(getattr(row, f'{name}_s'))}" for name in _TIMES)
    low, high = _figure(row.pot_life_s_low), _figure(row.pot_life_s_high)
    return [
        f"Cure of sleeve {row.sleeve_id}, {row.cure or 'not known'}, {row.system}{source}",
        f"  because: {row.why}",
        f"  times [s]: {times} | process table at {_figure(row.cold_c)} degC | {row.cold_from}",
        f"  pot life held: {row.pot_life_held}; batch {_figure(row.batch_s)} s,"
        f" pot life {low} to {high} s at {_figure(row.warm_c)} degC | {row.warm_from}",
    ]


def _light(row: Row) -> list[str]:
    return [
        f"  light held: {row.light_held}; energy density {_figure(row.energy_mj_cm2)} against"
        f" {_figure(row.energy_asked_mj_cm2)} mJ/cm2 | E t, or E l / v where the lamp moves",
        f"  lamp {_figure(row.lamp_m_per_min)} m/min, at most"
        f" {_figure(row.lamp_most_m_per_min)} m/min | v = E l / H;"
        f" lit length {_figure(row.lit_m)} m, sleeve {_figure(row.length_m)} m",
    ]


def _pressure(row: Row, tables: Tables) -> list[str]:
    """List the system's own steps for the sleeve's size, as given."""
    if "pressure_steps" not in tables or "sleeves" not in tables:
        return []
    steps, sleeves = tables["pressure_steps"], tables["sleeves"]
    dn = sleeves.loc[sleeves["sleeve_id"] == row.sleeve_id, "dn_mm"]
    own = steps[(steps["system"] == row.system) & (steps["dn_to_mm"] >= dn.max())]
    own = own[own["dn_to_mm"] == own["dn_to_mm"].min()].sort_values("seq")
    if own.empty:
        return ["  pressure: no steps stated for this size"]
    if own["refused"].iloc[0]:
        return [f"  pressure: steps refused: {own['refused'].iloc[0]}"]
    said = [
        f"{at:g} min {bar:g} bar"
        for at, bar in zip(own["at_min"], own["pressure_bar"], strict=True)
    ]
    return [f"  pressure, as the system's own table has it: {', '.join(said)}"]


def _figure(value: object) -> str:
    return "?" if pd.isna(value) else f"{np.round(float(value), 4):g}"  # type: ignore[call-overload, arg-type]
