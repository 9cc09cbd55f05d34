"""Times of a sleeve from its system's table."""

from __future__ import annotations

import math

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from planner.contracts import PROCESS
from planner.ground.process import durations, pot_life
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
    times = durations(TABLE, "felt", 200.0, 12.5)
    assert (times.prepare_s, times.cure_s, times.finish_s) == (2400, 6735, 600)
    assert pot_life(TABLE, "felt", 200.0, 12.5).low_s == 2323.0


def test_a_time_that_halves_for_every_ten_degrees():
    """60 min at 25 degC and 30 min at 35 degC mean 42.43 min at 30 degC.

    References
    ----------
    An adhesive maker's technical note (formulas.md 4.10): gel 10 min at 25 degC and 5 min
    at 35 degC, cure 60 and 30 min. 60 / sqrt(2) = 42.426 min = 2545.58 s.
    """
    table = conform([row(300.0, 25.0, 3_600.0, 600.0), row(300.0, 35.0, 1_800.0, 300.0)], PROCESS)
    assert durations(table, "felt", 200.0, 30.0).cure_s == 2_546
    pot = pot_life(table, "felt", 200.0, 30.0)
    assert (pot.low_s, pot.high_s) == (424.0, 424.0)  # 600 / sqrt(2) = 424.26 s


@pytest.mark.parametrize(("dn", "cure"), [(100.0, 10_800), (300.0, 10_800), (301.0, 12_600)])
def test_the_next_larger_size_counts(dn, cure):
    """A size between two rows takes the row above."""
    assert durations(TABLE, "felt", dn, 5.0).cure_s == cure


@pytest.mark.parametrize(
    ("system", "dn", "wall_c", "note"),
    [
        ("felt", 200.0, 4.9, "covers 5 to 20 degC, asked 4.9"),
        ("felt", 200.0, 20.1, "covers 5 to 20 degC, asked 20.1"),
        ("felt", 601.0, 10.0, "ends at DN 600, asked DN 601"),
        ("glass", 200.0, 10.0, "no row for glass"),
    ],
)
def test_outside_the_table_there_is_no_answer(system, dn, wall_c, note):
    """Never extrapolated: a crew must not stand there with a guess."""
    times = durations(TABLE, system, dn, wall_c)
    assert (times.prepare_s, times.cure_s, times.finish_s, times.site_s) == (None,) * 4
    assert note in times.note


def test_no_pot_life_is_no_limit_and_a_blank_one_is_said():
    """0 sets no limit, however warm; blank is not known."""
    light = conform([row(300.0, 0.0, 900.0, 0.0), row(300.0, 30.0, 900.0, 0.0)], PROCESS)
    assert pot_life(light, "felt", 200.0, 10.0).low_s == math.inf
    assert pot_life(light, "felt", 200.0, 40.0).holds(9_000) == "yes"
    blank = conform([row(300.0, 0.0, 900.0, None), row(300.0, 30.0, 900.0, None)], PROCESS)
    pot = pot_life(blank, "felt", 200.0, 10.0)
    assert pot.holds(1) == "undecided"
    assert "states no pot life" in pot.note


def test_of_two_pot_lives_one_of_which_sets_no_limit_the_limit_counts():
    """0 means no limit, so between 0 and 1500 s the 1500 s bind."""
    table = conform([row(300.0, 0.0, 900.0, 0.0), row(300.0, 30.0, 900.0, 1_500.0)], PROCESS)
    pot = pot_life(table, "felt", 200.0, 10.0)
    assert (pot.low_s, pot.high_s) == (1_500.0, 1_500.0)


@pytest.mark.parametrize(
    ("warm_c", "batch_s", "held"),
    [
        (4.0, 3_600, "yes"),  # colder than 5 degC: no shorter than its 3600 s
        (4.0, 3_601, "undecided"),  # how much longer nobody says
        (21.0, 1_501, "no"),  # warmer than 20 degC: no longer than its 1500 s
        (21.0, 1_500, "undecided"),  # how much shorter nobody says
        (20.0, 1_500, "yes"),
        (20.0, 1_501, "no"),
        (None, 1_500, "yes"),  # nothing stated: the warmest column
        (None, 1_501, "no"),
        (20.0, None, "undecided"),
    ],
)
def test_a_batch_against_its_pot_life(warm_c, batch_s, held):
    """Outside the table the nearest figure is a bound, never a basis to reckon from."""
    assert pot_life(TABLE, "felt", 200.0, warm_c).holds(batch_s) == held


def test_a_pot_life_stated_at_one_reference_temperature_only_bounds_the_others():
    """1500 s at 20 degC in both rows of 5 and 30: at 30 degC, the warmest column, at most that."""
    rows = [row(300.0, c, 900.0, 1_500.0, pot_life_c=20.0) for c in (5.0, 30.0)]
    table = conform(rows, PROCESS)
    assert pot_life(table, "felt", 200.0, 20.0).low_s == 1_500.0
    assert pot_life(table, "felt", 200.0, 10.0).holds(1_500) == "yes"
    worst = pot_life(table, "felt", 200.0, None)
    assert (worst.at_c, worst.holds(1_500), worst.holds(1_501)) == (30.0, "undecided", "no")


def test_without_a_temperature_the_longest_time_of_each_column_counts():
    """Of 5 and 20 degC: 10 800 s at 5; 12 600 s for the larger size."""
    times = durations(TABLE, "felt", 200.0, None)
    assert (times.cure_s, times.at_c) == (10_800, 5.0)
    assert durations(TABLE, "felt", 600.0, None).cure_s == 12_600


def test_cool_down_and_vacuum_belong_to_the_time_on_site():
    """2400 + 900 + 300 + 120 + 600 = 4320 s; shut from pressure on: 1920 s; blank is none."""
    table = conform([row(300.0, 10.0, 900.0, cooldown_s=300.0, drawdown_s=120.0)], PROCESS)
    times = durations(table, "felt", 200.0, 10.0)
    assert (times.site_s, times.shut_s) == (4_320, 1_920)
    plain = durations(conform([row(300.0, 10.0, 900.0)], PROCESS), "felt", 200.0, 10.0)
    assert (plain.cooldown_s, plain.drawdown_s, plain.site_s) == (0, 0, 3_900)


def test_the_batch_is_its_parts_and_without_one_of_them_all_of_the_preparation():
    """180 + 420 + 480 + 120 = 1200 s; with three of the four stated 2400 s count."""
    parts = {"mix_s": 180.0, "wet_out_s": 420.0, "pull_s": 480.0, "inflate_s": 120.0}
    table = conform([row(300.0, 10.0, 900.0, **parts)], PROCESS)
    assert durations(table, "felt", 200.0, 10.0).batch_s == 1_200
    del parts["inflate_s"]
    table = conform([row(300.0, 10.0, 900.0, **parts)], PROCESS)
    assert durations(table, "felt", 200.0, 10.0).batch_s == 2_400


@given(
    st.floats(-20, 20), st.floats(1, 40), st.floats(60, 20_000), st.floats(0.05, 1.0),
    st.floats(0, 1), st.floats(0, 1),
)  # fmt: skip
def test_warmer_never_takes_longer_and_never_leaves_the_two_figures(low, wide, cure, fall, a, b):
    """Between two rows that fall, each time falls too and lies between them (to a second)."""
    table = conform([row(300.0, low, cure), row(300.0, low + wide, cure * fall + 1)], PROCESS)
    assume(table["cure_s"].iloc[0] >= table["cure_s"].iloc[1])
    cold, warm = (low + wide * share for share in sorted((a, b)))
    assume(warm <= low + wide)
    one, two = (durations(table, "felt", 200.0, at).cure_s for at in (cold, warm))
    assert one is not None
    assert two is not None
    assert one >= two
    assert table["cure_s"].iloc[1] - 1e-3 <= two <= one <= table["cure_s"].iloc[0] + 1
