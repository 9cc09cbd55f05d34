"""The budget with side conditions: years, money by area, whole streets; the direct model.

One yes-or-no column for each way and year goes to HiGHS. Beside its own bound stands that
of the hull, of the same ways under the sum alone: the lower of the two holds.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from planner.repairs.budget_kernel import (
    NOTHING,
    PROVEN,
    Taken,
    Ways,
    as_given,
    relax,
    settle_ties,
    take_within,
)
from planner.repairs.budget_solver import Model, Reals, Wholes, solve


def _none() -> Wholes:
    return np.empty(0, dtype=np.int64)


@dataclass(frozen=True)
class Limits:
    """What the choice must keep; money in whole cents.

    Parameters
    ----------
    sum_cents
        For all pipes and years.
    year_cents
        For each year, the first at place 0; empty = no years.
    late_ratio
        Share of the risk of a year earlier that a way done a year later removes, 0 .. 1.
    area
        For each pipe the place of its area in the next two, -1 = in none; empty = no areas.
    area_least, area_most
        For each area.
    street
        For each pipe a number of its street, all or none of whose pipes are mended, in one
        year; -1 = a pipe that goes alone; empty = all go alone. A pipe without a way keeps
        no street back.
    """

    sum_cents: int
    year_cents: tuple[int, ...] = ()
    late_ratio: float = 1.0
    area: Wholes = field(default_factory=_none)
    area_least: tuple[int, ...] = ()
    area_most: tuple[int, ...] = ()
    street: Wholes = field(default_factory=_none)

    @property
    def plain(self) -> bool:
        """Tell whether one sum is all there is."""
        return len(self.year_cents) < 2 and not self.area_least and not (self.street >= 0).any()

    @property
    def money_cents(self) -> int:
        """Give what can be spent at most, over all years."""
        return min(self.sum_cents, sum(self.year_cents) if self.year_cents else self.sum_cents)


def take_under(
    ways: Ways, limits: Limits, *, gap_ratio: float = 0.0, time_s: float = 60.0
) -> Taken:
    """Choose at most one way for each pipe, and its year, so that the risk removed is greatest.

    Parameters
    ----------
    ways
        The ways.
    limits
        What must be kept.
    gap_ratio, time_s
        As for `take_within`.

    Returns
    -------
    taken
        Nothing, with state impossible, where no choice keeps the limits; nothing, with
        state stopped, where none was found in time.
    """
    if limits.plain:
        return take_within(ways, limits.money_cents, gap_ratio=gap_ratio, time_s=time_s)
    if _contradict(ways, limits):
        nothing = np.full(ways.pipes_count, NOTHING, dtype=np.int64)
        return Taken(nothing, np.zeros_like(nothing), 0, 0.0, 0.0, "impossible")
    return as_given(_search, ways, limits, gap_ratio=gap_ratio, time_s=time_s)


def _search(ways: Ways, limits: Limits, gap_ratio: float, time_s: float) -> Taken:
    """Give the whole model to HiGHS, and keep the lower of its bound and the hull's."""
    nothing = np.full(ways.pipes_count, NOTHING, dtype=np.int64)
    hull = relax(ways, limits.money_cents).bound
    grid = _grid(ways, limits)
    largest = float(grid.risk.max(initial=0.0)) or 1.0
    model = _model(limits, grid, largest)
    start = None if any(limits.area_least) else _start(ways, limits, grid)
    if start is not None:
        start = np.concatenate([start, _streets_of(limits, grid, start)])
    found = solve(model, time_s=time_s, gap_ratio=max(gap_ratio, PROVEN / 2), start=start)
    if found.state == "impossible":
        return Taken(nothing, np.zeros_like(nothing), 0, 0.0, 0.0, "impossible")
    bound = min(hull, -found.bound * largest) if np.isfinite(found.bound) else hull
    options = [start] if start is not None else []
    options = [found.x, *options] if found.x is not None else options
    for x in options:
        taken = _taken(ways, limits, grid, np.flatnonzero(x[: len(grid.way)] > 0.5), bound)
        if keeps(ways, limits, taken):
            state = "proven" if taken.gap_ratio <= PROVEN else "bounded"
            state = "stopped" if found.state == "stopped" else state
            return Taken(taken.way, taken.year, taken.spent_cents, taken.risk, taken.bound, state)
    return Taken(nothing, np.zeros_like(nothing), 0, 0.0, hull, "stopped")


def _contradict(ways: Ways, limits: Limits) -> bool:
    """Tell whether an area must get more than it may, or than all its pipes can take."""
    dearest = np.zeros(ways.pipes_count, dtype=np.int64)
    np.maximum.at(dearest, ways.pipe, ways.cost_cents)
    bounds = enumerate(zip(limits.area_least, limits.area_most, strict=True))
    return any(
        least > min(most, int(dearest[limits.area == at].sum())) for at, (least, most) in bounds
    )


@dataclass(frozen=True)
class _Grid:
    """Columns: each way in each year, in order of pipe, year, cost and risk; its street."""

    way: Wholes
    year: Wholes
    pipe: Wholes
    risk: Reals
    cost: Wholes
    street: Wholes
    streets_count: int


def _weights(limits: Limits) -> Reals:
    years = max(len(limits.year_cents), 1)
    return limits.late_ratio ** np.arange(years, dtype=float)


def _grid(ways: Ways, limits: Limits) -> _Grid:
    weights = _weights(limits)
    rows = np.lexsort((-ways.risk, ways.cost_cents, ways.pipe))
    way, year = np.repeat(rows, len(weights)), np.tile(np.arange(len(weights)), len(rows))
    order = np.lexsort((year, ways.pipe[way]))
    way, year = way[order], year[order]
    pipe = ways.pipe[way]
    street = limits.street[pipe] if len(limits.street) else np.full(len(way), NOTHING)
    names, place = np.unique(street[street >= 0], return_inverse=True)
    numbered = np.full(len(way), NOTHING, dtype=np.int64)
    numbered[street >= 0] = place
    risk = ways.risk[way] * weights[year]
    return _Grid(way, year + 1, pipe, risk, ways.cost_cents[way], numbered, len(names))


class _Rows:
    """Rows of a model as they are gathered."""

    def __init__(self) -> None:
        self.low: list[Reals] = []
        self.high: list[Reals] = []
        self.parts: list[tuple[Wholes, Wholes, Reals]] = []
        self.count = 0

    def add(self, low: Reals, high: Reals, *parts: tuple[Wholes, Wholes, Reals]) -> None:
        """Add rows; each part gives row (from 0), column and entry."""
        self.parts += [(row + self.count, column, entry) for row, column, entry in parts]
        self.low.append(low)
        self.high.append(high)
        self.count += len(low)

    def money(self, low: Reals, high: Reals, row: Wholes, column: Wholes, cents: Reals) -> None:
        """Add limits of money in units of the dearest way, so that no figure is huge."""
        unit = max(1.0, float(cents.max(initial=1.0)))
        self.add(low / unit, high / unit, (row, column, cents / unit))


def _model(limits: Limits, grid: _Grid, largest: float) -> Model:
    """Write the model: columns of the grid, then one for each street and year."""
    many, years = len(grid.way), max(len(limits.year_cents), 1)
    column, cents = np.arange(many), grid.cost.astype(float)
    rows = _Rows()
    pipes, at = np.unique(grid.pipe, return_inverse=True)
    ones = np.ones(many)
    rows.add(np.full(len(pipes), -np.inf), np.ones(len(pipes)), (at, column, ones))
    low = np.full(1, -np.inf)
    rows.money(low, np.array([float(limits.sum_cents)]), np.zeros_like(column), column, cents)
    if limits.year_cents:
        caps = np.array(limits.year_cents, dtype=float)
        rows.money(np.full(years, -np.inf), caps, grid.year - 1, column, cents)
    if limits.area_least:
        area = limits.area[grid.pipe]
        inside = np.flatnonzero(area >= 0)
        least, most = np.array(limits.area_least, float), np.array(limits.area_most, float)
        rows.money(least, most, area[inside], inside, cents[inside])
    extra = grid.streets_count * years
    if extra:
        _whole_streets(rows, grid, years)
    entries = [np.concatenate(part) for part in zip(*rows.parts, strict=True)]
    return Model(
        cost=np.concatenate([-grid.risk / largest, np.zeros(extra)]),
        real=np.zeros(many + extra, dtype=bool),
        upper=np.ones(many + extra),
        row_low=np.concatenate(rows.low),
        row_high=np.concatenate(rows.high),
        row=entries[0].astype(np.int64),
        column=entries[1].astype(np.int64),
        entry=entries[2],
    )


def _whole_streets(rows: _Rows, grid: _Grid, years: int) -> None:
    """Tie the pipes of a street: each has one way in the year of its street, or none has."""
    inside = np.flatnonzero(grid.street >= 0)
    key = grid.pipe[inside] * years + grid.year[inside] - 1
    _, first, at = np.unique(key, return_index=True, return_inverse=True)
    owner = grid.street[inside][first] * years + grid.year[inside][first] - 1
    zeros, each = np.zeros(len(first)), np.arange(len(first))
    tied = (each, len(grid.way) + owner, np.full(len(first), -1.0))
    rows.add(zeros, zeros, (at, inside, np.ones(len(inside))), tied)
    number = np.arange(grid.streets_count * years)
    once = (number // years, len(grid.way) + number, np.ones(len(number)))
    rows.add(np.full(grid.streets_count, -np.inf), np.ones(grid.streets_count), once)


def _start(ways: Ways, limits: Limits, grid: _Grid) -> Reals:
    """Take columns by risk a cent where they fit; a street with the best way of each pipe."""
    x, done = np.zeros(len(grid.way)), np.zeros(ways.pipes_count, dtype=bool)
    year_left = list(limits.year_cents or (limits.sum_cents,))
    area_left, left = list(limits.area_most), limits.sum_cents
    for columns in _bundles(grid):
        cost = grid.cost[columns]
        pipes, year = grid.pipe[columns], int(grid.year[columns[0]]) - 1
        total = int(cost.sum())
        if done[pipes].any() or total > min(left, year_left[year]):
            continue
        areas = limits.area[pipes] if limits.area_least else np.full(len(pipes), NOTHING)
        spent = {int(one): int(cost[areas == one].sum()) for one in np.unique(areas[areas >= 0])}
        if any(money > area_left[one] for one, money in spent.items()):
            continue
        x[columns], done[pipes] = 1.0, True
        left, year_left[year] = left - total, year_left[year] - total
        for one, money in spent.items():
            area_left[one] -= money
    return x


def _bundles(grid: _Grid) -> list[Wholes]:
    """List columns that go together, the most risk a cent first."""
    rate = grid.risk / np.maximum(grid.cost, 1)
    found = [np.array([at]) for at in np.flatnonzero(grid.street < 0)]
    inside = np.flatnonzero(grid.street >= 0)
    best = inside[np.lexsort((-rate[inside], grid.year[inside], grid.pipe[inside]))]
    key = np.stack([grid.pipe[best], grid.year[best]])
    first = np.ones(len(best), dtype=bool)
    first[1:] = (key[:, 1:] != key[:, :-1]).any(axis=0)
    best = best[first]
    best = best[np.lexsort((grid.pipe[best], grid.year[best], grid.street[best]))]
    if len(best):
        key = np.stack([grid.street[best], grid.year[best]])
        cuts = np.flatnonzero((key[:, 1:] != key[:, :-1]).any(axis=0)) + 1
        found += np.split(best, cuts)
    worth = np.array([grid.risk[one].sum() / max(int(grid.cost[one].sum()), 1) for one in found])
    return [found[at] for at in np.argsort(-worth, kind="stable")]


def _streets_of(limits: Limits, grid: _Grid, x: Reals) -> Reals:
    """Give the columns of streets and years that go with those of the grid."""
    years = max(len(limits.year_cents), 1)
    out = np.zeros(grid.streets_count * years)
    on = np.flatnonzero((x > 0.5) & (grid.street >= 0))
    out[grid.street[on] * years + grid.year[on] - 1] = 1.0
    return out


def _taken(ways: Ways, limits: Limits, grid: _Grid, on: Wholes, bound: float) -> Taken:
    """Turn columns into a way and a year for each pipe; pipes that are alike in order."""
    way = np.full(ways.pipes_count, NOTHING, dtype=np.int64)
    year = np.zeros(ways.pipes_count, dtype=np.int64)
    removed = np.zeros(ways.pipes_count)
    way[grid.pipe[on]], year[grid.pipe[on]] = grid.way[on], grid.year[on]
    removed[grid.pipe[on]] = grid.risk[on]
    group = limits.area.copy() if len(limits.area) else np.zeros_like(way)
    if len(limits.street):  # a pipe that goes with its street keeps its place
        tied = np.flatnonzero(limits.street >= 0)
        group[tied] = len(way) + tied
    way, year = settle_ties(ways, way, year, removed, group)
    done = np.flatnonzero(way >= 0)
    risk = math.fsum((ways.risk[way[done]] * _weights(limits)[year[done] - 1]).tolist())
    spent = int(ways.cost_cents[way[done]].sum())
    return Taken(way, year, spent, risk, max(bound, risk), "bounded")


def keeps(ways: Ways, limits: Limits, taken: Taken) -> bool:
    """Tell whether a choice keeps every limit, by whole cents.

    Parameters
    ----------
    ways, limits
        As for `take_under`.
    taken
        The choice.

    Returns
    -------
    kept
        True if it does.
    """
    done = np.flatnonzero(taken.way >= 0)
    cost = np.zeros(ways.pipes_count, dtype=np.int64)
    cost[done] = ways.cost_cents[taken.way[done]]
    kept = int(cost.sum()) <= limits.sum_cents
    for at, most in enumerate(limits.year_cents, start=1):
        kept &= int(cost[taken.year == at].sum()) <= most
    for at, (least, most) in enumerate(zip(limits.area_least, limits.area_most, strict=True)):
        kept &= least <= int(cost[limits.area == at].sum()) <= most
    if len(limits.street):
        with_ways = np.zeros(ways.pipes_count, dtype=bool)
        with_ways[ways.pipe] = True
        on = np.flatnonzero((limits.street >= 0) & with_ways)
        pairs = np.unique(np.stack([limits.street[on], taken.year[on]]), axis=1)
        kept &= len(np.unique(pairs[0])) == pairs.shape[1]
    return bool(kept)
