"""Invented pipes with ways to mend them, for tests and the benchmark of the budget."""

from __future__ import annotations

import itertools

import numpy as np

from planner.repairs.budget_kernel import NOTHING, Taken, Ways
from planner.repairs.budget_limits import Limits, keeps


def city(pipes: int, seed: int = 1) -> Ways:
    """Pipes with two or three ways each; costs some thousands, a dearer way removes more."""
    random = np.random.default_rng(seed)
    count = random.integers(2, 4, pipes)
    pipe = np.repeat(np.arange(pipes), count)
    kind = np.concatenate([np.arange(many) for many in count])
    spread = random.lognormal(12.7, 0.6, pipes)[pipe]
    cost = spread * np.array([1.0, 3.5, 6.0])[kind] * random.uniform(0.7, 1.4, len(pipe))
    risk = random.gamma(1.2, 1.0, pipes)[pipe] * np.array([0.6, 0.9, 0.97])[kind]
    removed = risk * random.uniform(0.8, 1.0, len(pipe))
    return Ways(pipes, pipe, np.rint(cost).astype(np.int64), removed)


def ways(*pipes: list[tuple[int, float]]) -> Ways:
    """Ways from a list for each pipe of (cents, risk removed)."""
    rows = [(at, cents, risk) for at, own in enumerate(pipes) for cents, risk in own]
    table = np.array(rows, dtype=float).reshape(-1, 3)
    return Ways(len(pipes), table[:, 0].astype(np.int64), table[:, 1].astype(np.int64), table[:, 2])


def best_of_all(given: Ways, limits: Limits) -> float | None:
    """Try every choice; None where none keeps the limits."""
    years = range(1, max(len(limits.year_cents), 1) + 1)
    own = [np.flatnonzero(given.pipe == pipe).tolist() for pipe in range(given.pipes_count)]
    each = [[(NOTHING, 0), *itertools.product(rows, years)] for rows in own]
    best = None
    for choice in itertools.product(*each):
        way = np.array([row for row, _ in choice], dtype=np.int64)
        year = np.array([when for _, when in choice], dtype=np.int64)
        if not kept_by_hand(given, limits, way.tolist(), year.tolist()):
            continue
        assert keeps(given, limits, Taken(way, year, 0, 0.0, 0.0, ""))
        risk = sum(
            given.risk[row] * limits.late_ratio ** (when - 1) for row, when in choice if row >= 0
        )
        best = risk if best is None else max(best, risk)
    return best


def kept_by_hand(given: Ways, limits: Limits, way: list[int], year: list[int]) -> bool:
    """Hold a choice against the limits as their words say, pipe by pipe."""
    cents = [int(given.cost_cents[row]) if row >= 0 else 0 for row in way]
    if sum(cents) > limits.sum_cents:
        return False
    for at, most in enumerate(limits.year_cents, 1):
        if sum(cost for cost, when in zip(cents, year, strict=True) if when == at) > most:
            return False
    for at, (least, most) in enumerate(zip(limits.area_least, limits.area_most, strict=True)):
        spent = sum(c for c, where in zip(cents, limits.area.tolist(), strict=True) if where == at)
        if not least <= spent <= most:
            return False
    with_ways = set(given.pipe.tolist())
    streets: dict[int, set[int]] = {}
    for pipe, street in enumerate(limits.street.tolist()):
        if street >= 0 and pipe in with_ways:
            streets.setdefault(street, set()).add(year[pipe])
    return all(len(years) == 1 for years in streets.values())
