"""The totals as rows to show and to write: each figure by state, with its unit and its link."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlencode

import numpy as np
import pandas as pd

from planner.contracts.repairs import METHODS, WAY_WORDS
from planner.contracts.sums import MAIN_ITEMS
from planner.review.totals_board import CENTS, LENGTH, TIMES, Sums, is_gap
from planner.review.totals_rows import (
    DOUBT_COST,
    DOUBT_LENGTH,
    DOUBT_OPEN,
    NM_PER_M,
    NM_PER_MM,
    STATES,
    LineKind,
    Thing,
)
from planner.review.totals_words import figure, money
from planner.tables import records_in

SCOPES = {
    "accepted": ("accepted",),
    "likely": ("accepted", "proposed"),
    "open": ("accepted", "proposed", "held"),
}
SCOPE_WORDS = {
    "accepted": "what is accepted",
    "likely": "what is accepted or proposed",
    "open": "all but what is refused",
}
STATE_WORDS = {
    "accepted": "Accepted",
    "proposed": "Proposed",
    "held": "Held",
    "refused": "Refused",
}
_SECTIONS = (
    ("Sleeves by size, length and system", ("sleeve",)),
    ("Sleeved length, sealed ends", ("length", "work")),
    ("Resin and its parts, by mass and by volume", ("resin", "part")),
    ("Wraps, films, mats and other consumables", ("material",)),
)
_DIGITS = re.compile(r"(\d+(?:\.\d+)?)")
# Columns of `Sums.lines`, as `totals_board` fills them.
_TIMES, _LENGTH, _CENTS, _READ = range(4)
assert (TIMES, LENGTH, CENTS) == (1, 2, 3)


@dataclass(frozen=True)
class Row:
    """One line: a key that stays, its name and note, its unit, a figure by state, the sum."""

    key: str
    name: str
    unit: str
    cells: list[str]
    whole: str
    why: str
    note: str = ""


@dataclass(frozen=True)
class Section:
    """Rows under one head."""

    head: str
    rows: list[Row]


@dataclass(frozen=True)
class Bottom:
    """From the lines accepted to the sum of the project [cents]; nights and share that it has."""

    lines: int
    mobilisation: int
    nights_count: int
    nights: int
    ratio: float
    contingency: int
    gaps: list[str]

    @property
    def whole(self) -> int:
        """The sum."""
        return self.lines + self.mobilisation + self.nights + self.contingency


def why_thing(thing: Thing) -> str:
    """Give the address at which the figure of a thing is explained."""
    return "/estimator/why?" + urlencode({"of": "thing", **vars(thing)})


def why_kind(kind: LineKind) -> str:
    """Give the address at which the sum of a kind of line is explained."""
    return "/estimator/why?" + urlencode({"of": "line", **vars(kind)})


def why_method(method: str) -> str:
    """Give the address at which the sum of a method is explained."""
    return "/estimator/why?" + urlencode({"of": "method", "item": method})


def why_pipe(pipe_id: str) -> str:
    """Give the address at which the sum of a pipe is explained."""
    return "/estimator/why?" + urlencode({"of": "pipe", "item": pipe_id})


def natural(text: str) -> tuple[object, ...]:
    """Give what sorts text as people do: figures in it by their size."""
    parts = _DIGITS.split(text)
    return tuple(float(one) if at % 2 else one for at, one in enumerate(parts))


def sections(sums: Sums) -> list[Section]:
    """Give what sleeves take, net, by state."""
    made = []
    for head, kinds in _SECTIONS:
        found = [(at, one) for at, one in enumerate(sums.things) if one.kind in kinds]
        found = [(at, one) for at, one in found if sums.amounts[:, at].any()]
        found.sort(key=lambda one: (kinds.index(one[1].kind), natural(one[1].item)))
        rows = [_row(f"t{at}", one, sums.amounts[:, at].tolist()) for at, one in found]
        made.append(Section(head, rows))
    return made


def doubts(sums: Sums, states: Iterable[str] = STATES) -> list[Row]:
    """Give what is bought for doubt on choices of these states: a look first saves this."""
    own = [STATES.index(one) for one in states]
    at = {one: place for place, one in enumerate(sums.things)}
    found = [one for one in (DOUBT_LENGTH, DOUBT_COST, DOUBT_OPEN) if one in at]
    amounts = {one: sums.amounts[own, at[one]].tolist() for one in found}
    return [_row(f"t{at[one]}", one, amounts[one]) for one in found if any(amounts[one])]


def _row(key: str, thing: Thing, amounts: list[int]) -> Row:
    shown = [figure(one, thing.unit) for one in amounts]
    whole = figure(sum(amounts), thing.unit)
    return Row(
        key, thing.item, whole.unit, [one.text for one in shown], whole.text, why_thing(thing)
    )


def works(sums: Sums) -> list[Row]:
    """Give how many of each other item are priced, and their metres, by state; moves left out."""
    items: dict[str, list[int]] = {}
    for at, kind in enumerate(sums.kinds):
        if kind.item != "sleeve" and not kind.item.startswith("setup"):
            items.setdefault(kind.item, []).append(at)
    rows = []
    for item in sorted(items, key=lambda one: (one not in MAIN_ITEMS, one)):
        found = sums.lines[:, items[item]].sum(axis=1)
        for column, unit in ((_TIMES, "pieces"), (_LENGTH, "mm")):
            # Nanometres of lengths as priced, to the millimetre that is shown.
            by = 1 if unit == "pieces" else NM_PER_MM
            amounts = [round(one / by) for one in found[:, column].tolist()]
            if any(amounts):
                name, key = item.replace("_", " "), f"w-{item}-{unit}"
                shown = [figure(one, unit) for one in amounts]
                whole = figure(sum(amounts), unit)
                why = "/estimator/why?" + urlencode({"of": "work", "item": item})
                cells = [one.text for one in shown]
                rows.append(Row(key, name, whole.unit, cells, whole.text, why))
    return rows


def cards(sums: Sums) -> list[tuple[str, str, str]]:
    """Give what of accepted choices is asked for first: key, name, figure with its unit."""
    own = sums.amounts[STATES.index("accepted")]

    def of(kind: str, unit: str) -> str:
        mine = [at for at, one in enumerate(sums.things) if (one.kind, one.unit) == (kind, unit)]
        total = int(own[mine].sum())
        return str(figure(total, unit))

    lines = sums.lines[STATES.index("accepted")]

    def metres_of(item: str) -> int:
        found = (int(lines[at, _LENGTH]) for at, one in enumerate(sums.kinds) if one.item == item)
        return round(sum(found) / NM_PER_MM)

    def count_of(item: str) -> int:
        return sum(int(lines[at, _TIMES]) for at, one in enumerate(sums.kinds) if one.item == item)

    return [
        ("sleeves", "Sleeves", of("sleeve", "pieces")),
        ("sleeved", "Sleeved", of("length", "mm")),
        ("resin", "Resin, net", of("resin", "g")),
        ("liners", "Liners", f"{count_of('liner')}, {figure(metres_of('liner'), 'mm')}"),
        ("digs", "Digs", f"{count_of('dig')}"),
    ]


def methods(sums: Sums) -> list[tuple[Row, Row]]:
    """Give pipes and money of each method, by state."""
    rows = []
    for at, method in enumerate(METHODS):
        pipes, cents = sums.pipes[:, at].tolist(), sums.money[:, at].tolist()
        if not any(pipes):
            continue
        name, why = WAY_WORDS.get(method, method), why_method(method)
        rows.append(
            (
                Row(f"p-{method}", name, "", [figure(n, "pieces").text for n in pipes],
                    figure(sum(pipes), "pieces").text, why),
                Row(f"m-{method}", name, "", [money(one) for one in cents], money(sum(cents)), why),
            )
        )  # fmt: skip
    return rows


def bill(sums: Sums, prices: pd.DataFrame) -> list[tuple[Row, dict[str, str]]]:
    """Give money by price, as a bill puts lines together; beside each row what it counts."""
    known = {str(row["price_id"]): row for row in records_in(prices)}
    found = [at for at in range(len(sums.kinds)) if sums.lines[:, at, _TIMES].any()]
    found.sort(key=lambda at: sums.kinds[at])
    return [_bill_row(at, sums, known) for at in found]


def _bill_row(
    at: int, sums: Sums, known: Mapping[str, Mapping[str, Any]]
) -> tuple[Row, dict[str, str]]:
    kind, cells = sums.kinds[at], sums.lines[:, at]
    cents = cells[:, _CENTS].tolist()
    times = int(cells[:, _TIMES].sum())
    length = float(cells[:, _LENGTH].sum()) / NM_PER_M
    beside = {"times": figure(times, "pieces").text, "length": _metres(length)}
    shown = [money(one) for one in cents], money(sum(cents))
    if not kind.price_id or is_gap(kind):
        shown = ["no price" if n else "" for n in cells[:, _TIMES].tolist()], "no price"
        shown = shown if is_gap(kind) else (["" for _ in cents], "within")
    name = f"{kind.item} {kind.system}".replace("_", " ").strip()
    row = Row(f"l{at}", name, "", *shown, why_kind(kind), kind.note)
    beside["each"] = beside["extra"] = beside["price"] = ""
    if kind.price_id in known:
        price = known[kind.price_id]
        beside["price"], beside["each"] = kind.price_id, money(int(price["each_cents"]))
        extra = int(price["extra_cents_per_m"])
        beside["extra"] = money(extra) if extra else ""
    return row, beside


def line_totals(sums: Sums) -> tuple[list[str], str]:
    """Give the money of all lines by state, and of all."""
    cents = sums.money.sum(axis=1).tolist()
    return [money(one) for one in cents], money(sum(cents))


def bottom(
    sums: Sums,
    prices: pd.DataFrame,
    ratio: float,
    nights: int,
    states: Iterable[str] = ("accepted",),
    lines: int | None = None,
) -> Bottom:
    """Go from the lines to the sum of the project, as the bill of a plan does.

    Parameters
    ----------
    sums
        The totals.
    prices
        Those in force; obeys `PRICES`.
    ratio
        Contingency.
    nights
        Routes of the week that work at night.
    states
        What is counted.
    lines
        Money of the lines; None = as they stand.
    """
    own = [STATES.index(one) for one in states]
    lines = int(sums.money[own].sum()) if lines is None else lines
    aside = {item: _aside(prices, item) for item in ("mobilisation", "night")}
    gaps = sorted(
        {
            kind.item.replace("_", " ")
            for at, kind in enumerate(sums.kinds)
            if is_gap(kind) and sums.lines[own, at, _TIMES].any()
        }
    )
    moved = aside["mobilisation"] if lines else 0
    late = nights * aside["night"]
    base = lines + moved + late
    # As the bill of a plan rounds it: what lies on a half goes to the even cent.
    return Bottom(lines, moved, nights, late, ratio, round(round(base * ratio, 6)), gaps)


def _aside(prices: pd.DataFrame, item: str) -> int:
    own = prices.loc[(prices["item"] == item).to_numpy(bool), "each_cents"]
    return int(own.iloc[0]) if len(own) else 0


def read_difference(sums: Sums, states: Iterable[str]) -> tuple[int, int]:
    """Give the money of lines at prices as read, and as they stand now [cents]."""
    own = [STATES.index(one) for one in states]
    cents = np.array(sums.lines[own].sum(axis=(0, 1)))
    return (int(cents[_READ]), int(cents[_CENTS])) if sums.kinds else (0, 0)


def week_net(rows: Iterable[Mapping[str, object]], key: str) -> list[dict[str, str]]:
    """Give net amounts of a route, the week or the project."""
    shown = []
    for row in rows:
        found = figure(int(str(row["net"])), str(row["unit"]))
        why = _why_week("net", key, row)
        unit = "days" if row["kind"] == "day" else found.unit
        shown.append({"item": str(row["item"]), "net": found.text, "unit": unit, "why": why})
    return sorted(shown, key=lambda one: natural(one["item"]))


def week_orders(rows: Iterable[Mapping[str, object]], key: str) -> list[dict[str, str]]:
    """Give orders as figures: net and each addition apart."""
    shown = []
    for row in rows:
        unit = str(row["unit"])
        cells = {
            name: "" if pd.isna(row[name]) else figure(int(str(row[name])), unit).text  # type: ignore[call-overload]
            for name in ("net", "waste", "batch_loss", "rounding", "spare", "to_order")
        }
        told = {"item": str(row["item"]), "unit": figure(0, unit).unit}
        why = _why_week("order", key, row)
        shown.append({**cells, **told, "rounded_at": str(row["rounded_at"]), "why": why})
    return sorted(shown, key=lambda one: natural(one["item"]))


def week_bill(rows: Iterable[Mapping[str, object]], key: str) -> list[dict[str, str]]:
    """Give the lines of a bill."""
    return [
        {
            "item": f"{row['item']} {row['system']}".replace("_", " ").strip(),
            "times": figure(int(str(row["times_count"])), "pieces").text,
            "length": _metres(_number(row["length_m"])),
            "each": _cents(row["each_cents"]),
            "sum": _cents(row["sum_cents"]),
            "price": str(row["price_id"]),
            "note": str(row["note"]),
            "why": _why_week("bill", key, row),
        }
        for row in rows
    ]


def week_shortages(frame: pd.DataFrame) -> list[dict[str, str]]:
    """Give what no lot on the shelf holds, with the last day to order it."""
    return [
        {
            "item": str(row["item"]),
            "needed_on": str(row["needed_on"]),
            "missing": str(figure(int(row["missing"]), str(row["unit"]))),
            "order_by": str(row["order_by"]) or "not known",
            "why": str(row["why"]),
        }
        for row in frame.to_dict("records")
    ]


def _why_week(of: str, key: str, row: Mapping[str, object]) -> str:
    names = ("item", "system", "price_id", "note") if of == "bill" else ("item",)
    asked = {"of": of, "key": key, **{name: str(row[name]) for name in names}}
    return "/estimator/week/why?" + urlencode(asked)


def _cents(value: object) -> str:
    return "" if pd.isna(value) else money(int(str(value)))  # type: ignore[call-overload]


def _metres(length: float) -> str:
    return figure(round(length * 1000.0), "mm").text if length else ""


def _number(value: object) -> float:
    return 0.0 if pd.isna(value) else float(str(value))  # type: ignore[call-overload]
