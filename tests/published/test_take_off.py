"""Published mixes and exact geometry of a wrapped wall, against what a sleeve is said to take.

What one sleeve takes is resin by litre of cured wall (`quantities`); plies and strips are not
reckoned, so that the ply thickness of formulas.md 9 M2 and the strip of M5 have no counterpart.
"""

from __future__ import annotations

import numpy as np
import pytest

from planner.contracts import SLEEVES, SYSTEM_SIZES
from planner.ground.quantities import resin_kg, wall_litres
from planner.tables import conform

GLASS, RESIN = 2.56, 1.20  # kg/l, from memory: E-glass 2.54 to 2.60, polyester 1.10 to 1.25


def taken_kg(wall_mm: float, length_m: float, resin_kg_per_l: float) -> float:
    """Resin of one sleeve in a pipe of 300 mm."""
    place = {"sleeve_id": "S", "pipe_id": "p", "from_m": 0.0, "to_m": length_m, "end": "pipe"}
    row = {**place, "length_m": length_m, "dn_mm": 300.0, "system": "g", "counter_node": "a"}
    row |= {"counter_m": 0.0, "laterals_count": 0, "laterals_unknown": False, "wall_mm": wall_mm}
    size = {"system": "g", "dn_from_mm": 100.0, "dn_to_mm": 600.0, "wall_mm": wall_mm, "plies": 3}
    sizes = conform([{**size, "resin_kg_per_l": resin_kg_per_l, "lengths_m": "1.0"}], SYSTEM_SIZES)
    return float(resin_kg(conform([row], SLEEVES), sizes)[0])


@pytest.mark.parametrize("share", [0.30, 0.35, 0.55])
def test_m1_m6_glass_and_resin_fill_the_wall(share: float) -> None:
    """6 kg of glass at 30 % by mass take 14 kg of resin (formulas.md 9 M1, a composites
    maker's training page); in general resin = glass (1 - X) / X, and both volumes are the wall.

    The wall that 6 kg of glass make in a pipe of 300 mm is found by its length, 4.5 mm thick.
    """
    wanted_kg = 6.0 * (1.0 - share) / share
    if share == 0.30:
        assert wanted_kg == pytest.approx(14.0, abs=1e-12)
    litres = 6.0 / GLASS + wanted_kg / RESIN
    length_m = litres * 1e-3 / (np.pi * (0.300**2 - 0.291**2) / 4.0)  # ring, outside less inside
    assert taken_kg(4.5, length_m, wanted_kg / litres) == pytest.approx(wanted_kg, rel=1e-9)


def test_m4_plies_one_in_another_make_up_the_wall() -> None:
    """n plies of t1 have the developed length n pi (D - n t1): formulas.md 9 M4, exact.

    0.3 m, 1.5 mm, 3 plies: pi (298.5 + 295.5 + 292.5) mm = 2.785022 m both ways; times t1 and
    1 m of sleeve it is the volume of the wall.
    """
    each = [np.pi * (0.3 - (2 * at - 1) * 0.0015) for at in (1, 2, 3)]
    assert sum(each) == pytest.approx(3 * np.pi * (0.3 - 3 * 0.0015), abs=1e-12)
    assert sum(each) == pytest.approx(2.785022, abs=1e-6)
    litres = wall_litres(np.array([300.0]), np.array([4.5]), np.array([1.0]))[0]
    assert litres == pytest.approx(sum(each) * 0.0015 * 1000.0, rel=1e-12)


def test_m6_sleeves_cut_into_parts_take_the_same() -> None:
    """Mass balance (formulas.md 9 M6): one of 3 m takes what 1 m and 2 m take together."""
    parts = taken_kg(4.5, 1.0, 0.8) + taken_kg(4.5, 2.0, 0.8)
    assert taken_kg(4.5, 3.0, 0.8) == pytest.approx(parts, rel=1e-9)
