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
from planner.repairs.option_lines import PriceBook, Priced
from planner.settings import Sleeving

_Taken = tuple[str, int, bool]
"""Item, how many of it, and whether it is a reopening under a sleeve."""


class Sum(NamedTuple):
    """Why, the sum and the cost a year of one way [cents], and the shortest life in it [years]."""

    why: str
    cents: int | None = None
    annual_cents: int | None = None
    life_years: float | None = None


def add_up(
    ways: Sequence[tuple[Job, str]], lines: Priced, book: PriceBook, settings: Sleeving
) -> list[Sum]:
    """Add up the lines of each way; no sum, and why, where one has no price.

    Parameters
    ----------
    ways
        Pipe and method of each.
    lines
        Theirs, priced.
    book
        The prices.
    settings
        Lives for the cost a year [years].
    """
    shares = Shares.of_lives(settings)
    under = [
        item == "reopen" and sleeve != ""
        for item, sleeve in zip(lines.item, lines.sleeve_id, strict=True)
    ]
    taken = list(zip(lines.item, lines.times.tolist(), under, strict=True))
    amounts, bounds = lines.cents.tolist(), lines.bounds.tolist()
    lacking = _lacking(lines, book)
    # Ways that take the same are many, and are put into words once.
    words: dict[tuple[_Taken, ...], str] = {}
    found = []
    for at, (job, method) in enumerate(ways):
        first, end = bounds[at], bounds[at + 1]
        own = tuple(taken[first:end])
        why = words.get(own) or words.setdefault(own, _counted(own, book))
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


def _lacking(lines: Priced, book: PriceBook) -> dict[int, set[str]]:
    """Give by the number of the way the items that it lacks a price of."""
    found: dict[int, set[str]] = defaultdict(set)
    at = np.flatnonzero(~lines.has_price).tolist()
    for way, item in zip(lines.way[at].tolist(), (lines.item[one] for one in at), strict=True):
        if not book.within(item):
            found[way].add(item)
    return found


def _counted(taken: Sequence[_Taken], book: PriceBook) -> str:
    """Write how many of each item a way takes, and which of them no price names."""
    within = dict.fromkeys(item for item, _, _ in taken if book.within(item))
    counted = Counter[str]()
    for item, times, under in taken:
        # Reopenings under a sleeve are said by the sleeve; their lines stand in the table.
        if item not in within and not under:
            counted[item] += times
    why = ", ".join(f"{count} x {item}" for item, count in sorted(counted.items()))
    return f"{why}; without a price of their own: {', '.join(within)}" if within else why
