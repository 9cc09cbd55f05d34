"""The room upstream of a plug: a level pool in pipes and manholes, up to what may be held."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import pandas as pd

from planner.ground.hydraulics import pooled_storage_m3
from planner.settings import Flow

if TYPE_CHECKING:
    from planner.ground.sewer import SewerGraph

Numbers = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Upstream:
    """What a pool can fill, by pipe: figures of `flows_of`, connections and manholes.

    ``connections`` gives the levels [m] of live connections; ``known`` are the pipes
    whose connections are known over their length; ``depths_m`` of manholes under the lid.
    """

    graph: SewerGraph
    flows: pd.DataFrame
    connections: dict[str, float]
    known: frozenset[str]
    depths_m: dict[str, float]

    @classmethod
    def of(
        cls,
        graph: SewerGraph,
        flows: pd.DataFrame,
        pipes: pd.DataFrame,
        nodes: pd.DataFrame,
        laterals: pd.DataFrame,
    ) -> Upstream:
        """Index the tables; the lowest live connection of each pipe counts."""
        by_id = flows.set_index("pipe_id")
        length = by_id["own_m"].reindex(pipes["pipe_id"]).to_numpy(dtype=float)
        first = pipes["laterals_known_from_m"].to_numpy(dtype=float)
        last = pipes["laterals_known_to_m"].to_numpy(dtype=float)
        whole = (first <= 0.01) & (last >= length - 0.01)
        return cls(
            graph,
            by_id,
            _lowest(laterals, by_id),
            frozenset(pipes.loc[whole, "pipe_id"].astype(str)),
            {str(k): float(v) for k, v in zip(nodes["node_id"], nodes["depth_m"], strict=True)},
        )

    def figures(self, pipe_id: str, *names: str) -> tuple[float, ...]:
        """Give figures of one pipe; NaN where not known."""
        return tuple(float(self.flows.at[pipe_id, name]) for name in names)  # type: ignore[arg-type]


@dataclass(frozen=True)
class Held:
    """Room above the flow [m3], level of the pool over the plug's invert [m]; or why not known."""

    storage_m3: float
    depth_m: float
    why: str = ""


@dataclass(frozen=True)
class _Pool:
    pipes: list[str]
    through: list[str]  # of each manhole reached, the pipe by which the pool leaves it
    most_m: float  # a lid or another way out lies here
    why: str = ""


def room_above(pipe_id: str, node: str, upstream: Upstream, settings: Flow) -> Held:
    """Find the room above a plug at the upper end of a pipe.

    The pool stands level. It ends at ``hold_most_m``, at the lowest live connection, at
    a lid, and where another pipe leads out of a manhole that it reaches, which may be an
    overflow. ``hold_stated_m`` stands for the first two. A manhole gives room
    above the crown of the pipe out of it only, as its benching fills what is below.

    Parameters
    ----------
    pipe_id, node
        The pipe that is plugged, and its upper node.
    upstream
        What the pool can fill.
    settings
        Depths that may be held, width of manholes.

    Returns
    -------
    held
        A pipe of unknown size or flow gives no room; unknown inverts or connections where
        the pool would stand leave all unknown.
    """
    (bottom,) = upstream.figures(pipe_id, "us_invert_m")
    if np.isnan(bottom):
        return Held(np.nan, np.nan, "the invert at the plug is not known")
    stated = settings.hold_stated_m > 0.0
    level = bottom + (settings.hold_stated_m if stated else settings.hold_most_m)
    pool = _fill(pipe_id, node, level, upstream)
    if pool.why:
        return Held(np.nan, np.nan, pool.why)
    level = min(level, pool.most_m)
    if not stated:
        taps = [upstream.connections[one] for one in pool.pipes if one in upstream.connections]
        level = max(min([level, *taps]), bottom)
    pool = _fill(pipe_id, node, level, upstream)
    blind = sorted(set(pool.pipes) - upstream.known)
    if blind and not stated:
        why = f"connections of pipe {blind[0]} upstream are not known"
        return Held(np.nan, np.nan, why)
    return Held(_room(pool, level, upstream, settings), level - bottom)


def _fill(plugged: str, node: str, level: float, upstream: Upstream) -> _Pool:
    """Follow the pool up the pipes; it passes a manhole only over the invert there."""
    pipes, through, most, seen = [], [plugged], np.inf, {node}
    todo = [(node, plugged)]
    while todo:
        here, way_in = todo.pop()
        (floor,) = upstream.figures(way_in, "us_invert_m")
        depth = upstream.depths_m.get(here, np.nan)
        most = min(most, floor + depth) if depth > 0.0 else most
        for other in _out_of(upstream.graph, here):
            (exit_m,) = upstream.figures(other, "us_invert_m")
            if other == way_in:
                continue
            if np.isnan(exit_m):
                return _Pool([], [], np.inf, f"the invert of pipe {other} upstream is not known")
            most = min(most, exit_m)
        for up, pipe in _into(upstream.graph, here):
            low, high = upstream.figures(pipe, "ds_invert_m", "us_invert_m")
            if np.isnan(low) or np.isnan(high):
                return _Pool([], [], np.inf, f"the invert of pipe {pipe} upstream is not known")
            if low >= level:
                continue
            pipes.append(pipe)
            if high < level and up not in seen:
                seen.add(up)
                through.append(pipe)
                todo.append((up, pipe))
    return _Pool(pipes, through, most)


def _into(graph: SewerGraph, node: str) -> Iterator[tuple[str, str]]:
    for up, _, key in sorted(graph.in_edges(node, keys=True)):
        yield up, key


def _out_of(graph: SewerGraph, node: str) -> list[str]:
    return sorted(key for _, _, key in graph.out_edges(node, keys=True))


def _room(pool: _Pool, level: float, upstream: Upstream, settings: Flow) -> float:
    names = ["diameter_m", "high_depth", "own_m", "us_invert_m", "ds_invert_m"]
    rows = upstream.flows.loc[sorted(set(pool.pipes)), names].dropna().to_numpy(dtype=float)
    wide, depth, length, high, low = rows.T
    in_pipes = pooled_storage_m3(wide, depth, length, level - low, level - high).sum()
    ways = upstream.flows.loc[pool.through, ["us_invert_m", "diameter_m"]].dropna()
    over = np.maximum(level - ways.to_numpy(dtype=float).sum(axis=1), 0.0).sum()
    return float(in_pipes + np.pi / 4.0 * settings.manhole_m**2 * over)


def _lowest(laterals: pd.DataFrame, flows: pd.DataFrame) -> dict[str, float]:
    """Give the level of the lower edge of the lowest live connection on each pipe [m].

    One whose place on the clock or size is not known is taken at the invert.
    """
    live = laterals[laterals["state"] != "closed"]
    names = ["us_invert_m", "slope", "diameter_m"]
    invert, slope, wide = flows.reindex(live["pipe_id"])[names].to_numpy(dtype=float).T
    angle = live["clock_h"].to_numpy(dtype=float) / 12.0 * 2.0 * np.pi
    edge = wide / 2.0 * (1.0 + np.cos(angle)) - live["size_mm"].to_numpy(dtype=float) / 2000.0
    level = invert - slope * live["x_m"].to_numpy(dtype=float)
    level = level + np.fmax(edge, 0.0)
    low = pd.Series(level, index=live["pipe_id"]).groupby(level=0).min()
    return {str(pipe): float(one) for pipe, one in low.items() if not np.isnan(one)}
