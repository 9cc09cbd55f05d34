"""From how many sleeves on a liner is cheaper, pipe by pipe, reckoned from the options' lines.

A fixed count ("more than three: line it") holds near one pair of prices only; here it comes
from the prices in force: the sleeves' fixed part, the mean of one sleeve, the liner's sum.
"""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from planner.contracts import BREAK_EVEN, OPTION_LINES, OPTIONS
from planner.contracts.repairs import WAY_WORDS
from planner.distinct import is_among, places_in, unlike_in
from planner.ground.money import money
from planner.repairs.jobs import Wholes
from planner.repairs.lives import Shares
from planner.settings import Sleeving
from planner.tables import check, conform, rows_in

Row = dict[str, Any]
_LINERS = ("liner", "dig_liner")


class _Way(NamedTuple):
    """One way on one pipe: its sum [cents], or why it has none, and what its lines add up to.

    `own` is what its pieces take [cents], its sleeves or its digs; `dug` what digs take in it;
    `placed` counts the sleeves.
    """

    cents: int | None
    why_not: str
    total: int
    own: int
    pieces: int
    dug: int
    placed: int

    @property
    def base(self) -> int:
        """Give what any number of pieces takes [cents]."""
        return self.total - self.own

    @property
    def each(self) -> int:
        """Give the mean of one piece [cents], rounded half to even; 0 where there is none."""
        return round(Fraction(self.own, self.pieces)) if self.pieces else 0


def break_even(
    options: pd.DataFrame, option_lines: pd.DataFrame, settings: Sleeving
) -> pd.DataFrame:
    """Say for each pipe from how many sleeves on lining it costs less than sleeving it.

    One sleeve is the mean of those placed on the pipe with flow control, film and
    reopenings; all other lines of the sleeve option are its base. The liner is the
    cheaper of a liner alone and dig, then liner. The cost of n sleeves is base + n x one.

    Parameters
    ----------
    options, option_lines
        Obey `OPTIONS` and `OPTION_LINES`.
    settings
        Lives for the count by the cost a year [years].

    Returns
    -------
    break_even
        Obeys `BREAK_EVEN`; what could not be compared is blank, and `why` says it.

    Raises
    ------
    TableError
        If a table breaks its contract.

    References
    ----------
    n* = (L c_line + n_conn c_reopen) / c_sleeve (trade.md D), with the fixed parts added.
    """
    check(options, OPTIONS), check(option_lines, OPTION_LINES)
    cents = options["cost_cents"].array.to_numpy(dtype=object, na_value=None).tolist()
    rows = rows_in(options, ["pipe_id", "method", "possible", "why"])
    ways: dict[str, dict[str, _Way]] = {}
    for (pipe_id, method, possible, why), cost, added in zip(
        rows, cents, _added(options, option_lines), strict=True
    ):
        sums = (cost, "not costed", *added) if possible else (None, why, *added)
        ways.setdefault(pipe_id, {})[method] = _Way._make(sums)
    shares = Shares.of_lives(settings)
    return conform([_row(pipe_id, own, shares) for pipe_id, own in ways.items()], BREAK_EVEN)


def first_count(base: Fraction | int, each: Fraction | int, limit: Fraction | int) -> int | None:
    """Give the least n >= 1 with base + n x each > limit; None where no n has it.

    Examples
    --------
    >>> from fractions import Fraction
    >>> first_count(Fraction(10), Fraction(5), Fraction(20))
    3
    """
    if each <= 0:
        return 1 if base > limit else None
    return max(1, (limit - base) // each + 1)


def _added(options: pd.DataFrame, lines: pd.DataFrame) -> Iterator[tuple[int, ...]]:
    """Add up for each option total, own, pieces, dug and placed of `_Way`."""
    way = _of_option(options, lines)
    cents = lines["sum_cents"].to_numpy(dtype=np.int64, na_value=0)
    times = lines["times_count"].to_numpy(dtype=np.int64)
    digs, sleeved = is_among(lines["part"], ["dig"]), ~is_among(lines["sleeve_id"], [""])
    own = np.where(is_among(lines["method"], ["dig"]), digs, sleeved)
    own &= ~is_among(lines["item"], ["setup_dig"])
    pieces = own & np.asarray(lines["item"].array == lines["method"].array, dtype=bool)
    # A sleeve has more lines than one.
    named = lines["sleeve_id"].array[sleeved]
    number = places_in(named, unlike_in(pd.Series(named)))
    placed = np.unique(way[sleeved] * (len(named) + 1) + number) // (len(named) + 1)

    def summed(values: Wholes, at: Wholes) -> list[int]:
        sums = np.zeros(len(options) + 1, dtype=np.int64)  # the last for lines of no option
        np.add.at(sums, at, values)
        found: list[int] = sums[:-1].tolist()
        return found

    return zip(
        summed(cents, way),
        summed(np.where(own, cents, 0), way),
        summed(np.where(pieces, times, 0), way),
        summed(np.where(digs, cents, 0), way),
        summed(np.ones_like(placed), placed),
        strict=True,
    )


def _of_option(options: pd.DataFrame, lines: pd.DataFrame) -> Wholes:
    """Give the row of the option that each line is of; -1 where there is none."""
    pipes, methods = (unlike_in(options[name]) for name in ("pipe_id", "method"))
    rows = np.full((len(pipes) + 1, len(methods) + 1), -1)
    at = [
        (places_in(table["pipe_id"], pipes), places_in(table["method"], methods))
        for table in (options, lines)
    ]
    rows[at[0]] = np.arange(len(options))
    return np.asarray(rows[at[1]], dtype=np.int64)


def _row(pipe_id: str, ways: dict[str, _Way], shares: Shares) -> Row:
    sleeve, dig = ways["sleeve"], ways["dig"]
    row: Row = {"pipe_id": pipe_id, "sleeves_count": sleeve.placed}
    if dig.cents is not None:
        row |= {"dig_base_cents": dig.base, "dig_each_cents": dig.each}
    if sleeve.cents is not None:
        row |= {"sleeve_base_cents": sleeve.base, "sleeve_each_cents": sleeve.each}
    liners = [way for way in _LINERS if way in ways]
    costs = {way: cents for way in liners if (cents := ways[way].cents) is not None}
    if costs:
        best = min(costs, key=lambda way: (costs[way], _LINERS.index(way)))
        row |= {"liner_method": best, "liner_cents": costs[best]}
    lacking = [] if sleeve.cents is not None else ["sleeve"]
    lacking += [] if costs else liners
    if lacking:
        why = "; ".join(f"{WAY_WORDS[way]}: {ways[way].why_not}" for way in lacking)
        return {**row, "why": f"not compared: {why}"}
    return {**row, **_compared(row, sleeve, shares)}


def _compared(row: Row, sleeve: _Way, shares: Shares) -> Row:
    base, each, liner = sleeve.base, sleeve.each, int(row["liner_cents"])
    count = first_count(base, each, liner)
    of = shares.of
    yearly = (base - sleeve.dug) * of["sleeve"] + sleeve.dug * of["dig"]
    annual = first_count(yearly, each * of["sleeve"], liner * of["liner"])
    sums = (
        f"{money(base)} + {money(each)} a sleeve against"
        f" {WAY_WORDS[row['liner_method']]} {money(liner)}"
    )
    why = f"{sums}: the liner costs less {_from(count)}, by the cost a year {_from(annual)}"
    why += f"; {row['sleeves_count']} placed"
    return {"liner_from_count": count, "annual_from_count": annual, "why": why}


def _from(count: int | None) -> str:
    if count is None:
        return "at no number of sleeves"
    return "from 1 sleeve on" if count == 1 else f"from {count} sleeves on"
