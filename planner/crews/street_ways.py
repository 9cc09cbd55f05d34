"""Quickest ways on a street graph from many stops to many, in little memory."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt
from scipy.sparse.csgraph import dijkstra

from planner.compiled import kept
from planner.crews.street_graph import Floats, Ints, StreetGraph

# Sources at once: a block holds all nodes of so many, 12 bytes each (48 MB at 80,000 nodes).
BLOCK = 50
NO_ARC = -9999  # what scipy writes where a node has no predecessor


def quickest(graph: StreetGraph) -> Iterator[tuple[int, Floats, Floats]]:
    """Give time and length of the quickest ways from each stop, a block of stops at a time.

    Parameters
    ----------
    graph
        Streets, with n stops tied to them.

    Yields
    ------
    start, seconds, metres
        Number of the block's first stop; time [s] and length [m] from each stop of the
        block to each stop, (b, n); time is infinite where no street leads there.
    """
    times = graph.times()
    first = np.searchsorted(graph.tail, np.arange(graph.nodes_count + 1))
    for start in range(0, len(graph.stop_node), BLOCK):
        sources = graph.stop_node[start : start + BLOCK]
        far, before = dijkstra(times, directed=True, indices=sources, return_predecessors=True)
        seconds = far[:, graph.stop_node]
        del far
        yield start, seconds, _lengths(before, graph.stop_node, first, graph.head, graph.metres)


@kept
def _lengths(
    before: npt.NDArray[np.int32], targets: Ints, first: Ints, head: Ints, metres: Floats
) -> Floats:
    """Add up the arcs of each way, from a target back to what an earlier one has walked.

    `before` (b, nodes); arcs of tail t are `first[t]` to `first[t + 1]`.
    """
    nodes = before.shape[1]
    out = np.zeros((before.shape[0], len(targets)))
    known = np.empty(nodes)
    walked = np.empty(nodes, dtype=np.int64)
    for row in range(before.shape[0]):
        known[:] = -1.0
        for column in range(len(targets)):
            node, count = targets[column], 0
            while known[node] < 0.0 and before[row, node] >= 0:
                walked[count] = node
                count += 1
                node = before[row, node]
            far = max(known[node], 0.0)
            known[node] = far
            for back in range(count - 1, -1, -1):
                tail, node = node, walked[back]
                arc = first[tail]
                while head[arc] != node:
                    arc += 1
                far += metres[arc]
                known[node] = far
            out[row, column] = far
    return out
