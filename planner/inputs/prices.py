"""Prices from ``prices.toml``, and the shelf from ``stock.csv``."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from pathlib import Path
from typing import Any

import pandas as pd

from planner.contracts import PRICES, STOCK
from planner.contracts.repairs import STEPS
from planner.errors import Fault
from planner.inputs.forms import nearest, read_form, refuse
from planner.inputs.records import read_records, unknown_keys
from planner.inputs.refusals import refuse_gaps
from planner.tables import conform

# Keys in whole units of the currency, and the columns in cents that they fill.
_AMOUNTS = {"each": "each_cents", "extra_per_m": "extra_cents_per_m", "least": "least_cents"}
_SETUPS = ("setup", "setup_liner", "setup_dig")
# Asked once for the project and once for each night: no option of a pipe holds them.
_ASIDE = ("mobilisation", "night")
# They have no size and no length: what such a price leaves out holds for all.
_ANY = {"dn_from_mm": 0, "dn_to_mm": 100_000, "included_m": 0, "extra_cents_per_m": 0}
ITEMS = tuple(
    dict.fromkeys(("sleeve", "liner", "dig", "reopen", "end_seal", *_SETUPS, *STEPS, *_ASIDE))
)
# What can be counted before anything is chosen: see `repairs.quantity_bands`.
BANDED = ("sleeve", "liner", "dig")


@dataclass(frozen=True)
class PriceTable:
    """Prices (`PRICES`), the faults, and how many records were read."""

    prices: pd.DataFrame
    faults: list[Fault]
    read_count: int


def read_prices(raw: Mapping[str, Any], file: str = "prices.toml") -> PriceTable:
    """Read prices.

    Parameters
    ----------
    raw
        The parsed file: ``[[price]]`` tables with the keys of `PRICES`; amounts as
        ``each``, ``extra_per_m`` and ``least`` in the currency, or in cents under the
        columns' names.
    file
        Name in messages.
    """
    faults = unknown_keys(raw, ("price",), file)
    records = raw.get("price", [])
    inner: object = records
    if isinstance(records, list):
        inner = [_in_cents(record) for record in records]
    frame, more = read_records(inner, PRICES, file, prefix="price")
    faults += [_as_written(fault, records) for fault in more]
    wrong = {
        i: f"one of {', '.join(ITEMS)}{nearest(item, ITEMS)}"
        for i, item in frame["item"].items()
        if item not in ITEMS
    }
    frame = refuse(frame, wrong, "price.item", file, faults)
    turned = frame.index[frame["dn_from_mm"] > frame["dn_to_mm"]]
    bad = dict.fromkeys(turned, "dn_to_mm, which is no smaller")
    frame = refuse(frame, bad, "price.dn_from_mm", file, faults)
    frame = _check_bands(frame, file, faults)
    twice = frame.index[frame.duplicated("price_id")]
    bad = dict.fromkeys(twice, "an id used once")
    frame = refuse(frame, bad, "price.price_id", file, faults)
    count = len(records) if isinstance(records, list) else 0
    return PriceTable(conform(frame, PRICES), faults, count)


def _check_bands(frame: pd.DataFrame, file: str, faults: list[Fault]) -> pd.DataFrame:
    """Refuse a range of quantity that is turned, or of an item that is not counted."""
    low, high = frame["quantity_from"], frame["quantity_to"]
    bad = dict.fromkeys(frame.index[low > high], "quantity_to, which is no smaller")
    frame = refuse(frame, bad, "price.quantity_from", file, faults)
    banded = frame["quantity_from"].notna() | frame["quantity_to"].notna()
    uncounted = banded & ~frame["item"].isin(BANDED)
    bad = dict.fromkeys(frame.index[uncounted], f"no quantity but for {', '.join(BANDED)}")
    return refuse(frame, bad, "price.quantity_from", file, faults)


def _in_cents(record: object) -> object:
    """Turn amounts into whole cents; what is none stays as written and is refused as such."""
    if not isinstance(record, Mapping):
        return record
    turned = dict(record)
    if turned.get("item") in _ASIDE:
        given = {_AMOUNTS.get(key, key) for key in turned}
        turned |= {key: value for key, value in _ANY.items() if key not in given}
    for key, column in _AMOUNTS.items():
        if key in turned and column not in turned:
            turned[column] = _cents(turned.pop(key))
    return turned


def _cents(amount: object) -> object:
    if isinstance(amount, bool) or not isinstance(amount, int | float):
        return str(amount)
    try:
        cents = Decimal(str(amount)) * 100
    except InvalidOperation:
        return str(amount)
    whole = cents.is_finite() and cents == cents.to_integral_value()
    return int(cents) if whole else str(amount)


def _as_written(fault: Fault, records: list[Any]) -> Fault:
    """Name the key that the user wrote where a fault names the column it fills."""
    record = records[fault.row - 1] if fault.row else {}
    for key, column in _AMOUNTS.items():
        if fault.column == f"price.{column}" and isinstance(record, Mapping):
            written = column if column in record else key
            wanted = fault.wanted if written == column else "an amount in whole cents, e.g. 1250.00"
            return Fault(fault.file, fault.row, f"price.{written}", fault.found, wanted, fault.lost)
    return fault


def read_stock(path: Path, *, file: str = "") -> tuple[pd.DataFrame, list[Fault]]:
    """Read what lies on the shelf.

    Parameters
    ----------
    path
        A CSV with the columns of `STOCK`.
    file
        Name in messages.

    Returns
    -------
    stock, faults
        Obeys `STOCK`; a sleeve without size, length or count, and resin without a mass, are
        refused.

    Raises
    ------
    FileError
        If the file is no CSV, or lacks a column.
    """
    frame, faults = read_form(path, STOCK, file=file)
    name = file or path.name
    needs = {"sleeve": ("dn_mm", "length_m", "pieces_count"), "resin": ("mass_kg",)}
    return conform(refuse_gaps(frame, needs, name, faults), STOCK), faults
