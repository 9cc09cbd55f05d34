"""The sewer as a graph: which pipes lie above and below a manhole, as the network names it."""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import networkx as nx
import numpy as np
import numpy.typing as npt
import pandas as pd

from planner.compiled import kept

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


def upstream_within(
    graph: SewerGraph, length_m: Mapping[str, float], node: str, reach_m: float
) -> dict[str, float]:
    """Find the pipes above a node whose lower end lies within a way along the flow.

    Parameters
    ----------
    graph
        As made by `make_graph`.
    length_m
        Length of each pipe of the graph [m]; one that is not known counts as 0, so that
        nothing is taken to be farther away than it is.
    node
        A node id; one that the graph lacks has no pipes.
    reach_m
        Longest way [m].

    Returns
    -------
    pipes
        For each pipe the way from its lower end to the node [m].
    """
    if node not in graph:
        return {}

    def way_m(_up: str, _down: str, keys: Mapping[str, object]) -> float:
        return min(0.0 if np.isnan(length_m[key]) else length_m[key] for key in keys)

    back = graph.reverse(copy=False)
    far = nx.single_source_dijkstra_path_length(back, node, cutoff=reach_m, weight=way_m)
    return {key: float(far[down]) for _, down, key in graph.in_edges(far, keys=True)}


def upstream_lengths(
    graph: SewerGraph, length_m: Mapping[str, float], pipe_ids: Sequence[str]
) -> npt.NDArray[np.float64]:
    """Add up, for many pipes at once, the pipes whose flow passes through each.

    Parameters
    ----------
    graph
        As made by `make_graph`.
    length_m
        Length of each pipe of the graph [m].
    pipe_ids
        Pipes asked for.

    Returns
    -------
    upstream_m
        Shape (pipes,) [m]: the pipe itself and all of `upstream_pipes` of its upper node,
        each once however often the ways part and join; NaN for a pipe not in the graph.
    """
    edges = list(graph.edges(keys=True))
    # Nodes that the flow joins in a ring lie upstream of each other: they count as one.
    joined = nx.condensation(graph)
    place = {node: at for at, node in enumerate(nx.topological_sort(joined))}
    ring = {node: place[at] for node, at in joined.graph["mapping"].items()}
    up = np.array([ring[one] for one, _, _ in edges], dtype=np.int64)
    down = np.array([ring[other] for _, other, _ in edges], dtype=np.int64)
    length = np.array([length_m[key] for _, _, key in edges], dtype=float)
    order = np.argsort(-up, kind="stable")
    row = {key: at for at, (_, _, key) in enumerate(edges)}
    asked = np.array([row.get(one, -1) for one in pipe_ids], dtype=np.int64)
    known = asked >= 0
    at, inverse = np.unique(up[asked[known]], return_inverse=True)
    above = _lengths_above(up[order], down[order], length[order], at, len(place))
    found = np.full(len(asked), np.nan)
    own = asked[known]
    found[known] = above[inverse] + np.where(up[own] != down[own], length[own], 0.0)
    return found


@kept
def _lengths_above(
    up: npt.NDArray[np.int64],
    down: npt.NDArray[np.int64],
    length: npt.NDArray[np.float64],
    targets: npt.NDArray[np.int64],
    places: int,
) -> npt.NDArray[np.float64]:
    """Sum the edges that reach each target, 64 targets at a time; edges lowest first."""
    found = np.zeros(targets.size)
    for start in range(0, targets.size, 64):
        reach = np.zeros(places, dtype=np.uint64)
        stop = min(start + 64, targets.size)
        for bit in range(stop - start):
            reach[targets[start + bit]] |= np.uint64(1) << np.uint64(bit)
        for edge in range(up.size):
            reach[up[edge]] |= reach[down[edge]]
        for edge in range(up.size):
            bits = reach[down[edge]]
            bit = start
            while bits:
                if bits & np.uint64(1):
                    found[bit] += length[edge]
                bits >>= np.uint64(1)
                bit += 1
    return found
