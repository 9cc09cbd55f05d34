"""Pages of money: the bill by price, and what each route and the week cost."""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

from planner.contracts.facts import Tables
from planner.outputs.book_money import LineRows, PriceRows, figure
from planner.outputs.book_pages import Book, Page, half_even
from planner.outputs.routes import route_totals

_BILL_HEADS = (
    ("Item", 18), ("System", 16), ("price_id", 28), ("How many", -10), ("Metres", -11),
    ("Each", -12), ("Each further metre", -12), ("This week", -14), ("Not this week", -14),
    ("All accepted", -14), ("Year", -7), ("Place", 18), ("Source", 24), ("Note", 50),
)  # fmt: skip
# Priced once for the project, or once for each night: no line of a pipe holds them.
_ASIDE = ("mobilisation", "night")
_NOTE, _ROUTE_NOTE = 13, 14  # columns
Amounts = Mapping[tuple[str, str], int]


def write_bill(
    book: Book, tables: Tables, prices: PriceRows, lines: LineRows, contingency_ratio: float
) -> str:
    """Write the bill by price: this week, not this week, all; what stands aside; contingency.

    Returns
    -------
    cell
        Where the share of contingency stands.
    """
    page = book.page("Bill", f"Bill of what is accepted, {book.currency}", _BILL_HEADS)
    bill = tables["bill"]
    whole = bill[(bill["level"] == "project") & (bill["item"] != "contingency")]
    nights = len(bill[(bill["level"] == "route") & (bill["item"] == "night")])
    first = page.row + 1
    for row in whole.to_dict("records"):
        for column, name in enumerate(("item", "system", "price_id")):
            page.text(column, row[name])
        page.number(4, row["length_m"], "metres")
        page.number(10, row["year"], "text")
        for column, name in ((11, "place"), (12, "source")):
            page.text(column, row[name])
        page.text(_NOTE, row["note"], "wrap")
        if row["price_id"] not in prices.row:
            page.number(3, row["times_count"])
        elif row["item"] in _ASIDE:
            _aside_row(page, str(row["item"]), str(row["price_id"]), prices, nights)
        else:
            _bill_row(page, {str(k): v for k, v in row.items()}, bill, prices, lines)
        page.next()
    return _bill_total(page, first, tables, contingency_ratio)


def _unit_prices(page: Page, price_id: str, prices: PriceRows) -> None:
    price = prices.prices.loc[price_id]
    page.formula(5, f"={prices.cell(price_id, 'G')}", figure(price["each_cents"]) / 100)
    page.formula(6, f"={prices.cell(price_id, 'I')}", figure(price["extra_cents_per_m"]) / 100)


def _bill_row(
    page: Page,
    row: Mapping[str, object],
    bill: pd.DataFrame,
    prices: PriceRows,
    lines: LineRows,
) -> None:
    """Sum the lines of one price, by its number."""
    price_id, at = str(row["price_id"]), page.row + 1
    own = bill[(bill["price_id"] == price_id) & (bill["item"] == row["item"])]
    known = {level: int(part["sum_cents"].sum()) / 100 for level, part in own.groupby("level")}
    number = prices.number[price_id]
    of, total, route = (lines.column(letter) for letter in "IMJ")
    _unit_prices(page, price_id, prices)
    times = f"=SUMIFS({lines.column('H')},{of},{number})"
    page.formula(3, times, figure(row["times_count"]), "whole")
    page.formula(7, f'=SUMIFS({total},{of},{number},{route},">0")', known.get("week", 0.0))
    page.formula(8, f"=SUMIFS({total},{of},{number},{route},0)", known.get("rest", 0.0))
    page.formula(9, f"=H{at}+I{at}", known.get("project", 0.0))


def _aside_row(page: Page, item: str, price_id: str, prices: PriceRows, nights: int) -> None:
    """Write mobilisation, of the whole alone, or nights, of this week."""
    at, times = page.row + 1, nights if item == "night" else 1
    one = figure(prices.prices.loc[price_id, "each_cents"]) / 100
    page.number(3, times)
    _unit_prices(page, price_id, prices)
    page.formula(9, f"=ROUND(D{at}*F{at},2)", times * one)
    if item == "night":
        page.formula(7, f"=J{at}", times * one)


def _bill_total(page: Page, first: int, tables: Tables, ratio: float) -> str:
    """Write the sums, the share of contingency to type in, and the sums with it."""
    bill = tables["bill"]
    last, levels = max(first, page.row), ("week", "rest", "project")
    plain = bill[bill["item"] != "contingency"].groupby("level")["sum_cents"].sum()
    added = bill[bill["item"] == "contingency"].groupby("level")["sum_cents"].sum()
    sum_row = page.row + 1
    page.text(0, "Sum", "text_total")
    for column, level in zip("HIJ", levels, strict=True):
        text = f"=SUM({column}{first}:{column}{last})"
        page.formula(_at(column), text, _cents(plain, level), "money_total")
    page.next()
    page.text(0, "Contingency, share of the sum")
    page.number(6, ratio, "input_share")
    cell = f"Bill!$G${page.row + 1}"
    for column, level in zip("HIJ", levels, strict=True):
        text = contingency_of(f"{column}{sum_row}", cell)
        page.formula(_at(column), text, _cents(added, level))
    page.next()
    page.text(0, "Sum with contingency", "text_total")
    for column, level in zip("HIJ", levels, strict=True):
        text = f"={column}{sum_row}+{column}{sum_row + 1}"
        both = _cents(plain, level) + _cents(added, level)
        page.formula(_at(column), text, both, "money_total")
    page.text(_NOTE, gap_of(tables["bill_sums"], "project"), "wrap")
    return cell


def gap_of(sums: pd.DataFrame, level: str, key: str = "") -> str:
    """Say what a sum of `BILL_SUMS` lacks a price for; '' where it is complete."""
    own = sums[(sums["level"] == level) & ((sums["key"] == key) if key else True)]
    short = own[~own["complete"].astype(bool)]
    return f"INCOMPLETE: no price for {short['unpriced'].iloc[0]}" if len(short) else ""


def _at(column: str) -> int:
    return ord(column) - ord("A")


def _cents(sums: pd.Series, level: str) -> float:
    return int(sums.get(level, 0)) / 100


def contingency_of(sum_cell: str, share_cell: str) -> str:
    """Write the formula of contingency on a sum: whole cents, a half to the even one."""
    cents = half_even(f"ROUND(ROUND({sum_cell}*100,0)*{share_cell},6)")
    return f"=ROUND({cents}/100,2)"


_ROUTE_HEADS = (
    ("No.", -6), ("Crew", 18), ("Date", 12), ("Stops", -8), ("Sleeves", -9), ("Sleeve, m", -10),
    ("Resin, kg", -10), ("Hours", -8), ("Drive, km", -10), ("Works", -14), ("Night", -12),
    ("Sum", -14), ("Contingency", -13), ("With contingency", -15), ("Note", 40),
)  # fmt: skip


def write_routes(
    book: Book, tables: Tables, prices: PriceRows, lines: LineRows, share_cell: str
) -> None:
    """Write what each crew's day does and costs, and the week."""
    page = book.page("Routes", f"Routes and week, {book.currency}", _ROUTE_HEADS)
    bill = tables["bill"]
    routes = bill[bill["level"] == "route"]
    first = page.row + 1
    for name, number in lines.routes.items():
        crew, day = name.rsplit("|", 1)
        page.number(0, number)
        page.text(1, crew)
        page.text(2, day)
        found = route_totals(tables, crew, day)
        page.number(3, found.stops)
        page.number(4, found.sleeves)
        page.number(5, found.sleeve_mm / 1000, "metres")
        page.number(6, found.resin_g / 1000, "metres")
        page.number(7, found.time_s / 3600, "metres")
        page.number(8, found.drive_m / 1000, "metres")
        _route_money(page, routes[routes["key"] == name], number, prices, lines, share_cell)
        page.text(_ROUTE_NOTE, gap_of(tables["bill_sums"], "route", name), "wrap")
        page.next()
    _week_row(page, first, bill, share_cell)
    page.text(_ROUTE_NOTE, gap_of(tables["bill_sums"], "week"), "wrap")


def _route_money(
    page: Page,
    own: pd.DataFrame,
    number: int,
    prices: PriceRows,
    lines: LineRows,
    share_cell: str,
) -> None:
    at = page.row + 1
    cents = {kind: int(own.loc[own["item"] == kind, "sum_cents"].sum()) for kind in
             ("night", "contingency")}  # fmt: skip
    works = int(own["sum_cents"].sum()) - sum(cents.values())
    text = f"=SUMIFS({lines.column('M')},{lines.column('J')},{number})"
    page.formula(9, text, works / 100)
    if cents["night"]:
        page.formula(10, f"={prices.cell(prices.first('night'), 'G')}", cents["night"] / 100)
    page.formula(11, f"=J{at}+K{at}", (works + cents["night"]) / 100)
    page.formula(12, contingency_of(f"L{at}", share_cell), cents["contingency"] / 100)
    total = works + sum(cents.values())
    page.formula(13, f"=L{at}+M{at}", total / 100)


def _week_row(page: Page, first: int, bill: pd.DataFrame, share_cell: str) -> None:
    """Add the routes up; contingency of the week is reckoned on the week's own sum."""
    week = bill[bill["level"] == "week"]
    added = int(week.loc[week["item"] == "contingency", "sum_cents"].sum())
    night = int(week.loc[week["item"] == "night", "sum_cents"].sum())
    plain, last, at = int(week["sum_cents"].sum()) - added, max(first, page.row), page.row + 1
    page.text(1, "Week", "text_total")
    for column, cents in (("J", plain - night), ("K", night), ("L", plain)):
        text = f"=SUM({column}{first}:{column}{last})"
        page.formula(_at(column), text, cents / 100, "money_total")
    page.formula(12, contingency_of(f"L{at}", share_cell), added / 100, "money_total")
    page.formula(13, f"=L{at}+M{at}", (plain + added) / 100, "money_total")
