"""The lines of an option's sum: each step and each move with its price; one place for money.

`options` adds them up, `break_even` parts them, and a bill of the chosen option is these lines.
What a way takes is listed way by way; then the lines of all ways are priced at once, as columns.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property
from itertools import chain

import numpy as np
import numpy.typing as npt
import pandas as pd

from planner.contracts.sums import MAIN_ITEMS
from planner.ground.money import PriceList, list_prices
from planner.repairs.chain import LINED, Job, Piece, steps_of

Floats = npt.NDArray[np.float64]
Wholes = npt.NDArray[np.int64]
Marks = npt.NDArray[np.bool_]
# What a sleeve's cost by placement holds besides the sleeve.
_BESIDE = ("reopen", "end_seal")


Line = tuple[str, str, float, float, int, str, str, int | None]
"""One line before it is priced, a plain tuple, for there are very many.

part, item, dn_mm [mm], length_m [m] of one, how many, sleeve_id, the system it is priced for
('' = any), and of a sleeve what placement costed it at [cents], `_BESIDE` within it.
"""


@dataclass(frozen=True)
class Priced:
    """Lines of many ways as columns; those of one way lie from its bound to the next.

    `one_cents` is the price of one where it `has_price`; `price_row` the row in `PRICES`, or -1.
    No price names the item of a line `within`: it is part of the main price.
    """

    bounds: Wholes
    part: Sequence[str]
    item: Sequence[str]
    dn_mm: Floats
    length_m: Floats
    times: Wholes
    sleeve_id: Sequence[str]
    has_price: Marks
    within: Marks
    one_cents: Wholes
    price_row: Wholes

    @cached_property
    def way(self) -> Wholes:
        """Give the number of the way that each line belongs to."""
        return np.repeat(np.arange(len(self.bounds) - 1), np.diff(self.bounds))

    @cached_property
    def cents(self) -> Wholes:
        """Give the sum of each line [cents], 0 where it has no price."""
        return np.where(self.has_price, self.times * self.one_cents, 0)


@dataclass(frozen=True)
class PriceBook:
    """The prices in force (`PRICES`), what they name, and the lists of them used already."""

    prices: pd.DataFrame
    items: frozenset[str]
    rows: dict[str, int]
    lists: dict[tuple[str, str], tuple[PriceList, Wholes]] = field(default_factory=dict)

    @classmethod
    def of(cls, prices: pd.DataFrame) -> PriceBook:
        """Open `prices`, which obey `PRICES`."""
        rows = {price_id: row for row, price_id in enumerate(prices["price_id"].tolist())}
        return cls(prices, frozenset(prices["item"]), rows)

    def quote(
        self, item: str, system: str, dn_mm: Floats, length_m: Floats
    ) -> tuple[Wholes, Wholes]:
        """Price pieces of one item [cents], and give the row of each price; -1 where none is."""
        key = (item, system)
        if key not in self.lists:
            listed = list_prices(self.prices, item, system)
            self.lists[key] = listed, np.array([*map(self.rows.__getitem__, listed.ids), -1])
        listed, rows = self.lists[key]
        cents, at = listed.cents_of(dn_mm, length_m)
        return cents, rows[at]


def lines_of(job: Job, method: str, book: PriceBook) -> list[Line]:
    """List what `method` takes on one pipe: the moves, then its steps in their order.

    Sleeves and liner are moved to the pipe each with a price of their own: ``setup`` and
    ``setup_liner`` (``setup`` where the prices name none). Digs have a move only where
    ``setup_dig`` is priced; else it is within the dig. A sleeve costs what placement
    costed it at, its reopenings and sealed ends shown beside. Reopenings are counted, their
    length is none.

    Parameters
    ----------
    job
        The pipe.
    method
        One of `WAYS`.
    book
        The prices.
    """
    dn, pieces = job.dn_mm, {piece.sleeve_id: piece for piece in job.kept(method)}
    lines: list[Line] = [
        (part, item, dn, 0.0, 1, "", "", None) for part, item in _moves(job, method, book)
    ]
    for step, from_m, to_m, _, _, sleeve_id, _ in steps_of(job, method):
        part = _part(step, sleeve_id, method)
        if sleeve_id and step == "sleeve":
            lines += _sleeve(pieces[sleeve_id], book)
        elif step != "reopen":
            lines.append((part, step, dn, to_m - from_m, 1, sleeve_id, "", None))
        elif not sleeve_id:
            lines.append((part, step, dn, 0.0, job.live_laterals, "", "", None))
    return lines


def _moves(job: Job, method: str, book: PriceBook) -> list[tuple[str, str]]:
    moves = [("sleeve", "setup")] if method == "sleeve" or job.kept(method) else []
    if method in LINED:
        moves.append(("liner", "setup_liner" if "setup_liner" in book.items else "setup"))
    if job.dug(method) and "setup_dig" in book.items:
        moves.append(("dig", "setup_dig"))
    return moves


def _part(step: str, sleeve_id: str, method: str) -> str:
    """Say with which part of the way a step lives: what prepares the pipe with the main one."""
    if step == "dig":
        return "dig"
    if sleeve_id:
        return "sleeve"
    return "liner" if method in LINED else method


def _sleeve(piece: Piece, book: PriceBook) -> list[Line]:
    """Part what placement reckoned for a sleeve into it, its reopenings and its sealed ends.

    Sealing that no price names is part of the sleeve's price and has no line.
    """
    dn, own, length = piece.dn_mm, piece.sleeve_id, round(piece.to_m - piece.from_m, 6)
    lines: list[Line] = [("sleeve", "sleeve", dn, length, 1, own, piece.system, piece.cost_cents)]
    if piece.cost_cents is not None:
        sealed = piece.wall_ends if "end_seal" in book.items else 0
        for item, times in zip(_BESIDE, (piece.laterals, sealed), strict=True):
            if times:
                lines.append(("sleeve", item, dn, 0.0, times, own, piece.system, None))
    return lines


def price_lines(ways: Sequence[Sequence[Line]], book: PriceBook) -> Priced:
    """Price the lines of each way; what lies beside a sleeve stands right below it.

    Parameters
    ----------
    ways
        For each way what `lines_of` lists.
    book
        The prices.
    """
    lines = list(chain.from_iterable(ways))
    part, item, dn, length, times, sleeve_id, system, placed = (
        [line[at] for line in lines] for at in range(8)
    )
    dn_mm, length_m, counts = np.array(dn, float), np.array(length, float), np.array(times, int)
    cents, row = np.zeros(len(lines), dtype=np.int64), np.full(len(lines), -1)
    asked: dict[tuple[str, str], list[int]] = defaultdict(list)
    for at, what in enumerate(zip(item, system, strict=True)):
        asked[what].append(at)
    within = np.zeros(len(lines), dtype=bool)
    for (one, for_system), here in asked.items():
        within[here] = one not in MAIN_ITEMS and one not in book.items
        cents[here], row[here] = book.quote(one, for_system, dn_mm[here], length_m[here])
    priced = row >= 0
    # A sleeve costs what placement says, but what stands beside it.
    sleeves = [at for (one, _), here in asked.items() if one == "sleeve" for at in here]
    priced[sleeves] = [placed[at] is not None for at in sleeves]
    cents[sleeves] = [placed[at] or 0 for at in sleeves]
    above = np.zeros(len(lines), dtype=np.int64)
    above[sleeves] = sleeves
    above = np.maximum.accumulate(above)
    own = [at for (one, _), here in asked.items() if one in _BESIDE for at in here if sleeve_id[at]]
    np.subtract.at(cents, above[own], np.where(priced, counts * cents, 0)[own])
    bounds, price = np.cumsum([0, *map(len, ways)]), (priced, within, cents, row)
    return Priced(bounds, part, item, dn_mm, length_m, counts, sleeve_id, *price)
