"""The cheapest day of one kind under prices of stops: shortest walks by time buckets, compiled.

A walk may come back to a stop, but not after one other stop alone (no 2-cycles); each state
(bucket, load, last stop) therefore keeps its best two labels with unlike predecessors.
"""

from __future__ import annotations

from functools import partial

import numpy as np
import numpy.typing as npt

from planner.compiled import kept

Wholes = npt.NDArray[np.int64]
Ranks = npt.NDArray[np.int32]
Labels = tuple[Ranks, Ranks]
_NEVER = 1 << 50


@partial(kept, inline="always")
def _keep(costs: Wholes, befores: Ranks, at: int, cost: int, before: int) -> int:
    """Keep a label among the best two with unlike predecessors at `at` and `at + 1`.

    Gives where it went, `at` + 2 where an old first one went second to make room, -1 if it
    is not among them.
    """
    if cost >= costs[at + 1]:
        return -1
    if befores[at] == before:
        if cost >= costs[at]:
            return -1
        costs[at] = cost
        return at
    if cost < costs[at]:
        costs[at + 1], befores[at + 1] = costs[at], befores[at]
        costs[at], befores[at] = cost, before
        return at + 2
    costs[at + 1], befores[at + 1] = cost, before
    return at + 1


@kept
def _go_on(
    costs: Wholes,
    labels: Labels,
    state: tuple[int, int, int, int],
    ways: tuple[Wholes, Wholes],
    loads: tuple[Wholes, int, Wholes],
) -> None:
    """Go on from a label to each stop that may come next."""
    befores, ranks = labels
    cost, step = ways
    load, held, latest = loads
    bucket, carried, stop, rank = state
    stops = len(load)
    wide = (held + 1) * stops * 2
    at = bucket * wide + (carried * stops + stop) * 2 + rank
    own, before, buckets = costs[at], befores[at], len(costs) // wide
    for after in range(stops):
        length = step[stop, after]
        then, much = bucket + length, carried + load[after]
        if length < 0 or after == before or then > latest[after] or much > held:
            continue
        if then >= buckets:
            continue
        to = then * wide + (much * stops + after) * 2
        went = _keep(costs, befores, to, own + cost[stop, after], stop)
        if went == to + 2:
            ranks[to + 1], ranks[to] = ranks[to], rank
        elif went >= 0:
            ranks[went] = rank


@kept
def walks(
    cost: Wholes,
    step: Wholes,
    first: tuple[Wholes, Wholes],
    end: Wholes,
    loads: tuple[Wholes, int, Wholes],
    how: tuple[int, bool],
) -> tuple[Wholes, Wholes, Labels, int]:
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
    how
        Steps after which the search gives up; whether it is rough: it goes on from the cheapest
        of a stop so far alone, whatever that carries, and so may miss cheaper walks.

    Returns
    -------
    best, state, labels, steps
        Cost by last stop; its bucket, load and rank (m, 3); labels for `trace`; steps
        taken, more than it may where the search gave up and the costs say nothing.
    """
    load, held, latest = loads
    most_steps, rough = how
    first_cost, first_step = first
    stops, buckets = end.shape
    wide = (held + 1) * stops * 2
    costs = np.full(buckets * wide, _NEVER, dtype=np.int64)
    befores = np.full(buckets * wide, -2, dtype=np.int32)
    ranks = np.zeros(buckets * wide, dtype=np.int32)
    # The best two labels of each stop that carry so much or less, over all buckets so far.
    least, least_before = np.full(wide, _NEVER, dtype=np.int64), np.full(wide, -2, dtype=np.int32)
    best = np.full(stops, _NEVER, dtype=np.int64)
    state = np.zeros((stops, 3), dtype=np.int64)
    steps = 0
    for stop in range(stops):
        bucket = first_step[stop]
        if bucket < buckets and bucket <= latest[stop] and load[stop] <= held:
            _keep(costs, befores, bucket * wide + (load[stop] * stops + stop) * 2,
                  first_cost[stop], -1)  # fmt: skip
    for at in range(buckets * wide):
        own, before = costs[at], befores[at]
        if own >= _NEVER:
            continue
        bucket, within = at // wide, at % wide
        rank, stop, carried = within % 2, within // 2 % stops, within // 2 // stops
        # One that is earlier and carries no more can do all that this one can, as cheaply.
        here = within - rank
        if least[here + 1] <= own or (least[here] <= own and least_before[here] == before):
            continue
        if rough and least[here] <= own:
            continue
        for more in range(2 * stop if rough else here, wide, 2 * stops):
            _keep(least, least_before, more, own, before)
        if own + end[stop, bucket] < best[stop]:
            best[stop] = own + end[stop, bucket]
            state[stop, 0], state[stop, 1], state[stop, 2] = bucket, carried, rank
        steps += stops
        if steps > most_steps:
            break
        _go_on(costs, (befores, ranks), (bucket, carried, stop, rank), (cost, step), loads)
    return best, state, (befores, ranks), steps


@kept
def trace(
    labels: Labels, last: int, state: Wholes, step: Wholes, load: Wholes, held: int
) -> Wholes:
    """Give the stops of a walk in order, from its last one back."""
    befores, ranks = labels
    bucket, carried, rank = state[0], state[1], state[2]
    stops = len(load)
    found = np.empty(bucket + 1, dtype=np.int64)
    count = 0
    stop = np.int64(last)
    while stop >= 0:
        found[count] = stop
        count += 1
        at = ((bucket * (held + 1) + carried) * stops + stop) * 2 + rank
        before, rank = np.int64(befores[at]), np.int64(ranks[at])
        if before >= 0:
            bucket -= step[before, stop]
            carried -= load[stop]
        stop = before
    return found[:count][::-1].copy()
