"""How a figure of the week came about: an order, a net amount, a line of a route's bill."""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

from planner.review.totals_views import natural
from planner.review.totals_week import WeekFigures, rows_at
from planner.review.totals_why import MOST_ROWS, Why, line_formula, price_facts
from planner.review.totals_words import figure, money

_ADDED = (
    ("waste", "waste"),
    ("batch_loss", "batch loss"),
    ("rounding", "rounding to whole packs"),
    ("spare", "spares"),
)
_KEYS = ["item", "system", "price_id", "note"]


def explain_week(week: WeekFigures, prices: pd.DataFrame, asked: Mapping[str, str]) -> Why | None:
    """Explain a figure of a week; None where there is none such.

    Parameters
    ----------
    week
        The sums of the week.
    prices
        Prices in force; obeys `PRICES`.
    asked
        ``of`` = order, net or bill; ``key`` of a route, the week, rest or project; ``item``; for a
        line of a bill also system, price_id and note.
    """
    key, item = asked.get("key", ""), asked.get("item", "")
    level = week.level_of(key)
    if asked.get("of") == "bill":
        return _bill(week, prices, (level, key), [asked.get(name, "") for name in _KEYS])
    name = "orders" if asked.get("of") == "order" else "quantity_sums"
    rows = [row for row in rows_at(week.tables[name], level, key) if row["item"] == item]
    if not rows:
        return None
    return _order(week, rows[0], key) if name == "orders" else _net(week, rows[0], key)


def _order(week: WeekFigures, row: Mapping[str, object], key: str) -> Why:
    unit, item = str(row["unit"]), str(row["item"])
    parts = [f"net {figure(_whole(row['net']), unit)}"]
    if pd.isna(row["to_order"]):  # type: ignore[call-overload]
        said = [f"It is rounded for each {row['rounded_at']}: here there is a net amount alone."]
        total = ""
    else:
        parts += [f"{word} {figure(_whole(row[name]), unit)}" for name, word in _ADDED]
        total = str(figure(_whole(row["to_order"]), unit))
        said = [
            f"{' + '.join(parts)} = {total} to order.",
            f"Rounded for each {row['rounded_at']}.",
        ]
    facts = [("settings behind it", str(row["why"]))]
    if not pd.isna(row["pack"]):  # type: ignore[call-overload]
        facts.append(("one pack or kit", str(figure(_whole(row["pack"]), unit))))
    return Why(f"Order: {item}", total, said, facts, *_visits(week, key, item))


def _net(week: WeekFigures, row: Mapping[str, object], key: str) -> Why:
    said = ["By design, with nothing for waste or rounding; visits add up to it exactly."]
    total = str(figure(_whole(row["net"]), str(row["unit"])))
    return Why(f"Net: {row['item']}", total, said, [], *_visits(week, key, str(row["item"])))


def _visits(
    week: WeekFigures, key: str, item: str
) -> tuple[list[tuple[str, bool]], list[list[str]], str]:
    """Give the visits that take of an item."""
    taken = week.tables["quantities"]
    own = taken[(taken["item"] == item).to_numpy(bool)]
    if week.level_of(key) == "route":
        own = own[(own["visit_id"].map(week.route_of) == key).to_numpy(bool)]
    elif week.level_of(key) == "rest":
        own = own.iloc[:0]
    rows = [
        [str(visit), str(figure(int(net), str(unit)))]
        for visit, net, unit in zip(own["visit_id"], own["net"], own["unit"], strict=True)
    ]
    rows.sort(key=lambda one: natural(one[0]))
    more = f"and {len(rows) - MOST_ROWS} more" if len(rows) > MOST_ROWS else ""
    return [("Visit of this week", False), ("Net", True)], rows[:MOST_ROWS], more


def _bill(
    week: WeekFigures, prices: pd.DataFrame, at: tuple[str, str], names: list[str]
) -> Why | None:
    rows = [
        row
        for row in rows_at(week.tables["bill"], *at)
        if [str(row[name]) for name in _KEYS] == names
    ]
    if not rows:
        return None
    row, lines = rows[0], week.tables["bill_lines"]
    for name in _KEYS:
        lines = lines[(lines[name] == str(row[name])).to_numpy(bool)]
    level, key = at
    if level == "route":
        lines = lines[(lines["route"] == key).to_numpy(bool)]
    elif level in ("week", "rest"):
        lines = lines[((lines["visit_id"] != "") == (level == "week")).to_numpy(bool)]
    shown = [
        [str(one["pipe_id"]), str(one["visit_id"]) or "not in this week", str(one["times_count"]),
         f"{one['length_m']:.2f}" if one["length_m"] else "",
         "no price" if pd.isna(one["sum_cents"]) else money(int(one["sum_cents"]))]
        for one in lines.to_dict("records")
    ]  # fmt: skip
    columns = [("Pipe", False), ("Visit", False), ("Times", True), ("Length of one, m", True),
               ("Sum", True)]  # fmt: skip
    said, facts = [str(row["note"])] if row["note"] else [], list[tuple[str, str]]()
    own = prices[(prices["price_id"] == str(row["price_id"])).to_numpy(bool)]
    if len(own):
        price = {str(k): v for k, v in own.iloc[0].to_dict().items()}
        said.append(line_formula(price))
        facts = price_facts(price)
    total = "no price" if pd.isna(row["sum_cents"]) else money(_whole(row["sum_cents"]))  # type: ignore[call-overload]
    more = f"and {len(shown) - MOST_ROWS} more" if len(shown) > MOST_ROWS else ""
    name = f"{row['item']} {row['system']}".replace("_", " ").strip()
    return Why(f"Bill: {name}", total, said, facts, columns, shown[:MOST_ROWS], more)


def _whole(value: object) -> int:
    return int(str(value))
