"""Continuous codes are paired by number."""

from __future__ import annotations

import pandas as pd

from planner.coded_text import columns_of
from planner.screening.pairs import Pairs, pair_stretches


def pairs(*rows: tuple[float, str, str], runs: str = "") -> Pairs:
    """Each row is station, code, mark; `runs` names the run of each row by one letter."""
    frame = pd.DataFrame(rows, columns=["s_m", "code", "stretch"])
    frame["inspection_id"] = list(runs or "I" * len(rows))
    frame["row"] = range(2, len(rows) + 2)
    return pair_stretches(columns_of(frame))


def test_stretches_interleave() -> None:
    """A1, A2, B2, B1: each end finds the start of its number."""
    found = pairs((4.4, "BAB", "A1"), (5.0, "BBA", "A2"), (6.0, "BBA", "B2"), (9.1, "BAB", "B1"))
    assert found.closed_by.tolist() == [3, 2, -1, -1]
    assert found.ends.tolist() == [False, False, True, True]
    assert not found.lonely.any()
    assert set(found.doubts) == {""}


def test_row_order_does_not_matter() -> None:
    """The end may stand before its start in the file: stations decide."""
    found = pairs((9.1, "BAB", "B1"), (4.4, "BAB", "A1"))
    assert found.closed_by.tolist() == [-1, 0]


def test_numbers_restart_in_each_run() -> None:
    """A1 of one run is not ended by B1 of another."""
    found = pairs((4.4, "BAB", "A1"), (9.1, "BAB", "B1"), runs="IJ")
    assert found.closed_by.tolist() == [-1, -1]
    assert found.opens.tolist() == [True, False]
    assert found.lonely.tolist() == [False, True]


def test_a_number_is_used_again_once_closed() -> None:
    """A1 4 - B1 7, and A1 7 - B1 9 at the same station, in whatever file order."""
    found = pairs((4.0, "BAB", "A1"), (7.0, "BAB", "A1"), (7.0, "BAB", "B1"), (9.0, "BAB", "B1"))
    assert found.closed_by.tolist() == [2, 3, -1, -1]


def test_a_stretch_of_no_length_is_paired() -> None:
    """Start and end at one station."""
    found = pairs((7.0, "BAB", "B1"), (7.0, "BAB", "A1"))
    assert found.closed_by.tolist() == [-1, 0]
    assert not found.lonely.any()


def test_one_number_for_two_codes_is_told_apart_by_code() -> None:
    """Two stretches share the number 1; the codes say which end is whose."""
    found = pairs((1.0, "BAB", "A1"), (2.0, "BBC", "A1"), (3.0, "BAB", "B1"), (4.0, "BBC", "B1"))
    assert found.closed_by.tolist() == [2, 3, -1, -1]


def test_an_end_of_another_code_closes_with_a_doubt() -> None:
    """One open start of that number: it is closed, and both rows say what is odd."""
    found = pairs((1.0, "BAB", "A1"), (3.0, "BBC", "B1"))
    assert found.closed_by.tolist() == [1, -1]
    assert set(found.doubts) == {"stretch 1 starts as BAB and ends as BBC"}


def test_changes_on_the_way() -> None:
    """C1 inside its stretch is a change, outside a point with a doubt."""
    found = pairs((1.0, "BDD", "A1"), (2.0, "BDD", "C1"), (3.0, "BDD", "B1"), (4.0, "BDD", "C1"))
    assert found.change.tolist() == [False, True, False, False]
    assert found.doubts[3] == "change of stretch 1 that is not open: taken as a point"


def test_an_unreadable_mark_leaves_a_point() -> None:
    """What is neither A, B nor C is said and opens nothing."""
    found = pairs((1.0, "BAB", "S01"), (2.0, "BAB", "  "))
    assert not found.opens.any()
    assert found.doubts.tolist() == ["continuous mark 'S01' not read: taken as a point", ""]


def test_marks_are_read_with_zeros_small_letters_and_without_number() -> None:
    """A01 and b1 belong together, and so do A and B."""
    found = pairs((1.0, "BAB", "A01"), (2.0, "BAB", "b1"), (3.0, "BBA", "A"), (4.0, "BBA", "B"))
    assert found.closed_by.tolist() == [1, -1, 3, -1]
