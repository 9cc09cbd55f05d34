"""A TOML array of tables into the columns of a contract, each refused record named."""

from __future__ import annotations

import datetime
import math
from collections.abc import Mapping, Sequence

import pandas as pd

from planner.errors import Fault, shown
from planner.inputs.cells import MOST_WHOLE, read_date
from planner.inputs.forms import Form, nearest, wanted_of, within
from planner.tables import DTYPES, Column, Table


def read_records(
    records: object,
    table: Table,
    file: str,
    *,
    derived: Sequence[str] = (),
    required: Sequence[str] = (),
    prefix: str = "",
) -> tuple[pd.DataFrame, list[Fault]]:
    """Read a TOML array of tables into the columns of a contract.

    Parameters
    ----------
    records
        As TOML gave it; rows are numbered from 1.
    table
        The contract. A text column takes a list too, joined with ``+``.
    file
        Name of the file in messages.
    derived
        Columns that the caller fills.
    required
        Columns that may not be blank, beyond those of the contract.
    prefix
        Name of the array, put before a column's name in messages.

    Returns
    -------
    frame, faults
        The readable records in their order, typed, with ``row``; the faults.
    """
    form = Form(table, file, tuple(derived), tuple(required), prefix=prefix)
    before = f"{prefix}." if prefix else ""
    if not isinstance(records, list):
        faults = [Fault(file, 0, prefix, shown(str(records)), f"[[{prefix}]] tables")]
        return _typed([], form), faults
    faults, kept = [], []
    known = [column.name for column in form.columns]
    for row, record in enumerate(records, 1):
        if not isinstance(record, Mapping):
            faults.append(Fault(file, row, prefix, shown(str(record)), f"a [[{prefix}]] table"))
            continue
        faults += unknown_keys(record, known, file, row=row, prefix=before)
        values, wrong = _read_record(record, form)
        faults += [Fault(file, row, before + name, found, want) for name, found, want in wrong]
        if not wrong:
            kept.append({**values, "row": row})
    return _typed(kept, form), faults


def _typed(kept: list[dict[str, object]], form: Form) -> pd.DataFrame:
    data = {
        column.name: pd.Series([one[column.name] for one in kept], dtype=DTYPES[column.kind])
        for column in form.columns
    }
    return pd.DataFrame({**data, "row": pd.Series([one["row"] for one in kept], dtype="Int64")})


def _read_record(
    record: Mapping[str, object], form: Form
) -> tuple[dict[str, object], list[tuple[str, str, str]]]:
    values: dict[str, object] = {}
    wrong = []
    for column in form.columns:
        fill = "" if column.kind in ("text", "date") else None
        raw = record.get(column.name)
        if raw is None or (isinstance(raw, str) and not raw.strip()):
            values[column.name] = fill
            if form.must(column):
                wrong.append((column.name, "", wanted_of(column)))
            continue
        value = _native(raw, column)
        if value is None or not within(value, column):
            wrong.append((column.name, shown(str(raw)), wanted_of(column)))
        values[column.name] = value
    return values, wrong


def _native(raw: object, column: Column) -> object:
    """Take a TOML value as the kind of its column; None where it is of another kind."""
    if column.kind == "flag":
        return raw if isinstance(raw, bool) else None
    if column.kind in ("number", "whole"):
        return _number(raw, column)
    if isinstance(raw, datetime.date):
        return raw.isoformat()[:10]
    if isinstance(raw, list) and column.kind == "text":
        return _joined(raw)
    return _text(raw, column) if isinstance(raw, str) else None


def _number(raw: object, column: Column) -> object:
    if isinstance(raw, bool) or not isinstance(raw, int | float):
        return None
    # No table holds a whole number of more than 64 bits.
    if abs(raw) >= MOST_WHOLE if isinstance(raw, int) else not math.isfinite(raw):
        return None
    if column.kind == "number":
        return float(raw)
    return int(raw) if raw == int(raw) and abs(raw) < MOST_WHOLE else None


def _text(raw: str, column: Column) -> str | None:
    text = raw.strip()
    if column.kind == "date":
        return read_date(text)
    words = {word.casefold(): word for word in column.one_of}
    return words.get(text.casefold()) if words else text


def _joined(items: list[object]) -> str | None:
    """Join a list with ``+``; None if an item holds that sign or is neither text nor number."""
    words = []
    for item in items:
        if isinstance(item, bool) or not isinstance(item, str | int | float):
            return None
        word = str(item).strip()
        if "+" in word or not word:
            return None
        words.append(word)
    return "+".join(words)


def unknown_keys(
    record: Mapping[str, object], known: Sequence[str], file: str, *, row: int = 0, prefix: str = ""
) -> list[Fault]:
    """Give a fault, no row lost, for each key that is not known; the nearest one is named."""
    return [
        Fault(
            file,
            row,
            prefix + shown(key),
            "a key of this name",
            f"a known key{nearest(key, known)}",
            lost=False,
        )
        for key in record
        if key not in known
    ]
