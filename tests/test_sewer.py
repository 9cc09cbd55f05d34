"""Tracing up and down the sewer."""

import pandas as pd

from planner.ground.sewer import downstream_pipes, make_graph, upstream_pipes

#   A --p1--> B --p3--> C --p5--> D      with p4 beside p3, p2 from E to B,
#   and a loop p6 from D back to B; p7 names one node only.
PIPES = pd.DataFrame(
    {
        "pipe_id": ["p3", "p1", "p2", "p5", "p4", "p6", "p7"],
        "us_node": ["B", "A", "E", "C", "B", "D", "C"],
        "ds_node": ["C", "B", "B", "D", "C", "B", ""],
    }
)
NODES = pd.DataFrame({"node_id": ["A", "B", "C", "D", "E", "lone"]})


def test_each_pipe_is_an_edge_with_its_flow():
    """Two pipes between the same nodes stay two; a pipe with one node joins nothing."""
    graph = make_graph(PIPES, NODES)
    assert sorted(graph.edges(keys=True)) == [
        ("A", "B", "p1"),
        ("B", "C", "p3"),
        ("B", "C", "p4"),
        ("C", "D", "p5"),
        ("D", "B", "p6"),
        ("E", "B", "p2"),
    ]
    assert "lone" in graph


def test_down_the_flow_nearest_first():
    """From A: p1, then both to C, then p5, then the loop; each once."""
    graph = make_graph(PIPES, NODES)
    assert downstream_pipes(graph, "A") == ["p1", "p3", "p4", "p5", "p6"]


def test_up_the_flow_through_the_loop():
    """Above B: p1, p2 and the loop's p6; above D p5, above C both."""
    graph = make_graph(PIPES, NODES)
    assert upstream_pipes(graph, "B") == ["p1", "p2", "p6", "p5", "p3", "p4"]
    assert upstream_pipes(graph, "A") == []
    assert upstream_pipes(graph, "nowhere") == []


def test_the_order_of_rows_does_not_matter():
    """Pipes shuffled, the same lists."""
    graph = make_graph(PIPES.iloc[::-1], NODES.iloc[::-1])
    assert downstream_pipes(graph, "A") == ["p1", "p3", "p4", "p5", "p6"]
