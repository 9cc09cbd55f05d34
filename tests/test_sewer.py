"""Tracing up and down the sewer."""

import networkx as nx
import numpy as np
import pandas as pd
import pytest

from planner.ground.sewer import (
    downstream_pipes,
    make_graph,
    upstream_lengths,
    upstream_pipes,
)

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


def test_lengths_above_by_hand():
    """p3 carries p1, p2, the ring p3-p5, p4-p5, p6 and itself; p7 is in no graph.

    Lengths 1, 2, 4, 8, 16, 32 m for p1 .. p6: all of them pass p3, p4 and p5; only
    themselves pass p1 and p2.
    """
    graph = make_graph(PIPES, NODES)
    lengths = {f"p{at + 1}": 2.0**at for at in range(6)}
    found = upstream_lengths(graph, lengths, ["p1", "p2", "p3", "p5", "p6", "p7"])
    assert found[:5].tolist() == [1.0, 2.0, 63.0, 63.0, 63.0]
    assert np.isnan(found[5])


@pytest.mark.parametrize("seed", range(30))
def test_lengths_above_against_networkx(seed: int):
    """On random networks with splits, joins and rings, as networkx's ancestors have it."""
    random = np.random.default_rng(seed)
    nodes = [f"n{at}" for at in range(90)]
    ends = random.integers(0, 90, (120, 2))
    pipes = pd.DataFrame(
        {
            "pipe_id": [f"p{at:03d}" for at in range(120)],
            "us_node": [nodes[at] for at in ends[:, 0]],
            "ds_node": [nodes[at] for at in ends[:, 1]],
        }
    )
    lengths = dict(zip(pipes["pipe_id"], random.integers(1, 99, 120).astype(float), strict=True))
    graph = make_graph(pipes, pd.DataFrame({"node_id": nodes}))
    wanted = []
    for own, up in zip(pipes["pipe_id"], pipes["us_node"], strict=True):
        above = nx.ancestors(graph, up) | {up}
        through = {key for _, to, key in graph.edges(keys=True) if to in above} | {own}
        wanted.append(sum(lengths[key] for key in through))
    assert upstream_lengths(graph, lengths, list(pipes["pipe_id"])).tolist() == wanted
