"""What published prices and catalogue pairs say, held against our wall and price models.

References
----------
HB: US building cost handbook 2022, item 33 01 30.75. It pairs 12 in with 6 mm at 250 ksi and
5 mm at 400 ksi, 24 in with 12 and 10.5 mm; no loads are given: a catalogue pairing, no design.
SF: payment schedules of San Francisco contracts 1070I (WW-684, 2022), 1164I and 1243I (2021).
"""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest

from planner.ground import loads, wall
from planner.ground.loads import US

STEP_MM = 1.5  # felt comes in steps of 1.5 mm (from memory)
LOW, HIGH = 250_000.0, 400_000.0  # psi


def walls(bore_in: float, modulus_psi: float) -> dict[str, float]:
    """Walls [in] of X1.1, X1.3 and X1.4 at one load, whatever the size."""
    lining = wall.Lining(modulus_psi, 0.5, 4_500.0, 2.0, 7.0, 0.3)
    factor = wall.ovality_factor(2.0)
    ground = wall.Ground(
        10.0, loads.buoyancy_factor(2.0, 10.0), wall.elastic_support(10.0, US), 1_000.0
    )
    return {
        "X1.1": float(wall.groundwater_wall(bore_in, 5.0, factor, lining)),
        "X1.3": float(wall.full_load_wall(bore_in, ground, factor, lining)),
        "X1.4": float(wall.stiffness_wall(bore_in, lining, US)),
    }


@pytest.mark.parametrize("clause", ["X1.1", "X1.3", "X1.4"])
def test_b1_the_wall_goes_with_the_diameter(clause: str):
    """HB: 12 in 6 mm -> 24 in 12 mm at 250 ksi, DR 50.8 both; all else equal t ~ D."""
    scaled = 6.0 * walls(24.0, LOW)[clause] / walls(12.0, LOW)[clause]
    assert scaled == pytest.approx(12.0, rel=1e-9)


@pytest.mark.parametrize("clause", ["X1.3", "X1.4"])
@pytest.mark.parametrize(
    ("bore_in", "low_mm", "printed_mm"), [(12.0, 6.0, 5.0), (24.0, 12.0, 10.5)]
)
def test_b2_b3_the_wall_goes_with_the_cube_root_of_the_modulus(
    clause: str, bore_in: float, low_mm: float, printed_mm: float
):
    """HB: 6 -> 5 mm and 12 -> 10.5 mm from 250 to 400 ksi; t ~ E^(-1/3) gives 5.13 and 10.26.

    The printed walls agree to the stock step (half of 1.5 mm), not better.
    """
    scaled = low_mm * walls(bore_in, HIGH)[clause] / walls(bore_in, LOW)[clause]
    assert scaled == pytest.approx(low_mm * (250 / 400) ** (1 / 3), rel=1e-6)
    assert scaled == pytest.approx(printed_mm, abs=STEP_MM / 2)


def test_b3_the_printed_wall_is_the_next_stock_step():
    """HB: 10.26 mm rounds up to 10.5 in steps of 1.5 mm; 5.13 would to 6.0, 5 is printed."""
    assert wall.rounded_up(10.26, 0.0, STEP_MM) == pytest.approx(10.5)
    assert wall.rounded_up(5.13, 0.0, STEP_MM) == pytest.approx(6.0)


def test_a_sleeve_is_nearly_all_fixed_cost():
    """HB, 24 in: 3 544 + 242 a foot gives 2, 4, 10, 20 ft = 4 050, 4 500, 5 950, 8 400 to 0.6 %.

    At 4 ft the fixed part is four fifths: a price per length would be wrong.
    """
    printed = {2: 4050, 4: 4500, 10: 5950, 20: 8400}
    feet = np.array(list(printed), dtype=float)
    sums = np.array(list(printed.values()), dtype=float)
    per_ft, fixed = np.polyfit(feet, sums, 1)
    assert (fixed, per_ft) == (pytest.approx(3544, abs=1), pytest.approx(242, abs=1))
    assert np.abs(fixed + per_ft * feet - sums).max() <= 0.006 * sums.max()
    assert 3544 / printed[4] == pytest.approx(0.79, abs=0.01)


def liners(samples: Path) -> npt.NDArray[np.float64]:
    """Diameter [in], price [USD/ft], quantity [ft] of SF full liners of one round size."""
    with (samples / "owners" / "bid_prices.csv").open(newline="", encoding="utf-8") as file:
        rows = [
            row
            for row in csv.DictReader(file)
            if row["city"].startswith("San Francisco")
            and row["item"].startswith("full liner")
            and row["unit"] == "LF"
            and row["diameter"].removesuffix(" in").isdigit()
        ]
    return np.array(
        [(r["diameter"].removesuffix(" in"), r["price"], r["quantity"]) for r in rows], dtype=float
    )


def explained(price: npt.NDArray[np.float64], *causes: npt.NDArray[np.float64]) -> float:
    """Share of the variance of log price that a straight line in the logs of causes explains."""
    y = np.log(price)
    x = np.column_stack([np.ones(len(y)), *(np.log(cause) for cause in causes)])
    rest = y - x @ np.linalg.lstsq(x, y, rcond=None)[0]
    return float(1 - rest @ rest / ((y - y.mean()) @ (y - y.mean())))


def test_quantity_beats_diameter(samples: Path):
    """Nine awarded prices: quantity explains 79 % of the variance of log price, diameter 1 %.

    Few rows of one city, three contracts and two years, and a price by foot holds the quantity
    as its divisor: it shows that a fixed price by diameter is wrong, not what the right one is.
    Without the one large job it is 90 % against 5 %: the finding does not hang on that row.
    """
    diameter, price, quantity = liners(samples).T
    assert len(price) == 9
    assert explained(price, quantity) == pytest.approx(0.79, abs=0.005)
    assert explained(price, diameter) == pytest.approx(0.01, abs=0.005)
    assert explained(price, quantity, diameter) == pytest.approx(0.81, abs=0.005)
    small = quantity < 1_000
    assert explained(price[small], quantity[small]) == pytest.approx(0.90, abs=0.005)
    assert explained(price[small], diameter[small]) == pytest.approx(0.05, abs=0.005)


def test_a_fixed_part_and_a_price_by_length_fit_short_runs(samples: Path):
    """Eight runs under 1 000 ft: 21 180 + 71 a foot is nearer than any one price a foot.

    The root mean square miss falls from 49 % to 17 %, the worst is 30 %: bids are no formula,
    and the spread must be shown.
    """
    _, price, quantity = liners(samples).T
    small = quantity < 1_000
    sums, feet = (price * quantity)[small], quantity[small]
    per_ft, fixed = np.polyfit(feet, sums, 1)
    assert (fixed, per_ft) == (pytest.approx(21_180, abs=5), pytest.approx(71, abs=0.1))
    flat = float(sums @ feet / (feet @ feet))
    ours = (fixed + per_ft * feet) / sums - 1
    alone = flat * feet / sums - 1
    assert np.sqrt(np.mean(ours**2)) == pytest.approx(0.17, abs=0.005)
    assert np.sqrt(np.mean(alone**2)) == pytest.approx(0.49, abs=0.005)
    assert np.abs(ours).max() == pytest.approx(0.30, abs=0.005)
