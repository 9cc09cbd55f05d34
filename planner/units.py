"""The border of units: text and foreign units in, SI floats out. pint lives here only."""

from __future__ import annotations

from functools import lru_cache

import pint

from planner.errors import UnitError

# Names a file may use for a unit of length; the survey foot is never guessed.
LENGTHS = {
    "m": "meter",
    "mm": "millimeter",
    "cm": "centimeter",
    "ft": "foot",
    "ft_us": "survey_foot",
    "in": "inch",
}


@lru_cache(maxsize=1)
def _registry() -> pint.UnitRegistry[float]:
    return pint.UnitRegistry()


@lru_cache(maxsize=256)
def factor(from_unit: str, to_unit: str) -> float:
    """Give the factor that turns `from_unit` into `to_unit`.

    Raises
    ------
    UnitError
        If a unit is unknown or the dimensions differ.

    Examples
    --------
    >>> factor("ft", "m")
    0.3048
    """
    registry = _registry()
    try:
        one = registry.Quantity(1.0, LENGTHS.get(from_unit, from_unit))
        value = float(one.to(LENGTHS.get(to_unit, to_unit)).magnitude)
    except (pint.errors.PintError, AttributeError, TypeError) as error:
        message = f"cannot turn '{from_unit}' into '{to_unit}': {error}"
        raise UnitError(message) from error
    return float(f"{value:.12g}")


def to_si(value: float, from_unit: str, to_unit: str) -> float:
    """Turn `value` in `from_unit` into `to_unit`.

    Raises
    ------
    UnitError
        If a unit is unknown or the dimensions differ.
    """
    return value * factor(from_unit, to_unit)
