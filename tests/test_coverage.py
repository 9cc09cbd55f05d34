"""What cameras saw, what they did not, and which rows a newer run has overtaken."""

from __future__ import annotations

import numpy as np
import pytest

from planner.screening.coverage import join_parts
from tests.filmed import Located, Row, Town, pipe, row, run

CRACK = {"code": "BAB", "char1": "B", "char2": "B", "q1": "2", "clock": (12, 12)}


def crack(s_m: float) -> Row:
    return row(s_m, **CRACK)


def filmed(*runs: tuple[Row, list[Row]]) -> Located:
    return Town([pipe(stated_m=50.0, drawn_m=50.8)], list(runs)).locate()


def older(found: Located) -> list[bool]:
    cracks = found.defects[found.defects["mechanism"] == "crack"].sort_values("observation_id")
    return cracks["flags"].str.startswith("older survey").tolist()


def unseen(found: Located) -> list[str]:
    flags = found.flags[found.flags["what"].str.contains("unseen")]
    return [what.partition(":")[0] for what in flags["what"]]


def test_a_newer_complete_survey_rules_the_whole_pipe() -> None:
    """What the 2015 run saw, the 2025 run has seen again."""
    found = filmed(
        (run("new", surveyed_m=50.0, date="2025-01-01"), [crack(10.0)]),
        (run("old", surveyed_m=50.0, date="2015-01-01"), [crack(40.0)]),
    )
    assert older(found) == [False, True]
    assert "older survey: new of 2025-01-01 saw the place again" in set(found.defects["flags"])


def test_a_newer_part_survey_rules_only_what_it_saw() -> None:
    """Given up at 30 m from U: the older row at 20 m is overtaken, the one at 40 m is not."""
    found = filmed(
        (run("new", surveyed_m=30.0, date="2025-01-01", complete=False), [crack(10.0)]),
        (run("old", surveyed_m=50.0, date="2015-01-01"), [crack(20.0), crack(40.0)]),
    )
    assert older(found) == [False, True, False]


def test_a_newer_part_survey_from_the_far_end_rules_the_far_end() -> None:
    """30 m from D is x = 20 to 50."""
    found = filmed(
        (run("new", start="D", surveyed_m=30.0, date="2025-01-01", complete=False), [crack(1.0)]),
        (run("old", surveyed_m=50.0, date="2015-01-01"), [crack(10.0), crack(40.0)]),
    )
    assert older(found) == [False, False, True]


@pytest.mark.parametrize("days", [("2025-01-01", "2025-01-01"), ("", "")])
def test_surveys_of_one_day_overtake_nothing(days: tuple[str, str]) -> None:
    """Which is newer cannot be told: the rows of both count."""
    found = filmed(
        (run("a", surveyed_m=50.0, date=days[0]), [crack(10.0)]),
        (run("b", surveyed_m=50.0, date=days[1]), [crack(40.0)]),
    )
    assert older(found) == [False, False]
    assert any("all rows count" in what for what in found.flags["what"])


def test_an_undated_survey_is_older_than_any_dated_one() -> None:
    """No date proves nothing new."""
    found = filmed(
        (run("a", surveyed_m=50.0, date=""), [crack(10.0)]),
        (run("b", surveyed_m=50.0, date="2001-01-01"), [crack(40.0)]),
    )
    assert older(found) == [True, False]


def test_an_empty_survey_overtakes_nothing() -> None:
    """A run without rows is no proof that the pipe has healed."""
    found = filmed(
        (run("new", surveyed_m=50.0, date="2025-01-01"), []),
        (run("old", surveyed_m=50.0, date="2015-01-01"), [crack(40.0)]),
    )
    assert older(found) == [False]
    assert "no coded rows: it proves nothing about its pipe" in set(found.flags["what"])


def test_what_no_camera_saw_is_flagged() -> None:
    """20 m from U and 25 m from D on 50 m: 20 to 25 m stay unseen."""
    up = (run("a", surveyed_m=20.0, complete=False), [crack(1.0)])
    down = (run("b", start="D", surveyed_m=25.0, complete=False), [crack(1.0)])
    assert unseen(filmed(up, down)) == ["no camera saw it from 20.00 to 25.00 m"]
    assert unseen(filmed(up)) == ["no camera saw it from 20.00 to 50.00 m"]
    assert unseen(filmed(down)) == ["no camera saw it from 0.00 to 25.00 m"]


def test_two_part_surveys_that_meet_leave_nothing_unseen() -> None:
    """20 m from U and 31 m from D together cover 51 of 50 m."""
    up = (run("a", surveyed_m=20.0, complete=False), [crack(1.0)])
    down = (run("b", start="D", surveyed_m=31.0, complete=False), [crack(1.0)])
    assert unseen(filmed(up, down)) == []


def test_stretches_are_joined_where_they_meet() -> None:
    """Overlapping and touching ones become one, in order."""
    starts, ends = np.array([30.0, 0.0, 10.0, 40.0]), np.array([35.0, 10.0, 20.0, 50.0])
    assert join_parts(starts, ends) == [(0.0, 20.0), (30.0, 35.0), (40.0, 50.0)]
