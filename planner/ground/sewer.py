"""The sewer as a graph: which pipes lie above and below a manhole, as the network names it."""

from __future__ import annotations

from collections import deque
from typing import TYPE_CHECKING

import networkx as nx
import pandas as pd

if TYPE_CHECKING:
    SewerGraph = nx.MultiDiGraph[str]


def make_graph(pipes: pd.DataFrame, nodes: pd.DataFrame) -> SewerGraph:
    """Make the graph of a network.

    Parameters
    ----------
    pipes, nodes
        Obey `PIPES`, `NODES`.

    Returns
    -------
    graph
        A vertex for each node, in the order of ids; an edge from ``us_node`` to
        ``ds_node`` with key ``pipe_id`` for each pipe that names both. A pipe that names
        only one node, or none, joins nothing and is not in the graph.
    """
    graph: SewerGraph = nx.MultiDiGraph()
    graph.add_nodes_from(sorted(nodes["node_id"]))
    ends = pipes.loc[(pipes["us_node"] != "") & (pipes["ds_node"] != "")].sort_values("pipe_id")
    for pipe_id, up, down in ends[["pipe_id", "us_node", "ds_node"]].itertuples(index=False):
        graph.add_edge(up, down, key=pipe_id)
    return graph


def upstream_pipes(graph: SewerGraph, node: str) -> list[str]:
    """List the pipes whose flow reaches a node.

    Parameters
    ----------
    graph
        As made by `make_graph`.
    node
        A node id; one that the graph lacks has no pipes.

    Returns
    -------
    pipe_ids
        Nearest first by number of pipes between, then by id; each once, loops included.
    """
    return _reached(graph, node, against=True)


def downstream_pipes(graph: SewerGraph, node: str) -> list[str]:
    """List the pipes that the flow from a node reaches; see `upstream_pipes`."""
    return _reached(graph, node, against=False)


def _reached(graph: SewerGraph, node: str, *, against: bool) -> list[str]:
    if node not in graph:
        return []
    found: dict[str, None] = {}
    seen = {node}
    wave = deque([node])
    while wave:
        # One wave at a time, so that pipes equally far away stand in the order of their ids.
        steps: list[tuple[str, str]] = []
        for _ in range(len(wave)):
            here = wave.popleft()
            edges = graph.in_edges(here, keys=True) if against else graph.out_edges(here, keys=True)
            steps += [(key, up if against else down) for up, down, key in edges]
        for pipe_id, there in sorted(steps):
            found[pipe_id] = None
            if there not in seen:
                seen.add(there)
                wave.append(there)
    return list(found)
