"""Two surveys of one pipe laid on each other by their laterals."""

from __future__ import annotations

import numpy as np
import pytest

from planner.screening.align import shift_between
from tests.filmed import Row, Town, pipe, row, run


def test_a_real_pair_of_surveys_differs_by_one_shift() -> None:
    """Laterals at 8.1/8.7/9.2/20.8 m in 2001 and 7.5/8.1/8.7/20.2 m in 2010.

    Source: EN text example of Kompetenzzentrum Wasser Berlin (MIT), surveys 21 and 22.
    Differences 0.6, 0.6, 0.5, 0.6: median 0.6.
    A shift of 0 would lay two of them on the wrong neighbour.
    """
    found = shift_between(
        np.array([8.1, 8.7, 9.2, 20.8]), np.array([7.5, 8.1, 8.7, 20.2]), touch_m=0.15
    )
    assert found is not None
    assert found.count == 4
    assert found.shift_m == pytest.approx(0.6)
    assert found.scatter_m == pytest.approx(0.1)


@pytest.mark.parametrize(
    ("own", "other"),
    [
        ([], [5.0, 9.0]),
        ([5.0], [5.2]),  # one lateral says nothing
        ([5.0, 9.0, 14.0], [5.2, 30.0, 40.0]),  # one in common
        ([5.0, 9.0], [8.0, 12.0]),  # 3 m apart: more than zeros can differ by
    ],
)
def test_too_few_in_common_say_nothing(own: list[float], other: list[float]) -> None:
    """Three must agree, or both where there are two."""
    assert shift_between(np.array(own), np.array(other), 0.15) is None


def test_two_of_two_are_enough() -> None:
    """Both laterals moved alike by 0.5 m."""
    found = shift_between(np.array([5.5, 9.5]), np.array([5.0, 9.0]), 0.15)
    assert found is not None
    assert found.shift_m == pytest.approx(0.5)


def survey(name: str, day: str, shift: float, *extra: Row) -> tuple[Row, list[Row]]:
    laterals = [row(x + shift, "BCA", "A", "A", q1="150", clock=3) for x in (8.0, 17.0, 29.0)]
    return run(name, surveyed_m=50.0, date=day, complete=name == "new"), [*laterals, *extra]


def test_the_older_survey_is_moved_and_says_by_how_much() -> None:
    """An older part survey reads 0.6 m too far: its crack at 45.6 m lies at 45.0 m."""
    old = survey("old", "2015-01-01", 0.6, row(45.6, "BAB", "B", "B", q1="2", clock=(12, 12)))
    found = Town([pipe(drawn_m=50.8)], [survey("new", "2025-01-01", 0.0), old]).locate()
    crack = found.defects[found.defects["mechanism"] == "crack"].iloc[0]
    assert crack["x_from_m"] == pytest.approx(45.0)
    assert crack["counter_m"] == 45.6
    said = found.flags[found.flags["key"] == "old"]["what"].tolist()
    assert said == ["laid on new by 3 laterals: moved by -0.60 m along the pipe, scatter 0.00 m"]
    # The laterals of both are the same three.
    assert sorted(found.laterals["x_m"]) == [8.0, 17.0, 29.0]


def test_surveys_without_laterals_in_common_stay_and_say_so() -> None:
    """Laterals elsewhere: nothing is moved."""
    other = (run("old", surveyed_m=50.0, date="2015-01-01"), [row(40.0, "BCA", q1="150", clock=3)])
    found = Town([pipe(drawn_m=50.8)], [survey("new", "2025-01-01", 0.0), other]).locate()
    assert found.flags[found.flags["key"] == "old"]["what"].tolist() == [
        "not laid on new: too few laterals in common"
    ]
