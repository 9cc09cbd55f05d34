"""Marks of rows differ wherever rows do, and hang on nothing but what rows hold."""

from __future__ import annotations

from itertools import combinations

import geopandas as gpd
import numpy as np
import pandas as pd
import pyarrow as pa
import shapely
from hypothesis import given
from hypothesis import strategies as st

from planner.arrays import column_of
from planner.marks import row_marks, rows_digest

TEXTS = ["", "a", "b", "ab", "ba", "a\0", "\0", "12345678", "123456789", "12345678\0", "\u00e9",
         "e\u0301", "x" * 17, "x" * 16, None]  # fmt: skip


def one(*values: object, kind: str = "str") -> pd.DataFrame:
    return pd.DataFrame({"one": pd.array(list(values), dtype=kind)})


def test_all_unlike_rows_have_marks_of_their_own() -> None:
    """Every pair of texts in two columns, no two alike; a missing text is no blank one."""
    pairs = [(a, b) for a in TEXTS for b in TEXTS]
    frame = pd.DataFrame({name: pd.array([pair[at] for pair in pairs], dtype="str")
                          for at, name in enumerate("ab")})  # fmt: skip
    assert len(set(row_marks(frame).tolist())) == len(TEXTS) ** 2


def test_figures_flags_and_shapes() -> None:
    line = shapely.LineString([(0, 0), (0, 1)])
    shapes = [shapely.Point(0, 0), shapely.Point(0, 1), None, line]
    columns = [
        one(0.0, -0.0, 1.0, np.nan, np.inf, -np.inf, 5e-324, 1e300, kind="float64"),
        one(0, 1, -1, 2**62, None, kind="Int64"),
        one(True, False, None, kind="boolean"),
        gpd.GeoDataFrame(geometry=shapes),
    ]
    for frame in columns:
        assert len(set(row_marks(frame).tolist())) == len(frame)
    assert len({rows_digest(frame) for frame in columns}) == len(columns)


def test_what_is_no_number_is_one_thing_however_it_is_written() -> None:
    odd = np.array([0x7FF8000000000000, 0x7FF8000000000001, 0xFFF8000000000000], dtype=np.uint64)
    assert len(set(row_marks(pd.DataFrame({"one": odd.view(np.float64)})).tolist())) == 1


@given(
    st.lists(st.tuples(st.text(max_size=20), st.text(max_size=20)), min_size=2, max_size=6),
    st.data(),
)
def test_a_mark_is_of_the_row_alone(rows: list[tuple[str, str]], data: st.DataObject) -> None:
    """Taken, cut out, in several chunks, in another order: a row has the same mark everywhere."""
    frame = pd.DataFrame({n: pd.array([row[at] for row in rows], dtype="str")
                          for at, n in enumerate("ab")})  # fmt: skip
    marks = row_marks(frame)
    order = data.draw(st.permutations(range(len(rows))))
    assert row_marks(frame.iloc[order]).tolist() == marks[order].tolist()
    first = data.draw(st.integers(0, len(rows)))
    assert row_marks(frame.iloc[first:]).tolist() == marks[first:].tolist()
    parts = (rows[:first], rows[first:])
    texts = [
        pa.chunked_array([pa.array([row[at] for row in part], pa.large_string()) for part in parts])
        for at in (0, 1)
    ]
    cut = pd.DataFrame({n: column_of(text) for n, text in zip("ab", texts, strict=True)})
    assert row_marks(cut).tolist() == marks.tolist()
    for a, b in combinations(range(len(rows)), 2):
        assert (marks[a] == marks[b]) == (rows[a] == rows[b])


def test_names_of_columns_and_their_order_count() -> None:
    frame = pd.DataFrame({"a": pd.array(["x"], dtype="str"), "b": pd.array(["y"], dtype="str")})
    others = [frame[["b", "a"]], frame.rename(columns={"a": "c"}), frame[["a"]], frame.iloc[:0]]
    assert len({rows_digest(one) for one in (frame, *others)}) == 5
    assert rows_digest(frame, frame) != rows_digest(frame)
    assert len(row_marks(pd.DataFrame(index=range(3)))) == 3
