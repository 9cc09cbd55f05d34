"""What the estimator's desk shows as CSV files, safe to open in a spreadsheet."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence

import pandas as pd

from planner.contracts import PRICES
from planner.outputs.files import safe_text
from planner.review.totals_board import Sums
from planner.review.totals_rows import NM_PER_M, STATES
from planner.review.totals_week import WeekFigures
from planner.tables import Table, records_in

_ORDER = ("net", "waste", "batch_loss", "rounding", "spare", "to_order")


def totals_csv(sums: Sums) -> str:
    """Write what is counted of all choices, in whole smallest units by state."""
    rows: list[Sequence[object]] = [("kind", "item", "unit", *STATES)]
    for at in sorted(range(len(sums.things)), key=lambda one: sums.things[one]):
        thing = sums.things[at]
        rows.append((thing.kind, thing.item, thing.unit, *sums.amounts[:, at].tolist()))
    return written(rows)


def bill_csv(sums: Sums) -> str:
    """Write the lines by price: how many, metres, cents, each by state."""
    heads = [f"{name}_{state}" for state in STATES for name in ("times_count", "length_m", "cents")]
    rows: list[Sequence[object]] = [("item", "system", "price_id", "note", *heads)]
    for at in sorted(range(len(sums.kinds)), key=lambda one: sums.kinds[one]):
        kind = sums.kinds[at]
        figures: list[object] = []
        for times, length, cents, _ in sums.lines[:, at].tolist():
            figures += [times, round(length / NM_PER_M, 6), cents]
        rows.append((kind.item, kind.system, kind.price_id, kind.note, *figures))
    return written(rows)


def prices_csv(prices: pd.DataFrame) -> str:
    """Write the prices in force, as `PRICES` has them."""
    return frame_csv(prices, PRICES)


def week_csv(week: WeekFigures) -> str:
    """Write net and orders of routes, week, rest and project, in whole smallest units."""
    rows: list[Sequence[object]] = [("level", "key", "item", "unit", *_ORDER, "why")]
    net = week.tables["quantity_sums"]
    key = ("level", "key", "item")
    orders = {tuple(row[k] for k in key): row for row in records_in(week.tables["orders"])}
    for row in records_in(net[net["level"].isin(["route", "week", "project"])]):
        at = tuple(row[name] for name in key)
        found = orders.get(at, {})
        beside = [_blank(found.get(name)) for name in _ORDER[1:]]
        rows.append((*at, row["unit"], row["net"], *beside, found.get("why", "")))
    rest = week.tables["orders"]
    for row in records_in(rest[(rest["level"] == "rest").to_numpy(bool)]):
        figures = [_blank(row[name]) for name in _ORDER]
        rows.append((row["level"], row["key"], row["item"], row["unit"], *figures, row["why"]))
    return written(rows)


def drivers_csv(ranked: Iterable[tuple[str, str, int, float]]) -> str:
    """Write what drives the cost: by what, name, cents, share of the whole."""
    rows: list[Sequence[object]] = [("by", "name", "cents", "share")]
    rows += [(by, name, cents, round(share, 6)) for by, name, cents, share in ranked]
    return written(rows)


def frame_csv(frame: pd.DataFrame, table: Table) -> str:
    """Write a table by its contract; blanks stay blank."""
    rows: list[Sequence[object]] = [table.names]
    for row in frame[table.names].itertuples(index=False):
        rows.append([_blank(value) for value in row])  # noqa: PERF401
    return written(rows)


def written(rows: Iterable[Sequence[object]]) -> str:
    """Write rows; text that a spreadsheet could run gets an apostrophe, figures do not."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    for row in rows:
        writer.writerow([safe_text(cell) if isinstance(cell, str) else cell for cell in row])
    return out.getvalue()


def _blank(value: object) -> object:
    return "" if value is None or pd.isna(value) else value  # type: ignore[call-overload]
