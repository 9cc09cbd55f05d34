"""The cost a year of a way: each part's cost by its service life, exactly, without interest."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from fractions import Fraction
from math import lcm

import numpy as np

from planner.repairs.chain import LINED
from planner.repairs.jobs import Marks, Wholes
from planner.settings import Sleeving


def life_of(part: str, method: str, settings: Sleeving) -> float:
    """Give the service life [years] of one part of a way: under a liner, that of the liner."""
    lives = {
        "sleeve": settings.sleeve_life_years,
        "liner": settings.liner_life_years,
        "dig": settings.dig_life_years,
    }
    return lives["liner" if method in LINED else part]


@dataclass(frozen=True)
class Shares:
    """Cents times `of[part]`, by `by`, are cents a year: whole numbers, so that sums are exact.

    Examples
    --------
    Over 12 and 80 years 1 cent is 20/240 and 3/240 cents a year.

    >>> from planner.settings import load_settings
    >>> lives = {"sleeve_life_years": 12, "dig_life_years": 80, "liner_life_years": 60}
    >>> shares = Shares.of_lives(load_settings({"sleeving": lives}).sleeving)
    >>> shares.of, shares.by
    ({'sleeve': 20, 'liner': 4, 'dig': 3}, 240)
    """

    of: Mapping[str, int]
    by: int

    @classmethod
    def of_lives(cls, settings: Sleeving) -> Shares:
        """Give the shares of each part where it lives its own life."""
        lives = {part: Fraction(life_of(part, "", settings)) for part in ("sleeve", "liner", "dig")}
        by = lcm(*(life.numerator for life in lives.values()))
        return cls({part: int(by / life) for part, life in lives.items()}, by)

    def annual_cents(self, cents: Wholes, lined: Marks) -> Wholes:
        """Give the cost a year of ways [cents], rounded once half to even.

        Parameters
        ----------
        cents
            Of each way by part, in the order of `of` [cents].
        lined
            Whether a liner lies over its other parts, which then live as long.
        """
        most = int(np.abs(cents).sum(axis=1).max(initial=0)) * max(self.of.values())
        kind = np.int64 if 2 * max(most, self.by) < 2**63 else object
        shares = np.array([[*self.of.values()], [self.of["liner"]] * len(self.of)], dtype=kind)
        parts = (cents.astype(kind) * shares[lined.astype(np.int64)]).sum(axis=1)
        whole = parts // self.by
        twice = 2 * (parts - whole * self.by)
        up = (twice > self.by) | ((twice == self.by) & (whole % 2 == 1))
        return np.asarray(whole + up, dtype=np.int64)


def lives_said(parts: Iterable[str], method: str, settings: Sleeving) -> str:
    """Write the lives in the sum, e.g. ``12 years`` or ``12 years (sleeve) and 80 (dig)``."""
    if method in LINED:
        return f"{settings.liner_life_years:g} years"
    lives = {part: life_of(part, method, settings) for part in parts}
    if len(lives) == 1:
        return f"{next(iter(lives.values())):g} years"
    return " and ".join(f"{life:g} years ({part})" for part, life in sorted(lives.items()))
