"""All that people decided, changed and reported, as the store holds it, the newest first."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from planner.inputs.price_edits import AMOUNT_WORDS
from planner.store.decisions import Store

PAGE_ROWS = 200
_SEEN = {"yes": "opened", "no": "not opened", "": "by a form"}


@dataclass(frozen=True)
class LogRow:
    """One row of the log, in words."""

    number: str
    when: str
    by: str
    about: str
    what: str
    reason: str
    seen: str


@dataclass(frozen=True)
class LogPage:
    """Rows of one page of the log; `more` is where the earlier ones begin, '' = none are."""

    rows: list[LogRow]
    more: str


def log_rows(store: Store, before: int | None = None) -> LogPage:
    """Give the rows of the log that stand before a place, the newest first.

    Parameters
    ----------
    store
        The store.
    before
        How many rows, counted from the oldest, are asked for at most; None = all.
    """
    rows = [
        *(_decision(row) for row in store.read_decisions().to_dict("records")),
        *(_week_edit(row) for row in store.read_week_edits().to_dict("records")),
        *(_price_edit(row) for row in store.read_price_edits().to_dict("records")),
        *(_event(row) for row in store.read_events().to_dict("records")),
    ]
    rows.sort(key=lambda row: (row.when, row.number))
    last = len(rows) if before is None else min(before, len(rows))
    first = max(last - PAGE_ROWS, 0)
    return LogPage(rows[first:last][::-1], str(first) if first else "")


def _decision(row: Mapping[Any, Any]) -> LogRow:
    about = f"pipe {row['pipe_id']}" + (f", span {row['span_id']}" if row["span_id"] else "")
    what = f"{row['decision']} {row['value']}".strip()
    when, seen = _when(row), _SEEN[str(row["opened"])]
    return LogRow(f"decision {row['version']}", when, row["by"], about, what, row["reason"], seen)


def _week_edit(row: Mapping[Any, Any]) -> LogRow:
    place = " ".join(part for part in (row["crew"], row["date"]) if part)
    after = f" after {row['after_id']}" if row["after_id"] else ""
    what = f"{str(row['change']).replace('_', ' ')} {place}{after}".strip()
    about = f"set-up {row['setup_id']}"
    number = f"week {row['version']}"
    return LogRow(number, _when(row), row["by"], about, what, row["reason"], "")


def _price_edit(row: Mapping[Any, Any]) -> LogRow:
    words = AMOUNT_WORDS[str(row["amount"])]
    what = f"{words} {row['old_cents'] / 100:.2f} -> {row['new_cents'] / 100:.2f}"
    number, about = f"price {row['version']}", f"price {row['price_id']}"
    return LogRow(number, _when(row), row["by"], about, what, row["reason"], "")


def _event(row: Mapping[Any, Any]) -> LogRow:
    about = " ".join(str(row[name]) for name in ("step", "pipe_id", "node_id") if row.get(name))
    what = f"{row['kind']} {row['reason']}".replace("_", " ").strip()
    return LogRow(str(row["event_id"]), _when(row), row["by"], about, what, row["note"], "")


def _when(row: Mapping[Any, Any]) -> str:
    return str(row["at"])[:19].replace("T", " ") if row["at"] else str(row["on"])
