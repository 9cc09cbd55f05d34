"""Any CSV into the columns of a contract, each refused row named.

A cell is read by the kind of its column. A cell that holds something unreadable loses its
row, with one fault that says where it stands, what was found and what was wanted: a blank
in its place would be a guess. What `read_form` gives has the contract's columns, typed, and
``row``; the caller fills the columns named in ``derived`` and conforms. `records` does the
same for TOML.
"""

from __future__ import annotations

import difflib
import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from planner.arrays import unknown
from planner.distinct import parted, values_at
from planner.errors import Fault, FileError, shown
from planner.inputs.cells import (
    EMPTY_WORDS,
    Style,
    decimal_style,
    is_unsure,
    read_date,
    read_flag,
    read_number,
    read_seconds,
    read_whole,
)
from planner.inputs.csv_text import CsvRows, read_csv_rows
from planner.tables import DTYPES, Column, Table
from planner.units import factor

__all__ = ["Form", "nearest", "pick_columns", "read_csv_rows", "read_form", "refuse"]
_WANTED = {
    "date": "a day as YYYY-MM-DD",
    "flag": "yes or no",
    "text": "text",
    "number": "a number",
    "whole": "a whole number",
}
# Units that are plain from the column, or no unit.
_NOT_SAID = ("", "-", "crs", "clock h")
# Columns of a contract that say where a row came from; the reader fills them.
_ORIGIN = ("file", "row")


@dataclass(frozen=True)
class Form:
    """How the cells of one file are read.

    ``derived`` are columns that the caller fills, ``required`` those that may not be
    blank beyond what the contract says, ``as_written`` those in which a word such as
    ``NA`` or ``-`` is a value. ``prefix`` stands before a column's name in messages.
    """

    table: Table
    file: str
    derived: tuple[str, ...] = ()
    required: tuple[str, ...] = ()
    as_written: tuple[str, ...] = ()
    prefix: str = ""

    @property
    def columns(self) -> list[Column]:
        """Columns that a file may give."""
        skip = (*self.derived, *_ORIGIN)
        return [column for column in self.table.columns if column.name not in skip]

    def must(self, column: Column) -> bool:
        """Tell whether a blank in `column` loses the row."""
        return not column.blank or column.name in self.required


def read_form(  # noqa: PLR0913 - the keywords are the form's own settings
    path: Path,
    table: Table,
    *,
    columns: Mapping[str, str] | None = None,
    units: Mapping[str, str] | None = None,
    required: Sequence[str] = (),
    derived: Sequence[str] = (),
    as_written: Sequence[str] = (),
    file: str = "",
) -> tuple[pd.DataFrame, list[Fault]]:
    """Read a CSV into the columns of a contract.

    Parameters
    ----------
    path
        The file.
    table
        The contract.
    columns
        ``{our column: their column}``; a column that is not named goes by its own name.
    units
        ``{our column: unit of the file}``, see `units.LENGTHS`.
    required
        Columns that may not be blank, beyond those of the contract.
    derived
        Columns that the caller fills.
    as_written
        Text columns in which ``NA``, ``-`` and the like are values.
    file
        Name of the file in messages and in the column ``file``.

    Returns
    -------
    frame, faults
        The readable rows in the order of the file, typed, with ``row``; the faults.

    Raises
    ------
    FileError
        If the file is no CSV, or lacks a column that may not be blank.
    UnitError
        If a unit is unknown or of another dimension.
    """
    rows = read_csv_rows(path, file=file)
    form = Form(table, rows.file, tuple(derived), tuple(required), tuple(as_written))
    places, unused, faults = pick_columns(rows, form, columns or {})
    for name in unused:
        near = nearest(name, [c.name for c in form.columns if c.name not in places])
        wanted = f"a known column{near} or none"
        faults.append(Fault(rows.file, 0, name, "a column of this name", wanted, lost=False))
    frame, more = read_cells(rows, form, places, units or {})
    return frame, [*rows.faults, *faults, *more]


def pick_columns(
    rows: CsvRows, form: Form, columns: Mapping[str, str]
) -> tuple[dict[str, int], list[str], list[Fault]]:
    """Find each contract column in the header.

    Parameters
    ----------
    rows
        What the file holds.
    form
        How it is read.
    columns
        ``{our column: their column}``; a name given here is not looked for elsewhere.

    Returns
    -------
    places, unused, faults
        Position of each column that was found; names in the header that no column takes;
        a fault for each named column that the file lacks.

    Raises
    ------
    FileError
        If a column that may not be blank is not there, or a name stands twice.
    """
    names = list(rows.header)
    folded = [name.casefold() for name in names]
    places: dict[str, int] = {}
    faults = []
    for column in form.columns:
        theirs = columns.get(column.name, column.name)
        pool, wanted = (names, theirs) if theirs in names else (folded, theirs.casefold())
        if pool.count(wanted) > 1:
            message = f"{form.file}: the header names '{theirs}' twice; rename one"
            raise FileError(message)
        if wanted in pool:
            places[column.name] = pool.index(wanted)
            continue
        near = nearest(theirs, names)
        if form.must(column):
            message = (
                f"{form.file}: no column '{theirs}' for {column.name}{near}; "
                f"found {', '.join(shown(name) for name in names)}"
            )
            raise FileError(message)
        if column.name in columns:
            found = f"no column '{theirs}'{near}"
            faults.append(
                Fault(form.file, 0, column.name, found, "a name in the header", lost=False)
            )
    taken = set(places.values())
    origin = (*_ORIGIN, *form.derived)
    unused = [
        shown(n) for i, n in enumerate(names) if i not in taken and n and folded[i] not in origin
    ]
    return places, unused, faults


def nearest(name: str, known: Iterable[str]) -> str:
    """Give ``; did you mean ...?`` for the known name most like `name`, or nothing."""
    near = difflib.get_close_matches(name.casefold(), sorted(known), n=1, cutoff=0.6)
    return f"; did you mean {near[0]}?" if near else ""


def read_cells(
    rows: CsvRows, form: Form, places: Mapping[str, int], units: Mapping[str, str]
) -> tuple[pd.DataFrame, list[Fault]]:
    """Read the cells of `places`, column by column; see `read_form`.

    Raises
    ------
    UnitError
        If a unit is unknown or of another dimension.
    """
    texts = {}
    for name, place in places.items():
        codes, uniques = parted(rows.cells[place])
        texts[name] = codes, [text.strip() for text in uniques]
    numeric = [c.name for c in form.columns if c.kind in ("number", "whole") and c.name in texts]
    style = _style_of(rows, [texts[name][1] for name in numeric])
    faults = []
    if style == "mixed":
        found = "decimal points in some numbers and decimal commas in others"
        faults.append(Fault(form.file, 0, "", found, "one decimal sign in a file", lost=False))
    read: dict[str, list[Any]] = {}
    bad = np.zeros(len(rows.row), dtype=bool)
    for column in form.columns:
        if column.name not in texts:
            continue
        codes, uniques = texts[column.name]
        unit = units.get(column.name, "")
        reader = _reader(column, style, factor(unit, column.unit) if unit else 1.0)
        keep = column.name in form.as_written
        missing = [text == "" if keep else text.casefold() in EMPTY_WORDS for text in uniques]
        read[column.name], wrong = _read_distinct(uniques, missing, column, reader)
        if form.must(column):
            wrong |= np.array(missing, dtype=bool)
        if wrong.any():
            lost = wrong[codes]
            bad |= lost
            found_in = [
                "" if blank else shown(u) for u, blank in zip(uniques, missing, strict=True)
            ]
            faults += [
                Fault(
                    form.file,
                    int(rows.row[i]),
                    column.name,
                    found_in[codes[i]],
                    wanted_of(column, unit, style if is_unsure(uniques[codes[i]]) else "point"),
                )
                for i in np.flatnonzero(lost)
            ]
    faults.sort(key=lambda fault: fault.row)
    # Only the rows that stay are written out, each column once.
    left: Any = np.flatnonzero(~bad) if bad.any() else slice(None)
    count = len(rows.row) - int(bad.sum())
    data = {
        column.name: values_at(read[column.name], texts[column.name][0][left], DTYPES[column.kind])
        if column.name in read
        else pd.Series(unknown(column.kind, count))
        for column in form.columns
    }
    data["row"] = pd.Series(rows.row[left], dtype="Int64")
    return pd.DataFrame(data, copy=False), faults


def _style_of(rows: CsvRows, columns: Sequence[Sequence[str]]) -> Style:
    if rows.decimal in ("point", "comma"):
        return "point" if rows.decimal == "point" else "comma"
    return decimal_style((text for column in columns for text in column), rows.separator)


def _read_distinct(
    uniques: Sequence[str], missing: Sequence[bool], column: Column, reader: Callable[[str], Any]
) -> tuple[list[Any], npt.NDArray[np.bool_]]:
    """Read each distinct text once; give the values and which texts could not be read."""
    fill: Any = "" if column.kind in ("text", "date") else None
    wrong = np.zeros(len(uniques), dtype=bool)
    if column.kind == "text" and not column.one_of:
        return [fill if no else text for text, no in zip(uniques, missing, strict=True)], wrong
    values: list[Any] = []
    for place, (text, nothing) in enumerate(zip(uniques, missing, strict=True)):
        value = fill if nothing else reader(text)
        if not nothing and (value is None or not within(value, column)):
            value, wrong[place] = fill, True
        values.append(value)
    return values, wrong


def _reader(column: Column, style: Style, scale: float) -> Callable[[str], Any]:
    if column.kind == "number":
        plain = read_seconds if column.unit == "s" else read_number

        def number(text: str) -> float | None:
            value = plain(text, style)
            return None if value is None else value * scale

        return number
    if column.kind == "whole":
        return lambda text: read_whole(text, style)
    if column.kind == "date":
        return read_date
    if column.kind == "flag":
        return read_flag
    words = {word.casefold(): word for word in column.one_of}
    return (lambda text: words.get(text.casefold())) if words else (lambda text: text)


def within(value: object, column: Column) -> bool:
    """Tell whether a value keeps to the bounds of its column."""
    if column.kind not in ("number", "whole"):
        return True
    low = -math.inf if column.low is None else column.low
    high = math.inf if column.high is None else column.high
    return isinstance(value, int | float) and math.isfinite(value) and low <= value <= high


def wanted_of(column: Column, unit: str = "", style: Style = "point") -> str:
    """Say in words what a cell of `column` may hold."""
    if column.one_of:
        return " | ".join(word for word in column.one_of if word)
    if column.unit == "clock h":
        # Lists write 0 for no clock, which the readers of coded rows take so.
        return f"a clock hour from 0 to {column.high or 12:g}"
    words = _WANTED[column.kind]
    unit = unit or column.unit
    if column.kind in ("number", "whole") and unit not in _NOT_SAID:
        words += f" in {unit}"
    if column.low is not None and column.high is not None:
        words += f" from {column.low:g} to {column.high:g}"
    elif column.low is not None:
        words += f" of at least {column.low:g}"
    if column.kind in ("number", "whole") and style in ("mixed", "open"):
        words += ", without a sign that could be a decimal or a thousands mark"
    return words


def refuse(
    frame: pd.DataFrame, bad: Mapping[Any, str], column: str, file: str, faults: list[Fault]
) -> pd.DataFrame:
    """Take rows out of a frame that a form gave, and add one fault for each.

    Parameters
    ----------
    frame
        With the column ``row``; it is not changed.
    bad
        ``{index of the row: what was wanted}``.
    column
        Column at fault; a name in front of it, as in ``system.size.wall_mm``, is for the
        message only.
    file
        Name of the file in messages.
    faults
        The list that grows.
    """
    if not bad:
        return frame
    name = column.rpartition(".")[2]
    found = frame[name].astype(str).where(frame[name].notna(), "")
    rows = frame["row"].astype(int)
    faults += [Fault(file, int(rows[i]), column, shown(found[i]), bad[i]) for i in bad]
    return frame.drop(index=list(bad))
