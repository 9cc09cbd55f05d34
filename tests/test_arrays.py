"""Columns taken from arrow as they lie in memory are what it says of them one by one."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest

from planner.arrays import alike_at, column_of, figures_of

WORDS = ["", "a", "ab", "abc", "abd", "Ä", "A\u0308", "a\x00b", "N0012", "N0013"]


@pytest.mark.parametrize("seed", range(4))
def test_texts_compared_by_place(seed: int) -> None:
    """Random words: slices, columns in several pieces, places that stand twice, and none."""
    draw = np.random.default_rng(seed)
    one, other = ([WORDS[n] for n in draw.integers(0, len(WORDS), 60)] for _ in range(2))
    pieces = pa.chunked_array([one[:7], one[7:]], pa.large_string())
    columns = [pd.array(one, dtype="str"), pd.array(["x", *one], dtype="str")[1:],
               column_of(pieces)]  # fmt: skip
    at, at_other = draw.integers(0, 60, 200), draw.integers(0, 60, 200)
    wanted = [one[a] == other[b] for a, b in zip(at, at_other, strict=True)]
    assert 5 < sum(wanted) < 195
    for column in columns:
        found = alike_at(column, at, pd.array(other, dtype="str"), at_other)
        assert found.tolist() == wanted
    none = np.zeros(0, dtype=np.intp)
    assert alike_at(columns[0][:0], none, columns[1], none).tolist() == []


@pytest.mark.parametrize("seed", range(4))
def test_figures_that_are_missing_are_no_numbers(seed: int) -> None:
    """As arrow lists them: none, some and all are missing, in pieces and out of the middle."""
    draw = np.random.default_rng(seed)
    for share in (0.0, 0.4, 1.0):
        rows = [None if draw.random() < share else float(draw.normal()) for _ in range(70)]
        whole = pa.array(rows, pa.float64())
        for pieces in ([whole], [whole[3:50]], [whole[8:9]], [whole[:5], whole[5:]], [whole[:0]]):
            column = pa.chunked_array(pieces)
            wanted = [np.nan if one is None else one for one in column.to_pylist()]
            np.testing.assert_array_equal(figures_of(column), wanted)
