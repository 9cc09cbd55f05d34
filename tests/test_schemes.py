"""Codes of other schemes: whole files told apart, letters kept, nothing taken for mild."""

from __future__ import annotations

import itertools
import math

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from planner.ground.codes import (
    PACP,
    SCHEME,
    SCHEMES,
    UK,
    code_table,
    detect_scheme,
    mechanisms_of,
    read_codes,
    roles,
)
from planner.ground.figures import height_pct_of


def read(scheme: str, code: str, **more: str) -> pd.Series:
    row = {"code": code, "char1": "", "char2": "", "q1": "", "q2": "", "stretch": ""}
    return read_codes(pd.DataFrame([{**row, **more}]), scheme).iloc[0]


@pytest.mark.parametrize("scheme", [PACP, UK])
def test_every_row_of_a_table_is_read_as_a_known_mechanism(scheme: str) -> None:
    table = code_table(scheme)
    assert not table["code"].duplicated().any()
    assert table["source"].str.len().gt(0).all()
    assert set(table["verified"]) <= {"yes", "no"}
    assert set(table["mechanism"]) <= set(roles())
    for code in table["code"]:
        assert read(scheme, code)["mechanism"] != "unknown"


def test_the_scheme_is_told_by_all_codes_of_a_file_never_by_one() -> None:
    assert detect_scheme(pd.Series(["BAB", "BCD", "BAJ", "BABBA"])) == SCHEME
    assert detect_scheme(pd.Series(["AMH", "FL", "MWL", "TFA", "RFJ"])) == PACP
    assert detect_scheme(pd.Series(["ST", "FL", "CN", "JDM", "FH"])) == UK
    assert detect_scheme(pd.Series(["FL", "CL", "B"])) == ""
    assert detect_scheme(pd.Series(["QQ1", "QQ2"])) == ""
    assert detect_scheme(pd.Series([], dtype="str")) == ""


@pytest.mark.parametrize(
    ("code", "mechanism"),
    [("IS", "infiltration"), ("ISSR", "seal_intruding"), ("B", "break"), ("D", "deformation"),
     ("TFI", "lateral_intruding"), ("TFD", "lateral_defective"), ("TFA", "lateral"),
     ("RPP", "existing_repair"), ("RPPD", "repair_defect"), ("MSA", "abandoned"),
     ("MCU", "no_vision"), ("MSC", "size_change"), ("MMC", "material_change")],
)  # fmt: skip
def test_codes_that_look_alike_mean_what_they_mean(code: str, mechanism: str) -> None:
    assert read(PACP, code)["mechanism"] == mechanism


def test_small_medium_and_large_without_a_figure_stay_unknown() -> None:
    """No source gives mm for the words, as they are shares of a wall nobody coded."""
    for code in ("JOS", "JOM", "JOL", "JSM", "JAL"):
        row = read(PACP, code)
        assert math.isnan(row["quantity_low"])
        assert math.isnan(row["quantity_high"])
        assert row["coded_joint"] == "yes"


def test_a_figure_in_inches_is_turned_into_mm() -> None:
    assert read(PACP, "JOM", q1="2 in")["quantity_low"] == pytest.approx(50.8)
    assert read(PACP, "JOM", q1='1.5"')["quantity_low"] == pytest.approx(38.1)


def test_a_second_figure_of_another_scheme_is_no_class() -> None:
    row = read(PACP, "JOM", q1="10", q2="20")
    assert (row["quantity_low"], row["quantity_high"]) == (10.0, 10.0)


def test_an_unknown_code_is_damage_for_a_person_in_every_scheme() -> None:
    for scheme in SCHEMES:
        row = read(scheme, "QQX")
        assert (row["mechanism"], row["role"]) == ("unknown", "damage")
        assert scheme in row["note"]


def test_every_damage_of_every_scheme_is_one_that_the_rules_know() -> None:
    known = set(mechanisms_of("damage", "condition", "flag", "place", "record"))
    for scheme in SCHEMES:
        assert set(code_table(scheme)["mechanism"]) <= known


@given(st.floats(0.0, 100.0))
def test_share_of_height_gives_its_share_of_section_back(section: float) -> None:
    """Against the area of a segment by integration of its chord, trapezoid rule."""
    depth = height_pct_of(section) / 100.0
    steps = 4000
    y = [depth * k / steps for k in range(steps + 1)]
    chord = [2 * math.sqrt(max(v - v * v, 0.0)) for v in y]
    area = sum((a + b) / 2 for a, b in itertools.pairwise(chord)) * depth / steps
    assert area / (math.pi / 4) * 100 == pytest.approx(section, abs=0.05)
