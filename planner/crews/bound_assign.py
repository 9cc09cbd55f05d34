"""A bound by assignment: each stop to a kind of day, by hours and loads, without routes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import linprog
from scipy.sparse import coo_array, csr_array

from planner.crews.bound_kinds import NEVER, Kind, Reals, Side

# A limit on simplex steps stops at the same place always, as a clock does not.
_STEPS = 200_000
# Share of the bound that sums of floats may be wrong by, and to spare.
_NOISE = 1e-9


@dataclass(frozen=True)
class _Loose:
    """One kind of days without its routes, per stop and per day [s].

    `cost` and `time` hold half of the least drive to and from each stop, `time` parking and
    work too; `day_s` is half of the least drive out of the yard and home; `loads` are shares
    of what a day holds.
    """

    cost: Reals
    time: Reals
    loads: Reals
    day_s: float


def assignment_bound(kinds: Sequence[Kind], side: Side, price: int) -> tuple[int, Reals]:
    """Give a cost that no week can go below, from hours and loads alone [s].

    A linear programme: each stop is left out at its value, or put to kinds of days; a stop
    costs half of the least drive to it and from it, a day half of the least drive out and
    home. Hours, loads and shelf hold for all days of a kind together.

    Parameters
    ----------
    kinds, side
        Of the board.
    price
        Of a second of overtime [s].

    Returns
    -------
    bound, prices
        The bound reckoned anew from the prices that came out, so that it holds whatever the
        solver's tolerances are; prices of stops, chains and items of the shelf. Both 0 where
        the solver found nothing.
    """
    loose = [_loosen(kind) for kind in kinds]
    model = _Rows(kinds, side, loose, price)
    solved = linprog(  # type: ignore[call-overload]  # the hints know no array of bounds
        model.cost, A_ub=model.matrix(), b_ub=model.right, bounds=model.bounds, method="highs",
        options={"maxiter": _STEPS},
    )  # fmt: skip
    if solved.status != 0:
        return 0, np.zeros(model.beside)
    prices = np.maximum(-np.asarray(solved.ineqlin.marginals, dtype=np.float64), 0.0)
    bound = model.least(prices)
    least = max(0, int(np.ceil(bound - 0.01 - _NOISE * abs(bound))))
    return least, prices[: model.beside]


def _loosen(kind: Kind) -> _Loose:
    half, half_out, half_home = kind.drive_s / 2, kind.out_s / 2, kind.home_s / 2
    open_ = np.where(kind.follows, half, NEVER)
    # Whoever comes to a stop parks there: parking counts wholly with the way to it.
    parked = np.where(kind.follows, kind.way_s - half, NEVER)
    least_out = np.minimum(open_.min(axis=1), half_home)
    least_into = np.minimum(parked.min(axis=0), kind.out_way_s - half_out)
    return _Loose(
        np.minimum(open_.min(axis=0), half_out) + least_out,
        kind.work_s + least_into + least_out,
        kind.loads / np.maximum(kind.holds, 1),
        float(half_out.min() + half_home.min()),
    )


class _Rows:
    """The programme: stops left out, stops by kind, days by kind, overtime by kind.

    Rows, all "at most": cover, chains, shelf; then for each kind time and its loads.
    """

    def __init__(
        self, kinds: Sequence[Kind], side: Side, loose: Sequence[_Loose], price: int
    ) -> None:
        self.kinds, self.side, self.loose, self.price = kinds, side, loose, price
        self.starts = np.cumsum([len(side.value_s), *(len(kind.stops) for kind in kinds)])
        days, whole = len(kinds), int(self.starts[-1])
        self.cost = np.concatenate(
            [side.value_s, *(one.cost for one in loose), [one.day_s for one in loose],
             np.full(days, float(price))]
        )  # fmt: skip
        top = [1.0] * whole + [float(len(kind.days)) for kind in kinds]
        top += [float(len(kind.days) * kind.day.over_s) for kind in kinds]
        self.bounds = np.column_stack([np.zeros(len(top)), top])
        self.beside = len(side.value_s) + len(side.after) + len(side.take)
        zeros = np.zeros(4 * days)
        covered = -np.ones(len(side.value_s))
        chained = np.zeros(len(side.after))
        self.right = np.concatenate([covered, chained, -side.short.astype(float), zeros])

    def matrix(self) -> csr_array:
        """Lay out the entries of all rows."""
        side, days = self.side, len(self.kinds)
        stops, chains = len(side.value_s), len(side.after)
        own = np.arange(stops)
        parts = [(own, own, -np.ones(stops))]
        chain = stops + np.arange(chains)
        parts += [(chain, side.after[:, 0], -np.ones(chains))]
        parts += [(chain, side.after[:, 1], np.ones(chains))]
        item, taker = np.nonzero(side.take)
        parts += [(stops + chains + item, taker, -side.take[item, taker].astype(float))]
        for n, (kind, one) in enumerate(zip(self.kinds, self.loose, strict=True)):
            columns = self.starts[n] + np.arange(len(kind.stops))
            day = self.starts[-1] + n
            row = self.beside + 4 * n
            parts += [(kind.stops, columns, -np.ones(len(columns)))]
            parts += [(np.full(len(columns), row), columns, one.time)]
            free = [-(kind.most_s - one.day_s), -1.0]
            parts += [(np.array([row, row]), np.array([day, day + days]), np.array(free))]
            for load in range(3):
                rows = np.full(len(columns) + 1, row + 1 + load)
                entries = np.append(one.loads[:, load], -1.0)
                parts += [(rows, np.append(columns, day), entries)]
        rows_, columns_, entries_ = (np.concatenate([part[n] for part in parts]) for n in range(3))
        shape = (len(self.right), len(self.cost))
        return csr_array(coo_array((entries_, (rows_, columns_)), shape=shape))

    def least(self, prices: Reals) -> float:
        """Give the least cost under prices of the rows, none below zero: always a bound."""
        beside = prices[: self.beside]
        total = float(self.side.fixed(beside))
        total += float(np.minimum(self.side.left_cost(beside), 0.0).sum())
        for n, (kind, one) in enumerate(zip(self.kinds, self.loose, strict=True)):
            time, *load = prices[self.beside + 4 * n : self.beside + 4 * n + 4]
            cost = one.cost + time * one.time + one.loads @ np.array(load)
            cost = cost - prices[: len(self.side.value_s)][kind.stops]
            total += float(np.minimum(cost, 0.0).sum())
            day = one.day_s - time * (kind.most_s - one.day_s)
            day -= float(sum(load))
            day -= kind.day.over_s * max(0.0, time - self.price)
            total += len(kind.days) * min(0.0, day)
        return total
