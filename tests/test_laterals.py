"""The connections of each pipe, once each, and where they are known."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from tests.filmed import Row, Town, pipe, row, run

SEEN = row(20.0, "BCA", "A", "A", q1="150", clock=3)


def listed(x_m: float, source: str = "network", **more: object) -> Row:
    base = {"lateral_id": f"L{x_m:g}", "pipe_id": "P", "x_m": x_m, "state": "unknown"}
    return {**base, "source": source, **more}


def laterals(coded: list[Row], *known: Row, **head: object) -> pd.DataFrame:
    whole = {"surveyed_m": 50.0, **head}
    found = Town([pipe(drawn_m=50.8)], [(run(**whole), coded)], list(known)).locate()
    return found.laterals.sort_values("x_m").reset_index(drop=True)


def test_a_filmed_lateral_is_mirrored_and_measured() -> None:
    """From D: 20 m is x = 30; 3 h seen upstream is 9 h seen downstream; letter A = open."""
    found = laterals([SEEN], start="D").iloc[0]
    assert (found["x_m"], found["clock_h"], found["size_mm"]) == (30.0, 9.0, 150.0)
    assert (found["state"], found["source"], found["lateral_id"]) == ("open", "I", "P at 30.00 m")


def test_closed_and_unknown_states() -> None:
    """Letter B = closed; no letter = unknown, which counts as live."""
    found = laterals([row(10.0, "BCA", "A", "B"), row(20.0, "BCA", "A")])
    assert list(found["state"]) == ["closed", "unknown"]
    assert found["size_mm"].isna().all()


def test_a_network_lateral_is_rescaled() -> None:
    """25.4 m along 50.8 m drawn is half the pipe: 25 m of 50 m; a listed x is real."""
    found = laterals([], listed(25.4), listed(40.0, "list"))
    assert found["x_m"].tolist() == pytest.approx([25.0, 40.0])


def test_one_lateral_in_network_and_film_is_one() -> None:
    """Drawn at 20.5 m = 20.18 m real, seen at 20.0 m: one, whose size the network adds."""
    seen = row(20.0, "BCA", "A", "A", clock=3)
    found = laterals([seen], listed(20.5, size_mm=125.0, clock_h=3.0))
    assert found["x_m"].tolist() == [20.0]
    assert found["size_mm"].tolist() == [125.0]
    assert found["source"].tolist() == ["I+network"]


def test_a_network_lateral_the_camera_did_not_code_is_kept_and_flagged() -> None:
    """Two metres away it is another; the camera coded laterals there, so it is doubtful."""
    found = Town([pipe(drawn_m=50.8)], [(run(surveyed_m=50.0), [SEEN])], [listed(22.86)]).locate()
    assert sorted(found.laterals["x_m"]) == pytest.approx([20.0, 22.5])
    assert "lateral at 22.50 m of P is listed" in found.flags.set_index("key")["what"]["L22.86"]


def test_two_sides_of_the_pipe_are_two_laterals() -> None:
    """At one station, at 3 h and at 9 h."""
    found = laterals([SEEN], listed(20.32, clock_h=9.0))
    assert len(found) == 2
    assert len(laterals([SEEN, row(20.0, "BCA", "A", "A", q1="150", clock=9)])) == 2


def test_eleven_and_one_are_one_side() -> None:
    """Two hours apart through twelve."""
    seen = row(20.0, "BCA", "A", "A", clock=11)
    assert len(laterals([seen], listed(20.32, clock_h=1.0))) == 1


def test_each_seen_lateral_takes_the_nearest_listed_one_only() -> None:
    """Two listed within reach of one seen: the nearer is it, the other is kept."""
    found = laterals([SEEN], listed(20.4), listed(20.5))
    assert found["lateral_id"].tolist() == ["P at 20.00 m", "L20.5"]


def test_damage_at_a_connection_implies_one() -> None:
    """An intruding connection without its own row is a lateral of unknown size."""
    found = laterals([row(12.0, "BAG", q1="10", clock=3)])
    assert found["x_m"].tolist() == [12.0]
    assert np.isnan(found["size_mm"][0])
    assert len(laterals([SEEN, row(20.1, "BAG", q1="10", clock=3)])) == 1


def test_two_laterals_of_one_run_close_together_are_two() -> None:
    """A camera that codes both means both."""
    second = row(20.2, "BCA", "A", "A", q1="150", clock=3)
    assert laterals([SEEN, second])["x_m"].tolist() == [20.0, 20.2]


def test_one_lateral_seen_from_both_ends_is_one() -> None:
    """Part surveys of one day overlap: x = 25.0 and 50 - 24.8 = 25.2 m."""
    both = [
        (run("a", surveyed_m=27.0, complete=False), [row(25.0, "BCA", clock=3)]),
        (run("b", start="D", surveyed_m=27.0, complete=False), [row(24.8, "BCA", clock=9)]),
    ]
    found = Town([pipe(stated_m=50.0)], both).locate().laterals
    assert len(found) == 1


def test_laterals_of_an_older_survey_count_where_the_newer_coded_none() -> None:
    """A newer run that did not code connections proves none away."""
    old = (run("old", surveyed_m=50.0, date="2015-01-01"), [SEEN])
    for coded, count in (("yes", 0), ("unknown", 1)):
        head = run("new", surveyed_m=50.0, date="2025-01-01", laterals_coded=coded)
        new = (head, [row(0.0, "BCD")])
        assert len(Town([pipe(drawn_m=50.8)], [new, old]).locate().laterals) == count


def test_where_laterals_are_known() -> None:
    """A part survey of 20 m from D that coded connections: known from 30 to 50 m."""
    coded = [row(1.0, "BCA")]
    known = ["laterals_known_from_m", "laterals_known_to_m"]
    head = run(start="D", surveyed_m=20.0, complete=False)
    found = Town([pipe(stated_m=50.0)], [(head, coded)]).locate()
    assert found.pipes[known].iloc[0].tolist() == [30.0, 50.0]
    blind = {**head, "laterals_coded": "unknown"}
    found = Town([pipe(stated_m=50.0)], [(blind, coded)]).locate()
    assert found.pipes[known].iloc[0].isna().all()


def test_two_known_parts_apart_keep_the_longer_and_say_so() -> None:
    """0 to 10 m and 30 to 50 m: one pair of columns holds the longer."""
    runs = [
        (run("a", surveyed_m=10.0, complete=False), [row(1.0, "BCA")]),
        (run("b", start="D", surveyed_m=20.0, complete=False), [row(1.0, "BCA")]),
    ]
    found = Town([pipe(stated_m=50.0)], runs).locate()
    assert found.pipes["laterals_known_from_m"][0] == 30.0
    assert any("known from 0.00 to 10.00 m as well" in what for what in found.flags["what"])


def test_laterals_that_cannot_be_placed_are_left_over() -> None:
    """An unknown pipe, a place beyond the pipe, a stopped pipe: each with its reason."""
    town = Town(
        [pipe(drawn_m=50.8), pipe("Q", "A", "B")],
        [(run(surveyed_m=50.0), [])],
        [
            listed(60.0, "list"),
            listed(1.0, pipe_id="nobody"),
            listed(2.0, pipe_id="Q"),
        ],
    )
    found = town.locate()
    assert found.laterals.empty
    reasons = found.left_over.set_index("key")["reason"]
    assert reasons["L60"] == "60.00 m, but pipe P is 50.00 m long"
    assert reasons["L1"] == "pipe 'nobody' is not in the network"
    assert "nothing is placed on pipe Q" in reasons["L2"]
