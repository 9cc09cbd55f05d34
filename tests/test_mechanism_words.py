"""Keys of mechanisms in sentences, as a person reads them."""

from __future__ import annotations

import pytest

from planner.ground.codes import roles
from planner.ground.mechanism_words import in_words


@pytest.mark.parametrize(
    ("kept", "read"),
    [
        ("deposit_settled in the pipe", "deposit settled in the pipe"),
        ("open joint with joint_gap+roots", "open joint with joint gap, roots"),
        ("break+infiltration+surface_loss: no code", "break, infiltration, surface loss: no code"),
        ("the wall is broken: missing_wall", "the wall is broken: missing wall"),
        ("crack_surface, water_level.", "crack surface, water level."),
        # What is no key, or a part of a longer name, stays as it is.
        ("deposit_pct 20, offset_mm not known", "deposit_pct 20, offset_mm not known"),
        ("rule refer-joint_gap-wide", "rule refer-joint_gap-wide"),
        ("file joint_gap.csv, pipe joint_gap_2", "file joint_gap.csv, pipe joint_gap_2"),
        ("a+b, roots+b", "a+b, roots+b"),
        ("", ""),
    ],
)
def test_keys_become_words_and_nothing_else(kept: str, read: str) -> None:
    """Written by hand."""
    assert in_words(kept) == read


def test_each_mechanism_is_read_without_underscores() -> None:
    """Also the longer of two where one begins the other, as crack and crack_surface do."""
    joined = "+".join(roles())
    assert in_words(f"seen: {joined}") == f"seen: {', '.join(roles()).replace('_', ' ')}"
