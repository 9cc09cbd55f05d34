"""Plain tables of coded rows, in CSV, XLSX or SQLite: which table, which column, which unit.

A table of the PACP family or of UK letter codes is one of these: its runs stand in a list of
their own, its stations in feet or metres, its stretches as S01 and F01. All that is worked
into the columns of `coded.FORM`; whose codes they are is told from the codes.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pandas as pd

from planner.errors import Fault, FileError, shown
from planner.inputs.coded import FORM, CodedFile
from planner.inputs.column_names import UNITS, find_columns
from planner.inputs.csv_text import CsvRows, read_csv_rows
from planner.inputs.day_texts import days_of
from planner.inputs.sheets_in import Sheet, read_sqlite, read_workbook
from planner.inputs.specs import InspectionSpec
from planner.inputs.table_rows import TableRows
from planner.inputs.table_units import in_our_units

_TOTALS = r"(?:sub|grand\s*)?(?:total|sum|summe|gesamt|gesamtsumme|totaal|somme)\b.*"
_UNIT_CELL = r"[\[(]?\s*(?:m|ft|feet|mm|cm|in|inch|inches|%|h|-|o'clock)?\s*[\])]?"
_OLD_WORKBOOK = b"\xd0\xcf\x11\xe0"
_HEADER_WITHIN = 20
_NAMED = 30


def open_tables(path: Path, file: str, spec: InspectionSpec) -> list[TableRows]:
    """Read the tables of one file that hold coded rows or list runs.

    Parameters
    ----------
    path
        The file: a workbook, a SQLite file, or text.
    file
        Its name in messages.
    spec
        What ``planner.toml`` says: ``columns``, ``table``, ``heads_table``.

    Raises
    ------
    FileError
        If the file cannot be read, holds no such table, or several that could be meant.
    """
    with path.open("rb") as stream:
        head = stream.read(16)
    if head.startswith(_OLD_WORKBOOK):
        message = f"{file}: a workbook of the old form, or a locked one; save it as .xlsx"
        raise FileError(message)
    if head.startswith(b"PK\x03\x04"):
        sheets = read_workbook(path, file, lambda rows: _header_at(rows, spec))
        return _chosen(sheets, file, "workbook", spec)
    if head.startswith(b"SQLite format 3\0"):
        return _chosen(read_sqlite(path, file), file, "SQLite", spec)
    rows = read_csv_rows(path, file=file)
    separator = {"\t": "tab"}.get(rows.separator, rows.separator)
    form = f"table, separator {separator}, {rows.encoding}"
    return [_table_of(rows, form, 1900, spec)]


def _header_at(rows: Sequence[Sequence[str]], spec: InspectionSpec) -> int:
    """Find the header of a sheet: the first row that names what rows or runs need.

    Where none does it is the one with the most names that are known, to ask for the others.
    """
    best, most = 0, 1
    for place, names in enumerate(rows[:_HEADER_WITHIN]):
        try:
            found = find_columns(names, spec.columns, "")
        except FileError:
            return place
        if found.codes_rows or found.lists_runs:
            return place
        if len(found.at) > most:
            best, most = place, len(found.at)
    return best


def _chosen(sheets: list[Sheet], file: str, form: str, spec: InspectionSpec) -> list[TableRows]:
    """Choose the table of coded rows and the list of runs; refuse to choose between two."""
    tables = {s.name: _table_of(s.rows, form, s.epoch, spec) for s in sheets}
    coded = _one_of(tables, spec.table, [n for n, t in tables.items() if t.places.codes_rows])
    lists = _one_of(tables, spec.heads_table, [n for n, t in tables.items() if t.places.lists_runs])
    for names, key in ((coded, "table"), (lists, "heads_table")):
        if len(names) > 1:
            message = f"{file}: tables {_listed(names)} could each be meant; state {key}"
            raise FileError(message)
    if not coded and not lists:
        raise FileError(_asks_for_columns(tables, file))
    out = []
    unread = [name for name in tables if name not in (*coded, *lists)]
    for name in coded:
        told = f"{form}, table {shown(name)}"
        if unread:
            told += f", not read: {_listed(unread)}"
        rows = replace(tables[name].rows, file=file)
        rows = replace(rows, faults=[replace(fault, file=file) for fault in rows.faults])
        out.append(replace(tables[name], rows=rows, form=told))
    return out + [replace(tables[name], form=f"{form}, list of runs") for name in lists]


def _asks_for_columns(tables: Mapping[str, TableRows], file: str) -> str:
    """Ask for the columns that no table is seen to have, naming those of the likeliest one."""
    message = f"{file}: no table with a station and a code; found {_listed(tables) or 'none'}"
    if not tables:
        return message
    name, best = max(tables.items(), key=lambda one: len(one[1].places.at))
    lacks = [f'{ours} = "..."' for ours in ("s_m", "code") if ours not in best.places.at]
    listed = _listed(best.rows.header[:_NAMED])
    return (
        f"{message}; {shown(name)} has the columns {listed}: "
        f"write {' and '.join(lacks)} under [inspections.columns]"
    )


def _one_of(tables: Mapping[str, TableRows], asked: str, fit: list[str]) -> list[str]:
    return [asked] if asked in tables else fit


def _listed(names: Sequence[str] | Mapping[str, object]) -> str:
    return ", ".join(shown(name) for name in names)


def _table_of(rows: CsvRows, form: str, epoch: int, spec: InspectionSpec) -> TableRows:
    places = find_columns(rows.header, spec.columns, rows.file)
    flags = [(rows.file, line) for line in places.clashes]
    if places.persons:
        what = f"columns that tell of persons are not kept: {', '.join(places.persons)}"
        flags.append((rows.file, what))
    table = TableRows(rows, places, form, epoch, dict(places.units), tuple(flags))
    return _without_totals(_without_unit_row(table))


def _without_unit_row(table: TableRows) -> TableRows:
    """Take a first row off that names units under the header; what it names holds."""
    cells = table.rows.cells
    if not len(cells) or ("code" not in table.places.at and "s_m" not in table.places.at):
        return table
    first = cells.iloc[0].str.strip()
    units = {
        name: UNITS.get(first[place].strip("[]() ").casefold(), "")
        for name, place in table.places.at.items()
    }
    if not first.str.fullmatch(_UNIT_CELL, case=False).all() or not any(units.values()):
        return table
    found = shown(" ".join(text for text in first if text))
    told = Fault(table.rows.file, int(table.rows.row[0]), "", found, "a row, not units of columns")
    said = {name: unit for name, unit in units.items() if unit}
    left = np.arange(len(cells)) > 0
    return replace(_kept(table, left, [told]), units={**said, **table.units})


def _without_totals(table: TableRows) -> TableRows:
    """Take rows of totals off: a word for a sum in a cell of text, and no code."""
    code = table.texts("code")
    if code is None or not len(code):
        return table
    maybe = np.flatnonzero(code.eq("").to_numpy(dtype=bool))
    if not len(maybe):
        return table
    some = table.rows.cells.iloc[maybe].apply(lambda cells: cells.str.strip())
    is_total = np.zeros(len(maybe), dtype=bool)
    for name in some.columns:
        is_total |= some[name].str.fullmatch(_TOTALS, case=False).to_numpy(dtype=bool)
    bad = maybe[is_total]
    faults = [
        Fault(
            table.rows.file,
            int(table.rows.row[place]),
            "code",
            shown(" ".join(text for text in table.rows.cells.iloc[place] if text.strip())),
            "a coded row, not one of totals",
        )
        for place in bad
    ]
    left = np.ones(len(code), dtype=bool)
    left[bad] = False
    return _kept(table, left, faults) if faults else table


def _kept(table: TableRows, left: npt.NDArray[np.bool_], faults: list[Fault]) -> TableRows:
    rows = table.rows
    kept = replace(
        rows,
        cells=rows.cells[left].reset_index(drop=True),
        row=rows.row[left],
        faults=[*rows.faults, *faults],
    )
    return replace(table, rows=kept)


def coded_file(table: TableRows, lists: Sequence[TableRows], spec: InspectionSpec) -> CodedFile:
    """Work a table into the columns of `FORM`.

    Parameters
    ----------
    table
        As `open_tables` gave it.
    lists
        The lists of runs beside it: a unit that they state for a run holds for its rows.
    spec
        What ``planner.toml`` says; its units go before those of the file.
    """
    columns = {name: table.texts(name) for name in table.places.at}
    texts = {name: cells for name, cells in columns.items() if cells is not None}
    style = _style_known(table, texts)
    faults = list(table.rows.faults)
    if "date" in texts:
        texts["date"] = days_of(texts["date"], table.rows, table.epoch, faults)
    texts, units, said = in_our_units(texts, table, lists, spec.units)
    texts = _nodes(texts)
    flags = [*table.flags, *_reversed(texts)]
    for name in ("us_node", "ds_node", "reverse_of", "length_unit", "size_unit"):
        texts.pop(name, None)
    placed = set(table.places.at.values())
    skip = set(table.places.persons)
    left = {
        name: table.rows.cells[place]
        for place, name in enumerate(table.rows.header)
        if place not in placed and shown(name) not in skip
    }
    header = (*(name for name in texts if name in FORM.names), *left)
    cells = [*(texts[name] for name in texts if name in FORM.names), *left.values()]
    rows = replace(
        table.rows,
        header=header,
        cells=pd.DataFrame(dict(enumerate(cells)), index=range(len(table.rows.row))),
        faults=faults,
        decimal=style,
    )
    line = "; ".join([table.form, *_told_columns(table), *said])
    return CodedFile(rows, said=(line,), flags=flags, units=units)


def _style_known(table: TableRows, texts: Mapping[str, pd.Series]) -> str:
    """Say that a workbook or database writes points, unless a text in it has a comma."""
    if table.rows.separator:
        return ""
    numbers = [name for name in texts if name in FORM.names and FORM[name].kind == "number"]
    comma = any(texts[name].str.contains(",", regex=False).any() for name in numbers)
    return "" if comma else "point"


def _told_columns(table: TableRows) -> list[str]:
    found = table.places.proposed
    if not found:
        return []
    return ["columns " + ", ".join(f"{name} = {shown(theirs)}" for name, theirs in found.items())]


def _nodes(texts: dict[str, pd.Series]) -> dict[str, pd.Series]:
    """Name start and end node by the upstream and downstream ones and the direction coded."""
    if not {"us_node", "ds_node"} <= set(texts) or "start_node" in texts:
        return texts
    nothing = pd.Series("", texts["us_node"].index, dtype="str")
    way = texts.get("direction", nothing).str[:1].str.casefold()
    up, down = way.eq("u"), way.isin(["d", "o"])
    start = texts["us_node"].where(down, texts["ds_node"].where(up, ""))
    end = texts["ds_node"].where(down, texts["us_node"].where(up, ""))
    return {**texts, "start_node": start, "end_node": end}


def _reversed(texts: Mapping[str, pd.Series]) -> list[tuple[str, str]]:
    other, own = texts.get("reverse_of"), texts.get("inspection_id")
    if other is None or own is None:
        return []
    told = other[other != ""]
    return [(str(own[i]), f"filmed from the other end of {shown(told[i])}") for i in told.index]
