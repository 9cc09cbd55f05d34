"""Coded rows: every code of the table is read, none is dropped, no unknown is made mild."""

from __future__ import annotations

import csv
import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from planner.contracts.survey import ROLES
from planner.contracts.verdicts import SPAN_QUANTITIES
from planner.errors import TableError
from planner.ground.codes import code_table, mechanisms_of, read_codes, roles
from planner.ground.figures import read_figure


def rows(*written: str) -> pd.DataFrame:
    """Rows from 'code char1 char2 q1 q2 stretch', a dot for a blank."""
    names = ["code", "char1", "char2", "q1", "q2", "stretch"]
    parts = [["" if part == "." else part for part in text.split()] for text in written]
    table = [dict(zip(names, part + [""] * (6 - len(part)), strict=True)) for part in parts]
    return pd.DataFrame(table, columns=names)


def one(written: str) -> pd.Series:
    return read_codes(rows(written)).iloc[0]


@pytest.mark.parametrize(
    ("written", "mechanism", "quantity", "low", "high"),
    [
        # EN 13508-2 letters; figures as written
        ("BAA A . 10-15", "deformation", "deformation_pct", 10, 15),
        ("BAB B A 2,5", "crack", "crack_mm", 2.5, 2.5),
        ("BAC B . 500", "missing_wall", "missing_mm", 500, 500),
        ("BAC A . 80", "break", "break_mm", 80, 80),
        ("BAJ A . 30", "joint_gap", "gap_mm", 30, 30),
        ("BAJ B . <5", "joint_offset", "offset_mm", 0, 5),
        ("BAJ C . 2.0", "joint_angle", "angle_deg", 2, 2),
        ("BBA C . >50", "roots", "roots_pct", 50, None),
        ("BBF A", "infiltration", "leak_level", 2, 2),
        ("BBF B", "infiltration", "leak_level", 3, 3),
        ("BBF C", "infiltration", "leak_level", 4, 4),
        ("BBF D", "infiltration", "leak_level", 5, 5),
        ("BDD A . 10", "water_level", "water_pct", 10, 10),
        ("BDD A . 10 . A1", "sag", "sag_pct", 10, 10),
        ("BAG . . 8", "lateral_intruding", "intrusion_pct", 8, 8),
        ("BBC C . 6", "deposit_settled", "deposit_pct", 6, 6),
        ("BBE D . 12", "obstruction", "obstruction_pct", 12, 12),
        # width of a crack without a figure: the German rule, A to 0.5, B to 5, C from 5 mm
        ("BAB A A", "crack_surface", "crack_mm", 0, 0.5),
        ("BAB B A", "crack", "crack_mm", 0.5, 5),
        ("BAB C A", "fracture", "crack_mm", 5, None),
        # an older Dutch file writes a class as two figures
        ("BAA A . 10 15", "deformation", "deformation_pct", 10, 15),
        # letters and case as people type them
        ("bab c a 6", "fracture", "crack_mm", 6, 6),
    ],
)
def test_code_and_figure(
    written: str, mechanism: str, quantity: str, low: float, high: float | None
) -> None:
    """Each code gives its mechanism, and its figure the interval it stands for."""
    read = one(written)
    assert (read["mechanism"], read["quantity"]) == (mechanism, quantity)
    assert read["quantity_low"] == low
    assert math.isnan(read["quantity_high"]) if high is None else read["quantity_high"] == high


@pytest.mark.parametrize("code", ["BAC", "BAD", "BAF", "BAJ"])
def test_a_letter_that_is_not_known_is_never_mild(code: str) -> None:
    """Y, a blank and a letter of no table make an unknown where the letter decides."""
    for letter in ("Y", ".", "Q"):
        read = one(f"{code} {letter} . 10")
        assert read["mechanism"] == "unknown"
        assert read["role"] == "damage"
        assert read["note"]


def test_a_leak_of_unknown_strength_may_be_any() -> None:
    """BBF Y runs from sweating to gushing."""
    read = one("BBF Y")
    assert (read["quantity_low"], read["quantity_high"]) == (2, 5)


@pytest.mark.parametrize(
    ("width", "mechanism"),
    [("0.3", "crack_surface"), ("2", "crack"), ("5", "fracture"), ("<5", "fracture"),
     (">0.2", "fracture"), (".", "unknown")],
)  # fmt: skip
def test_the_width_decides_where_the_letter_does_not(width: str, mechanism: str) -> None:
    """A crack of kind Y is the worst that its width allows."""
    assert one(f"BAB Y A {width}")["mechanism"] == mechanism


def test_the_figure_beats_the_letter_and_says_so() -> None:
    """Hairline by letter, 1 mm by figure: 1 mm counts; at 0.5 mm both agree."""
    read = one("BAB A A 1")
    assert (read["quantity_low"], read["quantity_high"]) == (1, 1)
    assert read["note"] == (
        "figure and letter differ: 1 mm is used, for it was measured, where letter A of BAB "
        "stands for up to 0.5 mm; the kind, crack_surface, is the letter's"
    )
    assert one("BAB A A 0.5")["note"] == ""
    wide, classed = one("BAB C A 4")["note"], one("BAB B A 6-8")["note"]
    assert "4 mm is used" in wide
    assert "letter C of BAB stands for 5 mm or more" in wide
    assert "6 to 8 mm is used" in classed
    assert "letter B of BAB stands for 0.5 to 5 mm" in classed


@pytest.mark.parametrize(
    ("written", "word"),
    [
        ("BAJ C . 30", "unit doubtful"),  # a sag in mm under the code of an angle
        ("BAG . . 150", "unit doubtful"),  # mm under a code of percent
        ("BAB B A 0", "not measured"),
        ("BAB B A wide", "not read"),
        ("BAJ A . 1,000", "not read"),
        ("BAA A . 15-10", "not read"),
        ("BAA A . -3", "not read"),
        ("BAA A . 3mm", "not read"),
        ("BAJ A . 20 10", "not used"),
    ],
)
def test_a_doubtful_figure_is_said(written: str, word: str) -> None:
    """A figure that cannot be right is not used, or its doubt is told."""
    assert word in one(written)["note"]


def test_a_doubtful_figure_is_unknown_not_small() -> None:
    """What is not used leaves the interval open."""
    read = read_codes(rows("BAJ C . 30", "BAG . . 150", "BAA A . wide", "BAJ A . 0"))
    assert read["quantity_low"].isna().all()
    assert read["quantity_high"].isna().all()
    # the width that cannot be read falls back on what the letter says, not on nothing
    assert one("BAB B A wide")["quantity_high"] == 5


def test_lengths_in_other_units_are_turned_into_mm() -> None:
    """3 cm are 30 mm; NIST SP 811: exact."""
    assert one("BAJ A . 3cm")["quantity_low"] == pytest.approx(30, abs=1e-9)
    assert one("BAC A . 0.2m")["quantity_high"] == pytest.approx(200, abs=1e-9)


def test_water_may_be_nothing() -> None:
    """A water level of 0 is a reading, not a blank."""
    assert one("BDD A . 0")["quantity_high"] == 0


def test_laterals_carry_state_and_size() -> None:
    """BCA: the second letter says open or closed, the figure is the height in mm."""
    read = read_codes(rows("BCA A A 150", "BCA A B", "BCA A ."))
    assert list(read["detail"]) == ["open", "closed", ""]
    assert read["quantity_low"].iloc[0] == 150
    assert set(read["quantity"]) == {""}


def test_a_code_of_no_table_is_a_damage_for_a_person() -> None:
    """Unknown codes, codes of manholes and blanks become unknown, never nothing."""
    read = read_codes(rows("XYZ A", "DAB B A 2", ". A"))
    assert list(read["mechanism"]) == ["unknown"] * 3
    assert list(read["role"]) == ["damage"] * 3
    assert read["note"].str.contains("not in the table").all()


def test_every_row_of_the_table_is_read() -> None:
    """Each code and letter of the packaged table maps, with a role and a unit that fit."""
    table = code_table()
    letters = table["char1"].where(table["char1"] != "*", "Z9")
    read = read_codes(
        pd.DataFrame(
            {"code": table["code"], "char1": letters, "char2": "", "q1": "7", "q2": "",
             "stretch": ""}
        )
    )  # fmt: skip
    expected = table["mechanism"].to_numpy().copy()
    # a width of 7 mm names the kind of a crack whose letter is not known
    expected[((table["code"] == "BAB") & (table["char1"] == "*")).to_numpy()] = "fracture"
    assert list(read["mechanism"]) == list(expected)
    assert set(read["role"]) <= set(ROLES)
    filled = table[table["quantity"] != ""]
    known = {"mm": "mm", "%": "%", "deg": "deg", "level 1-5": "level 1-5"}
    for quantity, unit in zip(filled["quantity"], filled["unit"], strict=True):
        assert SPAN_QUANTITIES[quantity] == known[unit]
    assert (table["source"] != "").all()
    assert set(table["verified"]) == {"yes", "no"}


def test_every_code_of_the_published_list_is_in_the_table(samples: Path) -> None:
    """No pipe code of the list in our samples, nor any of its letters, is missing here."""
    ours = code_table()
    pairs = set(zip(ours["code"], ours["char1"], strict=True))
    with (samples / "coding" / "en13508-2_pipe_codes.csv").open(encoding="utf-8") as file:
        listed = list(csv.DictReader(file))
    assert len(listed) == 43
    for row in listed:
        assert row["code"] in set(ours["code"])
    lettered = ("BAA", "BAB", "BAC", "BAD", "BAF", "BAH", "BAI", "BAJ", "BAK", "BAL", "BAM",
                "BBA", "BBB", "BBC", "BBD", "BBE", "BBF", "BCB", "BDC", "BDF", "BDG")  # fmt: skip
    for row in listed:
        if row["code"] in lettered:
            for part in row["char1"].split(";"):
                assert (row["code"], part.strip()[0]) in pairs, part


def test_the_real_file_is_read_whole(samples: Path) -> None:
    """335 rows of the KWB example (MIT): the counts that coding-verified.md prints.

    31 BAB A, 20 BAB B, 6 BAB C, and 14 BAJ C that are sags in mm, each beside a BDD.
    """
    text = (samples / "coding" / "en13508-2_text_kwb_example_anon.txt").read_text("latin-1")
    written, names = [], None
    for line in text.splitlines():
        if line.startswith("#C="):
            names = line[3:].split(",")
        elif line.startswith("#B"):
            names = None
        elif names and not line.startswith("#"):
            written.append(dict(zip(names, line.split(","), strict=True)))
    table = pd.DataFrame(written).rename(
        columns={"A": "code", "B": "char1", "C": "char2", "D": "q1", "J": "stretch"}
    )
    read = read_codes(table.assign(q2=""))
    counts = read["mechanism"].value_counts()
    assert len(read) == 335
    assert (counts["crack_surface"], counts["crack"], counts["fracture"]) == (31, 20, 6)
    assert counts["joint_angle"] == counts["sag"] == 14
    assert "unknown" not in counts


def test_roles_are_those_of_the_design() -> None:
    """Place and record rows never reach the rules; the two flags are neither."""
    assert set(roles().values()) == set(ROLES)
    assert mechanisms_of("condition") == (
        "deposit_attached", "deposit_settled", "line_deviation", "obstruction", "sag",
        "water_level",
    )  # fmt: skip
    assert mechanisms_of("flag") == ("soil_visible", "void_visible")
    assert "existing_repair" in mechanisms_of("place")
    assert len(mechanisms_of("damage")) == 27


def test_input_is_not_changed_and_the_index_stays() -> None:
    """The frame handed in is as it was, and rows keep their labels."""
    given_rows = rows("BAB B A 2", "XXX", "BBF A").set_index(pd.Index([7, 3, 7]))
    before = given_rows.copy(deep=True)
    read = read_codes(given_rows)
    pd.testing.assert_frame_equal(given_rows, before)
    assert list(read.index) == [7, 3, 7]


def test_a_missing_column_is_one_clear_line() -> None:
    """Without a column the rows cannot be read."""
    with pytest.raises(TableError, match="column is missing: q2, stretch"):
        read_codes(rows("BAB B A 2").drop(columns=["q2", "stretch"]))


def test_no_rows_give_no_rows() -> None:
    """An empty survey is read as an empty table."""
    assert read_codes(rows()).empty


@given(st.text(max_size=12), st.sampled_from(["mm", "%", "deg", ""]))
def test_any_text_is_an_interval_or_a_note(text: str, unit: str) -> None:
    """Property: whatever is written is read as low <= high, or unknown with a reason."""
    figure = read_figure(text, unit)
    if np.isnan(figure.low):
        assert np.isnan(figure.high)
        assert figure.note or not text.strip()
    else:
        assert 0 <= figure.low <= np.nan_to_num(figure.high, nan=np.inf)
