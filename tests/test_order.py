"""Rows in order and in pairs: against Python's own sorting and every pair looked at."""

from __future__ import annotations

from random import Random

import numpy as np
import pandas as pd
import pytest

from planner.distinct import matches
from planner.order import FEW, order_by, rises


def columns(count: int, draw: Random) -> list[np.ndarray]:
    """Give texts and numbers that stand often twice."""
    texts = [draw.choice(["", "a", "b", "\u00e9", "\U0001f600", "Z"]) for _ in range(count)]
    numbers = [draw.choice([-1.5, 0.0, 0.25, 7.0]) for _ in range(count)]
    return [np.array(texts, dtype=object), np.array(numbers), np.arange(count)[::-1] // 2]


@pytest.mark.parametrize("count", [0, 1, 7, FEW, FEW + 1, 3 * FEW])
def test_few_rows_and_many_are_sorted_as_tuples_are(count: int) -> None:
    """Stable: `sorted` keeps equal rows as they stood."""
    given = columns(count, Random(count))
    rows = list(zip(*(one.tolist() for one in given), strict=True))
    assert order_by(given).tolist() == sorted(range(count), key=rows.__getitem__)


@pytest.mark.parametrize("count", [2, 9, FEW, FEW + 1])
def test_rows_rise_where_none_stands_twice(count: int) -> None:
    """By definition: each tuple is less than the next one; an unknown is never in order."""
    texts = pd.array([f"{at:05d}" for at in range(count)], dtype="str")
    numbers = np.arange(float(count))
    assert rises([texts, numbers])
    assert rises([np.zeros(count), numbers])
    assert not rises([np.zeros(count)])
    assert not rises([texts.take(np.arange(count)[::-1]), numbers])
    assert not rises([np.append(numbers[1:], np.nan)])


@pytest.mark.parametrize("seed", range(6))
def test_matches_are_all_pairs_of_equal_texts_in_order(seed: int) -> None:
    """Exhaustive: every row of one held against every row of the other."""
    draw = Random(seed)
    one, other = ([draw.choice("abcde") for _ in range(draw.randrange(12))] for _ in range(2))
    pairs = [(i, j) for i, a in enumerate(one) for j, b in enumerate(other) if a == b]
    rows, found = matches(np.array(one, dtype=object), np.array(other, dtype=object))
    assert list(zip(rows.tolist(), found.tolist(), strict=True)) == pairs
