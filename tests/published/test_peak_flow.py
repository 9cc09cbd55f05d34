"""Peak factors and infiltration against closed forms; no page's printed example is used.

Of the printed examples found, one gives 3.292 for 25 000 persons under Harmon's name (it is
2.556) and another a product that is wrong: neither is a check.
"""

from __future__ import annotations

import numpy as np
import pytest

from planner.ground.flow import (
    BABBITT_FROM_PERSONS,
    BABBITT_TO_PERSONS,
    average_flow_l_s,
    babbitt_factor,
    gifft_least_factor,
    gifft_most_factor,
    gifft_span_factor,
    harmon_factor,
    hold_back_s,
    infiltration_by_area_l_s,
    infiltration_by_length_l_s,
    peak_factors,
)

PERSONS = np.array([1.0, 500, 1_000, 4_000, 10_000, 25_000, 60_000, 100_000, 2_000_000])


def test_harmon_in_its_two_forms() -> None:
    """1 + 14 / (4 + sqrt P) = (18 + sqrt P) / (4 + sqrt P), to 1e-12; 2.5556 at P = 25.

    References
    ----------
    .. [1] Second form: Fair and Geyer, as public pages quote it. P in thousands.
    """
    root = np.sqrt(PERSONS / 1000)
    assert harmon_factor(PERSONS) == pytest.approx((18 + root) / (4 + root), rel=1e-12)
    assert harmon_factor(25_000) == pytest.approx(23 / 9, rel=1e-12)


def test_gifft_hangs_together() -> None:
    """Greatest / average over least / average is greatest / least: 11.604 at P = 10, 1e-9.

    References
    ----------
    .. [1] Fair, Geyer, Okun, Water and Wastewater Engineering, p. 145, eqs 4.23-4.26.
    """
    span = gifft_most_factor(PERSONS) / gifft_least_factor(PERSONS)
    assert span == pytest.approx(gifft_span_factor(PERSONS), rel=1e-9)
    assert gifft_span_factor(10_000) == pytest.approx(11.604, abs=5e-4)


def test_babbitt_holds_between_its_ends_only() -> None:
    """5 / P^0.2 by hand: 5 at 1 000, 5 / 2 at 32 000; 1.0 at 5^5 = 3 125 thousand, floored."""
    found = babbitt_factor([1_000, 32_000, BABBITT_TO_PERSONS, 9e6])
    assert found == pytest.approx([5.0, 2.5, 1.0, 1.0], rel=1e-12)
    assert np.isnan(babbitt_factor([0.0, BABBITT_FROM_PERSONS - 1, np.nan])).all()
    assert babbitt_factor(9e6, 1.5) == 1.5
    assert harmon_factor(1e12, 1.5) == 1.5


def test_below_a_thousand_persons_harmon_alone() -> None:
    """At 1 person 1 + 14 / (4 + sqrt 0.001) = 4.4902; never above 4.5; both from 1 000 up."""
    low, high = peak_factors([0.0, 1.0, 1_000, np.nan], 1.0)
    assert low == pytest.approx([4.5, 1 + 14 / (4 + 0.001**0.5), 3.8, np.nan], nan_ok=True)
    assert high == pytest.approx([4.5, low[1], 5.0, np.nan], nan_ok=True)


def test_average_flow_and_infiltration_by_hand() -> None:
    """864 persons x 200 l x 0.8 / 86 400 s = 1.6 l/s; 2.5 km x 0.2; 3 ha x 0.1."""
    assert average_flow_l_s(864, 200, 0.8) == pytest.approx(1.6, rel=1e-12)
    assert np.isnan(average_flow_l_s(np.nan, 200, 0.8))
    assert infiltration_by_length_l_s(2_500, 0.2) == pytest.approx(0.5, rel=1e-12)
    assert infiltration_by_area_l_s(30_000, 0.1) == pytest.approx(0.3, rel=1e-12)


def test_hold_back_time_by_hand() -> None:
    """1.8 m3 at 0.5 l/s: 3 600 s; nothing flowing is no answer."""
    found = hold_back_s([1.8, 1.8], [0.5, 0.0])
    assert found == pytest.approx([3600, np.nan], nan_ok=True)
