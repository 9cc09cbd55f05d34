"""Every check that formulas.md 9 calls reproduced stands here as a test, and they are many."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

HERE = Path(__file__).parent
# Row of formulas.md 9 (and prices.md 1.1, B1 to B3): file and test. Left out as not reproduced:
# X1, X2. Without a counterpart in the product: M2 (plies by weight), M5 (wound strip).
LISTED = {
    "test_wall_f1216": (
        "a1_ovality_factor a2_buoyancy_factor a2b_buoyancy_has_a_floor a3_elastic_support"
        " a4_live_load a5_total_load_is_not_what_is_printed a6_full_load a7_least_stiffness"
        " a8_pressure_at_the_invert a9_groundwater a10_bending_of_an_oval_pipe a11_marston"
        " a12_load_coefficient a13_us_and_si_agree a13_loads_agree_too"
        " a14_thickness_rises_with_groundwater a14_thickness_rises_with_ovality"
        " a14_thickness_rises_with_cover a14_thickness_falls_with_soil_modulus"
        " a15_twice_the_diameter_is_twice_the_wall a16_the_place_of_c"
    ),
    "test_hydraulics": (
        "capacity_after_lining colebrook_in_a_text_problem colebrook_in_a_table"
        " manning_of_a_public_calculator part_full_circle"
    ),
    "test_take_off": (
        "m1_m6_glass_and_resin_fill_the_wall m4_plies_one_in_another_make_up_the_wall"
        " m6_sleeves_cut_into_parts_take_the_same"
    ),
    "test_cure": ("gel_and_cure_halve_for_ten_degrees energy_density_is_irradiance_times_time"),
    "test_nist_units": "nist_factor exact_factors_are_exact",
    "test_peak_flow": "harmon_in_its_two_forms gifft_hangs_together",
    "test_geodesy": (
        "flinders_peak_to_buninyong british_national_grid published_grid_points"
        " g7_web_mercator_is_known_and_its_lengths_are_refused"
    ),
    "test_price_scaling": (
        "b1_the_wall_goes_with_the_diameter b2_b3_the_wall_goes_with_the_cube_root_of_the_modulus"
        " b3_the_printed_wall_is_the_next_stock_step"
    ),
}


def defined_in(name: str) -> set[str]:
    tree = ast.parse((HERE / f"{name}.py").read_text(encoding="utf-8"))
    return {one.name for one in tree.body if isinstance(one, ast.FunctionDef)}


@pytest.mark.parametrize("name", sorted(LISTED))
def test_each_reproduced_row_is_a_test(name: str) -> None:
    """By name, so that none is renamed or dropped unseen."""
    assert {f"test_{one}" for one in LISTED[name].split()} <= defined_in(name)


def test_there_are_sixty_published_checks() -> None:
    """Tests in this folder, counted by function: cases of one table count once."""
    count = sum(
        len([one for one in defined_in(path.stem) if one.startswith("test_")])
        for path in HERE.glob("test_*.py")
    )
    assert count >= 60
