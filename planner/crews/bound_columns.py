"""A bound by columns: the best days under prices of stops, and the prices that days settle.

A linear programme chooses among days found so far (columns); its prices ask each kind of day
for cheaper ones. Under any prices the least that days and stops left out can cost is a bound,
so the search may stop anywhere. Prices are whole parts of a second: the bound is exact.

References
----------
Lagrangian value and its use for early stops: Desaulniers, Desrosiers, Solomon (eds.), Column
Generation, 2005, chapter 1; centre of prices: Wentges 1997 (both from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import highspy
import numpy as np

from planner.crews.bound_kinds import NEVER, Kind, Reals, Side, Wholes
from planner.crews.bound_price import trace, walks
from planner.settings import Week

_PARTS = 64  # prices are counted in so many parts of a second
_SHORTEST_S = 30  # a bucket is no shorter: below it the bound would take too long
_ADDED = 25  # days taken over from one kind in one round
_PULL = 0.7  # most weight of the best prices so far against those of the programme
_EASE = 20.0  # that weight for each share of its cost by which the bound is below the programme
_CLOSE = 1e-3  # share of the programme's cost by which the bound may stay below it
_ROUGH_CLOSE = 1e-2  # the same where the search begins, roughly
_ROUGH_ROUNDS = 60


@dataclass(frozen=True)
class ByColumns:
    """The bound [s], rounds run, and whether no better one is to be had this way."""

    bound_s: int
    rounds: int
    closed: bool


@dataclass(frozen=True)
class Column:
    """One day of a kind: its cost [s] and the stops in it, some perhaps twice."""

    kind: int
    cost_s: int
    stops: Wholes


def column_bound(
    kinds: Sequence[Kind],
    side: Side,
    start: Sequence[Column],
    week: Week,
    price: int,
    first: Reals,
) -> ByColumns:
    """Give a cost that no week can go below, from the days that crews can drive.

    Parameters
    ----------
    kinds, side
        Of the board.
    start
        Days to begin with, as of the plan at hand.
    week
        Buckets in which time is counted, shorter where stops are nearer; rounds that give a
        bound, and steps of the search of days in all, after which it stops; up to half of
        the steps go to rough rounds before.
    price
        Of a second of overtime [s].
    first
        Prices of stops, chains and items that are asked first.
    """
    found = [_Bucketed.of(kind, price, week.bound_bucket_s) for kind in kinds]
    if any(one is None for one in found):
        return ByColumns(0, 0, closed=False)
    search = _Search(kinds, side, [one for one in found if one is not None], week.bound_steps_count)
    master = _Master(kinds, side)
    master.add([*start])
    prices = np.rint(first * _PARTS).astype(np.int64)
    if week.bound_rounds:
        search.least_left = search.steps_left // 2
        _, prices = _close_in(search, master, prices, _ROUGH_ROUNDS, rough=True)
        search.least_left = 0
    bound, _ = _close_in(search, master, prices, week.bound_rounds, rough=False)
    return bound


def _close_in(
    search: _Search, master: _Master, centre: Wholes, rounds: int, *, rough: bool
) -> tuple[ByColumns, Wholes]:
    """Ask for days until none is cheaper; give the best bound and the prices that gave it.

    A rough search is quick at days and prices to begin with; what it gives is no bound.
    """
    best, pull, close = 0, 1.0, _ROUGH_CLOSE if rough else _CLOSE
    for number in range(1, rounds + 1):
        prices, worth, cost = master.solve()
        own = np.rint(prices * _PARTS).astype(np.int64)
        asked = np.rint(pull * centre + (1.0 - pull) * own).astype(np.int64)
        round_ = search.ask(asked, rough=rough)
        if round_ is None:
            return ByColumns(_up(best), number - 1, closed=False), centre
        bound, columns = round_
        if bound > best:
            best, centre = bound, asked
        better = [one for one in columns if _reduced(one, prices, worth) < -1e-6]
        if _up(best) >= cost * (1.0 - close) or (not better and pull == 0.0):
            return ByColumns(_up(best), number, closed=True), centre
        # Where the pulled prices find nothing new, the programme's own are asked next.
        pull = min(_PULL, _EASE * (1.0 - _up(best) / cost)) if better and best else 0.0
        master.add(better)
    return ByColumns(_up(best), rounds, closed=False), centre


def _up(parts: int) -> int:
    """Turn parts into whole seconds, upward: a week costs whole seconds."""
    return max(0, -(-parts // _PARTS))


def _reduced(column: Column, prices: Reals, worth: Reals) -> float:
    return column.cost_s - float(prices[column.stops].sum()) - float(worth[column.kind])


@dataclass(frozen=True)
class _Bucketed:
    """A kind of days in buckets of time: lengths of ways with work, cost of going home."""

    step: Wholes
    first_step: Wholes
    end_s: Wholes
    loads: Wholes
    held: int
    latest: Wholes

    @classmethod
    def of(cls, kind: Kind, price: int, bucket_s: int) -> _Bucketed | None:
        """Count a kind in buckets; None where stops lie too near to each other in time."""
        length = kind.way_s + kind.work_s[None, :]
        first = kind.out_way_s + kind.work_s
        shortest = int(min(length[kind.follows].min(initial=NEVER), first.min()))
        bucket = min(bucket_s, shortest)
        if bucket < _SHORTEST_S:
            return None
        step = np.where(kind.follows, length // bucket, -1)
        buckets = np.arange(kind.longest_s // bucket + 1, dtype=np.int64) * bucket
        over = kind.over_s(kind.home_s[:, None] + buckets[None, :])
        end = np.where(over > kind.day.over_s, NEVER, kind.home_s[:, None] + price * over)
        loads, held = kind.counted_loads()
        return cls(step, first // bucket, end, loads, held, kind.latest_s // bucket)


@dataclass
class _Search:
    """Asks all kinds for their best days under prices, until `least_left` steps are left."""

    kinds: Sequence[Kind]
    side: Side
    bucketed: Sequence[_Bucketed]
    steps_left: int
    least_left: int = 0

    def ask(self, prices: Wholes, *, rough: bool) -> tuple[int, list[Column]] | None:
        """Give the bound under prices [parts] and the best days found; None = out of steps."""
        left = np.minimum(self.side.left_cost(prices, _PARTS), 0)
        bound = int(self.side.fixed(prices)) + int(left.sum())
        columns: list[Column] = []
        for number, kind in enumerate(self.kinds):
            asked = self._days(number, prices[kind.stops], rough=rough)
            if asked is None:
                return None
            least, found = asked
            bound += len(kind.days) * min(0, least)
            columns += found
        return bound, columns

    def _days(self, number: int, gain: Wholes, *, rough: bool) -> tuple[int, list[Column]] | None:
        kind, own = self.kinds[number], self.bucketed[number]
        # A stop that pays nothing only lengthens a day, unless it lies on a shorter way.
        cost = kind.drive_s * _PARTS - gain[None, :]
        first = (kind.out_s * _PARTS - gain, own.first_step)
        end = np.where(own.end_s >= NEVER, NEVER, own.end_s * _PARTS)
        loads = (own.loads, own.held, own.latest)
        most = self.steps_left - self.least_left
        best, states, labels, steps = walks(cost, own.step, first, end, loads, (most, rough))
        self.steps_left -= steps
        if steps > most:
            return None
        picked = [int(n) for n in np.argsort(best, kind="stable")[:_ADDED] if best[n] < 0]
        columns = []
        for last in picked:
            walk = trace(labels, last, states[last], own.step, own.loads, own.held)
            cost_s = (int(best[last]) + int(gain[walk].sum())) // _PARTS
            columns.append(Column(number, cost_s, kind.stops[walk]))
        return int(best.min(initial=0)), columns


@dataclass
class _Master:
    """The programme over the days found so far, solved anew from where it stood."""

    kinds: Sequence[Kind]
    side: Side
    highs: highspy._core._Highs = field(init=False)
    known: set[tuple[object, ...]] = field(default_factory=set)

    def __post_init__(self) -> None:
        # The class above this one in highspy prints a banner that no option holds back.
        self.highs = highspy._core._Highs()
        for name, value in {"output_flag": False, "threads": 1, "random_seed": 0}.items():
            self.highs.setOptionValue(name, value)
        side = self.side
        stops, chains, items = len(side.value_s), len(side.after), len(side.take)
        for low in [1.0] * stops + [0.0] * chains + [float(s) for s in side.short]:
            self.highs.addRow(low, highspy.kHighsInf, 0, [], [])
        for kind in self.kinds:
            self.highs.addRow(-highspy.kHighsInf, float(len(kind.days)), 0, [], [])
        for n in range(stops):
            rows, entries = [n], [1.0]
            for chain in range(chains):
                if n in side.after[chain]:
                    rows.append(stops + chain)
                    entries.append(1.0 if side.after[chain, 0] == n else -1.0)
            for item in range(items):
                if side.take[item, n]:
                    rows.append(stops + chains + item)
                    entries.append(float(side.take[item, n]))
            self.highs.addCol(float(side.value_s[n]), 0.0, 1.0, len(rows), rows, entries)

    def add(self, columns: Sequence[Column]) -> None:
        """Add days that are not there yet."""
        beside = len(self.side.value_s) + len(self.side.after) + len(self.side.take)
        for one in columns:
            stops, counts = np.unique(one.stops, return_counts=True)
            key = (one.kind, one.cost_s, stops.tobytes(), counts.tobytes())
            if key in self.known:
                continue
            self.known.add(key)
            rows = [*stops.tolist(), beside + one.kind]
            entries = [*counts.astype(float).tolist(), 1.0]
            self.highs.addCol(float(one.cost_s), 0.0, highspy.kHighsInf, len(rows), rows, entries)

    def solve(self) -> tuple[Reals, Reals, float]:
        """Give the prices of stops, chains and items, those of the kinds, and the cost."""
        self.highs.run()
        duals = np.asarray(self.highs.getSolution().row_dual, dtype=np.float64)
        beside = len(duals) - len(self.kinds)
        cost = float(self.highs.getInfo().objective_function_value)
        return np.maximum(duals[:beside], 0.0), duals[beside:], cost
