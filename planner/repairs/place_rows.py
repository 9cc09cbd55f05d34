"""Rows of sleeves before they have ids: of pipes placed one by one, and of those placed at once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from planner.contracts import SLEEVES
from planner.repairs.place_fit import Fit, row_of

COLUMNS = [name for name in SLEEVES.names if name != "sleeve_id"]


@dataclass(frozen=True)
class Rows:
    """Sleeves by column, the spans that each serves and the laterals that each covers.

    `numbers` says on which line each is; `totals` has for each line with sleeves its number,
    pipe_id, how many they are and which share of it they cover.
    """

    numbers: Sequence[int] = ()
    columns: dict[str, Any] = field(default_factory=lambda: {name: [] for name in COLUMNS})
    spans: Sequence[list[str]] = ()
    laterals: Sequence[list[str]] = ()
    totals: Sequence[tuple[int, str, int, float]] = ()


def rows_of(fits: Sequence[tuple[int, Fit]]) -> Rows:
    """Give the rows of pipes placed one by one, each with the number of its line."""
    pairs = [(fit, sleeve) for _, fit in fits for sleeve in fit.sleeves]
    rows = [row_of(fit, sleeve) for fit, sleeve in pairs]
    return Rows(
        [number for number, fit in fits for _ in fit.sleeves],
        {name: [row[name] for row in rows] for name in COLUMNS},
        [[spot.span_id for spot in fit.served(sleeve)] for fit, sleeve in pairs],
        [[tap.lateral_id for tap in fit.covered(sleeve)] for fit, sleeve in pairs],
        [
            (
                number,
                fit.line.pipe_id,
                len(fit.sleeves),
                sleeved_ratio({fit.run(one) for one in fit.sleeves}, fit.line.length_m),
            )
            for number, fit in fits
        ],
    )


def sleeved_ratio(runs: set[tuple[float, float]], length_m: float) -> float:
    """Give which share of a pipe lies under runs of sleeves, each from and to [m]."""
    return sum(end - start for start, end in runs) / length_m


def merged(one: Rows, other: Rows) -> Rows:
    """Put rows of different lines together, in order of the lines."""
    if not one.numbers or not other.numbers:
        return one if one.numbers else other
    numbers = [*one.numbers, *other.numbers]
    order = sorted(range(len(numbers)), key=numbers.__getitem__)

    def both(first: Sequence[Any], second: Sequence[Any]) -> list[Any]:
        values = [*first, *second]
        return [values[at] for at in order]

    return Rows(
        [numbers[at] for at in order],
        {name: both(one.columns[name], other.columns[name]) for name in COLUMNS},
        both(one.spans, other.spans),
        both(one.laterals, other.laterals),
        sorted([*one.totals, *other.totals]),
    )
