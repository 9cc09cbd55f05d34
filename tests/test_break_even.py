"""From how many sleeves on a liner is cheaper: by hand, and against published sums."""

from __future__ import annotations

from fractions import Fraction

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from one_pipe import lateral, pipe, price, prices, sleeve, span, town, verdict

from planner.repairs.break_even import break_even, first_count
from planner.repairs.options import price_options
from planner.settings import load_settings

SLEEVING = load_settings({}).sleeving
BOOK = prices(
    price("sleeve", 2_000_00),
    price("liner", 1_000_00, per_m=200_00),
    price("dig", 5_000_00),
    price("reopen", 100_00),
    price("setup", 400_00),
    price("verify", 150_00),
)


def row_of(tables: dict[str, pd.DataFrame], book: pd.DataFrame = BOOK) -> dict:
    made = price_options(tables, book, SLEEVING)
    (row,) = break_even(made.options, made.option_lines, SLEEVING).to_dict("records")
    return row


def two_sleeves(**more: object) -> dict[str, pd.DataFrame]:
    return town(
        [span("D-1", 5, 6), span("D-2", 20, 21)],
        [verdict("D-1"), verdict("D-2")],
        [sleeve("S-1", 4.5, 6.5), sleeve("S-2", 19.5, 21.5, cost_cents=2_600_00)],
        [("S-1", "D-1"), ("S-2", "D-2")],
        **more,
    )


def test_the_count_by_hand():
    """400 + n x (2 300 + 150) against 400 + 1 000 + 40 x 200 + 150 = 9 550: n > 3.73, so 4.

    A year: (400 + 2 450 n) / 12 against 9 550 / 50 = 191: one sleeve, at 237.50, is dearer.
    """
    row = row_of(two_sleeves())
    assert (row["sleeve_base_cents"], row["sleeve_each_cents"]) == (400_00, 2_450_00)
    assert (row["liner_cents"], row["liner_from_count"], row["sleeves_count"]) == (9_550_00, 4, 2)
    assert row["annual_from_count"] == 1
    assert (row["dig_base_cents"], row["dig_each_cents"]) == (0, 5_000_00)
    said = "400.00 + 2,450.00 a sleeve against liner 9,550.00: the liner costs less from 4 sleeves"
    assert row["why"].startswith(said)


def test_reopenings_under_a_sleeve_go_with_the_sleeve():
    """2 600 holds one reopening of 100: the mean of a sleeve is the same, the liner pays it too."""
    row = row_of(two_sleeves(laterals=[lateral(20)], covers=[("S-2", "p1@20")]))
    assert row["sleeve_each_cents"] == 2_450_00
    assert row["liner_cents"] == 9_650_00


def test_what_cannot_be_compared_says_why():
    """No liner, no sleeve, no price: blank figures and the reason."""
    tables = two_sleeves()
    tables["verdicts"]["liner"] = "closed"
    row = row_of(tables)
    assert pd.isna(row["liner_from_count"])
    assert row["why"] == "not compared: liner: D-1: liner is closed; D-2: liner is closed"
    row = row_of(two_sleeves(), prices(price("liner", 1)))
    assert row["sleeve_each_cents"] == 2_300_00
    assert "liner: not costed" in row_of(two_sleeves(), prices(price("sleeve", 1)))["why"]


# trade.md D: n* = (L c_line + 6 x 150) / c_sleeve, printed to one place.
TABLE = [
    (40, 3000, [(100, 1.6), (150, 2.3), (250, 3.6), (430, 6.0)]),
    (60, 3000, [(100, 2.3), (150, 3.3), (250, 5.3), (430, 8.9)]),
    (90, 3000, [(100, 3.3), (150, 4.8), (250, 7.8), (430, 13.2)]),
    (90, 2000, [(100, 5.0), (150, 7.2), (250, 11.7), (430, 19.8)]),
]


@pytest.mark.parametrize(
    ("length", "each", "per_m", "ratio"),
    [(length, each, per_m, n) for length, each, row in TABLE for per_m, n in row],
)
def test_the_break_even_table_of_the_trade_notes(length: int, each: int, per_m: int, ratio: float):
    """Our count is the first whole one above n*; the table's own ratio is met to its one place.

    References
    ----------
    trade.md D, a computed table (own, 6 connections at 150, prices of public works 2008-2019).
    """
    tables = town(
        [span("D-1", 5, 6)],
        [verdict("D-1")],
        [sleeve("S-1", 4.5, 6.5, cost_cents=each * 100)],
        [("S-1", "D-1")],
        laterals=[lateral(20 + one) for one in range(6)],
        pipes=[pipe(length_m=float(length), laterals_known_to_m=float(length))],
    )
    row = row_of(tables, prices(price("liner", 0, per_m=per_m * 100), price("reopen", 150_00)))
    exact = Fraction(length * per_m + 6 * 150, each)
    assert float(exact) == pytest.approx(ratio, abs=0.0501)
    assert row["liner_from_count"] == exact // 1 + 1


@pytest.mark.parametrize(("per_ft", "ratio", "count"), [(93, 5.5, 6), (23.50, 1.5, 2)])
def test_the_break_even_of_two_cities(per_ft: float, ratio: float, count: int):
    """295 ft of 8 in, 6 reopenings at 73, a sleeve and a move at 2 640 + 2 400.

    References
    ----------
    Liner 93 USD a foot: San Francisco WW-684, 2022. 23.50: Lawrence KS, city memo UT1508, 2016.
    Sleeve and move: US building cost handbook 2022, item 33 01 30.75, 12 in, 4 ft. Printed
    together in prices.md 3: 5.5 and 1.5 sleeves.
    """
    liner = Fraction(str(per_ft)) * 295 + 6 * 73
    each = Fraction(2640 + 2400)
    assert float(liner / each) == pytest.approx(ratio, abs=0.05)
    assert first_count(Fraction(0), each, liner) == count


@given(st.integers(0, 10**6), st.integers(0, 10**5), st.integers(0, 10**7))
def test_the_first_count_by_search(base: int, each: int, limit: int):
    """The least whole count >= 1 whose sum is above the limit, found by the definition."""
    count = first_count(Fraction(base), Fraction(each), Fraction(limit))
    if count is None:
        assert each == 0
        assert base <= limit
    else:
        assert base + count * each > limit
        assert count == 1 or base + (count - 1) * each <= limit
