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
from planner.settings import Sleeving

_Taken = tuple[str, int, bool, bool]
"""Item, how many of it, whether no price names it, and whether it goes with a sleeve above it."""


class Sum(NamedTuple):
    """Why, the sum and the cost a year of one way [cents], and the shortest life in it [years]."""

    why: str
    cents: int | None = None
    annual_cents: int | None = None
    life_years: float | None = None


def add_up(ways: Sequence[tuple[Job, str]], lines: Priced, settings: Sleeving) -> list[Sum]:
    """Add up the lines of each way; no sum, and why, where one has no price.

    Parameters
    ----------
    ways
        Pipe and method of each.
    lines
        Theirs, priced.
    settings
        Lives for the cost a year [years].
    """
    shares = Shares.of_lives(settings)
    under = [
        item == "reopen" and sleeve != ""
        for item, sleeve in zip(lines.item, lines.sleeve_id, strict=True)
    ]
    columns = (lines.item, lines.times.tolist(), lines.within.tolist(), under)
    taken: list[_Taken] = list(zip(*columns, strict=True))
    amounts, bounds = lines.cents.tolist(), lines.bounds.tolist()
    lacking: dict[int, set[str]] = defaultdict(set)
    for line in np.flatnonzero(~lines.has_price & ~lines.within).tolist():
        lacking[int(lines.way[line])].add(lines.item[line])
    # Ways that take the same are many, and are put into words once.
    words: dict[tuple[_Taken, ...], str] = {}
    found = []
    for at, (job, method) in enumerate(ways):
        first, end = bounds[at], bounds[at + 1]
        own = tuple(taken[first:end])
        why = words.get(own) or words.setdefault(own, _counted(own))
        if method in LINED and not job.laterals_known:
            why += "; laterals are not known over the whole pipe"
        if at in lacking:
            missing = ", ".join(sorted(lacking[at]))
            why += f"; not costed: no price for {missing} at {dn_said(job.dn_mm)}"
            found.append(Sum(why))
            continue
        parts: dict[str, int] = {}
        for part, cents in zip(lines.part[first:end], amounts[first:end], strict=True):
            parts[part] = parts.get(part, 0) + cents
        total, annual = sum(parts.values()), shares.annual_cents(parts, method)
        lives = lives_said(parts, method, settings)
        why += f"; {money(total)}, {money(annual)} a year over {lives}"
        found.append(Sum(why, total, annual, min(life_of(one, method, settings) for one in parts)))
    return found


def _counted(taken: Sequence[_Taken]) -> str:
    """Write how many of each item a way takes, and which of them no price names."""
    unnamed = dict.fromkeys(item for item, _, within, _ in taken if within)
    counted = Counter[str]()
    for item, times, within, under in taken:
        # Reopenings under a sleeve are said by the sleeve; their lines stand in the table.
        if not within and not under:
            counted[item] += times
    why = ", ".join(f"{count} x {item}" for item, count in sorted(counted.items()))
    return f"{why}; without a price of their own: {', '.join(unnamed)}" if unnamed else why
