"""The data dictionary: every figure has a unit that its name says."""

from __future__ import annotations

import pytest

from planner.contracts import BARE, SUFFIXES, TABLES
from planner.contracts.dictionary import describe
from planner.tables import Column, Table, empty

FIGURES = [
    (table.name, column)
    for table in TABLES
    for column in table.columns
    if column.kind in ("number", "whole")
]


def suffix_of(name: str) -> str | None:
    """Longest known ending of a column's name, interval ends taken off."""
    stem = name.removesuffix("_low").removesuffix("_high")
    fits = [suffix for suffix in SUFFIXES if stem.endswith(suffix)]
    return max(fits, key=len) if fits else None


@pytest.mark.parametrize(("table", "column"), FIGURES, ids=lambda v: getattr(v, "name", v))
def test_a_figure_has_a_known_ending_and_the_same_unit(table: str, column: Column) -> None:
    """A number without a known suffix, or whose unit disagrees with it, fails."""
    if column.name in BARE or column.unit == "by quantity":
        return
    suffix = suffix_of(column.name)
    assert suffix is not None or (column.kind == "whole" and not column.unit), column.name
    if suffix is not None and column.unit:
        assert column.unit == SUFFIXES[suffix], column.name


@pytest.mark.parametrize("table", TABLES, ids=lambda t: t.name)
def test_an_empty_table_keeps_its_contract_and_is_described(table: Table) -> None:
    """Each contract can be empty, has no column twice, and says what each column means."""
    frame = empty(table)
    assert len(frame) == 0
    assert len(set(table.names)) == len(table.names)
    assert len(describe(table)) == len(table.columns)
    assert set(table.key) <= set(table.names)
