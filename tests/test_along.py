"""Places along many lines on flat coordinates: as shapely has them, line by line."""

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from shapely import LineString

from planner.ground.along import Axes

BENT = LineString([(0, 0), (3, 0), (3, 4)])  # 3 + 4 = 7 m


def drawn(draw: np.random.Generator, count: int, most: int) -> list[LineString]:
    """Lines of 2 to `most` vertices at any place of a country, some vertices twice."""
    out = []
    for _ in range(count):
        xy = draw.uniform(0.0, 50.0, (draw.integers(2, most + 1), 2)).cumsum(axis=0).round(3)
        xy[draw.random(len(xy)) < 0.1] = xy[0]
        out.append(LineString(xy + draw.uniform(0.0, 800_000.0, 2).round(3)))
    return out


def test_by_hand() -> None:
    """At 5 m of 3 + 4 m lies (3, 2); each line has its own start."""
    axes = Axes.of([LineString([(9, 9), (9, 10)]), BENT])
    assert axes.length_m.tolist() == [1.0, 7.0]
    found = axes.points([1, 1, 1, 0, 1], [0.0, 5.0, 7.0, 0.5, 2.0])
    assert found.tolist() == [[0, 0], [3, 2], [3, 4], [9, 9.5], [2, 0]]
    assert Axes.of([]).points([], []).shape == (0, 2)


@pytest.mark.parametrize("most", [2, 5, 60])
@pytest.mark.parametrize("in_order", [True, False])
def test_as_shapely_has_them(most: int, in_order: bool) -> None:
    """shapely.line_interpolate_point, row by row; within 1e-6 m, whatever the order of rows."""
    draw = np.random.default_rng(most)
    lines = np.array(drawn(draw, 40, most), dtype=object)
    rows = draw.integers(0, len(lines), 3_000)
    share = draw.choice([0.0, 1.0, 0.5], 3_000) * (draw.random(3_000) < 0.2)
    length = shapely.length(lines)[rows]
    d = np.where(share > 0.0, share, draw.random(3_000)) * length
    if in_order:
        order = np.lexsort((d, rows))
        rows, d = rows[order], d[order]
    wanted = shapely.get_coordinates(shapely.line_interpolate_point(lines[rows], d))
    assert np.abs(Axes.of(lines).points(rows, d) - wanted).max() < 1e-6


def test_a_place_on_a_vertex_is_the_vertex() -> None:
    """The ways of a line of whole metres are whole: each vertex is its own place."""
    xy = [(0.0, 0.0), (5.0, 0.0), (5.0, 0.0), (5.0, 12.0), (8.0, 16.0)]
    axes = Axes.of([LineString(xy)])
    assert axes.along_m.tolist() == [0.0, 5.0, 5.0, 17.0, 22.0]
    assert axes.points([0] * 4, [0.0, 5.0, 17.0, 22.0]).tolist() == [
        [0, 0], [5, 0], [5, 12], [8, 16]
    ]  # fmt: skip


@given(st.floats(1e-5, 1e4))
def test_nothing_lies_beyond_an_end(beyond: float) -> None:
    """Beyond either end there is an error, never a place; rounding is the end itself."""
    axes = Axes.of([BENT])
    for d in (-beyond, 7.0 + beyond):
        with pytest.raises(ValueError, match="does not lie on a line"):
            axes.points([0], [d])
    assert axes.points([0, 0], [-1e-7, 7.0 + 1e-7]).tolist() == [[0, 0], [3, 4]]


@pytest.mark.parametrize("bad", [np.nan, np.inf])
def test_no_number_is_no_place(bad: float) -> None:
    """Not the start, where a walk that compares nothing would stop."""
    with pytest.raises(ValueError, match="does not lie on a line"):
        Axes.of([BENT]).points([0, 0], [1.0, bad])


@pytest.mark.parametrize("rows", [[-1], [1]])
def test_there_is_no_such_line(rows: list[int]) -> None:
    """-1 is not the last one."""
    with pytest.raises(ValueError, match="there are 1 lines"):
        Axes.of([BENT]).points(rows, [0.0])


def test_what_is_no_line_is_refused() -> None:
    """As `measure.point_at` does; and rows and distances go in pairs."""
    with pytest.raises(ValueError, match="not a line"):
        Axes.of([BENT, None])
    with pytest.raises(ValueError, match="2 lines but 1 distances"):
        Axes.of([BENT, BENT]).points([0, 1], [0.0])
