"""Which pipes to mend under one sum of money: the multiple-choice knapsack, with a proof.

Each pipe has ways to mend it, each with a cost in whole cents and a risk that it removes;
of each pipe at most one is taken, and nothing costs nothing. What may be taken in parts
is bounded by the upper convex hull of each pipe's ways: its steps, over all pipes, are
bought in the order of risk removed a cent until the sum is used up (the linear
relaxation: Sinha and Zoltners, The multiple-choice knapsack problem, Operations Research
27(3), 1979). The last step's rate is the price of risk. At that price every other way has
a regret, which lowers the bound by as much if it is taken: a way whose regret is more than
the gap between the bound and a choice in hand cannot be in a better one, and is dropped.
What is left, mostly a few pipes, goes to HiGHS. Money is counted in whole cents.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from planner.repairs.budget_solver import Model, Reals, Solved, Wholes, solve

Marks = npt.NDArray[np.bool_]

# A sum of a million figures is off by less than this share of it.
ROUNDING = 1e-12
# A choice is called proven within this share of the best: the solver's own exactness.
PROVEN = 1e-9
# Pipes in the first search; a good choice found there drops most of the others.
FIRST_CORE = 48
NOTHING = -1


@dataclass(frozen=True)
class Ways:
    """Ways to mend `pipes_count` pipes, rows in any order: arrays of equal length.

    `pipe` is 0 .. pipes_count - 1; `cost_cents` >= 0; `risk` removed >= 0.
    """

    pipes_count: int
    pipe: Wholes
    cost_cents: Wholes
    risk: Reals

    def __post_init__(self) -> None:
        """Refuse what is no way."""
        if not len(self.pipe) == len(self.cost_cents) == len(self.risk):
            message = "pipe, cost and risk of the ways differ in length"
            raise ValueError(message)
        if len(self.pipe) and (self.pipe.min() < 0 or self.pipe.max() >= self.pipes_count):
            message = f"a way is of a pipe outside 0 .. {self.pipes_count - 1}"
            raise ValueError(message)
        if (self.cost_cents < 0).any() or not (np.isfinite(self.risk) & (self.risk >= 0)).all():
            message = "the cost or the risk of a way is below 0 or not known"
            raise ValueError(message)


@dataclass(frozen=True)
class Taken:
    """For each pipe the row of its way, -1 = none, and the year it is done in, 0 = none.

    `bound` is above what any choice can remove. `state` is proven (none is better),
    bounded (none is better by more than the gap), stopped (bounded, but by the clock: not
    reproducible) or impossible (no choice keeps the limits; nothing is taken).
    """

    way: Wholes
    year: Wholes
    spent_cents: int
    risk: float
    bound: float
    state: str

    @property
    def gap_ratio(self) -> float:
        """Give how far the best possible may lie above what is taken, as a share of it."""
        return (self.bound - self.risk) / self.bound if self.bound > 0 else 0.0


@dataclass(frozen=True)
class _Steps:
    """Steps of all hulls, the most risk a cent first; each leads to `way`, its pipe's next."""

    way: Wholes
    pipe: Wholes
    cost_cents: Wholes
    risk: Reals
    rate: Reals


@dataclass(frozen=True)
class Relaxed:
    """The relaxation: its value, the price of risk a cent, and the whole part of its choice."""

    bound: float
    rate: float
    way: Wholes
    steps: _Steps
    bought: int


def relax(ways: Ways, sum_cents: int) -> Relaxed:
    """Solve the linear relaxation by hull and greedy.

    Parameters
    ----------
    ways
        The ways.
    sum_cents
        Money that may be spent [cents].

    Returns
    -------
    relaxed
        `bound` is at least what any choice within the sum removes.
    """
    steps = _hull_steps(ways, sum_cents)
    used = np.cumsum(steps.cost_cents)
    bought = int(np.searchsorted(used, sum_cents, side="right"))
    way = np.full(ways.pipes_count, NOTHING, dtype=np.int64)
    # Of one pipe the dearer step comes later and stays.
    way[steps.pipe[:bought]] = steps.way[:bought]
    value, rate = math.fsum(steps.risk[:bought].tolist()), 0.0
    if bought < len(used):
        rate = float(steps.rate[bought])
        value += (sum_cents - int(used[bought - 1] if bought else 0)) * rate
    return Relaxed(value * (1 + ROUNDING), rate, way, steps, bought)


def _hull_steps(ways: Ways, sum_cents: int) -> _Steps:
    """Find the corners of each pipe's upper hull, and order the steps between them.

    A way dearer than the sum is none. A way under the line between two others of its pipe
    is no corner, whatever else is dropped with it, so all such ways go at once, until none
    is left.
    """
    rows = np.lexsort((-ways.risk, ways.cost_cents, ways.pipe))
    rows = rows[ways.cost_cents[rows] <= sum_cents]
    while True:
        pipe, cost, risk = ways.pipe[rows], ways.cost_cents[rows], ways.risk[rows]
        first = np.ones(len(rows), dtype=bool)
        first[1:] = pipe[1:] != pipe[:-1]
        d_cost, d_risk = cost.copy(), risk.copy()
        d_cost[1:] -= np.where(first[1:], 0, cost[:-1])
        d_risk[1:] -= np.where(first[1:], 0.0, risk[:-1])
        keep = d_risk > 0
        if keep.all():
            with np.errstate(divide="ignore"):
                rate = d_risk / d_cost
            keep[:-1] = first[1:] | (rate[:-1] > rate[1:])
            if keep.all():
                break
        rows = rows[keep]
    order = np.lexsort((pipe, -rate))
    return _Steps(rows[order], pipe[order], d_cost[order], d_risk[order], rate[order])


def take_within(
    ways: Ways, sum_cents: int, *, gap_ratio: float = 0.0, time_s: float = 60.0
) -> Taken:
    """Choose at most one way for each pipe so that the risk removed is greatest.

    Parameters
    ----------
    ways
        The ways.
    sum_cents
        Money that may be spent [cents].
    gap_ratio
        The search ends once no choice can be better by more than this share.
    time_s
        Clock time after which it ends as well [s]; the bound then says how near it is.

    Returns
    -------
    taken
        The same for the same ways, unless stopped by the clock. Of pipes whose ways are
        alike the first is served first; of ways alike the first row is taken.
    """
    return as_given(_search, ways, sum_cents, gap_ratio=gap_ratio, time_s=time_s)


def as_given(
    search: Callable[..., Taken], ways: Ways, limits: object, *, gap_ratio: float, time_s: float
) -> Taken:
    """Search with the ways in order of pipe, cost and risk, and name them as they were given.

    So the order of rows cannot matter, but for ways alike of one pipe: there the first is
    taken.
    """
    order = np.lexsort((-ways.risk, ways.cost_cents, ways.pipe))
    ordered = Ways(ways.pipes_count, ways.pipe[order], ways.cost_cents[order], ways.risk[order])
    taken = search(ordered, limits, gap_ratio, time_s)
    way = np.full_like(taken.way, NOTHING)
    done = taken.way >= 0
    way[done] = order[taken.way[done]]
    return replace(taken, way=way)


def _search(ways: Ways, sum_cents: int, gap_ratio: float, time_s: float) -> Taken:
    """Narrow the pipes in question, search those closest to the price, and narrow again."""
    relaxed = relax(ways, sum_cents)
    best = _as_taken(ways, _filled(ways, relaxed, sum_cents), relaxed.bound)
    core = _Core(ways, relaxed, sum_cents)
    ends_s = time.monotonic() + time_s
    most = FIRST_CORE
    while best.gap_ratio > max(gap_ratio, PROVEN):
        free, whole = core.free_of(relaxed.bound - best.risk, most)
        if not len(free):
            return _closed(best, best.risk)
        enough = gap_ratio * relaxed.bound
        found = core.search(free, relaxed.bound - best.risk, ends_s - time.monotonic(), enough)
        if found.way is not None:
            better = _as_taken(ways, found.way, relaxed.bound)
            if better.spent_cents <= sum_cents and better.risk > best.risk:
                best = better
        if found.state == "stopped":
            return replace(best, state="stopped")
        if whole:
            return _closed(best, found.bound)
        most *= 6
    return _closed(best, best.bound)


@dataclass(frozen=True)
class _Found:
    way: Wholes | None
    bound: float
    state: str


def _closed(best: Taken, bound: float) -> Taken:
    """Take the bound of a search over all that was left: what was dropped is no better."""
    lower = max(best.risk, min(best.bound, bound))
    proven = lower - best.risk <= PROVEN * best.bound
    return replace(best, bound=lower, state="proven" if proven else "bounded")


def _filled(ways: Ways, relaxed: Relaxed, sum_cents: int) -> Wholes:
    """Spend what the whole part of the relaxation leaves, on the next best steps that fit."""
    way, steps = relaxed.way.copy(), relaxed.steps
    now = np.where(way >= 0, ways.cost_cents[way], 0) if len(ways.pipe) else np.zeros_like(way)
    left = sum_cents - int(now.sum())
    ahead = np.arange(relaxed.bought, len(steps.way))
    more = ways.cost_cents[steps.way[ahead]] - now[steps.pipe[ahead]]
    for at in ahead[more <= left].tolist():
        pipe, new = int(steps.pipe[at]), int(steps.way[at])
        price = int(ways.cost_cents[new]) - int(now[pipe])
        if price <= left:
            way[pipe], now[pipe] = new, ways.cost_cents[new]
            left -= price
    return way


def _as_taken(ways: Ways, way: Wholes, bound: float) -> Taken:
    year = (way >= 0).astype(np.int64)
    removed = np.zeros(len(way))
    removed[way >= 0] = ways.risk[way[way >= 0]]
    way, year = settle_ties(ways, way, year, removed, np.zeros_like(way))
    chosen = way[way >= 0]
    risk = math.fsum(ways.risk[chosen].tolist())
    spent = int(ways.cost_cents[chosen].sum())
    return Taken(way, year, spent, risk, max(bound, risk), "bounded")


class _Core:
    """All choices of every pipe by their regret at the price of the relaxation."""

    def __init__(self, ways: Ways, relaxed: Relaxed, sum_cents: int) -> None:
        self.ways, self.relaxed, self.sum_cents = ways, relaxed, sum_cents
        none = np.arange(ways.pipes_count)
        self.pipe = np.concatenate([ways.pipe, none])
        self.way = np.concatenate([np.arange(len(ways.pipe)), np.full(len(none), NOTHING)])
        self.cost = np.concatenate([ways.cost_cents, np.zeros_like(none)])
        # A way dearer than the sum is no way here either: it must not raise its pipe's best.
        self.fits = self.cost <= sum_cents
        risk = np.concatenate([ways.risk, np.zeros(len(none))])
        score = risk - relaxed.rate * self.cost
        top = np.zeros(ways.pipes_count)
        np.maximum.at(top, self.pipe[self.fits], score[self.fits])
        self.regret = np.maximum(top[self.pipe] - score, 0.0)
        self.base = self.way == relaxed.way[self.pipe]
        self.base_cost = np.zeros(ways.pipes_count, dtype=np.int64)
        self.base_cost[self.pipe[self.base]] = self.cost[self.base]

    def free_of(self, gap: float, most: int) -> tuple[Wholes, bool]:
        """List the choices off the base that can still win, of the `most` closest pipes.

        Also tells whether those are all.
        """
        slack = ROUNDING * self.relaxed.bound
        open_ = np.flatnonzero(self.fits & ~self.base & (self.regret <= gap + slack))
        least = np.full(self.ways.pipes_count, np.inf)
        np.minimum.at(least, self.pipe[open_], self.regret[open_])
        near = np.lexsort((np.arange(len(least)), least))[:most]
        among = np.isin(self.pipe[open_], near)
        return open_[among], bool(among.all())

    def search(self, free: Wholes, gap: float, time_s: float, enough: float) -> _Found:
        """Give HiGHS the free choices, all other pipes staying as the relaxation has them.

        What it minimises is what lies between the bound and a choice: the regrets of what
        is taken, and money left over at the price of risk; both in shares of the gap, so
        that they are neither large nor tiny.
        """
        left = self.sum_cents - int(self.base_cost.sum())
        pipes, row = np.unique(self.pipe[free], return_inverse=True)
        more = (self.cost[free] - self.base_cost[self.pipe[free]]).astype(float)
        unit = max(1.0, float(np.abs(more).max()))
        many, one = len(free), len(pipes)
        at, price = np.arange(many), self.relaxed.rate * unit / gap
        ends = np.full(one + 1, left / unit)
        ends[:one] = 1.0
        lows = np.full(one + 1, -np.inf)
        lows[one] = left / unit
        model = Model(
            cost=np.append(self.regret[free] / gap, price),
            real=np.append(np.zeros(many, dtype=bool), True),
            upper=np.append(np.ones(many), np.inf),
            row_low=lows,
            row_high=ends,
            row=np.concatenate([row, np.full(many + 1, one)]),
            column=np.concatenate([at, at, [many]]),
            entry=np.concatenate([np.ones(many), more / unit, [1.0]]),
        )
        found: Solved = solve(model, time_s=time_s, gap=enough / gap)
        bound = self.relaxed.bound - gap * found.bound
        if found.x is None:
            return _Found(None, bound, found.state)
        way = self.relaxed.way.copy()
        taken = free[found.x[:many] > 0.5]
        way[self.pipe[taken]] = self.way[taken]
        return _Found(way, bound, found.state)


def settle_ties(
    ways: Ways, way: Wholes, year: Wholes, removed: Reals, group: Wholes
) -> tuple[Wholes, Wholes]:
    """Of pipes of one group whose ways are alike, give the first what removes most.

    Parameters
    ----------
    ways
        The ways.
    way, year, removed
        For each pipe the row of its way (-1 = none), its year and the risk it removes.
    group
        For each pipe; only pipes of one group may change places.

    Returns
    -------
    way, year
        Of each group the same by cost, risk and year, so money and risk stay.
    """
    kind, place, rows = _kinds_of(ways)
    done = way >= 0
    seat = np.full(len(way), NOTHING, dtype=np.int64)
    seat[done] = place[way[done]]
    pipes = np.arange(len(way))
    into = np.lexsort((pipes, kind, group))
    out = np.lexsort((pipes, seat, year, -removed, kind, group))
    new_way, new_year = way.copy(), year.copy()
    new_way[into] = np.where(seat[out] >= 0, rows[into, np.maximum(seat[out], 0)], NOTHING)
    new_year[into] = year[out]
    return new_way, new_year


def _kinds_of(ways: Ways) -> tuple[Wholes, Wholes, Wholes]:
    """Give pipes with the same ways the same number.

    Returns
    -------
    kind
        For each pipe; equal where the ways are, by cost and risk.
    place
        For each way its place among those of its pipe, by cost, then the greater risk.
    rows
        For each pipe its ways in that order, -1 behind the last; pipes x most ways.
    """
    order = np.lexsort((-ways.risk, ways.cost_cents, ways.pipe))
    counts = np.bincount(ways.pipe, minlength=ways.pipes_count)
    starts = np.cumsum(counts) - counts
    place = np.empty(len(order), dtype=np.int64)
    place[order] = np.arange(len(order)) - starts[ways.pipe[order]]
    rows = np.full((ways.pipes_count, max(int(counts.max(initial=0)), 1)), NOTHING, dtype=np.int64)
    rows[ways.pipe, place] = np.arange(len(order))
    looks = np.full((ways.pipes_count, 2 * rows.shape[1]), -1.0)
    looks[ways.pipe, 2 * place] = ways.cost_cents
    looks[ways.pipe, 2 * place + 1] = ways.risk
    order = np.lexsort(looks.T)
    fresh = np.zeros(len(order), dtype=np.int64)
    fresh[1:] = (looks[order][1:] != looks[order][:-1]).any(axis=1)
    kind = np.empty(len(order), dtype=np.int64)
    kind[order] = np.cumsum(fresh)
    return kind, place, rows
