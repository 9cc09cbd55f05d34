"""Unit factors as NIST publishes them, against `planner.units`."""

import pytest

from planner.errors import UnitError
from planner.units import factor, to_si


@pytest.mark.parametrize(
    ("unit", "si", "value"),
    [
        ("ft", "m", 3.048e-01),
        ("in", "m", 2.54e-02),
        ("in", "mm", 25.4),
        ("ft_us", "m", 3.048006e-01),
        ("mile", "m", 1.609344e03),
        ("psi", "Pa", 6.894757e03),
        ("gallon", "m^3", 3.785412e-03),
        ("lb", "kg", 4.535924e-01),
        ("lbf", "N", 4.448222),
        ("lb/ft^3", "kg/m^3", 1.601846e01),
        ("oz/yd^2", "kg/m^2", 3.390575e-02),
        ("oz/ft^2", "kg/m^2", 3.051517e-01),
        ("ft^3/s", "m^3/s", 2.831685e-02),
        ("gallon/min", "m^3/s", 6.309020e-05),
        ("bar", "Pa", 1e05),
    ],
)
def test_nist_factor(unit: str, si: str, value: float):
    """Each factor to the seven figures that are printed.

    References
    ----------
    .. [1] NIST Special Publication 811 (2008), appendix B.8; figures from memory.
    """
    assert factor(unit, si) == pytest.approx(value, rel=5e-7)


def test_exact_factors_are_exact():
    """The foot and the inch are defined: 0.3048 m and 25.4 mm to the last digit."""
    assert factor("ft", "m") == 0.3048
    assert factor("in", "mm") == 25.4
    assert to_si(10.0, "ft", "m") == 3.048


def test_the_two_feet_differ():
    """1200/3937 m and 0.3048 m: 2 parts in a million, 5 m at 2.7 million feet."""
    assert factor("ft_us", "m") == pytest.approx(1200 / 3937, rel=1e-12)
    gap = 2_700_000 * (factor("ft_us", "m") - factor("ft", "m"))
    # 2.7e6 * (0.304800609601 - 0.3048) = 1.64592 m
    assert gap == pytest.approx(1.64592, abs=1e-4)


@pytest.mark.parametrize(("unit", "to"), [("ft", "kg"), ("furlongs_of_doubt", "m"), ("", "m")])
def test_other_dimensions_are_refused(unit: str, to: str):
    """A unit of another dimension, or none at all, is an error with both names in it."""
    with pytest.raises(UnitError):
        factor(unit, to)
