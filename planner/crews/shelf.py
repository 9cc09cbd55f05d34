"""What is on the shelf of the yard, and what the set-ups would take of it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass

import pandas as pd

from planner.contracts import SLEEVES, STOCK
from planner.contracts.facts import Tables
from planner.ground.quantities import items_of
from planner.tables import check

# Kind, system, size [mm] and length [mm] (0 for resin); counted in pieces and grams.
Item = tuple[str, str, int, int]


@dataclass(frozen=True)
class Shelf:
    """Stock of the items that the stock list names, and what each set-up takes of any item.

    An item that the list does not name sets no limit: it is not known to be missing.
    """

    stock: dict[Item, int]
    takes: dict[str, Counter[Item]]

    @classmethod
    def of(cls, tables: Tables) -> Shelf:
        """Gather stock and needs.

        Parameters
        ----------
        tables
            Of it: stock, setup_works, works, sleeves, system_sizes.

        Raises
        ------
        TableError
            If a table breaks its contract.
        """
        return cls(_stock(check(tables["stock"], STOCK)), _takes(tables))

    def taken(self, setup_id: str, item: Item) -> int:
        """Give how much of an item a set-up takes."""
        return self.takes.get(setup_id, Counter())[item]

    def short(self, setup_ids: Iterable[str], setup_id: str) -> str:
        """Say what is missing for `setup_id` beside `setup_ids`; '' if the shelf holds all."""
        need = self.takes.get(setup_id, Counter())
        asked = [item for item in sorted(need) if item in self.stock]
        if not asked:
            return ""
        used = Counter[Item]()
        for one in setup_ids:
            used.update(self.takes.get(one, Counter()))
        for item in asked:
            if used[item] + need[item] > self.stock[item]:
                free, amount = self.stock[item] - used[item], need[item]
                return f"the shelf has {_amount(item, free)} left, asked {_amount(item, amount)}"
        return ""


def _amount(item: Item, amount: int) -> str:
    kind, system, dn, length = item
    if kind == "resin":
        return f"{amount / 1000:.1f} kg of resin {system}"
    return f"{amount} sleeves DN {dn} x {length / 1000:.2f} m {system}"


def _stock(stock: pd.DataFrame) -> dict[Item, int]:
    found: dict[Item, int] = {}
    for row in stock.to_dict("records"):
        resin = row["item"] == "resin"
        amount = row["mass_kg"] if resin else row["pieces_count"]
        if pd.isna(amount):
            continue
        item = _item(str(row["system"]), row["dn_mm"], row["length_m"], resin=resin)
        found[item] = found.get(item, 0) + (round(amount * 1000) if resin else int(amount))
    return found


def _item(system: str, dn_mm: float, length_m: float, *, resin: bool) -> Item:
    if resin:
        return "resin", system, 0, 0
    return "sleeve", system, round(dn_mm), round(length_m * 1000)


def _takes(tables: Tables) -> dict[str, Counter[Item]]:
    sleeves = check(tables["sleeves"], SLEEVES)
    items = items_of(sleeves, tables["system_sizes"])
    grams = items[items["unit"] == "g"].set_index("sleeve_id")["net"].to_dict()
    each: dict[str, Counter[Item]] = {}
    columns = ["sleeve_id", "system", "dn_mm", "length_m"]
    for sleeve_id, system, dn, length in sleeves[columns].itertuples(index=False):
        takes = Counter({_item(system, dn, length, resin=False): 1})
        takes[_item(system, 0, 0, resin=True)] += int(grams.get(sleeve_id, 0))
        each[str(sleeve_id)] = takes
    works = tables["works"]
    sets = works.loc[works["step"] == "sleeve", ["work_id", "sleeve_id"]]
    pairs = tables["setup_works"][["setup_id", "work_id"]].merge(sets, on="work_id")
    found: dict[str, Counter[Item]] = {}
    for setup_id, sleeve_id in pairs[["setup_id", "sleeve_id"]].itertuples(index=False):
        found.setdefault(str(setup_id), Counter()).update(each.get(str(sleeve_id), Counter()))
    return found
