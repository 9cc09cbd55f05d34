"""What a sleeve is wound from, against the identities and published figures of formulas.md 4."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from planner.ground.winding import (
    folded_mm2,
    mass_shares,
    ply_mm,
    sheets_mm2,
    strip_mm,
    wound_mm2,
)

PI = np.pi


def arrays(*values: float) -> list[np.ndarray]:
    return [np.array([value]) for value in values]


def test_m2_thickness_of_one_ply() -> None:
    """225 g/m2 of fibre and resin, 67.78 % fibre, 1.79 and 1.25 kg/l: 0.143 mm (formulas.md 9 M2,
    a calculator page; the fibre alone weighs 152.5 g/m2)."""
    assert ply_mm(225.0 * 0.6778, 0.6778, 1.79, 1.25) == pytest.approx(0.143, abs=0.0005)


def test_two_plies_of_chopped_mat() -> None:
    """2 plies of 450 g/m2, resin to glass 2 : 1, 2.56 and 1.20 kg/l: 1.852 mm.

    The question is a university lecture's, the answer a hand calculation (formulas.md 4.1):
    2 x 0.45 x (1 / 2.56 + 2 / 1.2) = 1.8516.
    """
    assert 2.0 * ply_mm(450.0, 1.0 / 3.0, 2.56, 1.20) == pytest.approx(1.8516, abs=5e-5)


def test_one_ply_of_hand_laid_mat() -> None:
    """450 g/m2 at 30 % glass: 0.45 (1 / 2.56 + 7 / 3 / 1.2) = 1.0508 mm (formulas.md 4.2)."""
    assert ply_mm(450.0, 0.30, 2.56, 1.20) == pytest.approx(1.0508, abs=5e-5)


def test_m4_sheet_rolled_to_three_plies() -> None:
    """0.3 m, 1.5 mm, 3 plies: 2.785022 m developed (formulas.md 9 M4), times 1 m; no seam."""
    area = wound_mm2(*arrays(300.0, 1.5, 3.0, 0.0, 1.0))[0]
    assert area / 1e6 == pytest.approx(2.785022, abs=1e-6)


@given(
    st.floats(100.0, 600.0), st.floats(0.5, 3.0), st.integers(1, 8), st.floats(0.0, 80.0),
    st.floats(0.3, 5.0),
)  # fmt: skip
def test_m4_plies_one_in_another_are_the_sheet(
    bore: float, ply: float, plies: int, seam: float, length: float
) -> None:
    """sum of pi (D - (2 i - 1) t) = n pi (D - n t); separate sheets differ by their seams alone;
    without a seam area times ply is the wall's volume pi (D - w) w L (formulas.md 4.3, 4.4)."""
    each = sum(PI * (bore - (2 * i - 1) * ply) for i in range(1, plies + 1))
    given_all = arrays(bore, ply, float(plies), seam, length)
    rolled, sheets = wound_mm2(*given_all)[0], sheets_mm2(*given_all)[0]
    assert rolled == pytest.approx((each + seam) * length * 1000.0, rel=1e-12)
    assert sheets - rolled == pytest.approx((plies - 1) * seam * length * 1000.0, abs=1e-3)
    bare = wound_mm2(*arrays(bore, ply, float(plies), 0.0, length))[0]
    wall = plies * ply
    assert bare * ply == pytest.approx(PI * (bore - wall) * wall * length * 1000.0, rel=1e-9)


def test_folded_sheet_by_hand() -> None:
    """4 layers at 0.25 m, seam 30 mm, 1.2 m: (785.398 + 30) mm x 4.8 m = 3 913 911 mm2."""
    assert folded_mm2(*arrays(250.0, 4.0, 30.0, 1.2))[0] == pytest.approx(3_913_911, abs=1)


def test_m5_strip_at_half_its_width() -> None:
    """Dm 0.3, L 1, w 0.3 m: 2 pi Dm L / w = 6.283185 m (formulas.md 9 M5, exact)."""
    assert strip_mm(*arrays(300.0, 300.0, 0.5, 0.0, 1.0))[0] == pytest.approx(6283.185, abs=5e-4)


@given(st.floats(100.0, 600.0), st.floats(50.0, 400.0), st.floats(0.0, 0.9), st.floats(0.3, 5.0))
def test_strip_covers_the_cylinder_so_many_times(
    round_mm: float, width: float, lap: float, length: float
) -> None:
    """Strip area = 1 / (1 - f) cylinders: at half a width two layers everywhere. And turn by
    turn: the pitch p solves p cos(a) = w (1 - f), tan(a) = p / (pi Dm); each of L / p turns is
    sqrt((pi Dm)^2 + p^2) long (formulas.md 4.6). Found here by bisection, not by our formula."""
    got = strip_mm(*arrays(round_mm, width, lap, 0.0, length))[0]
    cylinder = PI * round_mm * length * 1000.0
    assert got * width == pytest.approx(cylinder / (1.0 - lap), rel=1e-9)
    turn = PI * round_mm
    asked = width * (1.0 - lap)
    if asked > 0.9 * turn:
        return  # a strip nearly as wide as it is long round: no spiral has that pitch
    low, high = asked, 1e6
    for _ in range(200):
        pitch = (low + high) / 2.0
        square = pitch * turn / np.hypot(turn, pitch)
        low, high = (pitch, high) if square < asked else (low, pitch)
    assert got == pytest.approx(length * 1000.0 / pitch * np.hypot(turn, pitch), rel=1e-6)


def test_square_ends_take_a_turn_each() -> None:
    """Two turns more at 0.3 m: 2 pi 300 = 1884.956 mm."""
    more = strip_mm(*arrays(300.0, 300.0, 0.5, 1.0, 1.0))[0]
    assert more - strip_mm(*arrays(300.0, 300.0, 0.5, 0.0, 1.0))[0] == pytest.approx(
        1884.956, abs=1e-3
    )


def test_two_to_one_by_volume() -> None:
    """1.16 and 1.00 kg/l: 2.32 : 1, that is 100 : 43.1 by mass (formulas.md 4.8)."""
    shares = mass_shares(np.array([2.0, 1.0]), np.array([1.16, 1.00]), by_volume=True)
    assert shares[0] / shares[1] == pytest.approx(2.32, rel=1e-12)
    assert 100.0 * shares[1] / shares[0] == pytest.approx(43.1, abs=0.05)
    assert mass_shares(np.array([100.0, 43.1]), np.full(2, np.nan), by_volume=False)[
        0
    ] == pytest.approx(100.0 / 143.1)
