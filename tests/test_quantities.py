"""What one sleeve takes."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from one_pipe import sleeve
from sleeve_supply import size

from planner.contracts import SLEEVES, SYSTEM_SIZES
from planner.ground.quantities import items_of, resin_kg, wall_litres
from planner.tables import conform


def sleeves(*rows: dict) -> pd.DataFrame:
    return conform(rows, SLEEVES)


SIZES = conform([size()], SYSTEM_SIZES)


def test_a_sleeve_is_one_piece_its_length_and_its_resin():
    """DN 200, 6 mm, 1.00 m: pi x 194 x 6 / 1000 = 3.65681 l, x 1.05 = 3.83965 kg."""
    items = items_of(sleeves(sleeve("S-1", 9.5, 10.5, wall_mm=6.0)), SIZES)
    assert items.to_dict("records") == [
        {"sleeve_id": "S-1", "item": "resin felt", "kind": "resin", "unit": "g", "net": 3_840},
        {
            "sleeve_id": "S-1",
            "item": "sleeve DN 200 x 1.00 m felt",
            "kind": "sleeve",
            "unit": "pieces",
            "net": 1,
        },
        {"sleeve_id": "S-1", "item": "sleeve length", "kind": "length", "unit": "mm", "net": 1_000},
    ]


@pytest.mark.parametrize(
    ("inches", "wall_mm", "lb_per_ft"),
    [(8, 6.0, 2.6), (8, 4.5, 2.0), (10, 6.0, 3.3), (12, 6.0, 3.9), (12, 9.0, 5.8)],
)
def test_the_inspectors_chart_of_felt_tubes(inches, wall_mm, lb_per_ft):
    """1.05 kg per litre of wall gives each cell of a public training chart within 2.5 %.

    References
    ----------
    Inspector training chart for felt tubes, as cited in trade.md C [S44]; 1 lb =
    0.45359237 kg, 1 ft = 0.3048 m (NIST SP 811).
    """
    chart = lb_per_ft * 0.45359237 / 0.3048
    litres = wall_litres(np.array([inches * 25.4]), np.array([wall_mm]), np.array([1.0]))
    assert 1.05 * litres[0] == pytest.approx(chart, rel=0.025)


def test_the_wall_is_what_lies_between_two_cylinders():
    """pi (D - t) t L is pi/4 (D^2 - (D - 2t)^2) L: 300 mm, 7 mm, 2.5 m."""
    two = np.pi / 4 * (0.300**2 - 0.286**2) * 2.5 * 1000
    ours = wall_litres(np.array([300.0]), np.array([7.0]), np.array([2.5]))[0]
    assert ours == pytest.approx(two, rel=1e-12)


def test_each_system_and_size_has_its_own_rate():
    """felt to DN 300 at 1.05, glass at 0.80, felt above DN 300 at 1.10 kg per litre."""
    sizes = conform(
        [
            size(),
            size(dn_from_mm=301.0, dn_to_mm=600.0, resin_kg_per_l=1.10),
            size("glass", resin_kg_per_l=0.80),
        ],
        SYSTEM_SIZES,
    )
    rows = sleeves(
        sleeve("S-1", 0.0, 1.0, wall_mm=6.0),
        sleeve("S-2", 2.0, 3.0, wall_mm=6.0, system="glass"),
        sleeve("S-3", 4.0, 5.0, wall_mm=6.0, dn_mm=400.0),
        sleeve("S-4", 6.0, 7.0, wall_mm=6.0, dn_mm=700.0),
        sleeve("S-5", 8.0, 9.0),
    )
    litres = np.pi * np.array([194.0, 194.0, 394.0]) * 6.0 / 1000.0
    kg = resin_kg(rows, sizes)
    assert kg[:3] == pytest.approx(litres * [1.05, 0.80, 1.10])
    assert np.isnan(kg[3:]).all()


def test_resin_that_is_not_known_has_no_line():
    """A size without a row is not costed at nothing."""
    items = items_of(sleeves(sleeve("S-1", 0.0, 1.0, dn_mm=700.0, wall_mm=6.0)), SIZES)
    assert sorted(items["unit"]) == ["mm", "pieces"]
