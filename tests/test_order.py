"""Rows in order and in pairs: against Python's own sorting and every pair looked at."""

from __future__ import annotations

from random import Random

import numpy as np
import pandas as pd
import pytest

from planner.distinct import groups_of, matches, places_of, unlike_in
from planner.order import FEW, order_by, order_within, ranked, ranks_of, rises


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


@pytest.mark.parametrize("sizes", [(1, 5), (3, 40), (60, 70), (2, 500)])
def test_groups_of_all_sizes_are_sorted_stably(sizes: tuple[int, int]) -> None:
    """As `sorted` has it: rows lie by group, some groups in order, some not, with equal ones."""
    draw = Random(sizes[1])
    group = [g for g in range(60) for _ in range(draw.randint(*sizes))]
    key = [float(draw.randrange(9)) if g % 3 else 1.0 for g in group]
    for other in (np.array(key), np.array(key, dtype=np.int32), np.array(key) > 4.0):
        rows = list(zip(group, other.tolist(), strict=True))
        wanted = sorted(range(len(rows)), key=rows.__getitem__)
        assert order_by([np.array(group), other]).tolist() == wanted


@pytest.mark.parametrize("lie_together", [True, False])
def test_rows_are_sorted_within_their_groups(lie_together: bool) -> None:
    """As `sorted` has it, stable: groups of none to 300 rows, of which many are equal."""
    draw = Random(5)
    group = [g for g in range(20) for _ in range(draw.choice([0, 1, 7, 64, 65, 300]))]
    group = group if lie_together else draw.sample(group, len(group))
    value = [draw.randrange(9) / 4.0 for _ in group]
    wanted = sorted(range(len(group)), key=lambda at: (group[at], value[at]))
    assert order_within(np.array(group), np.array(value)).tolist() == wanted
    assert order_within(np.array([], dtype=np.int64), np.array([])).tolist() == []


def test_groups_that_fall_keep_equal_rows_as_they_stood() -> None:
    """By hand: 5 4 4 3 3 3 1 falls, and mostly so does 9 9 2 7 7 0; by value, then place."""
    group = np.repeat([0, 1], [7, 6])
    value = np.array([5.0, 4, 4, 3, 3, 3, 1, 9, 9, 2, 7, 7, 0])
    assert order_within(group, value).tolist() == [6, 3, 4, 5, 1, 2, 0, 12, 9, 10, 11, 7, 8]


@pytest.mark.parametrize("count", [3, FEW + 1])
def test_texts_of_several_columns_have_the_first_place_among_the_known(count: int) -> None:
    """By `list.index`; some are nowhere, one stands twice."""
    draw = Random(count)
    known = ["a", "b", "a", "", *(str(at) for at in range(count))]
    columns = [draw.choices([*known, "?"], k=size) for size in (count, 2 * count)]
    found = places_of([pd.array(one, dtype="str") for one in columns], pd.array(known, dtype="str"))
    for one, places in zip(columns, found, strict=True):
        wanted = [known.index(text) if text in known else -1 for text in one]
        assert places.tolist() == wanted


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


WORDS = ["", "a", "b", "\u00e9", "\U0001f600", "\uffff", "Z", "ab"]


@pytest.mark.parametrize("seed", range(4))
def test_ranks_are_places_among_the_sorted_texts(seed: int) -> None:
    """Python sorts texts by code point; so do the ranks, whatever the letters' bytes."""
    texts = Random(seed).choices(WORDS, k=50)
    unlike = sorted(set(texts))
    assert ranks_of(np.array(texts, dtype=object)).tolist() == [unlike.index(t) for t in texts]
    assert ranked(pd.array(texts, dtype="str"))[1].to_pylist() == unlike
    assert unlike_in(pd.Series(texts, dtype="str")) == list(dict.fromkeys(texts))


@pytest.mark.parametrize(
    "form", ["{:04d}", "D-{:07d}", "{:08d}", "{:x}", "long ago {:03d}", "{:03d} and more letters"]
)
def test_ids_are_sorted_as_texts_whatever_their_form(form: str) -> None:
    """Ids of one length are sorted by their last letters as numbers, others are not: `sorted`."""
    draw = Random(len(form))
    texts = [form.format(draw.randrange(900)) for _ in range(3 * FEW)]
    column = pd.array([*texts, "cut off"], dtype="str")[: len(texts)]
    order = order_by([column])
    assert order.tolist() == sorted(range(len(texts)), key=texts.__getitem__)
    once = pd.array(sorted(set(texts)), dtype="str")
    assert len(once) > FEW
    assert rises([once])
    assert not rises([once[::-1]])
    assert not rises([column.take(order)])  # some stand twice
    assert rises([column.take(order), np.arange(len(texts))])


@pytest.mark.parametrize("seed", range(6))
def test_rows_that_hold_the_same_have_one_number(seed: int) -> None:
    """By a dictionary of tuples, numbered as they first appear; an unknown is like another."""
    draw = Random(seed)
    columns = [
        draw.choices(some, k=40)
        for some in draw.choices([["x"], ["x", "y"], [1.5, 2.0], [np.nan, 1.0], [np.nan]], k=3)
    ]
    given = [pd.Series(one) if isinstance(one[0], str) else np.array(one) for one in columns]
    rows = [tuple(str(value) for value in row) for row in zip(*columns, strict=True)]
    numbers = {row: number for number, row in enumerate(dict.fromkeys(rows))}
    found, count = groups_of(given)
    assert found.tolist() == [numbers[row] for row in rows]
    assert count == len(numbers)
