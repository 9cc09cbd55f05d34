"""One plain line from what a pipe's geometry is."""

import numpy as np
import pytest
import shapely
from shapely import LineString, MultiLineString, Point, Polygon

from planner.inputs.lines import one_line_each, same_lines

STRAIGHT = LineString([(0, 0), (20, 0)])


def one(shape):
    """Give the line, fault and note of one shape."""
    found = one_line_each(np.array([shape], dtype=object))
    return found.lines[0], found.faults.get(0, ("", ""))[0], found.notes.get(0, "")


@pytest.mark.parametrize(
    ("shape", "word"),
    [
        (None, "no geometry"),
        (LineString(), "an empty geometry"),
        (MultiLineString(), "an empty geometry"),
        (LineString([(1, 1), (1, 1)]), "a line of no length"),
        (MultiLineString([[(1, 1), (1, 1)]]), "a line of no length"),
        (LineString([(0, 0), (1, 0), (1, 1), (0, 0)]), "a closed ring"),
        (Point(1, 1), "a Point"),
        (Polygon([(0, 0), (1, 0), (1, 1)]), "a Polygon"),
        # A gap of 5 m in the middle.
        (MultiLineString([[(0, 0), (10, 0)], [(15, 0), (20, 0)]]), "2 parts that do not make"),
        # A branch: which way the pipe goes is not known.
        (
            MultiLineString([[(0, 0), (10, 0)], [(10, 0), (20, 0)], [(10, 0), (10, 5)]]),
            "3 parts that do not make",
        ),
    ],
)
def test_what_makes_no_line_is_named(shape, word):
    """No line, and the reason; the place in the list stays."""
    line, fault, note = one(shape)
    assert line is None
    assert fault.startswith(word)
    assert note == ""


def test_one_part_is_taken_silently():
    """Whole cities write their lines so."""
    line, fault, note = one(MultiLineString([STRAIGHT]))
    assert line.equals(STRAIGHT)
    assert (fault, note) == ("", "")


@pytest.mark.parametrize(
    "parts",
    [
        [[(10, 0), (20, 0)], [(0, 0), (10, 0)]],  # out of order
        [[(0, 0), (10, 0)], [(20, 0), (10, 0)]],  # one drawn backward
        [[(0, 0), (10, 0)], [(10.002, 0), (20, 0)]],  # a gap of 2 mm
        [[(0, 0), (10, 0)], [(10, 0.04), (20, 0)]],  # a gap of 4 cm
        [[(0, 0), (5, 0)], [(12, 0), (20, 0)], [(5, 0), (12, 0)]],
    ],
)
def test_parts_that_make_one_line_are_joined(parts):
    """20 m from (0, 0) to (20, 0) within 5 cm, and it is said."""
    line, fault, note = one(MultiLineString(parts))
    assert line.geom_type == "LineString"
    assert line.length == pytest.approx(20, abs=0.05)
    ends = sorted(shapely.get_coordinates(line)[[0, -1]].tolist())
    assert ends == [[0, 0], [20, 0]]
    assert fault == ""
    assert note == f"its line was joined from {len(parts)} parts"


def test_a_gap_of_six_centimetres_is_not_closed():
    """The tolerance is 5 cm."""
    line, fault, _ = one(MultiLineString([[(0, 0), (10, 0)], [(10.06, 0), (20, 0)]]))
    assert line is None
    assert "2 parts" in fault


def test_a_doubled_part_is_left_away():
    """Joined as it is, it would run out and back, twice as long."""
    for second in ([(0, 0), (10, 0)], [(10, 0), (0, 0)]):
        line, fault, note = one(MultiLineString([[(0, 0), (10, 0)], second]))
        assert line.length == 10
        assert fault == ""
        assert "1 doubled part" in note


def test_rows_keep_their_places():
    """Faults and notes go by position."""
    shapes = [STRAIGHT, None, MultiLineString([[(0, 0), (1, 0)], [(1, 0), (2, 0)]]), Point(0, 0)]
    found = one_line_each(np.array(shapes, dtype=object))
    assert [line is None for line in found.lines] == [False, True, False, True]
    assert sorted(found.faults) == [1, 3]
    assert sorted(found.notes) == [2]


def test_lines_on_top_of_each_other_are_listed():
    """The same line drawn the other way, or a millimetre off, is the same line."""
    lines = np.array(
        [
            STRAIGHT,
            LineString([(0, 5), (20, 5)]),
            None,
            shapely.reverse(STRAIGHT),
            LineString([(0.001, 0), (20, 0.001)]),
            None,
        ],
        dtype=object,
    )
    assert same_lines(lines) == [[0, 3, 4]]
