"""Pages of things: what is ordered, what is taken, and the methods side by side."""

from __future__ import annotations

import pandas as pd

from planner.contracts.facts import Tables
from planner.outputs.book_pages import Book, Page
from planner.outputs.wording import item_words

# Smallest units as they are kept, and what a person orders in.
_SHOWN = {"pieces": ("pieces", 1.0), "mm": ("m", 1e3), "mm2": ("m2", 1e6), "g": ("kg", 1e3),
          "ml": ("l", 1e3)}  # fmt: skip
_ORDER_HEADS = (
    ("For", 14), ("Item", 40), ("Unit", 8), ("Net", -11), ("Waste", -11), ("Batch loss", -11),
    ("Rounding", -11), ("Spare", -11), ("To order", -12), ("Kit, roll or pack", -11), ("Why", 60),
)  # fmt: skip
_LEVELS = {"week": "This week", "rest": "Not this week", "project": "All accepted"}
_METHODS = ("sleeve", "liner", "dig", "sleeve_liner", "dig_liner")
_WAYS = {
    "sleeve": "Sleeves",
    "liner": "Full liner",
    "dig": "Dig",
    "sleeve_liner": "Sleeves, then liner",
    "dig_liner": "Dig, then liner",
}


def write_orders(book: Book, tables: Tables) -> None:
    """Write what is ordered for the week, what is left of the project, and both."""
    page = book.page("Orders", "Net, and to order", _ORDER_HEADS)
    orders = tables["orders"]
    for level, words in _LEVELS.items():
        own = orders[(orders["level"] == level) & orders["to_order"].notna()]
        for row in own.sort_values("item").to_dict("records"):
            unit, scale = _SHOWN[str(row["unit"])]
            look = "whole" if unit == "pieces" else "figure"
            page.text(0, words)
            page.text(1, item_words(str(row["item"]), book.facts.units))
            page.text(2, unit)
            for column, name in enumerate(("net", "waste", "batch_loss", "rounding", "spare"), 3):
                page.number(column, int(row[name]) / scale, look)
            at = page.row + 1
            page.formula(8, f"=SUM(D{at}:H{at})", int(row["to_order"]) / scale, look)
            page.number(9, row["pack"] if pd.isna(row["pack"]) else int(row["pack"]) / scale, look)
            page.text(10, row["why"], "wrap")
            page.next()


def write_quantities(book: Book, tables: Tables) -> None:
    """Write what each route takes of each item; the week as a sum of its routes."""
    sums = tables["quantity_sums"]
    routes = sums[sums["level"] == "route"]
    keys = sorted(routes["key"].unique())
    heads = [
        ("Item", 40),
        ("Unit", 8),
        ("Week", -12),
        *((key.replace("|", "\n"), -13) for key in keys),
    ]
    page = book.page("Quantities", "Net quantities of each day", [*heads, ("All accepted", -13)])
    net = {(k, i): int(n) for k, i, n in routes[["key", "item", "net"]].itertuples(index=False)}
    week = _by_item(sums, "week")
    whole = _by_item(sums, "project")
    items = sums.drop_duplicates("item").sort_values(["kind", "item"])
    for item, unit in items[["item", "unit"]].itertuples(index=False):
        shown, scale = _SHOWN[str(unit)]
        look = "whole" if shown == "pieces" else "figure"
        page.text(0, item_words(str(item), book.facts.units))
        page.text(1, shown)
        for column, key in enumerate(keys, 3):
            if (key, item) in net:
                page.number(column, net[key, item] / scale, look)
        _week_cell(page, len(keys), week.get(str(item), 0) / scale, look)
        if str(item) in whole:
            page.number(3 + len(keys), whole[str(item)] / scale, look)
        page.next()


def _by_item(sums: pd.DataFrame, level: str) -> dict[str, int]:
    part = sums[sums["level"] == level]
    return {str(i): int(n) for i, n in part[["item", "net"]].itertuples(index=False)}


def _week_cell(page: Page, routes: int, value: float, look: str) -> None:
    if not routes:
        page.number(2, value, look)
        return
    at, last = page.row + 1, _letter(2 + routes)
    page.formula(2, f"=SUM(D{at}:{last}{at})", value, look)


def _letter(column: int) -> str:
    """Give the letters of a column, counted from 0."""
    letters = ""
    column += 1
    while column:
        column, rest = divmod(column - 1, 26)
        letters = chr(ord("A") + rest) + letters
    return letters


def write_methods(book: Book, tables: Tables) -> None:
    """Write the cost of each way on every pipe, the cost a year, and which was chosen."""
    heads = [("Pipe", 14), ("Chosen", 18), ("State", 12)]
    heads += [(_WAYS[method], -14) for method in _METHODS]
    heads += [(f"{_WAYS[method]}, a year", -14) for method in _METHODS]
    page = book.page("Methods", "Ways side by side", [*heads, ("Why a way is not costed", 70)])
    options = tables["options"].set_index(["pipe_id", "method"])
    choices = tables["choices"].set_index("pipe_id")
    for pipe_id in sorted(set(options.index.get_level_values("pipe_id"))):
        page.text(0, pipe_id)
        if pipe_id in choices.index:
            page.text(
                1, _WAYS.get(str(choices.at[pipe_id, "method"]), choices.at[pipe_id, "method"])
            )
            page.text(2, choices.at[pipe_id, "state"])
        whys = []
        for place, method in enumerate(_METHODS):
            if (pipe_id, method) not in options.index:
                continue
            option = options.loc[(pipe_id, method)]
            page.cents(3 + place, option["cost_cents"])
            page.cents(3 + len(_METHODS) + place, option["annual_cents"])
            if pd.isna(option["cost_cents"]):
                whys.append(f"{_WAYS[method]}: {option['why']}")
        page.text(3 + 2 * len(_METHODS), "; ".join(whys), "wrap")
        page.next()
