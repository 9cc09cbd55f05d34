"""Half manholes are learned where a survey shows them, by hand calculation."""

from __future__ import annotations

import pytest
from filmed import Town, pipe, row, run

SEEN = [row(10.0, "BAB", "C", q1="6")]


def listed(*stated: float, surveyed: tuple[float, ...]) -> Town:
    """Pipes with listed lengths; the last one is not surveyed to its end."""
    pipes = [
        pipe(f"P{n}", f"N{n}", f"N{n + 1}", stated_m=length, drawn_m=length)
        for n, length in enumerate(stated)
    ]
    runs = [
        (run(f"I{n}", f"P{n}", f"N{n}", surveyed_m=length), SEEN)
        for n, length in enumerate(surveyed)
    ]
    last = len(stated) - 1
    part = run("last", f"P{last}", f"N{last + 1}", surveyed_m=15.0, complete=False)
    return Town(pipes, [*runs, (part, SEEN)])


def test_a_list_that_exceeds_surveys_by_the_same_length_runs_centre_to_centre() -> None:
    """40.0, 30.0, 25.1 against 39.0, 29.0, 24.0: 1.0 m more; the fourth, 32.5, is 31.5 inside."""
    found = listed(40.0, 30.0, 25.1, 32.5, surveyed=(39.0, 29.0, 24.0)).locate()
    length = found.pipes.set_index("pipe_id")["length_m"]
    assert length["P3"] == pytest.approx(31.5)
    defect = found.defects[found.defects["pipe_id"] == "P3"].iloc[0]
    assert defect["x_from_m"] == pytest.approx(31.5 - 10.0)
    told = dict(zip(found.flags["key"], found.flags["what"], strict=True))
    assert "1.00 m more than from wall to wall, alike on 3" in told["listed lengths"]
    assert any("two half manholes" in what for what in found.flags["what"])


def test_a_list_shorter_than_two_half_manholes_tells_no_length() -> None:
    """1.0 m more on three pipes; the fourth is listed 0.7 m: -0.3 m inside is no length.

    It has no other: nothing is placed on it, and the other pipes are as they are without it.
    """
    town = listed(40.0, 30.0, 25.1, 0.7, surveyed=(39.0, 29.0, 24.0))
    del town.pipes[3]["drawn_m"]
    found = town.locate()
    assert found.pipes.set_index("pipe_id")["length_from"].tolist() == ["survey"] * 3 + ["none"]
    assert found.defects["pipe_id"].tolist() == ["P0", "P1", "P2"]
    told = found.flags.loc[found.flags["key"] == "P3", "what"].tolist()
    assert "listed 0.70 m: shorter than its two half manholes, no length" in told


@pytest.mark.parametrize(
    ("stated", "surveyed"),
    [
        ((40.0, 30.0, 25.0, 32.5), (40.0, 30.0, 25.1)),  # the same: wall to wall
        ((40.0, 30.0, 25.0, 32.5), (39.2, 28.5, 25.0)),  # no two alike
        ((40.0, 30.0, 25.0, 32.5), (36.0, 26.0, 21.0)),  # more than two half manholes
    ],
)
def test_other_differences_prove_nothing(stated, surveyed) -> None:
    found = listed(*stated, surveyed=surveyed).locate()
    assert found.pipes.set_index("pipe_id")["length_m"]["P3"] == pytest.approx(32.5)


def test_two_whole_runs_of_one_pipe_show_the_half_manhole() -> None:
    """38.8 m from wall to wall, 39.8 m from centre to centre: 0.5 m at each end."""
    old = run("old", start="D", surveyed_m=39.8, zero_at="centre", date="2020-06-01")
    new = run("new", surveyed_m=38.8)
    town = Town([pipe(stated_m=39.8)], [(new, SEEN), (old, [row(12.9, "BAC", "A", q1="150")])])
    found = town.locate().defects.set_index("inspection_id")
    assert found.loc["old", "x_from_m"] == pytest.approx(38.8 - (12.9 - 0.5))
