"""Sums over all that lies upstream of every pipe at once, each pipe counted once.

Pipes and nodes are the vertices of one graph, node to pipe to node; a loop is drawn
together to one vertex. Where nothing divides, sums run down the flow. Below a node with
several pipes out of it each branch bears all that comes from above: a set of such nodes
is carried beside the sum, so that what rejoins is not counted twice.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import sparse
from scipy.sparse.csgraph import connected_components

if TYPE_CHECKING:
    from planner.ground.sewer import SewerGraph

Numbers = npt.NDArray[np.float64]
Places = npt.NDArray[np.intp]


def sum_upstream(graph: SewerGraph, own: pd.DataFrame) -> pd.DataFrame:
    """Add up figures of each pipe and of every pipe whose flow reaches it.

    Parameters
    ----------
    graph
        As made by `planner.ground.sewer.make_graph`.
    own
        Columns of numbers without blanks, index pipe_id; a pipe that the graph lacks
        is left out.

    Returns
    -------
    sums
        The same columns for each pipe of the graph, index pipe_id in order; besides,
        ``pipes_count`` with the pipe itself, ``loops_count`` of loops met on the way,
        and ``in_loop``, whether the pipe lies in one itself. Where a loop or a divided
        flow leads round, each pipe still counts once.

    Raises
    ------
    KeyError
        If a pipe of the graph has no row in `own`.
    """
    edges = sorted((key, up, down) for up, down, key in graph.edges(keys=True))
    ids = [key for key, _, _ in edges]
    node_at = {node: place for place, node in enumerate(graph.nodes)}
    count, first = len(ids), len(node_at)
    pipes = np.arange(count) + first
    up = np.array([node_at[node] for _, node, _ in edges], dtype=np.intp)
    down = np.array([node_at[node] for _, _, node in edges], dtype=np.intp)
    start, end = np.concatenate([up, pipes]), np.concatenate([pipes, down])
    size = first + count
    links = sparse.csr_array((np.ones(len(start)), (start, end)), shape=(size, size))
    found, group = connected_components(links, directed=True, connection="strong")
    weights = np.zeros((found, own.shape[1] + 2))
    figures = own.loc[ids].to_numpy(dtype=float).reshape(count, own.shape[1])
    np.add.at(weights[:, :-1], group[pipes], np.column_stack([figures, np.ones(count)]))
    looped = np.bincount(group, minlength=found) > 1
    weights[:, -1] = looped
    apart = group[start] != group[end]
    pairs = np.unique(np.column_stack([group[start], group[end]])[apart], axis=0)
    sums = _flow_down(pairs[:, 0], pairs[:, 1], weights)[group[pipes]]
    out = pd.DataFrame(sums, columns=[*own.columns, "pipes_count", "loops_count"])
    out["in_loop"] = looped[group[pipes]]
    return out.set_index(pd.Index(ids, name="pipe_id", dtype="str"))


def _flow_down(start: Places, end: Places, weights: Numbers) -> Numbers:
    """Sum `weights` over each vertex and all above it, in one pass from the heads down.

    ``direct`` holds what arrives without passing a vertex that divides; ``above`` has a
    bit for each dividing vertex that was passed. What those hold directly is added at
    the end: every vertex above lies in exactly one of these parts.
    """
    size = len(weights)
    outs = np.bincount(start, minlength=size)
    splits = np.flatnonzero(outs > 1)
    above = np.zeros((size, len(splits) // 8 + 1), dtype=np.uint8)
    bits = np.zeros_like(above)
    number = np.arange(len(splits))
    bits[splits, number // 8] = (128 >> (number % 8)).astype(np.uint8)
    direct = weights.copy()
    first = np.concatenate([[0], np.cumsum(outs)])  # `start` rises: it comes out of unique
    waiting = np.bincount(end, minlength=size)
    wave = np.flatnonzero(waiting == 0)
    while len(wave):
        lengths = outs[wave]
        skip = np.repeat(first[wave] - np.concatenate([[0], np.cumsum(lengths)[:-1]]), lengths)
        here = skip + np.arange(lengths.sum())
        one, other = start[here], end[here]
        plain = outs[one] == 1
        np.add.at(direct, other[plain], direct[one[plain]])
        np.bitwise_or.at(above, other, above[one] | bits[one])
        np.subtract.at(waiting, other, 1)
        wave = np.unique(other[waiting[other] == 0])
    # Few sets differ; telling them apart by hash costs a hundredth of sorting them.
    which, rows = pd.factorize(np.array([row.tobytes() for row in above], dtype=object))
    sets = np.frombuffer(b"".join(rows), dtype=np.uint8).reshape(len(rows), above.shape[1])
    passed = np.unpackbits(sets, axis=1)[:, : len(splits)].astype(float)
    return np.asarray(direct + (passed @ direct[splits])[which])
