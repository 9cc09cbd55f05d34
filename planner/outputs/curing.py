"""What a run sheet says of one sleeve's cure: times, the system's own pressure steps, doubts."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

import pandas as pd

from planner.contracts.facts import Tables
from planner.ground.pressure import low_step_bar
from planner.outputs.wording import degrees
from planner.units import factor

Row = dict[str, Any]
TIMES = (
    ("prepare_s", "prepare"),
    ("cure_s", "cure"),
    ("cooldown_s", "cool down"),
    ("drawdown_s", "vacuum, draw the packer down"),
    ("finish_s", "withdraw and film"),
)


@dataclass(frozen=True)
class Curing:
    """`CURES` by sleeve and `PRESSURE_STEPS` by system; empty where the plan has none."""

    cures: dict[str, Row]
    steps: dict[str, list[Row]]

    @classmethod
    def of(cls, tables: Tables) -> Curing:
        """Index the tables of a run."""
        cures = _records(tables, "cures")
        steps: dict[str, list[Row]] = {}
        for row in _records(tables, "pressure_steps"):
            steps.setdefault(str(row["system"]), []).append(row)
        return cls({str(row["sleeve_id"]): row for row in cures}, steps)


def _records(tables: Tables, name: str) -> list[Row]:
    rows: list[Row] = tables.get(name, pd.DataFrame()).to_dict("records")  # type: ignore[assignment]
    return rows


@dataclass(frozen=True)
class CureWords:
    """What the sheet prints of one cure; `row` is empty where the plan says nothing of it.

    `times` holds pairs of what and how long, `at` the temperature that they are stated at;
    `steps` pairs of minute and pressure as the user's table has them.
    """

    at: str = ""
    times: tuple[tuple[str, str], ...] = ()
    steps: tuple[tuple[str, str], ...] = ()
    notes: tuple[str, ...] = ()
    faults: tuple[str, ...] = ()
    row: Row = field(default_factory=dict)

    def minutes(self, name: str) -> str:
        """Write one time of the process table in whole minutes; '' where it is not known."""
        seconds = self.row.get(name, math.nan)
        return f"{_minutes(seconds)} min" if math.isfinite(seconds) else ""

    @property
    def steps_said(self) -> str:
        """Write the pressure steps in one line; '' where none are printed."""
        return ", ".join(f"at {at} {bar}" for at, bar in self.steps)


def cure_words(sleeve: Row, curing: Curing, units: str) -> CureWords:
    """Say what the plan knows of one sleeve's cure, and what does not hold.

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
        return CureWords()
    own = _own_steps(sleeve, curing.steps.get(str(sleeve["system"]), []))
    steps, notes, refused = _pressure(own, units, stated=bool(curing.steps))
    times, at, more = _times(row, units)
    faults = (*refused, *more, *_pot_life(row, units), *_light_fault(row))
    notes = [*notes, *_light(row, units)]
    return CureWords(at, times, steps, tuple(notes), faults, row)


def _times(row: Row, units: str) -> tuple[tuple[tuple[str, str], ...], str, list[str]]:
    if not math.isfinite(row["cure_s"]):
        return (), "", ["Times not known: the process table does not reach"]
    said = tuple((words, f"{_minutes(row[name])} min") for name, words in TIMES if row[name] > 0)
    return said, f"{degrees(row['cold_c'], units)} ({row['cold_from']})", []


def _minutes(seconds: float) -> int:
    """Give whole minutes, up, so that no printed time is shorter than the one reckoned."""
    return math.ceil(seconds / 60)


def _own_steps(sleeve: Row, steps: list[Row]) -> list[Row]:
    """Give the steps of the next larger size of the sleeve's system, in their order."""
    fits = [step for step in steps if step["dn_to_mm"] >= sleeve["dn_mm"]]
    least = min((step["dn_to_mm"] for step in fits), default=math.nan)
    return sorted((one for one in fits if one["dn_to_mm"] == least), key=lambda one: one["seq"])


def _pressure(
    own: list[Row], units: str, *, stated: bool
) -> tuple[tuple[tuple[str, str], ...], list[str], list[str]]:
    """Give the system's own steps as given, and say if they begin without a low one."""
    if not own:
        said = "Pressure: no steps stated for this size; the maker's own table applies"
        return (), [said] if stated else [], []
    if own[0]["refused"]:
        return (), [], [f"Pressure steps refused, do not inflate by them: {own[0]['refused']}"]
    steps = tuple((f"{one['at_min']:g} min", _bar(one["pressure_bar"], units)) for one in own)
    first = float(own[0]["pressure_bar"])
    high = f"The table begins at {_bar(first, units)}, without a low first step"
    return steps, [high] if first > low_step_bar() else [], []


def _bar(bar: float, units: str) -> str:
    also = f" ({bar * factor('bar', 'psi'):.1f} psi)" if units == "us" else ""
    return f"{bar:g} bar{also}"


def _pot_life(row: Row, units: str) -> list[str]:
    held, batch = row["pot_life_held"], row["batch_s"]
    if held == "yes":
        return []
    took = "batch not known" if math.isnan(batch) else f"batch {_minutes(batch)} min"
    if held == "no":
        most = math.floor(row["pot_life_s_high"] / 60)
        at = f"at {degrees(row['warm_c'], units)} ({row['warm_from']})"
        return [f"Pot life is not held: {took} from mixing to pressure, at most {most} min {at}"]
    return [f"Pot life is not known here: {took}; ask before mixing"]


def pot_life_said(row: Row, units: str) -> str:
    """Say how long the mixed resin keeps, at which temperature; '' where it is not known."""
    least = row.get("pot_life_s_low", math.nan)
    if not math.isfinite(least):
        return ""
    at = degrees(row["warm_c"], units)
    return f"{math.floor(least / 60)} min at {at}"


def _light(row: Row, units: str) -> list[str]:
    if row["cure"] != "light":
        return []
    parts = []
    if said := lamp_speed(row, units):
        parts.append(f"pull at {said}")
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


def lamp_speed(row: Row, units: str) -> str:
    """Write the lamp's speed; '' where it stands still or no speed is stated."""
    speed = row.get("lamp_m_per_min", math.nan)
    return _speed(speed, units) if math.isfinite(speed) else ""


def _speed(m_per_min: float, units: str) -> str:
    # Down, so that no printed speed is faster than the one reckoned.
    value, unit = (m_per_min * factor("m", "ft"), "ft") if units == "us" else (m_per_min, "m")
    return f"{math.floor(value * 100 + 1e-6) / 100:.2f} {unit}/min"
