"""The sum of each way from its lines, its cost a year, and both in words."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from planner.ground.money import money
from planner.ground.quantities import dn_said
from planner.repairs.chain import LINED, Job
from planner.repairs.lives import Shares, life_of, lives_said
from planner.repairs.option_lines import Priced
from planner.repairs.option_steps import ITEMS, PARTS, Lines
from planner.settings import Sleeving

_Taken = tuple[int, int, bool, bool]
"""Place of an item in `ITEMS`, how many, whether no price names it, whether beside a sleeve."""


class Sum(NamedTuple):
    """Why, the sum and the cost a year of one way [cents], and the shortest life in it [years]."""

    why: str
    cents: int | None = None
    annual_cents: int | None = None
    life_years: float | None = None


def add_up(
    ways: Sequence[tuple[Job, str]], lines: Lines, priced: Priced, settings: Sleeving
) -> list[Sum]:
    """Add up the lines of each way; no sum, and why, where one has no price.

    Parameters
    ----------
    ways
        Pipe and method of each.
    lines, priced
        Theirs.
    settings
        Lives for the cost a year [years].
    """
    shares, way = Shares.of_lives(settings), lines.way
    columns = (lines.item, lines.times, priced.within, lines.beside)
    taken: list[_Taken] = list(zip(*(column.tolist() for column in columns), strict=True))
    bounds = lines.bounds.tolist()
    lacking: dict[int, set[str]] = defaultdict(set)
    for at in np.flatnonzero(~priced.has_price & ~priced.within):
        lacking[way[at]].add(ITEMS[lines.item[at]])
    by_part = np.zeros((len(ways), len(PARTS)), dtype=np.int64)
    np.add.at(by_part, (way, lines.part), priced.cents)
    there = np.zeros(by_part.shape, dtype=bool)
    there[way, lines.part] = True
    # Ways that take the same are many, and are put into words once.
    words: dict[tuple[_Taken, ...], str] = {}
    found = []
    for at, ((job, method), cents, has) in enumerate(
        zip(ways, by_part.tolist(), there.tolist(), strict=True)
    ):
        own = tuple(taken[bounds[at] : bounds[at + 1]])
        why = words.get(own) or words.setdefault(own, _counted(own))
        if method in LINED and not job.laterals_known:
            why += "; laterals are not known over the whole pipe"
        if at in lacking:
            missing = ", ".join(sorted(lacking[at]))
            why += f"; not costed: no price for {missing} at {dn_said(job.dn_mm)}"
            found.append(Sum(why))
            continue
        parts = {part: sum_ for part, sum_, one in zip(PARTS, cents, has, strict=True) if one}
        total, annual = sum(cents), shares.annual_cents(parts, method)
        lives = lives_said(parts, method, settings)
        why += f"; {money(total)}, {money(annual)} a year over {lives}"
        found.append(Sum(why, total, annual, min(life_of(one, method, settings) for one in parts)))
    return found


def _counted(taken: Sequence[_Taken]) -> str:
    """Write how many of each item a way takes, and which of them no price names."""
    unnamed = dict.fromkeys(ITEMS[item] for item, _, within, _ in taken if within)
    counted = Counter[str]()
    for item, times, within, beside in taken:
        # Reopenings under a sleeve are said by the sleeve; their lines stand in the table.
        if not within and not (beside and ITEMS[item] == "reopen"):
            counted[ITEMS[item]] += times
    why = ", ".join(f"{count} x {item}" for item, count in sorted(counted.items()))
    return f"{why}; without a price of their own: {', '.join(unnamed)}" if unnamed else why
