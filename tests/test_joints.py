"""Where the joints are along which a defect comes back."""

from __future__ import annotations

import numpy as np
import pytest

from planner.screening.joints import joints_within

NONE: list[float] = []


def joints(
    start: float, end: float, seen: list[float], unit: float = np.nan
) -> tuple[list[float], bool]:
    places, coded = joints_within((start, end), np.array(seen), unit, touch_m=0.15)
    return places.round(6).tolist(), coded


def test_the_pipe_unit_gives_a_joint_every_unit() -> None:
    """Units of 2.5 m from us_node: joints at 5, 7.5, 10 and 12.5 m within 4 to 13 m."""
    assert joints(4.0, 13.0, NONE, 2.5) == ([5.0, 7.5, 10.0, 12.5], False)


def test_units_are_counted_from_a_joint_that_was_coded() -> None:
    """A joint coded at 6.2 m: 3.7 lies outside 4 to 13 m; 6.2, 8.7, 11.2 lie inside."""
    assert joints(4.0, 13.0, [6.2], 2.5) == ([6.2, 8.7, 11.2], False)
    # One outside the stretch anchors as well: 1.2 + 2.5 k = 6.2, 8.7, 11.2.
    assert joints(4.0, 13.0, [1.2], 2.5) == ([6.2, 8.7, 11.2], False)


def test_joints_that_were_all_coded_are_taken_as_coded() -> None:
    """No gap above 1.5 x 2.5 = 3.75 m: the coded stations count, not the grid."""
    assert joints(4.0, 13.0, [5.1, 7.5, 10.2, 12.4], 2.5) == ([5.1, 7.5, 10.2, 12.4], True)
    # 7.5 to 12.4 is 4.9 m: one was left out, so the grid from 5.1 m on counts.
    assert joints(4.0, 13.0, [5.1, 7.5, 12.4], 2.5) == ([5.1, 7.6, 10.1, 12.6], False)


def test_without_a_unit_enough_coded_joints_say_it() -> None:
    """Three or more, evenly spaced, reaching from end to end."""
    assert joints(4.0, 11.0, [5.0, 7.0, 9.0]) == ([5.0, 7.0, 9.0], True)
    assert joints(4.0, 11.0, [5.0, 9.0]) == ([], False)  # two say nothing
    assert joints(4.0, 30.0, [5.0, 7.0, 9.0]) == ([], False)  # 21 m without one


def test_unknown_joints_stay_unknown() -> None:
    """Neither rows nor a unit, or a unit too short to be one."""
    assert joints(4.0, 13.0, NONE) == ([], False)
    assert joints(4.0, 13.0, NONE, 0.05) == ([], False)


def test_rows_at_one_joint_are_one_joint() -> None:
    """Two rows 0.1 m apart are the same joint."""
    assert joints(4.0, 11.0, [5.0, 5.1, 7.0, 9.0]) == ([5.0, 7.0, 9.0], True)


@pytest.mark.parametrize("unit", [0.5, 1.0, 2.5])
def test_a_stretch_shorter_than_a_unit_may_hold_no_joint(unit: float) -> None:
    """From 5.1 to 5.3 m there is none at whole or half metres."""
    assert joints(5.1, 5.3, NONE, unit) == ([], False)
