"""One pipe as the placement sees it: whole centimetres, nothing else.

Kernel, plain reference, MILP and exhaustive search all get this and must agree.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

WholeArray = npt.NDArray[np.int64]
_NO_ZONES: WholeArray = np.empty((0, 2), dtype=np.int64)
_NONE_FIXED: WholeArray = np.empty((0, 4), dtype=np.int64)
FAR_CM = 1 << 40
"""Farther than any pipe: where nothing is shut."""


class Problem(NamedTuple):
    """What bounds the sleeves of one pipe; lengths in whole centimetres.

    A sleeve is a start ``s`` and an end ``e = s + length``, ``0 <= s``, ``e <= length``
    of the pipe. ``s`` is 0, or at least `wall` and in none of `left_zones`; ``e`` is
    the pipe's end, or at least `wall` before it and in none of `right_zones`. Zones
    are open intervals, rows of (from, to). A sleeve overlaps no row of `crosses` and
    takes in no row of `boxes` whole. Two sleeves lie at least `gap` apart. A sleeve
    serves each of `demands` (sorted) that lies inside it; each of `laterals` inside
    costs `reopen`, each end at a manhole `seal`. `lengths` ascends, `costs` stands
    beside it. No sleeve lies inside ``(shut_from, shut_to)`` with both ends: a packer
    comes there from neither manhole.

    With ``lap_to > 0`` a sleeve may also begin by `lap_from` to `lap_to` before the end
    of the one before. Sleeves that lap form a run, and a run serves each demand that
    lies inside it. An end that laps keeps clear of the walls and lies in none of
    `left_lap_zones` or `right_lap_zones`, which take the place of the other zones. A
    sleeve that laps is at least twice `lap_to` long, so that only neighbours lap; the
    first and the last of a run lie inside no demand with both ends.

    Each row of `fixed`, (from, to, bound_from, bound_to), is a sleeve that lies there
    whatever else. It may lie on what is closed, in boxes and where no packer comes; an
    end that is not bound (0) may lie in any zone and at any distance from a wall. Two
    of `fixed` that overlap lap each other, by however much.
    """

    length: int
    wall: int
    gap: int
    demands: WholeArray
    left_zones: WholeArray
    right_zones: WholeArray
    crosses: WholeArray
    boxes: WholeArray
    lengths: WholeArray
    costs: WholeArray
    laterals: WholeArray
    reopen: int
    seal: int = 0
    shut_from: int = FAR_CM
    shut_to: int = -1
    lap_from: int = 0
    lap_to: int = 0
    left_lap_zones: WholeArray = _NO_ZONES
    right_lap_zones: WholeArray = _NO_ZONES
    fixed: WholeArray = _NONE_FIXED


@dataclass(frozen=True)
class Solution:
    """Sleeves from left to right: where each starts and ends [cm], and what decides.

    Of all solutions it serves most demands; of these it has the least `cost`, then the
    fewest sleeves, the least total `length`, the fewest ends at a manhole, the largest
    sum of each sleeve's smaller overlap (`slack`, beyond what its demands ask; an end
    at a manhole does not count; sleeves that lap count by as much as their lap is more
    than asked, negated), then the smallest starts from left to right.
    """

    starts: tuple[int, ...]
    ends: tuple[int, ...]
    served: int
    cost: int
    length: int
    manhole_ends: int
    slack: int

    @property
    def rank(self) -> tuple[int, ...]:
        """Give what is compared, least first; without the places."""
        return (
            -self.served,
            self.cost,
            len(self.starts),
            self.length,
            self.manhole_ends,
            -self.slack,
        )


def measure(problem: Problem, starts: list[int], ends: list[int]) -> Solution:
    """Reckon what sleeves at `starts` and `ends` [cm] come to, from the definition.

    Parameters
    ----------
    problem
        The pipe.
    starts, ends
        Sleeves from left to right.

    Returns
    -------
    solution
        Its figures; whether the sleeves are allowed is not asked here.
    """
    served = cost = manholes = slack = 0
    price = dict(zip(problem.lengths.tolist(), problem.costs.tolist(), strict=True))
    for start, end in zip(starts, ends, strict=True):
        laterals = sum(start < x < end for x in problem.laterals.tolist())
        cost += price[end - start] + laterals * problem.reopen
    for first, last in runs_of(starts, ends):
        start, end = starts[first], ends[last]
        inside = [(a, b) for a, b in problem.demands.tolist() if start <= a and b <= end]
        at_ends = (start == 0, end == problem.length)
        served += len(inside)
        manholes += sum(at_ends)
        if first < last:
            laps = [ends[at] - starts[at + 1] for at in range(first, last)]
            slack -= sum(laps) - len(laps) * problem.lap_from
            continue
        beyond = []
        if inside and not at_ends[0]:
            beyond.append(min(a for a, _ in inside) - start)
        if inside and not at_ends[1]:
            beyond.append(end - max(b for _, b in inside))
        slack += min(beyond, default=0)
    length = sum(ends) - sum(starts)
    cost += manholes * problem.seal
    return Solution(tuple(starts), tuple(ends), served, cost, length, manholes, slack)


def runs_of(starts: Sequence[float], ends: Sequence[float]) -> list[tuple[int, int]]:
    """Give the first and the last sleeve of each run; a sleeve that laps none is one alone.

    Parameters
    ----------
    starts, ends
        Sleeves from left to right, in any unit.
    """
    runs: list[tuple[int, int]] = []
    for at, start in enumerate(starts):
        if runs and start < ends[at - 1]:
            runs[-1] = (runs[-1][0], at)
        else:
            runs.append((at, at))
    return runs


def pairs(rows: list[tuple[int, int]]) -> WholeArray:
    """Give rows of (from, to) as an array, also where there are none."""
    return np.array(sorted(set(rows)), dtype=np.int64).reshape(-1, 2)
