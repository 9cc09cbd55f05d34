"""Whatever the line: places lie on it, from one end or the other, and pieces add up."""

import numpy as np
import pytest
import shapely
from hypothesis import assume, given
from hypothesis import strategies as st
from shapely import LineString

from planner.ground.measure import cut_line, point_at

coordinate = st.floats(-500, 500, allow_nan=False).map(lambda value: round(value, 3))
lines = (
    st.lists(st.tuples(coordinate, coordinate), min_size=2, max_size=8)
    .map(LineString)
    .filter(lambda line: line.length > 0.1)
)
share = st.floats(0, 1)


@given(lines, share)
def test_a_place_counts_the_same_from_both_ends(line: LineString, part: float):
    """d from one end is L - d from the other, on the line as drawn and as reversed."""
    d = part * line.length
    here = point_at([line], [d])
    there = point_at([shapely.reverse(line)], [line.length - d])
    assert here == pytest.approx(there, abs=1e-6)
    assert line.distance(shapely.Point(here[0])) < 1e-6


@given(lines, share, share)
def test_a_piece_is_as_long_as_asked_and_its_ends_are_its_places(
    line: LineString, one: float, other: float
):
    """The piece from a to b has length b - a, begins at the place a, ends at the place b."""
    a, b = sorted((one * line.length, other * line.length))
    assume(b - a > 1e-6)
    piece = cut_line(line, a, b)
    assert piece.length == pytest.approx(b - a, abs=1e-6)
    ends = shapely.get_coordinates(piece)[[0, -1]]
    assert ends == pytest.approx(point_at([line, line], [a, b]), abs=1e-6)


@given(lines, st.floats(1e-4, 1e4))
def test_nothing_lies_beyond_an_end(line: LineString, beyond: float):
    """Beyond either end there is an error, never a place."""
    for d in (-beyond, line.length + beyond):
        with pytest.raises(ValueError, match="does not lie"):
            point_at([line], [d])


@given(lines)
def test_whole_line(line: LineString):
    """From 0 to the length is the whole line."""
    whole = cut_line(line, 0.0, line.length)
    assert whole.length == pytest.approx(line.length)
    ends = shapely.get_coordinates(line)[[0, -1]]
    assert np.abs(shapely.get_coordinates(whole)[[0, -1]] - ends).max() < 1e-6
