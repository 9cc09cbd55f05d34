"""Attributes of a vector layer: from the file's types to text, from text to contract columns.

A number keeps the digits that it has in the file: whole numbers stay whole whether or not
other rows are blank, and a number with a fraction is written with as few digits as prove it.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import pandas as pd
import pyarrow as pa

from planner.arrays import unknown
from planner.errors import UNKNOWN_FROM_HERE, Fault, FileError, shown
from planner.inputs.cells import (
    Style,
    decimal_style,
    is_empty,
    is_unsure,
    read_date,
    read_flag,
    read_number,
    read_whole,
)
from planner.inputs.forms import nearest
from planner.tables import DTYPES, Column
from planner.units import factor

if TYPE_CHECKING:
    from planner.inputs.vector import Layer

# Names of the reader's own columns; an attribute of the same name is kept under name + "*".
RESERVED = frozenset({"row", "geometry"})
# An id longer than this would be a sentence.
_ID_SIGNS = 40
_WANTED = {"number": "a number", "whole": "a whole number", "flag": "yes or no", "date": "a day"}


def text_of(column: pa.ChunkedArray) -> list[str]:
    """Write one column of a file as text; blanks are ``""``.

    Parameters
    ----------
    column
        An Arrow column of any type.

    Examples
    --------
    >>> text_of(pa.chunked_array([pa.array([417, None])]))
    ['417', '']
    >>> text_of(pa.chunked_array([pa.array([417.0, 0.25, None])]))
    ['417', '0.25', '']
    """
    kind = column.type
    if isinstance(kind, pa.BaseExtensionType):
        return text_of(pa.chunked_array([c.storage for c in column.chunks], kind.storage_type))
    if pa.types.is_dictionary(kind):
        return text_of(column.cast(kind.value_type))
    write = _writer(kind)
    return ["" if value is None else write(value) for value in column.to_pylist()]


def in_utf8(table: pa.Table) -> tuple[pa.Table, list[str]]:
    """Read text that is no UTF-8 as Windows-1252, cell by cell; name the columns.

    Parameters
    ----------
    table
        Columns of a file as its driver gives them.
    """
    told = []
    for place, name in enumerate(table.column_names):
        column = table.column(place)
        if not (pa.types.is_string(column.type) or pa.types.is_large_string(column.type)):
            continue
        try:
            column.validate(full=True)
        except pa.ArrowInvalid:
            raw = column.cast(pa.large_binary()).to_pylist()
            texts = [None if cell is None else _decoded(cell) for cell in raw]
            table = table.set_column(place, name, pa.array(texts, pa.large_string()))
            told.append(name)
    return table, told


def _decoded(raw: bytes) -> str:
    try:
        return raw.decode("utf-8")
    except UnicodeDecodeError:
        return raw.decode("cp1252", "replace")


def _writer(kind: pa.DataType) -> Callable[[Any], str]:
    if pa.types.is_boolean(kind):
        return lambda value: "true" if value else "false"
    if pa.types.is_floating(kind):
        return _digits
    if pa.types.is_binary(kind) or pa.types.is_large_binary(kind):
        return lambda value: str(value.hex())
    return str


def is_number(kind: pa.DataType) -> bool:
    """Tell whether a file holds a column of this Arrow type as numbers."""
    return bool(
        pa.types.is_integer(kind) or pa.types.is_floating(kind) or pa.types.is_decimal(kind)
    )


def _digits(value: float) -> str:
    if math.isnan(value):
        return ""
    return f"{value:.0f}" if abs(value) < 1e15 and value.is_integer() else repr(value)


@dataclass
class Reading:
    """Columns of one layer while they are read into a contract, and what was wrong.

    ``rows`` are the row numbers by position, 1 = first feature; ``told`` says which columns
    were taken by their common names.
    """

    layer: Layer
    columns: Mapping[str, str]
    units: Mapping[str, str]
    faults: list[Fault] = field(default_factory=list)
    told: str = ""

    def __post_init__(self) -> None:
        frame = self.layer.frame
        self.rows: list[int] = frame["row"].tolist()
        loose = [
            frame[name].tolist()
            for name in map(self._name, self.columns.values())
            if name in frame.columns and name not in self.layer.numbers
        ]
        self.style: Style = decimal_style((text for texts in loose for text in texts), ";")

    def fault(self, place: int, column: str, found: str, wanted: str, *, lost: bool) -> None:
        """Keep what is wrong with the feature at a position."""
        where = (self.layer.name, self.rows[place], column)
        self.faults.append(Fault(*where, shown(found), wanted, lost=lost))

    def has(self, name: str) -> bool:
        """Tell whether the file has one of our columns, by the spec or by its own name."""
        return name in self.columns or self._name(name) in self.layer.frame.columns

    def check_columns(self, needed: Sequence[str], others: Mapping[str, str] | None = None) -> None:
        """Make sure that every column that the spec names is in the file.

        Parameters
        ----------
        needed
            Our columns that must be there.
        others
            Columns that are proposed beside a needed one, and so are not that one.

        Raises
        ------
        FileError
            If a needed column is not named or not there.
        """
        known = [name for name in self.layer.frame.columns if name not in RESERVED]
        for ours in needed:
            if ours not in self.columns and ours not in known:
                message = f"{self.layer.name}: which column holds {ours}? found {_listed(known)}"
                raise FileError(message + self._proposal(ours, known, others or {}))
        for ours, theirs in self.columns.items():
            if self._name(theirs) in known:
                continue
            where = f"no column '{shown(theirs)}'{nearest(theirs, known)}"
            if ours in needed:
                message = f"{self.layer.name}: {where} for {ours}; found {_listed(known)}"
                raise FileError(message)
            wanted = f"a column of the file: {_listed(known)}"
            self.faults.append(Fault(self.layer.name, 0, ours, where, wanted, lost=False))

    def _proposal(self, ours: str, known: list[str], others: Mapping[str, str]) -> str:
        """Say which columns could be the one that is asked for, as a line to paste."""
        taken = {*self.columns.values(), *others.values()}
        fit = [name for name in known if name not in taken and self._tells_apart(name)]
        if not fit:
            return ""
        # A column of measures tells rows apart as well, but hardly names them.
        fit.sort(key=lambda name: name in self.layer.numbers)
        pasted = self.pasted({ours: fit[0], **others})
        return f"; by their values {_listed(fit)} could: write {pasted}"

    def unused(self, ours: Collection[str]) -> list[str]:
        """Name the columns of the file that none of ours is taken from."""
        taken = {self._name(theirs) for theirs in self.columns.values()} | RESERVED
        return [
            shown(str(name))
            for name in self.layer.frame.columns
            if name not in taken and name not in ours
        ]

    def pasted(self, more: Mapping[str, str] | None = None) -> str:
        """Write columns, and units where some are said, as the lines of ``planner.toml``.

        All of them, those of `more` first: a section holds each of these lines once.
        """
        text = f"columns = {_braced({**(more or {}), **self.columns})}"
        return text + (f" and units = {_braced(self.units)}" if self.units else "")

    def _tells_apart(self, theirs: str) -> bool:
        """Tell whether a column has short texts, none blank and none twice."""
        values = self.layer.frame[theirs].tolist()
        short = all(not is_empty(text) and len(text) <= _ID_SIGNS for text in values)
        return len(values) > 1 and short and len(set(values)) == len(values)

    def texts(self, name: str) -> list[str]:
        """Give a column as text, ends trimmed; words for blank, such as ``-``, are ``""``."""
        written = self._written(name)
        tidied = {text: "" if is_empty(text) else text.strip() for text in set(written)}
        return [tidied[text] for text in written]

    def values(self, column: Column) -> pd.Series:
        """Read a column of numbers, flags or days; what cannot be read is blank and a fault."""
        if not self._there(column.name):
            return pd.Series(unknown(column.kind, len(self.layer.frame)))
        cells = self.texts(column.name)
        if column.kind == "text":
            return pd.Series(cells, dtype="str")
        theirs = self._name(self.columns.get(column.name, column.name))
        style: Style = "point" if theirs in self.layer.numbers else self.style
        unit = self.units.get(column.name, "")
        reader = _reader(column, style, factor(unit, column.unit) if unit else 1.0)
        fill: Any = "" if column.kind == "date" else None
        values = []
        for place, text in enumerate(cells):
            value = reader(text) if text else fill
            if text and (value is None or not _inside(value, column)):
                value = fill
                wanted = self._wanted(column, unit, text) + UNKNOWN_FROM_HERE
                self.fault(place, column.name, text, wanted, lost=False)
            values.append(value)
        return pd.Series(values, dtype=DTYPES[column.kind])

    def words(self, name: str, known: Mapping[str, str], fill: str) -> list[str]:
        """Turn the words of a file into ours; one that is not known is `fill`, and a fault."""
        if not self._there(name):
            return [known.get("", fill)] * len(self.layer.frame)
        out = []
        for place, text in enumerate(self.texts(name)):
            if text and text.casefold() not in known:
                wanted = " | ".join(dict.fromkeys(known.values())) + UNKNOWN_FROM_HERE
                self.fault(place, name, text, wanted, lost=False)
            out.append(known.get(text.casefold(), fill))
        return out

    def first_of_each(self, name: str) -> list[int]:
        """Give the positions of features whose id did not come before; refuse all others."""
        first: dict[str, int] = {}
        for place, key in enumerate(self.texts(name)):
            if not key:
                self.fault(place, name, self._written(name)[place], "an id", lost=True)
            elif key in first:
                wanted = f"an id of its own (row {self.rows[first[key]]} has it)"
                self.fault(place, name, key, wanted, lost=True)
            else:
                first[key] = place
        return list(first.values())

    def _there(self, name: str) -> bool:
        return self._name(self.columns.get(name, name)) in self.layer.frame.columns

    def _written(self, name: str) -> list[str]:
        if not self._there(name):
            return [""] * len(self.layer.frame)
        return self.layer.frame[self._name(self.columns.get(name, name))].tolist()

    def _wanted(self, column: Column, unit: str, text: str) -> str:
        wanted = _WANTED.get(column.kind, column.kind)
        if column.low is not None:
            wanted += f" from {column.low:g}"
        unit = unit or column.unit
        wanted += f" in {unit}" if unit else ""
        if self.style in ("open", "mixed") and column.kind == "number" and is_unsure(text):
            wanted += ", with its decimal sign beyond doubt"
        return wanted

    def _name(self, theirs: str) -> str:
        return f"{theirs}*" if theirs in RESERVED else theirs


def _reader(column: Column, style: Style, times: float) -> Callable[[str], Any]:
    if column.kind == "number":

        def number(text: str) -> float | None:
            value = read_number(text, style)
            return None if value is None else value * times

        return number
    if column.kind == "whole":
        return lambda text: _year_or_whole(text, style)
    return read_flag if column.kind == "flag" else read_date


def _year_or_whole(text: str, style: Style) -> int | None:
    """Read a whole number; of a date, which a list may give for a year, the year."""
    day = read_date(text)
    return int(day[:4]) if day else read_whole(text, style)


def _inside(value: float | str, column: Column) -> bool:
    if isinstance(value, str):
        return True
    low = column.low is None or value >= column.low
    return low and (column.high is None or value <= column.high)


def _braced(pairs: Mapping[str, str]) -> str:
    """Write a table of texts as TOML does in one line; a JSON text is one of TOML as well."""
    return f"{{{', '.join(f'{name} = {json.dumps(text)}' for name, text in pairs.items())}}}"


def _listed(names: Sequence[str]) -> str:
    some = ", ".join(shown(name) for name in names[:20])
    return some + (", ..." if len(names) > 20 else "")
