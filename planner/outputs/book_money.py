"""Pages of money: prices to type in, and the lines priced from them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import pandas as pd

from planner.contracts.facts import Tables
from planner.outputs.book_pages import Book, Page, half_even

_PRICE_HEADS = (
    ("No.", -6), ("price_id", 28), ("Item", 16), ("System", 16), ("DN from", -9), ("DN to", -9),
    ("Each", -12), ("Length within it, m", -12), ("Each further metre", -12),
    ("Least length charged, m", -12), ("Least sum", -12), ("Year", -7), ("Place", 18),
    ("Source", 24),
)  # fmt: skip
_LINE_HEADS = (
    ("Pipe", 14), ("Way", 13), ("Item", 16), ("Sleeve", 12), ("System", 16), ("DN", -8),
    ("Length of one, m", -11), ("How many", -9), ("Price no.", -8), ("Route no.", -8),
    ("Metres beyond", -10), ("Price of one", -12), ("Sum", -13), ("Route", 24), ("Note", 40),
)  # fmt: skip


@dataclass(frozen=True)
class PriceRows:
    """Where each price stands: number and row on the page (from 1) by id; the prices by id."""

    number: Mapping[str, int]
    row: Mapping[str, int]
    prices: pd.DataFrame

    def cell(self, price_id: str, column: str) -> str:
        """Point to a cell of a price."""
        return f"Prices!${column}${self.row[price_id]}"

    def first(self, item: str) -> str:
        """Give the id of the price of an item that stands aside, '' where there is none."""
        own = self.prices.index[self.prices["item"] == item]
        return str(own[0]) if len(own) else ""


@dataclass(frozen=True)
class LineRows:
    """Rows of the lines' page, first and last (from 1), and the number of each route."""

    first: int
    last: int
    routes: Mapping[str, int]

    def column(self, letter: str) -> str:
        """Point to a column of the lines."""
        return f"Lines!${letter}${self.first}:${letter}${self.last}"


def write_prices(book: Book, prices: pd.DataFrame) -> PriceRows:
    """Write each price on a row of its own; amounts are cells to type in."""
    page = book.page("Prices", "Prices", _PRICE_HEADS)
    number, row = dict[str, int](), dict[str, int]()
    for place, price in enumerate(prices.sort_values("price_id").to_dict("records"), 1):
        number[price["price_id"]], row[price["price_id"]] = place, page.row + 1
        page.number(0, place)
        for column, name in enumerate(("price_id", "item", "system"), 1):
            page.text(column, price[name])
        page.number(4, price["dn_from_mm"])
        page.number(5, price["dn_to_mm"])
        page.cents(6, price["each_cents"], "input")
        page.number(7, _or_zero(price["included_m"]), "metres")
        page.cents(8, _or_zero(price["extra_cents_per_m"]), "input")
        page.number(9, _or_zero(price["least_m"]), "metres")
        page.cents(10, _or_zero(price["least_cents"]), "input")
        page.number(11, price["year"], "text")
        page.text(12, price["place"])
        page.text(13, price["source"])
        page.next()
    _only_amounts(page)
    return PriceRows(number, row, prices.set_index("price_id", drop=False))


def _or_zero(value: object) -> object:
    return 0 if pd.isna(value) else value  # type: ignore[call-overload]


def _only_amounts(page: Page) -> None:
    """Ask for amounts of 0 or more in the cells to type in."""
    for column in (6, 8, 10):
        rule = {"validate": "decimal", "criteria": ">=", "value": 0}
        rule |= {"error_title": "Price", "error_message": "An amount of 0 or more."}
        page.sheet.data_validation(3, column, max(3, page.row - 1), column, rule)


def write_lines(book: Book, tables: Tables, prices: PriceRows) -> LineRows:
    """Write each line with the formula that prices it."""
    page = book.page("Lines", "Lines of the ways accepted", _LINE_HEADS)
    visits = tables["visits"][["crew", "date"]].drop_duplicates().sort_values(["crew", "date"])
    names = [f"{crew}|{day}" for crew, day in visits.itertuples(index=False)]
    routes = {name: place for place, name in enumerate(names, 1)}
    first = page.row + 1
    for line in tables["bill_lines"].to_dict("records"):
        for column, name in enumerate(("pipe_id", "method", "item", "sleeve_id", "system")):
            page.text(column, line[name])
        page.number(5, line["dn_mm"])
        page.number(6, line["length_m"], "figure")
        page.number(7, line["times_count"])
        page.number(9, routes.get(line["route"], 0))
        page.text(13, line["route"])
        page.text(14, line["note"], "wrap")
        if line["price_id"] in prices.row and not pd.isna(line["one_cents"]):
            price_line(page, {str(k): v for k, v in line.items()}, prices)
        page.next()
    return LineRows(first, max(first, page.row), routes)


def price_line(page: Page, line: Mapping[str, object], prices: PriceRows) -> None:
    """Price the row at hand: length in G, number in H; writes I, K, L and M."""
    price_id, row = str(line["price_id"]), page.row + 1
    price = prices.prices.loc[price_id]
    each, within, rate, least_m, least = (prices.cell(price_id, c) for c in "GHIJK")
    page.number(8, prices.number[price_id])
    charged = max(float(line["length_m"]), figure(price["least_m"]))  # type: ignore[arg-type]
    beyond = round(max(0.0, charged - figure(price["included_m"])), 6)
    page.formula(10, f"=ROUND(MAX(0,MAX(G{row},{least_m})-{within}),6)", beyond, "figure")
    extra = half_even(f"ROUND(K{row}*ROUND({rate}*100,0),6)")
    one, total = int(line["one_cents"]), int(line["sum_cents"])  # type: ignore[call-overload]
    text = f"=ROUND(MAX({least},(ROUND({each}*100,0)+{extra})/100),2)"
    page.formula(11, text, one / 100)
    page.formula(12, f"=ROUND(H{row}*L{row},2)", total / 100)


def figure(value: object) -> float:
    """Give a number; unknown counts as none."""
    return 0.0 if pd.isna(value) else float(value)  # type: ignore[call-overload, arg-type]
