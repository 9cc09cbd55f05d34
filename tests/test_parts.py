"""Parts of a drawn network against networkx, and by hand."""

from __future__ import annotations

import networkx as nx
import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import LineString

from planner.inputs.parts import parts_count, say_parts


def test_ends_that_are_close_are_one_within_reach() -> None:
    a, b = LineString([(0, 0), (10, 0)]), LineString([(10.4, 0), (20, 0)])
    assert (parts_count([a, b], 0.3), parts_count([a, b], 0.5)) == (2, 1)
    assert parts_count([a, None, b], 0.5) == 1
    assert parts_count([None], 1.0) == parts_count([], 1.0) == 0


def test_the_line_names_both_counts() -> None:
    a, b = LineString([(0, 0), (10, 0)]), LineString([(10.4, 0), (20, 0)])
    said = say_parts([a, b], 1.0)
    assert "2 parts as drawn, 1 where" in said


@settings(deadline=None, max_examples=40)
@given(st.integers(0, 2**32 - 1), st.integers(1, 12), st.sampled_from([0.5, 1.5, 3.0]))
def test_parts_are_those_of_a_graph_of_ends(seed: int, count: int, reach_m: float) -> None:
    xy = np.random.default_rng(seed).integers(0, 12, (count, 2, 2)).astype(float)
    xy[:, 1] += np.where((xy[:, 0] == xy[:, 1]).all(axis=1), 0.25, 0.0)[:, None]
    graph = nx.Graph()
    ends = [(i, j) for i in range(count) for j in range(2)]
    graph.add_edges_from(((i, 0), (i, 1)) for i in range(count))
    graph.add_edges_from(
        (a, b) for a in ends for b in ends if np.hypot(*(xy[a] - xy[b])) <= reach_m
    )
    lines = [LineString(pair) for pair in xy]
    assert parts_count(lines, reach_m) == nx.number_connected_components(graph)
