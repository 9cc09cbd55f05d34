"""Pairs of rows as one defect: its ends, its worst figure, its kind."""

from __future__ import annotations

from typing import Any

import pandas as pd
import pytest

from tests.filmed import Row, row, town


def defects(*coded: Row, length: float = 50.0, **head: Any) -> pd.DataFrame:
    found = town(coded, length, **head).locate().defects
    return found.set_index("observation_id")


def test_the_end_goes_into_its_start() -> None:
    """4.4 to 9.1 m is one crack with the second row as its end."""
    found = defects(
        row(4.4, "BAB", "B", "A", q1="2", mark="A1"), row(9.1, "BAB", "B", "A", q1="2", mark="B1")
    )
    assert list(found.index) == ["I/2"]
    crack = found.loc["I/2"]
    assert tuple(crack[["x_from_m", "x_to_m", "from_m", "to_m"]]) == (4.4, 9.1, 4.4, 9.1)
    assert (crack["kind"], crack["extent_from"], crack["close_id"]) == ("stretch", "coded", "I/3")
    assert crack["counter_m"] == 4.4


def test_a_stretch_filmed_from_the_far_end_is_turned() -> None:
    """From D: 4.4 and 9.1 m are x = 45.6 and 40.9; the counter starts at 4.4."""
    found = defects(
        row(4.4, "BAB", "B", "A", q1="2", mark="A1"),
        row(9.1, "BAB", "B", "A", q1="2", mark="B1"),
        start="D",
    )
    crack = found.loc["I/2"]
    assert tuple(crack[["x_from_m", "x_to_m"]]) == pytest.approx((40.9, 45.6))
    assert crack["counter_m"] == 4.4


def test_the_larger_figure_counts() -> None:
    """2 mm at the start, 3 mm at the end: 3 mm; an end left blank says nothing new."""
    both = defects(
        row(1.0, "BAB", "B", "A", q1="2", mark="A1"), row(5.0, "BAB", "B", "A", q1="3", mark="B1"),
        row(6.0, "BAB", "B", "A", q1="2", mark="A2"), row(8.0, "BAB", "B", "A", mark="B2"),
        row(9.0, "BBC", "A", mark="A3"), row(19.0, "BBC", "A", q1="15", mark="B3"),
        row(20.0, "BBC", "A", q1="<5", mark="A4"), row(29.0, "BBC", "A", q1="10-15", mark="B4"),
        row(30.0, "BBC", "A", q1=">50", mark="A5"), row(39.0, "BBC", "A", q1="10", mark="B5"),
    )  # fmt: skip
    figures = both[["quantity_low", "quantity_high"]].to_numpy().tolist()
    assert figures[:4] == [[3.0, 3.0], [2.0, 2.0], [15.0, 15.0], [10.0, 15.0]]
    assert figures[4][0] == 50.0
    assert figures[4][1] != figures[4][1]  # more than 50: open upwards, whatever the end says


def test_an_open_stretch_runs_to_the_end_of_the_survey_with_a_flag() -> None:
    """Started at 21 m, survey given up at 38.2 m: to 38.2 m, as an assumption."""
    found = defects(row(21.0, "BBC", "A", q1="10", mark="A3"), length=38.2)
    deposit = found.loc["I/2"]
    assert tuple(deposit[["x_from_m", "x_to_m", "from_m", "to_m"]]) == (21.0, 21.0, 21.0, 38.2)
    assert (deposit["kind"], deposit["extent_from"]) == ("stretch", "assumed")
    assert deposit["flags"] == "stretch A3 never ends: taken to run to the end of the survey"


def test_an_open_stretch_from_the_far_end_runs_towards_us_node() -> None:
    """From D, abandoned at 30 of 50 m: from x = 50 - 21 = 29 down to 50 - 30 = 20."""
    coded = [row(21.0, "BBC", "A", q1="10", mark="A1")]
    found = town(coded, 30.0, start="D", complete=False)
    found.pipes[0].update(stated_m=50.0, drawn_m=50.8)
    deposit = found.locate().defects.iloc[0]
    assert tuple(deposit[["from_m", "to_m"]]) == pytest.approx((20.0, 29.0))


def test_an_end_without_a_start_is_left_over() -> None:
    """It is not guessed where the stretch began."""
    found = town([row(9.0, "BBC", "A", q1="10", mark="B1")]).locate()
    assert found.defects.empty
    assert list(found.left_over["key"]) == ["I/2"]
    assert list(found.left_over["reason"]) == ["ends a stretch that does not start"]


def test_an_end_of_another_kind_stays_a_row_of_its_own() -> None:
    """A crack that ends as a fracture: the fracture lies at the end, the larger width on both."""
    found = defects(
        row(4.0, "BAB", "B", "A", q1="2", mark="A1"), row(9.0, "BAB", "C", "A", q1="6", mark="B1")
    )
    assert list(found["mechanism"]) == ["crack", "fracture"]
    assert list(found["quantity_high"]) == [6.0, 6.0]
    assert tuple(found.loc["I/3", ["from_m", "to_m"]]) == (9.0, 9.0)
    assert found.loc["I/2", "close_id"] == "I/3"


def test_an_end_beyond_the_pipe_is_left_over_and_its_stretch_open() -> None:
    """Ends at 52 m on a pipe of 50 m: refused, and the stretch runs to the survey's end."""
    found = town(
        [row(40.0, "BBC", "A", q1="5", mark="A1"), row(52.0, "BBC", "A", q1="5", mark="B1")]
    ).locate()
    assert list(found.left_over["key"]) == ["I/3"]
    assert tuple(found.defects.iloc[0][["from_m", "to_m"]]) == (40.0, 50.0)
    assert "never ends" in found.defects.iloc[0]["flags"]


def test_the_largest_value_on_the_way_is_a_row_within_the_stretch() -> None:
    """German practice: a sag is a stretch of water level with C at its worst place."""
    found = defects(
        row(10.0, "BDD", "A", q1="10", mark="A1"),
        row(14.0, "BDD", "A", q1="30", mark="C1"),
        row(20.0, "BDD", "A", q1="12", mark="B1"),
    )
    assert list(found["mechanism"]) == ["sag", "sag"]
    assert list(found["quantity_high"]) == [12.0, 30.0]
    assert tuple(found.loc["I/3", ["from_m", "to_m"]]) == (14.0, 14.0)


def kind(code: str, char1: str = "", char2: str = "", **more: Any) -> str:
    ends = [more.pop("joint", (False, False))] if "joint" in more else [(False, False)]
    first, last = ends[0]
    found = defects(
        row(5.0, code, char1, char2, mark="A1", joint=first, **more),
        row(30.0, code, char1, char2, mark="B1", joint=last, **more),
    )
    return str(found.iloc[0]["kind"])


def test_joints_all_along_are_told_from_one_long_defect() -> None:
    """Displaced joints come back at each joint; a crack from joint to joint is one crack."""
    assert kind("BAJ", "B", q1="10") == "repeated"
    assert kind("BAJ", "A", q1="10", joint=(True, True)) == "repeated"
    assert kind("BBA", "B", q1="5", joint=(True, True)) == "repeated"
    assert kind("BBF", "A", joint=(True, False)) == "stretch"
    assert kind("BBA", "B", q1="5") == "stretch"
    assert kind("BAB", "B", "B", q1="1", joint=(True, True)) == "repeated"
    assert kind("BAB", "B", "A", q1="1", joint=(True, True)) == "stretch"
    assert kind("BBC", "A", q1="5", joint=(True, True)) == "stretch"


def test_bent_joints_with_too_large_a_figure_may_be_a_sag() -> None:
    """30 "degrees" over a stretch: older files write the depth of a sag in mm so."""
    assert kind("BAJ", "C", q1="2") == "repeated"
    found = defects(
        row(5.0, "BAJ", "C", q1="30", mark="A1"), row(30.0, "BAJ", "C", q1="30", mark="B1")
    )
    assert "may be a sag" in found.iloc[0]["flags"]
    # 10 at the start would pass for degrees; 30 at the end says that neither is one.
    mixed = defects(
        row(5.0, "BAJ", "C", q1="10", mark="A1"), row(30.0, "BAJ", "C", q1="30", mark="B1")
    ).iloc[0]
    assert "may be a sag" in mixed["flags"]
    assert mixed["quantity_high"] != mixed["quantity_high"]


def test_a_doubt_of_the_end_stands_on_the_stretch() -> None:
    """The end lay 0.4 m past the pipe and was set to its end."""
    found = defects(
        row(40.0, "BBC", "A", q1="5", mark="A1"), row(50.4, "BBC", "A", q1="5", mark="B1")
    )
    assert found.iloc[0]["flags"] == "0.40 m past the end of the pipe: set to the end"
    assert found.iloc[0]["x_to_m"] == 50.0
