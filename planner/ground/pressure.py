"""The customary first step of air, against which a system's own table is only compared."""

from __future__ import annotations

from planner.units import factor

# Air is first brought to about 10 psi: common practice, no source.
LOW_STEP_PSI = 10.0


def low_step_bar() -> float:
    """Give the customary first step [bar], to the hundredth that tables are written in."""
    return round(LOW_STEP_PSI * factor("psi", "bar"), 2)
