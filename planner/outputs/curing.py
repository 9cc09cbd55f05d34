"""What a run sheet says of one sleeve's cure: times, the system's own pressure steps, doubts."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import pandas as pd

from planner.contracts.facts import Tables
from planner.ground.pressure import low_step_bar
from planner.units import factor

Row = dict[str, Any]
_WORDS = (
    ("prepare_s", "prepare"),
    ("cure_s", "cure"),
    ("cooldown_s", "cool down"),
    ("drawdown_s", "vacuum, draw the packer down"),
    ("finish_s", "withdraw and film"),
)


@dataclass(frozen=True)
class Curing:
    """`CURES` by sleeve and `PRESSURE_STEPS`; empty where the plan has none."""

    cures: dict[str, Row]
    steps: pd.DataFrame

    @classmethod
    def of(cls, tables: Tables) -> Curing:
        """Index the tables of a run."""
        cures: dict[str, Row] = {}
        if "cures" in tables:
            rows: list[Row] = tables["cures"].to_dict("records")  # type: ignore[assignment]
            cures = {str(row["sleeve_id"]): row for row in rows}
        return cls(cures, tables.get("pressure_steps", pd.DataFrame()))


def cure_words(sleeve: Row, curing: Curing, units: str) -> dict[str, list[str]]:
    """Give the lines of one sleeve: ``cure``, and ``cure_faults`` for what does not hold.

    Parameters
    ----------
    sleeve
        A row of `SLEEVES`.
    curing
        What the plan says of cures.
    units
        ``metric``, or ``us``: pressures then stand in psi too.
    """
    row = curing.cures.get(str(sleeve["sleeve_id"]))
    if row is None:
        return {"cure": [], "cure_faults": []}
    pressure, refused = _pressure(sleeve, curing.steps, units)
    faults = [*refused, *_pot_life(row), *_light_fault(row)]
    lines = [_times(row), *pressure, *_light(row, units)]
    return {"cure": [line for line in lines if line], "cure_faults": faults}


def _times(row: Row) -> str:
    if not math.isfinite(row["cure_s"]):
        return "Times not known: the process table does not reach"
    said = [f"{words} {_minutes(row[name])} min" for name, words in _WORDS if row[name] > 0]
    return f"Times at {row['cold_c']:g} \u00b0C ({row['cold_from']}): {', '.join(said)}"


def _minutes(seconds: float) -> int:
    """Give whole minutes, up, so that no printed time is shorter than the one reckoned."""
    return math.ceil(seconds / 60)


def _pressure(sleeve: Row, steps: pd.DataFrame, units: str) -> tuple[list[str], list[str]]:
    """Print the system's own steps as given, and say if they begin without a low one."""
    if steps.empty:
        return [], []
    own = steps[(steps["system"] == sleeve["system"]) & (steps["dn_to_mm"] >= sleeve["dn_mm"])]
    own = own[own["dn_to_mm"] == own["dn_to_mm"].min()].sort_values("seq")
    if own.empty:
        return ["Pressure: no steps stated for this size; the maker's own table applies"], []
    if own["refused"].iloc[0]:
        return [], [f"Pressure steps refused, do not inflate by them: {own['refused'].iloc[0]}"]
    rows = zip(own["at_min"], own["pressure_bar"], strict=True)
    said = ", ".join(f"at {at:g} min {_bar(bar, units)}" for at, bar in rows)
    first = float(own["pressure_bar"].iloc[0])
    high = first > low_step_bar()
    note = f"; begins at {first:g} bar, without a low first step" if high else ""
    return [f"Pressure by the system's own table: {said}{note}"], []


def _bar(bar: float, units: str) -> str:
    also = f" ({bar * factor('bar', 'psi'):.1f} psi)" if units == "us" else ""
    return f"{bar:g} bar{also}"


def _pot_life(row: Row) -> list[str]:
    held, batch = row["pot_life_held"], row["batch_s"]
    if held == "yes":
        return []
    took = "batch not known" if math.isnan(batch) else f"batch {_minutes(batch)} min"
    if held == "no":
        most = math.floor(row["pot_life_s_high"] / 60)
        at = f"at {row['warm_c']:g} \u00b0C ({row['warm_from']})"
        return [f"Pot life is not held: {took} from mixing to pressure, at most {most} min {at}"]
    return [f"Pot life is not known here: {took}; ask before mixing"]


def _light(row: Row, units: str) -> list[str]:
    if row["cure"] != "light":
        return []
    parts = []
    if math.isfinite(row["lamp_m_per_min"]):
        parts.append(f"pull at {_speed(row['lamp_m_per_min'], units)}")
        if math.isfinite(row["lamp_most_m_per_min"]):
            parts.append(f"at most {_speed(row['lamp_most_m_per_min'], units)}")
    if math.isfinite(row["lamp_w"]):
        parts.append(f"lamp {row['lamp_w']:g} W")
    if math.isfinite(row["energy_asked_mj_cm2"]):
        parts.append(f"{row['energy_asked_mj_cm2']:g} mJ/cm\u00b2 asked")
    return [f"Light: {', '.join(parts)}"] if parts else []


def _light_fault(row: Row) -> list[str]:
    if row["light_held"] != "no":
        return []
    return ["Light does not suffice by the figures stated: ask before curing (see explain)"]


def _speed(m_per_min: float, units: str) -> str:
    # Down, so that no printed speed is faster than the one reckoned.
    value, unit = (m_per_min * factor("m", "ft"), "ft") if units == "us" else (m_per_min, "m")
    return f"{math.floor(value * 100 + 1e-6) / 100:.2f} {unit}/min"
