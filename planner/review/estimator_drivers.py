"""What drives the cost, as the estimator's desk shows and writes it."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import numpy as np

from planner.review.totals_board import Sums
from planner.review.totals_drivers import (
    Share,
    by_method,
    by_name,
    concentration,
    dearer,
    dearest,
    even_lines,
    shares,
)
from planner.review.totals_rows import STATES
from planner.review.totals_views import SCOPE_WORDS, SCOPES, doubts, why_pipe

if TYPE_CHECKING:
    from planner.review.estimator import Desk


class Drivers:
    """Ranks what drives the cost; each state of the totals once for each scope."""

    def __init__(self, desk: Desk) -> None:
        """Begin with nothing ranked."""
        self._desk = desk
        self._made: dict[str, tuple[object, dict[str, Any]]] = {}

    def of(self, scope: str) -> dict[str, Any]:
        """Give what the page of drivers shows for a scope."""
        sums = self._desk.board.sums()
        known = self._made.get(scope)
        if known is None or known[0] is not sums:
            known = self._made[scope] = (sums, _drivers_of(self._desk, sums, scope))
        return known[1]


def _drivers_of(desk: Desk, sums: Sums, scope: str) -> dict[str, Any]:
    money, now = desk.board.pipe_money(), desk.prices.now()
    lines = desk.board.lines_now()
    total = int(money.cents[np.isin(money.state, [STATES.index(s) for s in SCOPES[scope]])].sum())
    top = dearest(money, scope)
    return {
        "scope": scope,
        "scopes": SCOPE_WORDS,
        "total": total,
        "few": concentration(money, scope),
        "methods": by_method(money, scope),
        "prices": _by_price(desk, scope),
        "areas": _by_area(desk, scope),
        "pipes": [(one, why_pipe(one.name)) for one in top],
        "dearer": dearer(lines, sums.kinds, now.prices, scope),
        "even": even_lines(money, scope),
        "doubts": doubts(sums, SCOPES[scope]),
        "mobilisation": _aside(desk, "mobilisation"),
        "night": _aside(desk, "night"),
    }


def ranked(desk: Desk, scope: str) -> Iterator[tuple[str, str, int, float]]:
    """Give all ranked lists as rows: by what, name, cents, share; pipes all of them."""
    money = desk.board.pipe_money()
    lists = {
        "method": by_method(money, scope),
        "price": _by_price(desk, scope),
        "area": _by_area(desk, scope),
        "pipe": dearest(money, scope, len(money.pipe_ids)),
    }
    for by, rows in lists.items():
        yield from ((by, one.name, one.cents, one.share) for one in rows)


def _by_price(desk: Desk, scope: str) -> list[Share]:
    sums = desk.board.sums()
    own = [STATES.index(state) for state in SCOPES[scope]]
    cents: dict[str, int] = {}
    for at, kind in enumerate(sums.kinds):
        if kind.price_id:
            more = int(sums.lines[own, at, 2].sum())
            cents[kind.price_id] = cents.get(kind.price_id, 0) + more
    return shares(cents)


def _by_area(desk: Desk, scope: str) -> list[Share]:
    areas = desk.live.inputs.pipes["area"].to_numpy(object)
    if not any(areas):
        return []
    names = np.where(areas == "", "no area named", areas)
    return by_name(desk.board.pipe_money(), names, scope)


def _aside(desk: Desk, item: str) -> int | None:
    prices = desk.prices.now().prices
    own = prices.loc[(prices["item"] == item).to_numpy(bool), "each_cents"]
    return int(own.iloc[0]) if len(own) else None
