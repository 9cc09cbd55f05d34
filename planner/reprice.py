"""Prices changed by people, on the page or in the workbook: checked alike, kept in the store."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from planner.contracts import PRICE_EDITS
from planner.contracts.sums import PRICE_AMOUNTS
from planner.inputs.price_edits import AMOUNT_WORDS
from planner.inputs.project import read_project
from planner.inputs.repriced import (
    AMOUNT,
    cents_of,
    or_zero,
    read_workbook_prices,
    told_change,
)
from planner.store.chosen import store_of
from planner.store.decisions import Store
from planner.tables import conform, records_in


@dataclass(frozen=True)
class Said:
    """Who changes prices, on which day, why; `at` is the instant, '' = by a workbook."""

    by: str
    on: str
    reason: str
    at: str = ""


@dataclass(frozen=True)
class Change:
    """What came of a change: rows the store took (`PRICE_EDITS`), lines of it, why not."""

    taken: pd.DataFrame
    lines: list[str]
    refused: list[str]


def change_price(
    store: Store,
    prices: pd.DataFrame,
    price_id: str,
    typed: Mapping[str, str],
    said: Said,
    seen: int,
) -> Change:
    """Change amounts of one price as a person typed them.

    Parameters
    ----------
    store
        Where it is kept.
    prices
        Those in force; obeys `PRICES`.
    price_id
        Which one.
    typed
        Text for each of `PRICE_AMOUNTS`, in the currency.
    said
        Who, when, why.
    seen
        The version of the last change of it that the person saw, 0 = none.

    Returns
    -------
    change
        Nothing taken and why, where an amount is none, nothing differs or no reason is given.

    Raises
    ------
    StaleError
        If somebody changed it since it was seen.
    StoreError
        If the store cannot be written.
    """
    amounts = {name: cents_of(typed.get(name, "")) for name in PRICE_AMOUNTS}
    refused = [
        f"{AMOUNT_WORDS[name]}: found {typed.get(name, '')[:40]!r}; wanted {AMOUNT}"
        for name, cents in amounts.items()
        if cents is None
    ]
    if refused:
        return Change(conform([], PRICE_EDITS), [], refused)
    row: dict[str, object] = {"price_id": price_id, **amounts}
    return change_prices(store, prices, [row], said, {price_id: seen})


def change_prices(
    store: Store,
    prices: pd.DataFrame,
    wanted: list[dict[str, object]],
    said: Said,
    seen: Mapping[str, int] | None = None,
) -> Change:
    """Take amounts of prices into the store; one row for each amount that differs.

    Parameters
    ----------
    store, prices, said
        As for `change_price`.
    wanted
        ``price_id`` and whole cents for each of `PRICE_AMOUNTS`.
    seen
        As for `Store.append_price_edits`.

    Raises
    ------
    StaleError, StoreError
        As for `change_price`.
    """
    if not said.reason.strip() or not said.by.strip():
        return Change(conform([], PRICE_EDITS), [], ["who changes a price, and why, is wanted"])
    known = {str(row["price_id"]): row for row in records_in(prices)}
    rows: list[dict[str, object]] = []
    lines, refused = [], []
    for one in wanted:
        price_id = str(one["price_id"])
        if price_id not in known:
            refused.append(f"{price_id[:60]}: no price of prices.toml has this id")
            continue
        old = {name: or_zero(known[price_id][name]) for name in PRICE_AMOUNTS}
        new = {name: or_zero(one[name]) for name in PRICE_AMOUNTS}
        rows += [
            {"price_id": price_id, "amount": name, "old_cents": old[name], "new_cents": new[name],
             **vars(said)}
            for name in PRICE_AMOUNTS
            if old[name] != new[name]
        ]  # fmt: skip
        if old != new:
            lines.append(told_change(price_id, old, new))
    if not rows:
        said_none = refused or ["no amount differs from those in force; nothing was changed"]
        return Change(conform([], PRICE_EDITS), [], said_none)
    numbered = [{**row, "version": number} for number, row in enumerate(rows)]
    taken = store.append_price_edits(conform(numbered, PRICE_EDITS), seen)
    return Change(taken, lines, refused)


def take_prices(folder: Path, workbook: Path, said: Said) -> list[str]:
    """Take the prices that were changed in a workbook; prices.toml itself is not written.

    Parameters
    ----------
    folder
        Project folder.
    workbook
        A ``totals.xlsx`` of it, with other amounts on its page of prices.
    said
        Who changed them, when, why.

    Returns
    -------
    lines
        One for each refused cell, one for each changed price, what was written.

    Raises
    ------
    PlannerError
        If project or workbook cannot be read, or the store cannot be written.
    """
    store = store_of(folder)
    inputs = read_project(folder, {}, None, store.read_price_edits())
    found = read_workbook_prices(workbook, inputs.prices)
    lines = [str(fault) for fault in found.faults]
    if found.changes.empty:
        return [*lines, "no price differs from those in force; nothing was written"]
    wanted = [{str(k): v for k, v in row.items()} for row in records_in(found.changes)]
    change = change_prices(store, inputs.prices, wanted, said)
    count = len(set(change.taken["price_id"]))
    told = f"{count} prices changed, kept in the store; plan again to use them"
    return [*lines, *change.lines, *change.refused, told]
