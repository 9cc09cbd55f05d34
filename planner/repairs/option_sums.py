"""The sum of each way from its lines, its cost a year, and both in words."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import compress, pairwise

import numpy as np

from planner.ground.money import money
from planner.ground.quantities import dn_said
from planner.repairs.jobs import IS_LINED, ORDER, Floats, Marks, Wholes
from planner.repairs.lives import Shares, life_of, lives_said
from planner.repairs.option_lines import Priced
from planner.repairs.option_steps import ITEMS, PARTS, Lines, Ways
from planner.settings import Sleeving


@dataclass(frozen=True)
class Sums:
    """Of each way why, and where it is `costed` the sum, the cost a year [cents] and a life.

    The life [years] is that of what lasts shortest in it.
    """

    why: Sequence[str]
    costed: Marks
    cents: Wholes
    annual_cents: Wholes
    life_years: Floats


def add_up(ways: Ways, lines: Lines, priced: Priced, settings: Sleeving) -> Sums:
    """Add up the lines of each way; no sum, and why, where one has no price.

    Parameters
    ----------
    ways
        The ways.
    lines, priced
        Theirs.
    settings
        Lives for the cost a year [years].
    """
    shares, way, count = Shares.of_lives(settings), lines.way, len(ways.job)
    by_part = np.zeros((count, len(PARTS)), dtype=np.int64)
    np.add.at(by_part, (way, lines.part), priced.cents)
    there = np.zeros(by_part.shape, dtype=bool)
    there[way, lines.part] = True
    lacking = _lacking(lines, priced)
    costed = np.ones(count, dtype=bool)
    costed[list(lacking)] = False
    cents, annual, life_years = by_part.sum(axis=1), np.zeros(count, int), np.zeros(count)
    said = _taken_said(ways, lines, priced)
    sizes = ways.jobs.dn_mm[ways.job[list(lacking)]].tolist() if lacking else []
    for (at, missing), size in zip(lacking.items(), sizes, strict=True):
        said[at] += f"; not costed: no price for {', '.join(missing)} at {dn_said(size)}"
    yearly = shares.annual_cents(by_part, IS_LINED[ways.method]).tolist()
    lives: dict[tuple[object, ...], tuple[float, str]] = {}
    sums, words = cents.tolist(), zip(ways.method.tolist(), map(tuple, there.tolist()), strict=True)
    for at, kind in enumerate(words):
        if not costed[at]:
            continue
        if kind not in lives:
            method, own = ORDER[kind[0]], list(compress(PARTS, kind[1]))
            least = min(life_of(part, method, settings) for part in own)
            lives[kind] = least, lives_said(own, method, settings)
        life_years[at], over = lives[kind]
        annual[at] = yearly[at]
        said[at] += f"; {money(sums[at])}, {money(yearly[at])} a year over {over}"
    return Sums(said, costed, cents, annual, life_years)


_NAMES = sorted(ITEMS)
_NAME = np.array([_NAMES.index(item) for item in ITEMS])


def _lacking(lines: Lines, priced: Priced) -> dict[int, list[str]]:
    """Give by way the items, in order of name, of which a line has no price."""
    at = np.flatnonzero(~priced.has_price & ~priced.within)
    pairs = np.unique(lines.way[at] * len(ITEMS) + _NAME[lines.item[at]])
    found: dict[int, list[str]] = {}
    for way, name in zip(*(one.tolist() for one in np.divmod(pairs, len(ITEMS))), strict=True):
        found.setdefault(way, []).append(_NAMES[name])
    return found


def _taken_said(ways: Ways, lines: Lines, priced: Priced) -> list[str]:
    """Write what each way takes; ways that take the same are many, and are written once."""
    # One number for all that is written of a line.
    kinds = (lines.times * len(ITEMS) + lines.item) * 4 + 2 * priced.within + lines.beside
    print_, width = kinds.astype(np.int64).tobytes(), 8
    words: dict[bytes, str] = {}
    said = []
    ends = pairwise(lines.bounds.tolist())
    unknown = IS_LINED[ways.method] & ~ways.jobs.known[ways.job]
    for doubtful, (first, end) in zip(unknown.tolist(), ends, strict=True):
        own = print_[width * first : width * end]
        if own not in words:
            words[own] = _counted(lines, priced, range(first, end))
        doubt = "; laterals are not known over the whole pipe" if doubtful else ""
        said.append(words[own] + doubt)
    return said


def _counted(lines: Lines, priced: Priced, own: range) -> str:
    """Write how many of each item a way takes, and which of them no price names."""
    counted = Counter[str]()
    unnamed = dict[str, None]()
    for at in own:
        item = ITEMS[lines.item[at]]
        if priced.within[at]:
            unnamed[item] = None
        # Reopenings under a sleeve are said by the sleeve; their lines stand in the table.
        elif not (item == "reopen" and lines.beside[at]):
            counted[item] += int(lines.times[at])
    why = ", ".join(f"{count} x {item}" for item, count in sorted(counted.items()))
    return f"{why}; without a price of their own: {', '.join(unnamed)}" if unnamed else why
