"""Prices changed in the workbook, read back by their ids; and ``prices_changed.csv``.

The file holds amounts that go before those of prices.toml; nothing writes it any more, since what
people change is kept in the store (`price_edits`), which goes before both.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from planner.contracts import PRICE_CHANGES, PRICES
from planner.errors import Fault, FileError, PlannerError, shown
from planner.inputs.cells import read_number
from planner.inputs.csv_text import CsvRows
from planner.inputs.folder_reading import FolderReading
from planner.inputs.forms import nearest, read_form, refuse
from planner.inputs.paths import file_fault, input_file
from planner.inputs.price_edits import AMOUNT_WORDS
from planner.inputs.sheets_in import read_workbook
from planner.tables import conform, empty

FILE = "prices_changed.csv"
PAGE = "Prices"
# Heads of the page as `outputs.book_money` writes them.
_HEADS = {
    "each_cents": "Each",
    "extra_cents_per_m": "Each further metre",
    "least_cents": "Least sum",
}
AMOUNT = "an amount of 0 or more in whole cents, e.g. 1250.00, 0 for none"


@dataclass(frozen=True)
class Repriced:
    """Changed amounts (`PRICE_CHANGES`), a line for each, the faults."""

    changes: pd.DataFrame
    lines: list[str]
    faults: list[Fault]


def changed_prices(prices: pd.DataFrame, reading: FolderReading) -> pd.DataFrame:
    """Read ``prices_changed.csv``, where there is such a file."""
    if not (reading.folder / FILE).exists():
        return empty(PRICE_CHANGES)
    try:
        changes, faults = read_changed(input_file(reading.folder, FILE), prices)
    except (PlannerError, OSError) as error:
        reading.take(FILE, 0, [file_fault(FILE, error)])
        return empty(PRICE_CHANGES)
    reading.take(FILE, len(changes) + len({f.row for f in faults if f.lost}), faults)
    return changes


def read_changed(path: Path, prices: pd.DataFrame) -> tuple[pd.DataFrame, list[Fault]]:
    """Read ``prices_changed.csv``.

    Parameters
    ----------
    path
        A CSV with the columns of `PRICE_CHANGES`.
    prices
        What prices.toml gave; a row for another id is refused.

    Returns
    -------
    changes, faults
        Obeys `PRICE_CHANGES`.
    """
    frame, faults = read_form(path, PRICE_CHANGES, file=path.name)
    known = prices["price_id"].tolist()
    bad = {
        i: f"an id of prices.toml{nearest(str(one), known)}"
        for i, one in frame["price_id"].items()
        if one not in known
    }
    frame = refuse(frame, bad, "price_id", path.name, faults)
    twice = dict.fromkeys(frame.index[frame.duplicated("price_id")], "an id used once")
    frame = refuse(frame, twice, "price_id", path.name, faults)
    return conform(frame, PRICE_CHANGES), faults


def with_changes(prices: pd.DataFrame, changes: pd.DataFrame) -> pd.DataFrame:
    """Put changed amounts in the place of those of prices.toml; their source says so.

    Parameters
    ----------
    prices
        Obeys `PRICES`.
    changes
        Obeys `PRICE_CHANGES`.
    """
    if changes.empty:
        return prices
    new = changes.set_index("price_id")
    own = prices["price_id"].isin(new.index)
    out = prices.copy()
    for column in _HEADS:
        out.loc[own, column] = out.loc[own, "price_id"].map(new[column]).astype("Int64")
    before = out.loc[own, "source"].where(out.loc[own, "source"] != "", "no source")
    out.loc[own, "source"] = f"{FILE}; before: " + before.astype("str")
    return conform(out, PRICES)


def read_workbook_prices(path: Path, prices: pd.DataFrame) -> Repriced:
    """Read the amounts of a workbook's Prices page, and tell which differ.

    Parameters
    ----------
    path
        A workbook that the planner wrote, perhaps saved by another program since.
    prices
        The prices in force, by which a change is told; obeys `PRICES`.

    Returns
    -------
    repriced
        A row for each price that differs. A cell that is no amount of 0 or more in whole
        cents, an id that is not known or stands twice is refused; the others go on.

    Raises
    ------
    FileError
        If it is no workbook, or its Prices page was taken apart.
    """
    page = _page(path)
    at = {head: page.header.index(head) for head in ("price_id", *_HEADS.values())}
    known = prices.set_index("price_id")
    faults: list[Fault] = []
    kept: list[dict[str, object]] = []
    lines: list[str] = []
    seen: set[str] = set()
    for number, (_, row) in zip(page.row, page.cells.iterrows(), strict=True):
        price_id = str(row[at["price_id"]])
        if price_id not in known.index or price_id in seen:
            wanted = "an id used once" if price_id in seen else "an id of prices.toml"
            wanted += "" if price_id in seen else nearest(price_id, list(known.index))
            fault = Fault(page.file, int(number), "price_id", shown(price_id), wanted)
            faults.append(fault)
            continue
        seen.add(price_id)
        amounts = {column: cents_of(str(row[at[head]])) for column, head in _HEADS.items()}
        wrong = [column for column, cents in amounts.items() if cents is None]
        if wrong:
            head = _HEADS[wrong[0]]
            found = shown(str(row[at[head]]))
            faults.append(Fault(page.file, int(number), head, found, AMOUNT))
            continue
        new = {column: cents for column, cents in amounts.items() if cents is not None}
        old = {column: or_zero(known.at[price_id, column]) for column in _HEADS}
        if old != new:
            kept.append({"price_id": price_id, **new})
            lines.append(told_change(price_id, old, new))
    return Repriced(conform(kept, PRICE_CHANGES), lines, faults)


def _page(path: Path) -> CsvRows:
    """Give the rows of the Prices page below its heads."""
    sheets = read_workbook(path, path.name, _header_at)
    page = next((sheet for sheet in sheets if sheet.name == PAGE), None)
    if page is None:
        found = ", ".join(sheet.name for sheet in sheets) or "none"
        message = f"{path.name}: found pages {shown(found)}; wanted one named {PAGE}"
        raise FileError(message)
    missing = [head for head in ("price_id", *_HEADS.values()) if head not in page.rows.header]
    if missing:
        wanted = " and ".join(missing)
        message = f"{path.name}: {PAGE}: wanted columns named {wanted}, as they were written"
        raise FileError(message)
    return page.rows


def _header_at(rows: Sequence[Sequence[str]]) -> int:
    return next((at for at, row in enumerate(rows[:10]) if "price_id" in row), 0)


def cents_of(text: str) -> int | None:
    """Give whole cents of an amount of 0 or more as typed; None where it is none.

    A blank may be a formula that nobody reckoned, and is none.
    """
    value = read_number(text.strip())
    if value is None or value < 0 or value > 1e11:
        return None
    cents = round(value * 100.0)
    return cents if abs(value * 100.0 - cents) < 1e-6 else None


def or_zero(value: object) -> int:
    """Give a whole number; 0 where it is blank."""
    return 0 if pd.isna(value) else int(value)  # type: ignore[call-overload]


def told_change(price_id: str, old: Mapping[str, int], new: Mapping[str, int]) -> str:
    """Say in one line what differs of a price."""
    parts = [
        f"{words} {old[column] / 100:.2f} -> {new[column] / 100:.2f}"
        for column, words in AMOUNT_WORDS.items()
        if old[column] != new[column]
    ]
    return f"{price_id}: {', '.join(parts)}"
