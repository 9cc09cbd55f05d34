"""Whole numbers of smallest units as figures for a person, each with its unit."""

from __future__ import annotations

from dataclasses import dataclass

from planner.ground.money import money

# How a smallest unit is shown: by how many it is divided, how many digits stay, the unit's name.
_SHOWN = {
    "pieces": (1, 0, "pieces"),
    "mm": (1_000, 3, "m"),
    "mm2": (1_000_000, 2, "m²"),
    "g": (1_000, 3, "kg"),
    "ml": (1_000, 3, "l"),
    "cents": (100, 2, ""),
}


@dataclass(frozen=True)
class Figure:
    """A figure as text, and its unit."""

    text: str
    unit: str

    def __str__(self) -> str:
        return f"{self.text} {self.unit}".strip()


def figure(value: int, unit: str) -> Figure:
    """Give a whole number of a smallest unit as a figure in the unit that people read.

    Examples
    --------
    >>> str(figure(91_200, "mm"))
    '91.200 m'
    >>> figure(-250, "cents").text
    '-2.50'
    """
    by, digits, name = _SHOWN[unit]
    text = f"{abs(value) / by:,.{digits}f}" if by > 1 else f"{abs(value):,}"
    sign = "-" if value < 0 else ""
    return Figure(sign + text, name)


def signed(cents: int) -> str:
    """Give a difference of money with its sign."""
    return ("+" if cents > 0 else "") + money(cents)


def percent(share: float) -> str:
    """Give a share as a percentage with one digit."""
    return f"{100.0 * share:.1f} %"


def metres(value: float) -> str:
    """Give a length [m] as it was typed: no more digits than there are; '' where unknown."""
    return "" if value != value else f"{value:g}"  # noqa: PLR0124 - NaN is not itself


def typed(cents: int) -> str:
    """Give an amount as a person types it."""
    return f"{cents // 100}.{cents % 100:02d}"
