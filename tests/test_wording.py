"""Figures and cautions as they are printed."""

from __future__ import annotations

import pytest

from planner.contracts.repairs import STEPS
from planner.outputs.wording import (
    CAUTIONS,
    STEP_WORDS,
    cautions_for,
    clock,
    hours,
    metres,
    size,
)


@pytest.mark.parametrize(
    ("seconds", "words"),
    [(0, "00:00"), (25_200, "07:00"), (25_229, "07:00"), (25_231, "07:01"), (90_000, "01:00 +1 d")],
)
def test_a_time_of_day_is_printed_to_the_minute(seconds: int, words: str) -> None:
    """25 200 s = 7 x 3600 s; beyond midnight the day is said."""
    assert clock(seconds) == words


def test_lengths_and_sizes_in_the_units_of_the_project() -> None:
    """1 ft = 0.3048 m and 1 in = 25.4 mm exactly: 3.048 m are 10 ft, 203.2 mm are 8 in."""
    assert metres(3.048) == "3.05 m"
    assert metres(3.048, "us") == "10.0 ft"
    assert size(203.2, "us") == "8 in"
    assert size(200.0) == "DN 200"
    assert metres(float("nan")) == "not known"
    assert hours(5400) == "1 h 30 min"


def test_every_step_has_words() -> None:
    """A step without words would be printed by its code name."""
    assert set(STEPS) == set(STEP_WORDS)


def test_the_works_of_a_day_call_for_their_cautions() -> None:
    """A light-cured sleeve day: entry, traffic, pressure, resin, light, outage, and who decides."""
    lines = cautions_for({"sleeve", "reopen", "verify"}, {"light"})
    expected = ("entry", "traffic", "pressure", "resin", "light", "outage", "rule")
    assert lines == [CAUTIONS[name] for name in expected]
    assert CAUTIONS["jetting"] in cautions_for({"clean"}, set())
    assert CAUTIONS["light"] not in cautions_for({"sleeve"}, {"ambient"})
