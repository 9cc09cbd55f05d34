"""The check of each sleeve's wall: conditions, unknown inputs, intervals, floors, shapes.

Expected walls are worked by hand beside each test from the printed formulas (TTP sec. 2.7, see
tests/published/test_wall_f1216.py, where the formulas themselves are held against print).
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest
from one_pipe import node, pipe, sleeve, span, town, verdict

from planner.contracts import WALL_CHECKS, WALL_FIGURES
from planner.errors import SettingsError
from planner.plan import Plan
from planner.repairs.wall import CAUTION, check_walls
from planner.screening.explain import explain_lines
from planner.settings import load_settings
from planner.tables import check

# DN 300 under 2.7 m of ground, water 2 m over the crown.
ROUND = {"shape": "circular", "dn_mm": 300.0, "depth_m": 3.0, "water_over_crown_m": 2.0}
# Partial: P = 0.00981 x 2.3 = 0.022563; 2 x 7 x 862 x 0.835752 / (0.045126 x 0.91) = 245 608;
# its cube root 62.626; 300 / 63.626 = 4.715 mm.
PARTIAL_MM = 4.715
# Full: 300 (12 x 0.00064 / 1724)^(1/3) = 300 x 0.0164542 = 4.936 mm.
STIFF_MM = 4.936


def tables_of(
    wall_mm: float | None = 6.0,
    spans: list[dict[str, Any]] | None = None,
    nodes: list[dict[str, Any]] | None = None,
    plies: int | None = 4,
    **of_pipe: Any,
) -> dict[str, pd.DataFrame]:
    row = pipe(**{**ROUND, **of_pipe})
    spans = spans or [span("d", 9.0, 10.0)]
    more = {"nodes": nodes} if nodes else {}
    own = sleeve("S1", 8.0, 11.0, wall_mm=wall_mm, plies=plies, dn_mm=300.0)
    verdicts = [verdict(one["span_id"]) for one in spans]
    return town(spans, verdicts, [own], [("S1", "d")], pipes=[row], **more)


def checked(design: dict[str, Any] | None = None, **more: Any) -> pd.Series:
    settings = load_settings({"design": {"live": "none", **(design or {})}})
    made = check_walls(tables_of(**more), settings.design, settings.origins)
    check(made["wall_figures"], WALL_FIGURES)
    return check(made["wall_checks"], WALL_CHECKS).iloc[0]


def figures(design: dict[str, Any] | None = None, **more: Any) -> pd.DataFrame:
    settings = load_settings({"design": design or {}})
    made = check_walls(tables_of(**more), settings.design, settings.origins)
    return made["wall_figures"].set_index("figure")


def bent(low: float | None, high: float | None) -> list[dict[str, Any]]:
    row = span("d", 9.0, 10.0) | {"mechanisms": "deformation"}
    return [row | {"deformation_pct_low": low, "deformation_pct_high": high}]


def test_a_partially_deteriorated_pipe_leaves_the_groundwater():
    """X1.1 governs; 6 mm reach 4.715."""
    row = checked({"condition": "partial"})
    assert row["needed_low_mm"] == row["needed_high_mm"] == pytest.approx(PARTIAL_MM, abs=0.002)
    assert row["governing"] == "X1.1 groundwater"
    assert row["state"] == "yes"
    assert row["margin_mm"] == pytest.approx(6.0 - PARTIAL_MM, abs=0.002)
    assert row["caution"] == CAUTION
    assert "signed by an engineer" in CAUTION
    assert "ends" in CAUTION


def test_a_fully_deteriorated_pipe_leaves_all():
    """X1.3 by hand against X1.4 of 4.936 mm.

    Rw = 1 - 0.33 x 2 / 2.7 = 0.75556; B' = 1 / (1 + 4 e^-0.5751) = 0.30766; q_t = 0.01962 +
    18.85 x 2.7 x 0.75556 / 1000 = 0.058074; (0.116149)^2 / (862 x 0.75556 x 0.30766 x 0.835752
    x 6.89) = 0.0134905 / 1153.83 = 1.16919e-5, its cube root 0.022696; x 0.721 x 300 = 4.909.
    """
    row = checked()
    assert row["governing"] == "X1.4 least stiffness"
    assert row["needed_high_mm"] == pytest.approx(STIFF_MM, abs=0.001)
    assert figures({"live": "none"}).loc["X1.3 earth, water and traffic", "high"] == pytest.approx(
        4.909, abs=0.002
    )
    softer = checked({"soil_modulus_mpa": "500 psi"})
    # 4.909 x (6.89 / 3.44738)^(1/3) = 4.909 x 1.25965 = 6.184
    assert softer["needed_high_mm"] == pytest.approx(6.184, abs=0.003)
    assert (softer["governing"], softer["state"]) == ("X1.3 earth, water and traffic", "no")
    assert softer["why"] == "the wall of 6.00 mm is under the least asked, 6.19 mm"


def test_the_earlier_edition_asks_for_more():
    """X1.3 by hand: 6.184 / C^(1/3) = 6.184 / 0.94195 = 6.565."""
    row = checked({"soil_modulus_mpa": "500 psi", "edition": "before 07b"})
    assert row["needed_high_mm"] == pytest.approx(6.565, abs=0.003)
    assert row["edition"] == "before 07b"


def test_unknown_water_is_never_mild():
    """Worst to the ground, 2.7 m, least with none; undecided even where the wall is enough.

    Partial: P = 0.00981 x 3.0 = 0.02943, t = 300 / (188 303^(1/3) + 1) = 300 / 58.319 = 5.144.
    """
    known = {"condition": "partial"}
    row = checked(known, water_over_crown_m=None)
    assert row["needed_low_mm"] == 0.0
    assert row["needed_high_mm"] == pytest.approx(5.144, abs=0.002)
    assert row["state"] == "undecided"
    assert "groundwater is not known" in row["why"]
    assert "enough even so" in row["why"]
    thin = checked(known, water_over_crown_m=None, wall_mm=5.0)
    assert thin["state"] == "undecided"
    assert "enough even so" not in thin["why"]
    # Full: without any water 4.936 mm are asked already.
    assert checked(water_over_crown_m=None, wall_mm=4.5)["state"] == "no"


@pytest.mark.parametrize(
    ("reference", "figure"), [("surface", 0.7), ("crown", 2.0), ("invert", 2.3)]
)
def test_a_stated_water_table_decides(reference: str, figure: float):
    """Three ways to say 2 m over the crown of 300 mm under 2.7 m."""
    stated = {"condition": "partial", "water_from": reference, "water_m": figure}
    row = checked(stated, water_over_crown_m=None)
    assert row["needed_low_mm"] == row["needed_high_mm"] == pytest.approx(PARTIAL_MM, abs=0.002)
    assert row["state"] == "yes"
    # A pipe's own figure goes before it: 1 m less is 0.012753 MPa, 300 / (434 528^(1/3) + 1).
    own = checked(stated, water_over_crown_m=1.0)
    assert own["needed_high_mm"] == pytest.approx(300 / (434_528 ** (1 / 3) + 1), abs=0.002)


def test_unknown_cover_leaves_a_full_check_open():
    """The load is not known; the least is what X1.4 asks anyway."""
    row = checked(depth_m=None)
    assert np.isnan(row["needed_high_mm"])
    assert row["needed_low_mm"] == pytest.approx(STIFF_MM, abs=0.001)
    assert (row["state"], row["governing"]) == ("undecided", "")
    assert "the cover is not known" in row["why"]
    assert pd.isna(row["plies_asked"])
    assert checked(depth_m=None, wall_mm=4.0)["state"] == "no"
    # Groundwater alone needs no cover where it is told over the crown.
    assert checked({"condition": "partial"}, depth_m=None)["state"] == "yes"
    both = checked({"condition": "partial"}, depth_m=None, water_over_crown_m=None)
    assert both["state"] == "undecided"
    assert np.isnan(both["asked_high_mm"])
    assert checked({"cover_m": 2.7}, depth_m=None)["state"] == "yes"


def test_a_depth_less_than_the_pipe_is_no_cover():
    row = checked(depth_m=0.2)
    assert row["state"] == "undecided"
    assert figures(depth_m=0.2).loc["ground over the crown", "origin"].startswith("not known")


def test_cover_runs_between_the_depths_that_are_told():
    """Nodes at 2 and 5 m, the pipe at 3 m in the mean: 1.7 to 4.7 m over the crown."""
    nodes = [node("p1-a") | {"depth_m": 2.0}, node("p1-b") | {"depth_m": 5.0}]
    row = figures(nodes=nodes).loc["ground over the crown"]
    assert (row["low"], row["high"]) == pytest.approx((1.7, 4.7))
    assert row["origin"] == "pipes.depth_m and nodes.depth_m - diameter"
    shallow = figures({"live": "wheel"}, depth_m=1.0).loc["X1.3 earth, water and traffic", "high"]
    assert shallow > 0.0


@pytest.mark.parametrize(("wall_mm", "state"), [(5.3, "yes"), (4.9, "undecided"), (4.6, "no")])
def test_ovality_as_an_interval(wall_mm: float, state: str):
    """0 to 5 % deformed: 2 % at least, 5 % at most.

    Partial: C falls from 0.835752 to 0.639787; 245 608 x 0.76552 = 188 018; 300 / 58.29 = 5.147.
    """
    row = checked({"condition": "partial"}, spans=bent(0.0, 5.0), wall_mm=wall_mm)
    assert row["needed_low_mm"] == pytest.approx(PARTIAL_MM, abs=0.002)
    assert row["needed_high_mm"] == pytest.approx(5.147, abs=0.002)
    assert row["state"] == state


def test_a_deformation_without_a_figure_is_open():
    row = checked({"condition": "partial"}, spans=bent(None, None))
    assert row["state"] == "undecided"
    assert "deformation is coded without a figure" in row["why"]
    assert np.isnan(row["needed_high_mm"])
    assert row["needed_low_mm"] == pytest.approx(PARTIAL_MM, abs=0.002)


def test_a_deformation_beside_the_sleeve_is_another_place():
    """One under the sleeve counts though it is not served, one 20 m off does not."""
    near = bent(6.0, 6.0)[0] | {"span_id": "n", "from_m": 10.5, "to_m": 12.0}
    far = bent(8.0, 8.0)[0] | {"span_id": "f", "from_m": 30.0, "to_m": 31.0}
    row = figures(spans=[span("d", 9.0, 10.0), near, far]).loc["ovality"]
    assert (row["low"], row["high"], row["origin"]) == (6.0, 6.0, "spans.deformation_pct")
    alone = figures(spans=[span("d", 9.0, 10.0), far]).loc["ovality"]
    assert (alone["low"], alone["high"]) == (2.0, 2.0)
    assert alone["origin"] == "design.ovality_pct (packaged)"


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ({"shape": "egg"}, "circular pipes only and this one is egg"),
        ({"width_mm": 300.0, "height_mm": 450.0}, "this one is not as wide as high"),
        ({"shape": "unknown"}, "shape is not known"),
        ({"dn_mm": None}, "diameter is not known"),
        ({"dn_mm": 75.0}, "100 to 2743 mm"),
    ],
)
def test_f1216_holds_for_circles_of_its_sizes(more: dict[str, Any], said: str):
    """F1216-09, scope: circular pipes, 4 to 108 in. A thick wall does not help."""
    row = checked(wall_mm=20.0, **more)
    assert row["state"] == "undecided"
    assert said in row["why"]
    if more.get("shape") == "egg" or "width_mm" in more:
        assert np.isnan([row["needed_low_mm"], row["needed_high_mm"]]).all()


def test_the_measured_diameter_goes_before_the_name():
    row = figures(inside_mm=291.0, height_mm=305.0, width_mm=305.0).loc["inside diameter"]
    assert (row["low"], row["origin"]) == (291.0, "pipes.inside_mm")


def test_an_owners_floor_and_steps():
    """Nashua NH: 3.5 mm, then 0.7 mm steps: 4.936 -> 5.6 mm; a US tender: not under 4.5 mm."""
    row = checked({"floor_mm": 3.5, "step_mm": 0.7})
    assert (row["floor_mm"], row["asked_high_mm"]) == (3.5, pytest.approx(5.6))
    assert row["margin_mm"] == pytest.approx(0.4)
    assert row["governing"] == "X1.4 least stiffness"
    least = checked({"floor_mm": 5.5})
    assert (least["asked_high_mm"], least["governing"]) == (5.5, "owner's least wall")
    assert checked({"floor_mm": 6.0})["state"] == "yes"
    assert checked({"floor_mm": 6.01})["state"] == "no"


def test_layers_of_the_system():
    """6 mm of 4 layers are 1.5 mm each, the step of felt: 4.936 mm take 4, 6.184 mm take 5."""
    assert checked()["plies_asked"] == 4
    assert checked({"soil_modulus_mpa": "500 psi"})["plies_asked"] == 5
    assert checked({"condition": "partial"}, water_over_crown_m=0.5)["plies_asked"] == 3


def test_dry_ground_and_the_greatest_ratio():
    """Without water nothing is asked; D / t of 100 (from memory of F1216) asks for 3 mm."""
    dry = {"condition": "partial"}
    row = checked(dry, water_over_crown_m=-0.5)
    assert (row["needed_high_mm"], row["state"]) == (0.0, "yes")
    assert row["governing"] == "none: no groundwater above the invert"
    floor = checked({**dry, "dr_max": 100.0}, water_over_crown_m=-0.5)
    assert floor["needed_high_mm"] == pytest.approx(3.0)
    assert floor["governing"] == "greatest diameter / wall"


def test_a_system_without_a_wall_is_open():
    row = checked(wall_mm=None, plies=None)
    assert row["state"] == "undecided"
    assert "names no wall for this size" in row["why"]
    assert np.isnan(row["margin_mm"])


def test_traffic_as_given_and_by_a_wheel():
    """Stated 0.02 MPa comes on top of 0.058074; a wheel brings P, its share and the impact."""
    stated = figures({"live": "stated", "live_mpa": 0.02})
    assert stated.loc["total load", "high"] == pytest.approx(0.078074, abs=2e-5)
    assert "load of one wheel" not in stated.index
    wheel = figures()
    # 1.0827 x Cs x 71.17 / 300 with F = 1 at 2.7 m
    share = wheel.loc["its share on 3 ft of pipe", "high"]
    assert wheel.loc["impact by cover", "high"] == 1.0
    assert wheel.loc["live load", "high"] == pytest.approx(1.08268 * share * 71.17 / 300, rel=1e-4)
    shallow = figures(depth_m=0.5, water_over_crown_m=0.0)
    assert shallow.loc["impact by cover", "high"] == 1.50  # 0.2 m of cover


def test_the_deflection_is_told_where_the_trench_is():
    """C = (1 - e^(-0.26 x 2.7 / 1.2)) / 0.26 = 1.70351; W = 0.038534 MPa; D/t = 50.

    862 / (1.5 x 49^3) = 0.0048846; 8.3 x (1.25 x 0.038534) / (0.0048846 + 0.42029) = 0.9403 %.
    """
    named = "deflection of the sleeve, no part of the state"
    row = figures({"trench_m": 1.2, "live": "none"}).loc[named]
    assert (row["low"], row["high"]) == pytest.approx((0.9403, 0.9403), abs=0.0005)
    assert named not in figures({"live": "none"}).index


def test_settings_take_other_units_and_say_where_from():
    """250 000 psi is 1723.69 MPa, 120 lbf/ft3 is 18.8506 kN/m3 (NIST SP 811)."""
    design = load_settings(
        {"design": {"modulus_mpa": "250000 psi", "soil_kn_m3": "120 lbf/ft^3", "water_m": "3 ft"}}
    ).design
    assert design.modulus_mpa == pytest.approx(1723.689, abs=0.001)
    assert design.soil_kn_m3 == pytest.approx(18.8505, abs=0.001)
    assert design.water_m == pytest.approx(0.9144)
    row = figures({"modulus_mpa": "250000 psi"}).loc["flexural modulus, short term"]
    assert row["origin"] == "design.modulus_mpa (planner.toml)"
    with pytest.raises(SettingsError, match=r"design.modulus_mpa = '250000 ft'") as caught:
        load_settings({"design": {"modulus_mpa": "250000 ft"}})
    assert "\n" not in str(caught.value)


def test_explain_writes_every_figure_out():
    settings = load_settings({})
    tables = tables_of(water_over_crown_m=None)
    tables |= check_walls(tables, settings.design, settings.origins)
    for key in ("S1", "d"):
        lines = explain_lines(key, tables)
        assert sum(line.startswith("Wall of sleeve S1") for line in lines) == 1
        told = "\n".join(lines)
        assert "fully deteriorated pipe: undecided" in told
        assert "margin to the most asked:" in told
        assert "design.modulus_mpa (packaged)" in told
        assert "0.721 D [(N q_t)^2 / (E_L Rw B' C E's)]^(1/3), edition 07b" in told
        assert CAUTION in told
        for figure in tables["wall_figures"]["figure"]:
            assert f"  {figure}" in told
    del tables["wall_checks"]
    assert not any(line.startswith("Wall of") for line in explain_lines("S1", tables))


def test_no_sleeves_are_no_checks():
    tables = town([], [])
    settings = load_settings({})
    made = check_walls(tables, settings.design, settings.origins)
    assert made["wall_checks"].empty
    assert made["wall_figures"].empty


def test_inputs_are_left_as_they_were():
    settings = load_settings({})
    tables = tables_of(spans=bent(0.0, 5.0))
    before = {name: frame.copy() for name, frame in tables.items()}
    check_walls(tables, settings.design, settings.origins)
    for name, frame in before.items():
        pd.testing.assert_frame_equal(pd.DataFrame(tables[name]), pd.DataFrame(frame))


def test_the_answer_follows_from_the_interval():
    """400 random pipes: enough is never said under the most asked or with a figure unknown.

    And a wider doubt never decides what a sharp figure left open, or the other way round.
    """
    rng = np.random.default_rng(7)
    names = [f"p{n:03d}" for n in range(400)]
    depth = np.where(rng.random(400) < 0.2, np.nan, rng.uniform(0.4, 6.0, 400))
    water = np.where(rng.random(400) < 0.2, np.nan, rng.uniform(-1.0, 2.7, 400))
    low, wide = rng.uniform(0.0, 12.0, 400), rng.uniform(0.0, 6.0, 400)
    thick = rng.uniform(3.0, 9.0, 400)
    pipes = [
        pipe(name, **{**ROUND, "depth_m": depth[n], "water_over_crown_m": water[n]})
        for n, name in enumerate(names)
    ]
    sleeves = [
        sleeve(f"S-{name}", 8.0, 11.0, name, wall_mm=thick[n], plies=4)
        for n, name in enumerate(names)
    ]

    def of(high: np.ndarray) -> pd.DataFrame:
        spans = [
            bent(low[n], high[n])[0] | {"span_id": f"d-{name}", "pipe_id": name}
            for n, name in enumerate(names)
        ]
        verdicts = [verdict(f"d-{name}", name) for name in names]
        tables = town(spans, verdicts, sleeves, pipes=pipes)
        settings = load_settings({})
        return check_walls(tables, settings.design, settings.origins)["wall_checks"]

    broad, sharp = of(low + wide), of(low)
    yes, no = (broad["state"] == word for word in ("yes", "no"))
    assert min(yes.sum(), no.sum(), (broad["state"] == "undecided").sum()) > 20
    assert (broad["wall_mm"] >= broad["asked_high_mm"] - 1e-3)[yes].all()
    assert not np.isnan(water[yes]).any()
    assert not np.isnan(depth[yes]).any()
    assert (broad["wall_mm"] < broad["asked_low_mm"])[no].all()
    known = broad["asked_high_mm"].notna()
    assert (broad["asked_low_mm"] <= broad["asked_high_mm"] + 1e-9)[known].all()
    assert ((broad["state"] == "undecided") | (broad["state"] == sharp["state"])).all()


def test_every_sleeve_of_the_demo_town_is_checked(demo_plan: Plan):
    tables = demo_plan.tables
    assert len(tables["sleeves"]) > 50
    assert sorted(tables["wall_checks"]["sleeve_id"]) == sorted(tables["sleeves"]["sleeve_id"])
    assert set(tables["wall_figures"]["sleeve_id"]) == set(tables["sleeves"]["sleeve_id"])
