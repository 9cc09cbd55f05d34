"""Times of a sleeve from its system's table."""

from __future__ import annotations

import pytest

from planner.contracts import PROCESS
from planner.ground.process import Durations, durations
from planner.tables import conform


def row(dn: float, wall_c: float, cure_s: float, pot_s: float | None = 3600.0, **more) -> dict:
    base = {"system": "felt", "dn_to_mm": dn, "wall_c": wall_c, "prepare_s": 2400.0}
    return {**base, "cure_s": cure_s, "finish_s": 600.0, "pot_life_s": pot_s, **more}


TABLE = conform(
    [
        row(300.0, 5.0, 10_800.0, 3_600.0),
        row(300.0, 20.0, 4_200.0, 1_500.0),
        row(600.0, 5.0, 12_600.0, 3_600.0),
        row(600.0, 20.0, 5_400.0, 1_500.0),
    ],
    PROCESS,
)


@pytest.mark.parametrize(("wall_c", "cure"), [(5.0, 10_800), (20.0, 4_200)])
def test_at_a_stated_temperature_the_stated_time_stands(wall_c, cure):
    """No reckoning where the table says it."""
    assert durations(TABLE, "felt", 200.0, wall_c).cure_s == cure


def test_between_temperatures_the_logarithm_is_straight():
    """Half way, 12.5 degC: the geometric mean, sqrt(10800 x 4200) = 6734.98 s, rounded up;
    pot life sqrt(3600 x 1500) = 2323.79 s, rounded down."""
    assert durations(TABLE, "felt", 200.0, 12.5) == Durations(2400, 6735, 600, 2323)


def test_a_time_that_halves_for_every_ten_degrees():
    """60 min at 25 degC and 30 min at 35 degC mean 42.43 min at 30 degC.

    References
    ----------
    An adhesive maker's technical note (formulas.md 4.10): gel 10 min at 25 degC and 5 min
    at 35 degC, cure 60 and 30 min. 60 / sqrt(2) = 42.426 min = 2545.58 s.
    """
    table = conform([row(300.0, 25.0, 3_600.0, 600.0), row(300.0, 35.0, 1_800.0, 300.0)], PROCESS)
    times = durations(table, "felt", 200.0, 30.0)
    assert times.cure_s == 2_546
    assert times.pot_life_s == 424  # 600 / sqrt(2) = 424.26 s


@pytest.mark.parametrize(("dn", "cure"), [(100.0, 10_800), (300.0, 10_800), (301.0, 12_600)])
def test_the_next_larger_size_counts(dn, cure):
    """A size between two rows takes the row above."""
    assert durations(TABLE, "felt", dn, 5.0).cure_s == cure


@pytest.mark.parametrize(
    ("system", "dn", "wall_c", "note"),
    [
        ("felt", 200.0, 4.9, "covers 5 to 20 degC, the wall has 4.9"),
        ("felt", 200.0, 20.1, "covers 5 to 20 degC, the wall has 20.1"),
        ("felt", 601.0, 10.0, "ends at DN 600, asked DN 601"),
        ("glass", 200.0, 10.0, "no row for glass"),
    ],
)
def test_outside_the_table_there_is_no_answer(system, dn, wall_c, note):
    """Never extrapolated: a crew must not stand there with a guess."""
    times = durations(TABLE, system, dn, wall_c)
    assert (times.prepare_s, times.cure_s, times.finish_s, times.pot_life_s) == (None,) * 4
    assert note in times.note


def test_no_pot_life_is_no_limit_and_a_blank_one_is_said():
    """0 sets no limit; blank is not known."""
    light = conform([row(300.0, 0.0, 900.0, 0.0), row(300.0, 30.0, 900.0, 0.0)], PROCESS)
    assert durations(light, "felt", 200.0, 10.0) == Durations(2400, 900, 600, 0)
    blank = conform([row(300.0, 0.0, 900.0, None), row(300.0, 30.0, 900.0, None)], PROCESS)
    times = durations(blank, "felt", 200.0, 10.0)
    assert (times.cure_s, times.pot_life_s) == (900, None)
    assert "states no pot life" in times.note


def test_of_two_pot_lives_one_of_which_sets_no_limit_the_limit_counts():
    """0 means no limit, so between 0 and 1500 s the 1500 s bind."""
    table = conform([row(300.0, 0.0, 900.0, 0.0), row(300.0, 30.0, 900.0, 1_500.0)], PROCESS)
    assert durations(table, "felt", 200.0, 10.0).pot_life_s == 1_500
