"""The lines of an option's sum: each step and each move with its price; one place for money.

`options` adds them up, `break_even` parts them, and a bill of the chosen option is these lines.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from planner.contracts.sums import MAIN_ITEMS
from planner.ground.money import PriceList, list_prices
from planner.repairs.jobs import Floats, Marks, Wholes
from planner.repairs.option_steps import CODE, ITEMS, Lines


@dataclass(frozen=True)
class Priced:
    """What prices say of lines, column beside column.

    `one_cents` is the price of one where it `has_price`; `price_row` the row in `PRICES`, or -1;
    `cents` the sum of the line, 0 where it has no price. No price names the item of a line
    `within`: it is part of the main price.
    """

    has_price: Marks
    one_cents: Wholes
    cents: Wholes
    price_row: Wholes
    within: Marks


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
        if item not in self.items:
            return np.zeros(len(dn_mm), dtype=np.int64), np.full(len(dn_mm), -1)
        key = (item, system)
        if key not in self.lists:
            listed = list_prices(self.prices, item, system)
            self.lists[key] = listed, np.array([*map(self.rows.__getitem__, listed.ids), -1])
        listed, rows = self.lists[key]
        cents, at = listed.cents_of(dn_mm, length_m)
        return cents, rows[at]


def price_lines(lines: Lines, book: PriceBook) -> Priced:
    """Price each line.

    A sleeve costs what placement costed it at, its reopenings and sealed ends taken off and
    shown beside; these and the sleeve have the prices of its system.
    """
    systems = sorted({piece.system for piece in lines.pieces})
    number = {system: at for at, system in enumerate(systems)}
    of_piece = np.array([number[piece.system] for piece in lines.pieces], dtype=np.int64)
    sleeves = lines.item == CODE["sleeve"]
    own = sleeves | lines.beside
    system = np.full(len(lines.item), -1)
    system[own] = of_piece[lines.piece[own]]
    cents, row = np.zeros(len(system), dtype=np.int64), np.full(len(system), -1)
    kind = system * len(ITEMS) + lines.item
    for one in np.unique(kind):
        at = np.flatnonzero(kind == one)
        item, of = ITEMS[lines.item[at[0]]], system[at[0]]
        quoted = book.quote(
            item, systems[of] if of >= 0 else "", lines.dn_mm[at], lines.length_m[at]
        )
        cents[at], row[at] = quoted
    has_price = row >= 0
    placed = [piece.cost_cents for piece in lines.pieces]
    costed = np.array([cost is not None for cost in placed], dtype=bool)
    has_price[sleeves] = costed[lines.piece[sleeves]]
    cents[sleeves] = np.array([cost or 0 for cost in placed], dtype=np.int64)[lines.piece[sleeves]]
    above = np.maximum.accumulate(np.where(sleeves, np.arange(len(cents)), 0))
    sums = np.where(has_price & lines.beside, lines.times * cents, 0)
    np.subtract.at(cents, above[lines.beside], sums[lines.beside])
    unnamed = [item not in MAIN_ITEMS and item not in book.items for item in ITEMS]
    within = np.array(unnamed)[lines.item]
    return Priced(has_price, cents, np.where(has_price, lines.times * cents, 0), row, within)
