"""One price model, whole cents."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from planner.contracts import PRICES
from planner.ground.money import half_even, price_cents, price_many
from planner.tables import conform


def price(price_id: str, **given) -> dict[str, object]:
    row = {
        "price_id": price_id,
        "item": "sleeve",
        "dn_from_mm": 100.0,
        "dn_to_mm": 300.0,
        "each_cents": 2_000_00,
        "included_m": 1.0,
        "extra_cents_per_m": 300_00,
    }
    return {**row, **given}


def prices(*rows: dict[str, object]) -> pd.DataFrame:
    return conform(rows, PRICES)


@pytest.mark.parametrize(
    ("length_m", "cents"),
    # 2000.00 with the first metre; then 300.00 a metre: 0.5 m more are 150.00.
    [(0.0, 2_000_00), (0.5, 2_000_00), (1.0, 2_000_00), (1.5, 2_150_00), (3.0, 2_600_00)],
)
def test_each_plus_extra_length(length_m: float, cents: int):
    """The included length costs nothing more; beyond it each metre does."""
    assert price_cents(prices(price("p")), "sleeve", 200, length_m) == cents


def test_the_handbook_line_of_a_12_inch_sleeve():
    """A sleeve is nearly all fixed cost: 2 384 + 61 a foot gives each printed length to 0.6 %.

    References
    ----------
    US cost handbook 2022, 12 in, 6 mm wall, per sleeve: 2 ft 2 500, 4 ft 2 640,
    10 ft 2 980, 20 ft 3 600 dollars.
    """
    per_m = round(61_00 / 0.3048)
    book = prices(price("p", each_cents=2_384_00, included_m=0.0, extra_cents_per_m=per_m))
    for feet, dollars in [(2, 2500), (4, 2640), (10, 2980), (20, 3600)]:
        cents = price_cents(book, "sleeve", 300, feet * 0.3048)
        assert cents == pytest.approx(dollars * 100, rel=0.006)


@pytest.mark.parametrize(
    ("length_m", "cents"),
    # One cent a metre: 0.5 -> 0, 1.5 -> 2, 2.5 -> 2, 2.500001 -> 3.
    [(0.5, 0), (1.5, 2), (2.5, 2), (2.500001, 3)],
)
def test_half_a_cent_goes_to_the_even_cent(length_m: float, cents: int):
    """Rounding is done once, half to even."""
    book = prices(price("p", each_cents=0, included_m=0.0, extra_cents_per_m=1))
    assert price_cents(book, "sleeve", 200, length_m) == cents


@pytest.mark.parametrize(
    ("item", "dn_mm", "length_m"),
    [
        ("liner", 200, 1.0),
        ("sleeve", 99, 1.0),
        ("sleeve", 301, 1.0),
        ("sleeve", float("nan"), 1.0),
        ("sleeve", 200, float("nan")),
    ],
)
def test_what_no_price_covers_is_not_costed(item: str, dn_mm: float, length_m: float):
    """No price is not a price of nothing."""
    assert price_cents(prices(price("p")), item, dn_mm, length_m) is None


def test_no_prices_at_all():
    """An empty list of prices costs nothing, it does not fail."""
    assert price_cents(prices(), "sleeve", 200, 1.0) is None


def test_which_of_several_prices_counts():
    """Own system, then the narrower band, then the lower band, then the newer year."""
    book = prices(
        price("any", each_cents=1),
        price("own", each_cents=2, system="felt"),
        price("narrow", each_cents=3, dn_from_mm=200.0, dn_to_mm=250.0),
        price("old", each_cents=4, item="dig", year=2020, dn_to_mm=200.0),
        price("new", each_cents=5, item="dig", year=2024, dn_to_mm=200.0),
        price("above", each_cents=6, item="dig", dn_from_mm=200.0, dn_to_mm=300.0, year=2025),
    )
    assert price_cents(book, "sleeve", 200, 1, system="felt") == 2
    assert price_cents(book, "sleeve", 200, 1, system="glass") == 3
    assert price_cents(book, "sleeve", 150, 1) == 1
    assert price_cents(book, "dig", 200, 1) == 5
    assert price_cents(book, "dig", 201, 1) == 6


def test_many_at_once_are_as_one_by_one():
    """The array form gives the same cents, NA where there is no price."""
    book = prices(price("a", dn_to_mm=150.0), price("b", each_cents=7, dn_from_mm=151.0))
    dn, length = [100.0, 151.0, 500.0], [2.0, 1.0, 1.0]
    many = price_many(book, "sleeve", dn, length)
    assert [None if pd.isna(one) else int(one) for one in many] == [2_300_00, 7, None]
    assert [price_cents(book, "sleeve", d, x) for d, x in zip(dn, length, strict=True)] == [
        2_300_00,
        7,
        None,
    ]


@given(st.integers(0, 10**12), st.integers(1, 10**6))
def test_half_even_is_python_round_of_the_fraction(parts: int, by: int):
    """Python rounds an exact fraction half to even: an independent reckoning."""
    assert half_even(np.array([parts]), by)[0] == round(Fraction(parts, by))
