"""Lines turned to their nodes: by the layer, by neighbours, or not at all."""

import numpy as np
import shapely
from hypothesis import given
from hypothesis import strategies as st
from shapely import LineString, Point, box

from planner.inputs.orient import Ends, orient

# Three pipes in a row, 40 m each, from A over B and C to D.
PLACES = {"A": (0, 0), "B": (40, 0), "C": (80, 0), "D": (120, 0)}
POINTS = {name: Point(xy) for name, xy in PLACES.items()}
PIPES = [("A", "B"), ("B", "C"), ("C", "D")]


def ends_of(pipes, drawn=None, offset=0.0) -> Ends:
    """Draw pipes between their nodes; `drawn` says which run backward."""
    lines = []
    for place, (us, ds) in enumerate(pipes):
        line = LineString([np.add(PLACES[us], offset), PLACES[ds]])
        lines.append(shapely.reverse(line) if drawn and drawn[place] else line)
    return Ends(np.array(lines, dtype=object), [us for us, _ in pipes], [ds for _, ds in pipes])


def starts(found) -> list[tuple[float, float]]:
    """Give where each line starts."""
    return [line.coords[0] for line in found.lines]


def test_a_line_against_its_nodes_is_turned():
    """The middle one is drawn from C to B."""
    found = orient(ends_of(PIPES, [False, True, False]), POINTS, 1.0)
    assert found.turned.tolist() == [False, True, False]
    assert found.proved.all()
    assert starts(found) == [(0, 0), (40, 0), (80, 0)]
    assert found.places == {}


def test_one_node_proves_its_pipe_and_the_next():
    """Only A is known: p ends at B, so q ends at C, so r ends at D."""
    found = orient(ends_of(PIPES, [True, True, False]), {"A": POINTS["A"]}, 1.0)
    assert starts(found) == [(0, 0), (40, 0), (80, 0)]
    assert found.proved.all()
    assert {name: (p.x, p.y) for name, p in found.places.items()} == {
        name: PLACES[name] for name in "BCD"
    }


def test_shared_ends_prove_without_any_node():
    """B is where p and q meet, whatever way they are drawn."""
    found = orient(ends_of(PIPES, [True, False, True]), {}, 1.0)
    assert starts(found) == [(0, 0), (40, 0), (80, 0)]
    assert found.proved.all()


def test_a_pipe_alone_stays_as_drawn_and_unproved():
    """Nothing is known of either end."""
    found = orient(ends_of([("A", "B")], [True]), {}, 1.0)
    assert found.proved.tolist() == [False]
    assert found.turned.tolist() == [False]
    assert starts(found) == [(40, 0)]


def test_two_pipes_between_the_same_nodes_prove_nothing():
    """Both ends are shared: either could be A."""
    found = orient(ends_of([("A", "B"), ("A", "B")], [False, True]), {}, 1.0)
    assert found.proved.tolist() == [False, False]


def test_nodes_that_contradict_each_other_prove_nothing():
    """Both nodes of the pipe lie at its one end, or the pipe runs from a node to itself."""
    ends = Ends(np.array([LineString([(0, 0), (40, 0)])]), ["A"], ["Z"])
    found = orient(ends, {"A": Point(0, 0), "Z": Point(0.2, 0)}, 1.0)
    assert found.torn.tolist() == [True]
    assert found.proved.tolist() == [False]
    ends = Ends(np.array([LineString([(0, 0), (40, 0)])]), ["A"], ["A"])
    assert orient(ends, {"A": Point(0, 0)}, 1.0).torn.tolist() == [True]


def test_a_node_too_far_away_proves_nothing():
    """1.2 m beside the end: beyond a metre, within a metre and a half."""
    ends = ends_of([("A", "B")], [True])
    far = {"A": Point(0, 1.2)}
    assert orient(ends, far, 1.0).proved.tolist() == [False]
    assert orient(ends, far, 1.5).turned.tolist() == [True]


def test_a_pipe_shorter_than_the_tolerance_goes_by_the_nearer_end():
    """Both ends lie within a metre of A; the nearer one counts."""
    ends = Ends(np.array([LineString([(0.5, 0), (0, 0)])]), ["A"], [""])
    assert orient(ends, {"A": Point(-0.1, 0)}, 1.0).turned.tolist() == [True]


def test_manholes_may_be_areas():
    """The line stops at the wall of a chamber drawn as a square of 2 m."""
    ends = Ends(np.array([LineString([(40, 0), (1, 0)])]), ["A"], ["B"])
    assert orient(ends, {"A": box(-1, -1, 1, 1)}, 0.5).turned.tolist() == [True]


def test_pipes_without_a_line_or_names_are_passed_over():
    """They prove nothing and need no proof."""
    ends = Ends(np.array([None, LineString([(0, 0), (9, 0)])]), ["A", ""], ["B", ""])
    found = orient(ends, POINTS, 1.0)
    assert found.lines[0] is None
    assert found.proved.tolist() == [False, False]


def test_neighbours_that_disagree_place_no_node():
    """Two proved pipes end far apart at one name: it has no place, its third pipe no proof."""
    lines = [
        LineString([(0, 0), (40, 0)]),
        LineString([(80, 0), (60, 0)]),
        LineString([(40, 0), (40, 30)]),
    ]
    ends = Ends(np.array(lines, dtype=object), ["A", "C", "X"], ["X", "X", "Y"])
    found = orient(ends, {"A": POINTS["A"], "C": POINTS["C"]}, 1.0)
    assert found.proved.tolist() == [True, True, False]
    assert "X" not in found.places


@given(st.lists(st.booleans(), min_size=6, max_size=6), st.sets(st.sampled_from("ABCD")))
def test_the_way_of_drawing_never_matters(drawn, known):
    """However the lines are drawn and whichever nodes are known, they come out the same."""
    pipes = [*PIPES, ("A", "C"), ("B", "D"), ("A", "D")]
    nodes = {name: POINTS[name] for name in sorted(known)}
    found = orient(ends_of(pipes, drawn), nodes, 1.0)
    assert found.proved.all()
    assert starts(found) == [PLACES[us] for us, _ in pipes]
    assert found.turned.tolist() == drawn
