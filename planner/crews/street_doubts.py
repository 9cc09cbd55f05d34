"""Doubts about streets: parts that nothing joins, one-way traps, stops far from any street."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from scipy.sparse import csr_array
from scipy.sparse.csgraph import breadth_first_order, connected_components

from planner.contracts import FLAGS
from planner.crews.street_graph import Floats, Ints, StreetGraph
from planner.crews.travel import Travel
from planner.settings import Week
from planner.tables import conform

STEP = "travel"
Bools = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Parts:
    """How streets hang together.

    `part` is the part of each node, whatever the direction of its streets, and `main` the
    part with the main streets: those from each of which all others of them are reached.
    `reached`: nodes that one reaches from the main streets; `leaves`: nodes from which one
    reaches them. `part_m` is the length of streets in each part [m].
    """

    part: Ints
    main: int
    part_m: Floats
    reached: Bools
    leaves: Bools


def find_parts(graph: StreetGraph) -> Parts:
    """Find the parts of a street graph; the main streets are the largest by nodes."""
    times = graph.times()
    _, part = connected_components(times, directed=True, connection="weak")
    _, strong = connected_components(times, directed=True, connection="strong")
    # Of equal ones the first counts: the order of streets is their key's.
    centre = int(np.flatnonzero(strong == np.argmax(np.bincount(strong)))[0])
    length = shapely.length(graph.shapes)
    part_m = np.zeros(int(part.max()) + 1)
    np.add.at(part_m, part[graph.line_node], length)
    return Parts(
        part.astype(np.int64),
        int(part[centre]),
        part_m,
        _seen_from(times, centre),
        _seen_from(csr_array(times.T), centre),
    )


def _seen_from(times: csr_array, node: int) -> Bools:
    seen = np.zeros(times.shape[0], dtype=bool)
    seen[breadth_first_order(times, node, directed=True, return_predecessors=False)] = True
    return seen


def street_flags(ways: Travel, week: Week) -> pd.DataFrame:
    """Say what is doubtful of the streets and of how yards and set-ups tie to them.

    Parameters
    ----------
    ways
        Drives, of `travel`; without streets there is nothing to say.
    week
        `snap_far_m` [m].

    Returns
    -------
    flags
        Obeys `FLAGS`: parts of the streets and one-way traps once, and each crew's yard
        and each set-up that ties to one of them or lies far from its street.
    """
    graph = ways.graph
    if graph is None:
        return conform([], FLAGS)
    parts = find_parts(graph)
    rows = [{"step": STEP, "key": "streets", "what": what} for what in _of_streets(graph, parts)]
    stops = [(f"crew {name}: yard", at) for name, at in ways.crew_at.items()]
    stops += [(f"set-up {name}", at) for name, at in ways.setup_at.items()]
    for name, at in stops:
        place = int(ways.place_of[at])
        told = [_of_tie(parts, int(graph.stop_node[place]))]
        told.append(_of_gap(float(graph.stop_off_m[place]), week))
        rows += [{"step": STEP, "key": name, "what": what} for what in told if what]
    return conform(rows, FLAGS)


def _of_streets(graph: StreetGraph, parts: Parts) -> Iterator[str]:
    apart_m = np.delete(parts.part_m, parts.main)
    if len(apart_m):
        yield (
            f"{_parts(len(apart_m))} of {apart_m.sum() / 1000:.2f} km, of "
            f"{parts.part_m.sum() / 1000:.2f} km in all, joined to the main streets by no "
            "street: drives to and from there are by air"
        )
    inside = parts.part == parts.main
    trapped_m = _length(graph, inside & parts.reached & ~parts.leaves)
    if trapped_m:
        yield (
            f"{trapped_m / 1000:.2f} km of streets are entered by one-way streets and never "
            "left: is a direction wrong?"
        )
    shut_m = _length(graph, inside & parts.leaves & ~parts.reached)
    if shut_m:
        yield (
            f"{shut_m / 1000:.2f} km of streets are left by one-way streets and never "
            "entered: is a direction wrong?"
        )


def _parts(count: int) -> str:
    return "1 part" if count == 1 else f"{count} parts"


def _length(graph: StreetGraph, node: Bools) -> float:
    """Add up the streets that touch any of the nodes, each stretch once [m]."""
    arcs = node[graph.tail] | node[graph.head]
    low = np.minimum(graph.from_m, graph.to_m)[arcs]
    _, once = np.unique(np.column_stack([graph.line[arcs], low]), axis=0, return_index=True)
    return float(graph.metres[arcs][once].sum())


def _of_tie(parts: Parts, node: int) -> str:
    if parts.part[node] != parts.main:
        km = parts.part_m[parts.part[node]] / 1000
        return f"its street is in a part of {km:.2f} km that no street joins to the main streets"
    reached, leaves = bool(parts.reached[node]), bool(parts.leaves[node])
    if reached and leaves:
        return ""
    if reached:
        return "one-way streets lead to it but not away again: the way back is by air"
    if leaves:
        return "one-way streets lead away from it but not to it: the way there is by air"
    return "one-way streets lead neither to it nor away from it: drives are by air"


def _of_gap(off_m: float, week: Week) -> str:
    if off_m <= week.snap_far_m:
        return ""
    return (
        f"lies {off_m:.0f} m from the nearest street that is driven (week.snap_far_m "
        f"{week.snap_far_m:g} m): is a street missing, or the place wrong?"
    )
