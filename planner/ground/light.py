"""Curing by light: energy density, the fastest lamp, and the time a lamp takes.

Energy density alone does not settle a cure: irradiance and wavelength belong to it, so every
figure here only checks what the maker's own instructions ask.

References
----------
mJ/cm2 = mW/cm2 x s: a lamp maker's and a measurement page (formulas.md 5). That a moving lamp
gives E l / v is the same integral at constant speed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

_S_PER_MIN = 60.0


def energy_mj_cm2(irradiance_mw_cm2: float, seconds: float) -> float:
    """Give the energy density [mJ/cm2] of a constant irradiance over `seconds` [s]."""
    return irradiance_mw_cm2 * seconds


def lamp_most_m_per_min(irradiance_mw_cm2: float, lit_m: float, energy_mj_cm2: float) -> float:
    """Give the fastest speed [m/min] at which each point still gets `energy_mj_cm2`."""
    return _S_PER_MIN * irradiance_mw_cm2 * lit_m / energy_mj_cm2


def exposure_s(lit_m: float, lamp_m_per_min: float) -> float:
    """Give the seconds for which a moving lamp lights one point."""
    return _S_PER_MIN * lit_m / lamp_m_per_min


def travel_s(length_m: float, lit_m: float, lamp_m_per_min: float) -> float:
    """Give the seconds [s] until the whole lit length has passed both ends of a sleeve."""
    return _S_PER_MIN * (length_m + lit_m) / lamp_m_per_min


@dataclass(frozen=True)
class Lamp:
    """What a process table says of its light; NaN where it does not say."""

    irradiance_mw_cm2: float = math.nan
    lit_m: float = math.nan
    energy_mj_cm2: float = math.nan
    stated_m_per_min: float = math.nan
    power_w: float = math.nan

    @property
    def most_m_per_min(self) -> float:
        """Fastest speed that gives the energy asked [m/min]; NaN where not known."""
        return lamp_most_m_per_min(self.irradiance_mw_cm2, self.lit_m, self.energy_mj_cm2)

    def speed_m_per_min(self, length_m: float, stated_s: float) -> float:
        """Give the speed of the lamp [m/min]; NaN where it stands.

        It moves where the table states a speed. It moves at the fastest that gives the
        energy asked where the table states no time and the lamp is shorter than the sleeve.
        """
        if not math.isnan(self.stated_m_per_min):
            return self.stated_m_per_min
        return self.most_m_per_min if math.isnan(stated_s) and self.lit_m < length_m else math.nan

    def cure_s(self, length_m: float, stated_s: float) -> float:
        """Give the time of cure [s], never less than `stated_s`; NaN where not known."""
        speed = self.speed_m_per_min(length_m, stated_s)
        if not math.isnan(speed):
            return _longer(stated_s, travel_s(length_m, self.lit_m, speed))
        if math.isnan(stated_s) and self.lit_m >= length_m:
            return self.energy_mj_cm2 / self.irradiance_mw_cm2
        return stated_s

    def reached_mj_cm2(self, length_m: float, stated_s: float) -> float:
        """Give the energy density that each point gets [mJ/cm2]; NaN where not known."""
        speed = self.speed_m_per_min(length_m, stated_s)
        moves = not math.isnan(speed)
        lit_s = exposure_s(self.lit_m, speed) if moves else self.cure_s(length_m, stated_s)
        return energy_mj_cm2(self.irradiance_mw_cm2, lit_s)

    def held(self, length_m: float, stated_s: float) -> str:
        """Tell whether energy and lit length suffice: yes, no or undecided."""
        moves = not math.isnan(self.speed_m_per_min(length_m, stated_s))
        if not moves and self.lit_m < length_m:
            return "no"
        reached = self.reached_mj_cm2(length_m, stated_s)
        asked = self.energy_mj_cm2
        if math.isnan(reached) or math.isnan(asked):
            return "undecided"
        if reached < asked * (1 - 1e-9):
            return "no"
        return "yes" if moves or self.lit_m >= length_m else "undecided"


NO_LAMP = Lamp()


def _longer(one: float, other: float) -> float:
    """Give the longer; a time that is not known leaves the other."""
    if math.isnan(one):
        return other
    return one if math.isnan(other) else max(one, other)
