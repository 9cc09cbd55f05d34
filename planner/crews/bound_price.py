"""The cheapest day of one kind under prices of stops: shortest walks by time buckets, compiled.

A walk may come back to a stop, but not after one other stop alone (no 2-cycles); each state
therefore keeps its best two labels with unlike predecessors.
"""

from __future__ import annotations

from typing import Any

import numba
import numpy as np
import numpy.typing as npt

Wholes = npt.NDArray[np.int64]
_NEVER = 1 << 50


@numba.njit(cache=True)  # type: ignore[misc]
def _put(labels: Any, at: Any, cost: int, before: int, rank: int) -> None:
    """Keep a label in a state if it is one of the best two with unlike predecessors."""
    costs, befores, ranks = labels
    bucket, load, stop = at
    first, second = costs[bucket, load, stop, 0], costs[bucket, load, stop, 1]
    if befores[bucket, load, stop, 0] == before:
        if cost < first:
            costs[bucket, load, stop, 0] = cost
            ranks[bucket, load, stop, 0] = rank
    elif cost < first:
        costs[bucket, load, stop, 1] = first
        befores[bucket, load, stop, 1] = befores[bucket, load, stop, 0]
        ranks[bucket, load, stop, 1] = ranks[bucket, load, stop, 0]
        costs[bucket, load, stop, 0] = cost
        befores[bucket, load, stop, 0] = before
        ranks[bucket, load, stop, 0] = rank
    elif cost < second:
        costs[bucket, load, stop, 1] = cost
        befores[bucket, load, stop, 1] = before
        ranks[bucket, load, stop, 1] = rank


@numba.njit(cache=True)  # type: ignore[misc]
def _beaten(least: Any, stop: int, load: int, cost: int, before: int) -> bool:
    """Say whether an earlier bucket holds labels that can do all that this one can, as cheaply."""
    costs, befores = least
    if costs[load, stop, 0] <= cost and befores[load, stop, 0] == before:
        return True
    return bool(costs[load, stop, 1] <= cost)


@numba.njit(cache=True)  # type: ignore[misc]
def _lower(least: Any, stop: int, load: int, cost: int, before: int) -> None:
    """Remember a label among the best two of all buckets so far."""
    costs, befores = least
    if befores[load, stop, 0] == before:
        costs[load, stop, 0] = min(cost, costs[load, stop, 0])
    elif cost < costs[load, stop, 0]:
        costs[load, stop, 1] = costs[load, stop, 0]
        befores[load, stop, 1] = befores[load, stop, 0]
        costs[load, stop, 0] = cost
        befores[load, stop, 0] = before
    elif cost < costs[load, stop, 1]:
        costs[load, stop, 1] = cost
        befores[load, stop, 1] = before


@numba.njit(cache=True)  # type: ignore[misc]
def walks(
    cost: Wholes, step: Wholes, first: Any, end: Wholes, loads: Any, most_steps: int
) -> tuple[Wholes, Wholes, Any, int]:
    """Find for each last stop the cheapest walk from yard to yard.

    Parameters
    ----------
    cost, step
        (m, m): cost of going on to a stop and serving it, its length in buckets (at least 1);
        -1 = it may not come next.
    first
        Cost and length (m) from the yard.
    end
        (m, buckets): cost of going home from a stop after so many buckets.
    loads
        Load of each stop, most of a day, latest bucket in which a stop may be done.
    most_steps
        Steps after which the search gives up.

    Returns
    -------
    best, state, labels, steps
        Cost by last stop; its bucket, load and rank (m, 3); labels for `trace`; steps
        taken, beyond `most_steps` where the search gave up and the costs say nothing.
    """
    load, held, latest = loads
    first_cost, first_step = first
    stops, buckets = end.shape
    shape = (buckets, held + 1, stops, 2)
    costs = np.full(shape, _NEVER, dtype=np.int64)
    befores = np.full(shape, -2, dtype=np.int32)
    ranks = np.zeros(shape, dtype=np.int8)
    least = (
        np.full(shape[1:], _NEVER, dtype=np.int64),
        np.full(shape[1:], -2, dtype=np.int32),
    )
    best = np.full(stops, _NEVER, dtype=np.int64)
    state = np.zeros((stops, 3), dtype=np.int64)
    steps = 0
    for stop in range(stops):
        bucket = first_step[stop]
        if bucket < buckets and bucket <= latest[stop] and load[stop] <= held:
            _put((costs, befores, ranks), (bucket, load[stop], stop), first_cost[stop], -1, 0)
    for bucket in range(buckets):
        for carried in range(held + 1):
            for stop in range(stops):
                for rank in range(2):
                    own = costs[bucket, carried, stop, rank]
                    before = befores[bucket, carried, stop, rank]
                    if own >= _NEVER or _beaten(least, stop, carried, own, before):
                        continue
                    _lower(least, stop, carried, own, before)
                    if own + end[stop, bucket] < best[stop]:
                        best[stop] = own + end[stop, bucket]
                        state[stop, 0], state[stop, 1], state[stop, 2] = bucket, carried, rank
                    steps += stops
                    if steps > most_steps:
                        return best, state, (costs, befores, ranks), steps
                    for after in range(stops):
                        length = step[stop, after]
                        if length < 0 or after == before:
                            continue
                        then, much = bucket + length, carried + load[after]
                        if then >= buckets or then > latest[after] or much > held:
                            continue
                        _put(
                            (costs, befores, ranks),
                            (then, much, after),
                            own + cost[stop, after],
                            stop,
                            rank,
                        )
    return best, state, (costs, befores, ranks), steps


@numba.njit(cache=True)  # type: ignore[misc]
def trace(labels: Any, last: int, state: Wholes, step: Wholes, load: Wholes) -> Wholes:
    """Give the stops of a walk in order, from its last one back."""
    costs, befores, ranks = labels
    bucket, carried, rank = state
    found = np.empty(costs.shape[0] + 1, dtype=np.int64)
    count = 0
    stop = last
    while stop >= 0:
        found[count] = stop
        count += 1
        before = befores[bucket, carried, stop, rank]
        old = ranks[bucket, carried, stop, rank]
        if before >= 0:
            bucket -= step[before, stop]
            carried -= load[stop]
        stop, rank = before, old
    return found[:count][::-1].copy()
