"""Flow in round pipes against handbook tables, worked examples and other geometry."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from planner.ground.hydraulics import (
    FULLEST_DEPTH_RATIO,
    colebrook_full_m_s,
    depth_ratio_of,
    flow_ratio,
    free_storage_m3,
    full_flow_m3_s,
    lined_capacity_ratio,
    manning_full_m_s,
    pooled_storage_m3,
    velocity_ratio,
    wetted_area_m2,
    wetted_perimeter_m,
)
from planner.units import factor

# Printed capacity after lining [%], by host n and DR 30, 40, 50, 60; liner n' = 0.010.
LINED = {
    0.014: (117, 122, 126, 128),
    0.015: (125, 131, 135, 137),
    0.016: (133, 140, 144, 146),
    0.017: (141, 148, 153, 155),
}


@pytest.mark.parametrize("host_n", LINED)
def test_capacity_after_lining(host_n: float) -> None:
    """16 cells within 0.6 points.

    References
    ----------
    .. [1] M. Najafi, Trenchless Technology Piping, McGraw-Hill 2010, table 2.14, p. 73.
    """
    found = lined_capacity_ratio(host_n, 0.010, [30, 40, 50, 60]) * 100
    assert found == pytest.approx(LINED[host_n], abs=0.6)


def test_colebrook_in_a_text_problem() -> None:
    """D 1.2 m, ks 0.60 mm, 1 in 250, nu 1.005e-6: 2.363 m/s printed (rounded log): 0.002.

    References
    ----------
    .. [1] Solution of a hydraulics text's problem on its eq. 6.19, read on a public page.
    """
    assert colebrook_full_m_s(1.2, 1 / 250, 0.60e-3, 1.005e-6) == pytest.approx(2.363, abs=0.002)


# ks [mm], D [mm], 1 in, Q [l/s]: the pipes of the sheet that were written down.
SHEET = [
    (0.6, 300, 200, 78.3),
    (0.6, 375, 60, 258.7),
    (0.6, 450, 150, 263.6),
    (0.6, 600, 200, 485.7),
    (0.6, 900, 150, 1625.9),
    (3.0, 400, 300, 109.1),
    (3.0, 450, 300, 149.3),
    (3.0, 400, 200, 133.7),
]


@pytest.mark.parametrize(("ks", "size", "run", "flow"), SHEET)
def test_colebrook_in_a_table(ks: float, size: float, run: float, flow: float) -> None:
    """Printed to 0.1 l/s; tolerance 0.05 %, nu 1.0e-6 (not printed).

    References
    ----------
    .. [1] Public calculation sheet on the form of the DSD Sewerage Manual, Hong Kong.
    """
    speed = colebrook_full_m_s(size / 1000, 1 / run, ks / 1000, 1.0e-6)
    assert full_flow_m3_s(size / 1000, speed) * 1000 == pytest.approx(flow, rel=5e-4)


def test_colebrook_velocity_in_the_same_table() -> None:
    """300 mm, 1:200, ks 0.6: 1.11 m/s printed."""
    assert colebrook_full_m_s(0.3, 1 / 200, 0.6e-3) == pytest.approx(1.11, abs=0.005)


def test_manning_of_a_public_calculator() -> None:
    """8 in, n 0.013, slope 0.005: 0.854 cfs and 2.448 ft/s, 0.001.

    References
    ----------
    .. [1] Public calculator page, k = 1.486; here k = 1 in SI, the same to 0.01 %.
    """
    wide = 8 * factor("in", "m")
    speed = manning_full_m_s(wide, 0.005, 0.013)
    assert speed / factor("ft", "m") == pytest.approx(2.448, abs=0.001)
    flow = full_flow_m3_s(wide, speed) / factor("ft^3/s", "m^3/s")
    assert flow == pytest.approx(0.854, abs=0.001)


# Depth k, hydraulic mean depth, waterway in radii; k .05 and .10 are misprinted there.
CIRCLE = [
    (0.20, 0.1278, 0.1651),
    (0.30, 0.1852, 0.294),
    (0.50, 0.293, 0.614),
    (0.70, 0.387, 0.979),
    (0.80, 0.429, 1.175),
    (0.90, 0.466, 1.371),
    (1.00, 0.500, 1.571),
]


@pytest.mark.parametrize(("depth", "mean_depth", "waterway"), CIRCLE)
def test_part_full_circle(depth: float, mean_depth: float, waterway: float) -> None:
    """Of a circle of radius 1 m, within 1 %.

    References
    ----------
    .. [1] Encyclopaedia Britannica, 11th ed. (1911), "Hydraulics", sections 110-111.
    """
    area = wetted_area_m2(2.0, depth / 2)
    assert area == pytest.approx(waterway, rel=0.01)
    assert area / wetted_perimeter_m(2.0, depth / 2) == pytest.approx(mean_depth, rel=0.01)


@pytest.mark.parametrize("share", [0.05, 0.2, 0.5, 0.77, 0.95])
def test_section_and_wall_against_a_polygon(share: float) -> None:
    """A circle of 40 000 corners cut by a level, measured by shapely: 1e-6."""
    disc = shapely.Point(0, 0).buffer(0.5, quad_segs=10_000)
    water = shapely.box(-1, -1, 1, share - 0.5)
    wet = disc.intersection(water)
    assert wetted_area_m2(1.0, share) == pytest.approx(wet.area, rel=1e-6)
    wall = disc.exterior.intersection(water).length
    assert wetted_perimeter_m(1.0, share) == pytest.approx(wall, rel=1e-6)


def test_known_points() -> None:
    """Half full carries half at the full velocity; the rest of textbooks, from memory.

    Greatest flow 1.076, greatest velocity 1.14 near 0.81; quarter and three quarters
    0.137 and 0.912 of the flow.
    """
    assert flow_ratio([0.0, 0.25, 0.5, 0.75, 1.0]) == pytest.approx(
        [0, 0.137, 0.5, 0.912, 1], abs=5e-4
    )
    assert velocity_ratio([0.0, 0.25, 0.5, 0.75, 1.0]) == pytest.approx(
        [0, 0.7007, 1, 1.1335, 1], abs=5e-5
    )
    every = np.linspace(0, 1, 100_001)
    assert flow_ratio(every).max() == pytest.approx(1.076, abs=5e-4)
    assert every[flow_ratio(every).argmax()] == pytest.approx(FULLEST_DEPTH_RATIO, abs=1e-5)
    assert velocity_ratio(every).max() == pytest.approx(1.14, abs=5e-4)
    assert every[velocity_ratio(every).argmax()] == pytest.approx(0.813, abs=1e-3)


def test_the_depth_found_carries_the_flow() -> None:
    """Property: up to the greatest flow, depth and flow undo each other; beyond, none."""
    depth = np.linspace(0, 0.938, 500)
    assert depth_ratio_of(flow_ratio(depth)) == pytest.approx(depth, abs=1e-6)
    found = depth_ratio_of([1.0758, -0.1, np.nan])
    assert np.isnan(found).all()


def test_no_fall_no_velocity() -> None:
    """A level or rising pipe has no answer, nor has a depth outside the pipe."""
    assert np.isnan(manning_full_m_s(0.3, [0.0, -0.01], 0.013)).all()
    assert np.isnan(colebrook_full_m_s(0.3, [0.0, -0.01], 1e-3)).all()
    assert np.isnan(wetted_area_m2(0.3, [-0.1, 1.1])).all()


def test_room_above_the_flow() -> None:
    """Half full: half of pi/4 0.3^2 x 40 m = 1.413717 m3; full: none."""
    found = free_storage_m3(0.3, [0.5, 1.0], 40.0)
    assert found == pytest.approx([np.pi / 4 * 0.09 * 40 / 2, 0.0], abs=1e-12)


def test_room_of_a_level_pool() -> None:
    """By hand, with no flow: half a cylinder where the pool just fills one end and leaves
    the other dry; the whole where it drowns both; none where it reaches neither."""
    full = np.pi / 4 * 0.2**2 * 40
    found = pooled_storage_m3(0.2, 0.0, 40.0, [0.2, 1.0, -0.1], [0.0, 0.5, -0.5])
    assert found == pytest.approx([full / 2, full, 0.0], rel=1e-6)
    drowned = pooled_storage_m3(0.2, 0.3, 40.0, 1.0, 0.5)
    assert drowned == pytest.approx(free_storage_m3(0.2, 0.3, 40.0), rel=1e-12)
