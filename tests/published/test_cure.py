"""Pot life, cure by temperature and energy density against published figures.

Practice that no public source was found for is marked "common practice, no source".
"""

from __future__ import annotations

import math
import tomllib
from pathlib import Path

import pytest

from planner.contracts import PROCESS
from planner.ground.light import (
    Lamp,
    energy_mj_cm2,
    exposure_s,
    lamp_most_m_per_min,
    travel_s,
)
from planner.ground.pressure import LOW_STEP_PSI, low_step_bar
from planner.ground.process import durations, pot_life
from planner.outputs.wording import CAUTIONS
from planner.tables import conform

CASES = Path(__file__).resolve().parents[2] / "data_demo"


def halved(t_ref: float, ref_c: float, at_c: float) -> float:
    """t(T) = t_ref 2^((T_ref - T) / 10), the rule of the technical note; a check value only."""
    return t_ref * 2.0 ** ((ref_c - at_c) / 10.0)


def table(cure_s: tuple[float, float], pot_s: tuple[float, float]):
    rows = [
        {"system": "s", "dn_to_mm": 300.0, "wall_c": c, "prepare_s": 60.0, "cure_s": cure,
         "finish_s": 0.0, "pot_life_s": pot}
        for c, cure, pot in zip((25.0, 35.0), cure_s, pot_s, strict=True)
    ]  # fmt: skip
    return conform(rows, PROCESS)


def test_gel_and_cure_halve_for_ten_degrees() -> None:
    """M3: gel 10 min and cure 60 min at 25 degC are 5 and 30 min at 35 degC, exactly.

    References
    ----------
    .. [1] An adhesive maker's technical note, stated for about 30-120 F (formulas.md 4.10).
    """
    assert halved(600.0, 25.0, 35.0) == 300.0
    assert halved(3_600.0, 25.0, 35.0) == 1_800.0


@pytest.mark.parametrize("at_c", [26.0, 28.5, 30.0, 34.0])
def test_between_its_figures_a_table_follows_the_same_rule(at_c: float) -> None:
    """A straight line in log(time) through the note's two figures is the note's rule [1]_.

    The tool rounds a cure up and a pot life down to the second, so within 1 s.
    """
    own = table((3_600.0, 1_800.0), (600.0, 300.0))
    cure = durations(own, "s", 200.0, at_c).cure_s
    assert cure == math.ceil(halved(3_600.0, 25.0, at_c))
    assert pot_life(own, "s", 200.0, at_c).low_s == math.floor(halved(600.0, 25.0, at_c))


@pytest.mark.parametrize("at_c", [15.0, 24.9, 35.1, 45.0])
def test_the_rule_never_extends_a_table(at_c: float) -> None:
    """The rule has a figure at 15 and 45 degC; a table for 25 to 35 has none."""
    times = durations(table((3_600.0, 1_800.0), (600.0, 300.0)), "s", 200.0, at_c)
    assert times.cure_s is None
    assert "covers 25 to 35 degC" in times.note


def test_energy_density_is_irradiance_times_time() -> None:
    """L1: 10 mW/cm2 x 60 s = 600 mJ/cm2, exactly.

    References
    ----------
    .. [1] A lamp maker's and a measurement page: mW/cm2 x s = mJ/cm2 (formulas.md 5).
    """
    assert energy_mj_cm2(10.0, 60.0) == 600.0
    # 6 kJ/m2 = 600 mJ/cm2: 1 J = 1000 mJ, 1 m2 = 10 000 cm2.
    assert energy_mj_cm2(10.0, 60.0) == 6_000.0 * 1_000 / 10_000


@pytest.mark.parametrize(("e", "lit", "h"), [(10.0, 0.6, 600.0), (250.0, 0.35, 12_000.0)])
def test_the_fastest_lamp_gives_just_the_energy_asked(e: float, lit: float, h: float) -> None:
    """v = E l / H is the integral turned round: E times the exposure at v gives H (1e-12).

    By hand for the first: 10 x 0.6 / 600 = 0.01 m/s = 0.6 m/min.
    """
    speed = lamp_most_m_per_min(e, lit, h)
    assert energy_mj_cm2(e, exposure_s(lit, speed)) == pytest.approx(h, rel=1e-12)
    assert lamp_most_m_per_min(10.0, 0.6, 600.0) == pytest.approx(0.6, rel=1e-12)
    lamp = Lamp(e, lit, h, stated_m_per_min=speed * 1.01)
    assert lamp.held(1.0, math.nan) == "no"
    assert Lamp(e, lit, h, stated_m_per_min=speed).held(1.0, math.nan) == "yes"


def test_each_point_is_lit_while_the_lamp_passes() -> None:
    """By summing over small steps, the least energy along a sleeve is E l / v.

    Sleeve 1.0 m, lamp 0.6 m, 0.6 m/min: the lamp enters and leaves, 1.6 m in 160 s; a point
    is lit for 60 s. Steps of 0.5 s: within 1 %.
    """
    lit, speed, length, step = 0.6, 0.6, 1.0, 0.5
    total = travel_s(length, lit, speed)
    assert total == pytest.approx(160.0)
    points = [0.005 + 0.01 * i for i in range(100)]
    doses = dict.fromkeys(points, 0.0)
    for i in range(int(total / step)):
        front = speed / 60.0 * (i + 0.5) * step
        for x in points:
            doses[x] += 10.0 * step * (front - lit <= x < front)
    assert min(doses.values()) == pytest.approx(600.0, rel=0.01)


def test_the_customary_first_step() -> None:
    """Air is first brought to about 10 psi (0.69 bar): common practice, no source.

    The unit: 1 psi = 6.894757E+03 Pa, NIST SP 811 app. B.8 (from memory).
    """
    assert low_step_bar() == 0.69
    assert pytest.approx(low_step_bar(), abs=0.005) == LOW_STEP_PSI * 6894.757 / 1e5


def test_a_light_cured_sleeve_is_no_longer_than_the_lit_length() -> None:
    """It is cut to the lit length of its packer: common practice, no source."""
    stands = Lamp(12.0, 2.0, 9_000.0)
    assert [stands.held(length, 900.0) for length in (1.5, 2.0, 2.01)] == ["yes", "yes", "no"]


def test_light_cured_material_is_kept_covered() -> None:
    """Wherever daylight can reach it until it is in the pipe: common practice, no source."""
    assert "covered wherever daylight can reach it" in CAUTIONS["light"]


def test_the_demo_asks_for_no_more_air_than_its_systems_allow() -> None:
    """Its own figures, invented: no step above the system's maximum, a low one first."""
    raw = tomllib.loads((CASES / "systems.toml").read_text("utf-8"))
    for system in raw["system"]:
        steps = [step["pressure_bar"] for step in system["pressure"]]
        assert max(steps) <= system["pressure_max_bar"]
        assert steps[0] <= low_step_bar()
