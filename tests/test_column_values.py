"""Columns proposed by what stands in them; equal faults said once; each cause by its name."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from planner.errors import NO_COLUMN, UNKNOWN_FROM_HERE, Fault, SettingsError
from planner.inputs.coded import FORM
from planner.inputs.column_values import candidates_of
from planner.inputs.forms import read_form
from planner.inputs.report import fault_lines
from planner.inputs.sections import read_sections
from planner.tables import Table, number

OURS = ("pipe_id", "date", "stretch")


def series(*texts: str) -> pd.Series:
    return pd.Series(texts, dtype="str")


def test_a_column_of_pipes_is_proposed_with_its_share() -> None:
    """Of three names two are pipes; a column with one of three is none, days are days."""
    columns = {
        "Nr": series("H1", "h2", "H2", "H9"),
        "Plan": series("H1", "x", "y"),
        "Tag": series("2025-04-02", "03.04.2025", "4/5/2025", ""),
    }
    found = candidates_of(columns, OURS, ["H1", "H2"])
    assert [one.line for one in found] == ['pipe_id = "Nr"', 'date = "Tag"']
    assert [one.why for one in found] == [
        # Distinct as written: H1, h2, H2, H9, of which three are pipes but for their case.
        "3 of its 4 names are pipes of the network",
        "3 of its 3 values are days",
    ]


def test_two_columns_of_days_are_not_chosen_between() -> None:
    columns = {"Von": series("2025-04-02"), "Bis": series("2025-04-03")}
    assert candidates_of(columns, OURS, []) == []


@pytest.mark.parametrize(
    ("marks", "proposed"),
    [(("A1", "B1", ""), True), (("S01", "F01"), True), (("F01", "F02"), False), ((), False)],
)
def test_marks_of_stretches_are_begun_and_ended(marks: tuple[str, ...], proposed: bool) -> None:
    """Numbers of photos look like ends of stretches that never began."""
    found = candidates_of({"Strecke": series(*marks)}, OURS, [])
    assert [one.line for one in found] == ['stretch = "Strecke"'] * proposed


def test_equal_faults_are_one_line_and_a_missing_column_comes_first() -> None:
    words = "foul | storm | combined" + UNKNOWN_FROM_HERE
    lines = fault_lines(
        [
            Fault("net.shp", 3, "use", "R", words, lost=False),
            Fault("net.shp", 4, "use", "Q", words, lost=False),
            Fault("net.shp", 9, "use", "R", words, lost=False),
            Fault("tv.xlsx", 7, "s_m", "far", "a number in m"),
            *(Fault("tv.xlsx", row, "pipe_id", NO_COLUMN, "candidates: Nr") for row in (2, 3)),
        ]
    )
    assert lines == [
        "net.shp, column use: found R in 2 rows (3, 9); wanted foul | storm | combined "
        "(kept, the value counts as unknown)",
        "net.shp, row 4, column use: found Q; wanted foul | storm | combined "
        "(kept, the value counts as unknown)",
        "tv.xlsx: no column was taken for pipe_id; candidates: Nr; 2 rows wait for it (left out)",
        "tv.xlsx, row 7, column s_m: found far; wanted a number in m (row left out)",
    ]


def test_a_decimal_sign_is_the_cause_only_where_there_is_one(tmp_path: Path) -> None:
    """1.250 beside 12,5 and 7.25 has two readings; 'ca. 12' has none, a clock no thousands."""
    table = Table("rows", "", (number("s_m", "m", ""), FORM["clock_from_h"]))
    path = tmp_path / "rows.csv"
    path.write_text("s_m;clock_from_h\n12,5;3\n7.25;3\n1.250;3\nca. 12;3\n2;15\n", "utf-8")
    _, faults = read_form(path, table)
    assert [(one.row, one.wanted) for one in faults if one.row] == [
        (4, "a number in m, without a sign that could be a decimal or a thousands mark"),
        (5, "a number in m"),
        (6, "a clock hour from 0 to 12"),
    ]


@pytest.mark.parametrize(
    ("raw", "where"),
    [
        ({"inspections": [{"file": "a.csv", "columns": {"columns": {"pipe_id": "Nr"}}}]},
         "[inspections.columns]"),
        ({"pipes": {"file": "a.shp", "columns": {"columns": {"pipe_id": "Nr"}}}},
         "[pipes.columns]"),
    ],
)  # fmt: skip
def test_columns_within_columns_are_said_in_plain_words(raw: dict[str, object], where: str) -> None:
    with pytest.raises(SettingsError) as told:
        read_sections({"pipes": {"file": "a.shp"}, **raw}, {})
    assert f"'columns = {{...}}' stands under {where}, which holds single lines" in str(told.value)
