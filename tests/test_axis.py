"""How long a pipe is from wall to wall, and when nothing is placed on it."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from planner.contracts import INSPECTIONS, PIPES
from planner.held import Held
from planner.screening.axis import (
    count_runs,
    net_lengths,
    set_lengths,
    wall_part,
    wall_to_wall,
)
from planner.screening.match import Flags, match_inspections
from tests.filmed import SETTINGS, Row, Town, pipe, run, settings


def axis(pipe_row: Row, *runs: Row) -> tuple[pd.Series, list[str]]:
    town = Town([pipe_row], [(one, []) for one in runs])
    flags = Flags()
    matched = match_inspections(town.pipe_table(), town.run_table(), flags)
    pipes, heads = Held.of(town.pipe_table(), PIPES), Held.of(matched.inspections, INSPECTIONS)
    counted = count_runs(heads, pipes, SETTINGS)
    found = set_lengths(pipes, heads, counted, matched.fit, SETTINGS, flags)
    one = {
        "length_m": found.length_m[0],
        "length_from": found.origin.tolist()[0],
        "length_doubt_m": found.doubt_m[0],
        "placing": found.placing.tolist()[0],
    }
    return pd.Series(one), [what for _, what in flags.rows]


def test_a_complete_survey_gives_the_length() -> None:
    """Surveyed 50.0 m before stated 55 m before drawn 50.8 m."""
    found, _ = axis(pipe(stated_m=55.0, drawn_m=50.8), run(surveyed_m=50.0))
    assert (found["length_m"], found["length_from"], found["placing"]) == (50.0, "survey", "ok")
    # Doubt: the larger of 0.3 m and 0.5 % of 50 m = 0.25 m.
    assert found["length_doubt_m"] == 0.3


def test_doubt_of_a_long_survey_is_half_a_percent() -> None:
    """0.5 % of 100 m = 0.5 m, more than 0.3 m."""
    found, _ = axis(pipe(), run(surveyed_m=100.0))
    assert found["length_doubt_m"] == pytest.approx(0.5)


def test_a_part_survey_gives_no_length() -> None:
    """A run given up at 20 m does not make the pipe 20 m long."""
    found, _ = axis(pipe(stated_m=50.0), run(surveyed_m=20.0, complete=False))
    assert (found["length_m"], found["length_from"]) == (50.0, "stated")
    # Where a listed length ends is unknown: 0.4 m at each end.
    assert found["length_doubt_m"] == pytest.approx(0.8)


def test_drawn_length_loses_the_manholes() -> None:
    """Drawn 40 m from centre to centre: 40 - 2 x 0.4 = 39.2 m from wall to wall."""
    found, _ = axis(pipe(drawn_m=40.0))
    assert (found["length_m"], found["length_from"]) == (pytest.approx(39.2), "drawn")
    bare = np.array([40.0, 0.5, np.nan])
    assert wall_to_wall(bare, SETTINGS).tolist()[:2] == [pytest.approx(39.2), 0.5]
    assert wall_to_wall(bare, settings(drawn_to="wall")).tolist()[:2] == [40.0, 0.5]


def test_the_newest_complete_survey_counts_and_the_others_widen_the_doubt() -> None:
    """49.5 m in 2024 against 49.1 m in 2010: length 49.5 m, doubt 0.4 m (> 0.3 m)."""
    found, _ = axis(
        pipe(),
        run("old", surveyed_m=49.1, date="2010-05-01"),
        run("new", surveyed_m=49.5, date="2024-05-01"),
        run("none", surveyed_m=49.9, date=""),
    )
    assert found["length_m"] == 49.5
    # The undated run is the oldest, and differs from the shortest by 49.9 - 49.1 = 0.8 m.
    assert found["length_doubt_m"] == pytest.approx(0.8)


def test_a_survey_that_cannot_be_this_pipe_gives_way_to_an_older_one() -> None:
    """164 ft written as metres against 50 m drawn: the older 50 m is the better survey."""
    found, _ = axis(
        pipe(drawn_m=50.8),
        run("feet", surveyed_m=164.0, date="2025-05-01"),
        run("good", surveyed_m=50.0, date="2015-05-01"),
    )
    assert (found["length_m"], found["placing"]) == (50.0, "ok")


@pytest.mark.parametrize(
    ("surveyed", "drawn", "placing"),
    [
        # Up to 75 m 1.5 m flags (2 % of 75 = 1.5); drawn less 0.8 m is what is compared.
        (50.0, 52.3, "ok"),  # 51.5 - 50 = 1.5, not more
        (50.0, 52.4, "flagged"),  # 1.6 > 1.5
        (50.0, 48.2, "flagged"),  # 47.4: 2.6 > 1.5
        (100.0, 102.8, "ok"),  # 2.0 = 2 % of 100
        (100.0, 102.9, "flagged"),  # 2.1 > 2.0
        # Up to 30 m 3 m stops (10 % of 30 = 3).
        (20.0, 23.8, "flagged"),  # 3.0, not more
        (20.0, 23.9, "stopped"),  # 3.1 > 3.0
        (100.0, 110.8, "flagged"),  # 10.0 = 10 % of 100
        (100.0, 110.9, "stopped"),  # 10.1 > 10.0
    ],
)
def test_mismatch_flags_and_stops(surveyed: float, drawn: float, placing: str) -> None:
    """Flagged beyond max(1.5 m, 2 %), stopped beyond max(3 m, 10 %), manholes taken off."""
    found, flags = axis(pipe(drawn_m=drawn), run(surveyed_m=surveyed))
    assert found["placing"] == placing
    assert bool(flags) == (placing != "ok")


def test_the_flag_says_both_lengths_and_the_limit() -> None:
    """Surveyed 20 m, drawn 24 m - 0.8 = 23.2 m: 3.2 m apart, 3.0 m allowed."""
    _, flags = axis(pipe(drawn_m=24.0), run(surveyed_m=20.0))
    assert flags == [
        "surveyed 20.00 m, drawn 23.20 m from wall to wall: they differ by 3.20 m, more than "
        "3.00 m; nothing is placed on it"
    ]


def test_a_pipe_without_any_length_is_stopped() -> None:
    """No complete survey, nothing stated, nothing drawn."""
    found, flags = axis(pipe(), run(surveyed_m=20.0, complete=False))
    assert (found["length_from"], found["placing"]) == ("none", "stopped")
    assert np.isnan(found["length_m"])
    assert "its length is unknown" in flags[0]


def test_a_listed_length_that_differs_is_flagged_only() -> None:
    """Stated 50 m is 48 m + both manholes or near it; stated 60 m is neither."""
    assert axis(pipe(stated_m=50.0), run(surveyed_m=48.0))[1] == []
    found, flags = axis(pipe(stated_m=60.0), run(surveyed_m=48.0))
    assert flags == ["surveyed 48.00 m, but the list says 60.00 m"]
    assert found["placing"] == "ok"


def test_a_run_towards_another_node_gives_no_length() -> None:
    """It may have passed a manhole that the network does not know."""
    found, _ = axis(pipe(stated_m=50.0), run(surveyed_m=90.0, end_node="Z"))
    assert found["length_from"] == "stated"


def test_net_length_takes_the_manholes_off_a_centre_zero() -> None:
    """39.8 m from centre to centre is 39.0 m between walls; a part run loses one half only."""
    heads = [
        run("a", surveyed_m=39.8, zero_at="centre"),
        run("b", surveyed_m=20.0, zero_at="centre", complete=False),
        run("c", surveyed_m=39.8, zero_at="wall"),
        run("d", surveyed_m=0.1, zero_at="centre", complete=False),
    ]
    table = Held.of(Town([], [(one, []) for one in heads]).run_table(), INSPECTIONS)
    part = wall_part(table, SETTINGS)
    assert net_lengths(table, part).tolist() == pytest.approx([39.0, 19.6, 39.8, 0.0])
