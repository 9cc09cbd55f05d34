"""What drives the cost: shares, how few pipes make most of it, what a dearer price would do."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from planner.contracts.repairs import METHODS, WAY_WORDS
from planner.ground.money import half_even
from planner.review.totals_board import CENTS, KIND, LENGTH, TIMES, PipeMoney, cents_at
from planner.review.totals_prices import one_price
from planner.review.totals_ragged import Whole
from planner.review.totals_rows import NO_PRICE, STATES, LineKind
from planner.review.totals_views import SCOPES
from planner.tables import records_in

TOP = 10


@dataclass(frozen=True)
class Share:
    """One line of a ranked list: its name, what it costs [cents], its share of the whole."""

    name: str
    cents: int
    share: float


@dataclass(frozen=True)
class Concentration:
    """How few pipes make most of the cost."""

    top: int
    top_share: float
    half: int
    count: int


@dataclass(frozen=True)
class Dearer:
    """What a price ten per cent dearer would add [cents] to the sum, choices unchanged."""

    price_id: str
    cents: int
    share: float


def in_scope(scope: str) -> list[int]:
    """Give the numbers of the states of a scope."""
    return [STATES.index(state) for state in SCOPES[scope]]


def shares(named: Mapping[str, int]) -> list[Share]:
    """Rank names by what they cost, what costs nothing left out."""
    total = sum(named.values())
    rows = [Share(name, cents, cents / total) for name, cents in named.items() if cents and total]
    return sorted(rows, key=lambda one: (-one.cents, one.name))


def by_method(money: PipeMoney, scope: str) -> list[Share]:
    """Rank methods."""
    own = np.isin(money.state, in_scope(scope))
    sums = np.zeros(len(METHODS), dtype=np.int64)
    np.add.at(sums, money.method[own], money.cents[own])
    return shares({WAY_WORDS.get(name, name): int(sums[at]) for at, name in enumerate(METHODS)})


def by_name(money: PipeMoney, names: npt.NDArray[np.object_], scope: str) -> list[Share]:
    """Rank what pipes are named by, such as their area; a name for each pipe."""
    own = np.isin(money.state, in_scope(scope))
    codes, found = pd.factorize(names[own])
    sums = np.zeros(len(found), dtype=np.int64)
    np.add.at(sums, codes, money.cents[own])
    return shares({str(name): int(cents) for name, cents in zip(found, sums, strict=True)})


def dearest(money: PipeMoney, scope: str, count: int = TOP) -> list[Share]:
    """Rank the pipes that cost most."""
    own = np.flatnonzero(np.isin(money.state, in_scope(scope)) & (money.cents > 0))
    total = int(money.cents[own].sum())
    # Of pipes that cost the same the one that is named first goes first.
    order = own[np.lexsort((money.pipe_ids[own].astype(str), -money.cents[own]))][:count]
    return [
        Share(str(money.pipe_ids[at]), int(money.cents[at]), int(money.cents[at]) / total)
        for at in order
    ]


def concentration(money: PipeMoney, scope: str) -> Concentration | None:
    """Say how few pipes make most of the cost; None where nothing costs anything."""
    cents = money.cents[np.isin(money.state, in_scope(scope)) & (money.cents > 0)]
    if not len(cents):
        return None
    run = np.cumsum(np.sort(cents)[::-1])
    top = min(TOP, len(cents))
    half = int(np.searchsorted(2 * run, run[-1], "left")) + 1
    return Concentration(top, float(run[top - 1] / run[-1]), half, len(cents))


def dearer(
    lines: tuple[Whole, Whole], kinds: Iterable[LineKind], prices: pd.DataFrame, scope: str
) -> list[Dearer]:
    """Say what each price ten per cent dearer would add, what is chosen left as it is.

    Each amount of the price is raised and rounded to the cent, and each line priced anew: where
    a least sum or rounding holds, it is not a tenth of the line.

    Parameters
    ----------
    lines
        As `Board.lines_now` gives them.
    kinds
        Kinds of lines, by their number.
    prices
        Those in force; obeys `PRICES`.
    scope
        One of `SCOPES`.
    """
    state, columns = lines
    own = columns[:, np.isin(state, in_scope(scope)) & (columns[CENTS] != NO_PRICE)]
    total = int((own[TIMES] * own[CENTS]).sum())
    order = np.argsort(own[KIND], kind="stable")
    own, rows = own[:, order], list[Dearer]()
    kinds_of: dict[str, list[int]] = {}
    for at, kind in enumerate(kinds):
        kinds_of.setdefault(kind.price_id, []).append(at)
    for row in records_in(prices):
        more, found = 0, False
        for at in kinds_of.get(str(row["price_id"]), []):
            first, last = np.searchsorted(own[KIND], [at, at + 1])
            mine = own[:, first:last]
            new = cents_at(one_price(_raised(row)), mine[LENGTH])
            more += int((mine[TIMES] * (new - mine[CENTS])).sum())
            found = found or last > first
        if found:
            share = more / total if total else 0.0
            rows.append(Dearer(str(row["price_id"]), more, share))
    return sorted(rows, key=lambda one: (-one.cents, one.price_id))


def _raised(row: Mapping[str, object]) -> dict[str, object]:
    names = ("each_cents", "extra_cents_per_m", "least_cents")
    return {**row, **{name: _tenth_more(row[name]) for name in names if not pd.isna(row[name])}}  # type: ignore[call-overload]


def _tenth_more(cents: object) -> int:
    return int(half_even(np.array([int(str(cents)) * 11], dtype=np.int64), 10)[0])


def even_lines(money: PipeMoney, scope: str) -> list[str]:
    """Say from how many sleeves on lining costs less, over the pipes where both can be had."""
    own = np.isin(money.state, in_scope(scope)) & (money.liner_from >= 0)
    count = int(own.sum())
    if not count:
        return [
            "On no pipe can sleeves and a liner be compared: one of them is closed or not costed."
        ]
    froms = money.liner_from[own]
    parts = [
        f"on {int((froms == n).sum())} from {n} {'sleeve' if n == 1 else 'sleeves'} on"
        for n in sorted(set(froms.tolist()) - {0})
    ]
    if (froms == 0).any():
        parts.append(f"on {int((froms == 0).sum())} at no number of sleeves")
    placed = money.placed[own]
    there = int(((froms > 0) & (placed >= froms)).sum())
    word = "pipe" if count == 1 else "pipes"
    return [
        f"On {count} {word} a liner can be held against sleeves. It costs less {', '.join(parts)}.",
        f"As many sleeves as that, or more, are placed on {there} of them.",
    ]
