"""Sleeve placement as a mixed-integer programme with continuous places, for HiGHS.

Written from the words of `Problem`, not from the recurrence: a start and an end for
each sleeve are real numbers, each "either left of it or right of it" is a binary.
"""

from __future__ import annotations

import os
from pathlib import Path

import highspy

from planner.repairs.problem import Problem

Term = highspy.highs.highs_linear_expression


def _quietly_made() -> highspy.Highs:
    """Make a solver without the banner that its first one prints past Python's own stdout."""
    kept = os.dup(1)
    with Path(os.devnull).open("w") as nowhere:
        os.dup2(nowhere.fileno(), 1)
        try:
            highs = highspy.Highs()
        finally:
            os.dup2(kept, 1)
            os.close(kept)
    highs.silent()
    return highs


class _Model:
    def __init__(self, problem: Problem) -> None:
        self.problem = problem
        self.highs = _quietly_made()
        self.highs.setOptionValue("mip_rel_gap", 0.0)
        self.highs.setOptionValue("threads", 1)
        self.far = float(problem.length + problem.gap + problem.lengths.max())

    def either(self, first: Term, second: Term, free: Term | float = 0.0) -> None:
        """Ask that `first` <= 0 or `second` <= 0, or that `free` >= 1."""
        side = self.highs.addBinary()
        self.highs.addConstr(first <= self.far * 2 * (side + free))
        self.highs.addConstr(second <= self.far * 2 * (1 - side + free))

    def sleeve(self, start: Term, end: Term, used: Term) -> None:
        """Keep one sleeve off walls, zones and closed stretches."""
        p, add = self.problem, self.highs.addConstr
        at_us, at_ds = self.highs.addBinary(), self.highs.addBinary()
        add(start <= p.length * (1 - at_us))
        add(start >= p.wall * (1 - at_us) - p.wall * (1 - used))
        add(end >= p.length * at_ds)
        add(end <= p.length - p.wall * (1 - at_ds) + p.wall * (1 - used))
        for low, high in p.left_zones.tolist():
            self.either(start - low, high - start, at_us + 1 - used)
        for low, high in p.right_zones.tolist():
            self.either(end - low, high - end, at_ds + 1 - used)
        for low, high in p.crosses.tolist():
            self.either(end - low, high - start, 1 - used)


def solve_milp(problem: Problem) -> tuple[int, int]:
    """Give how many demands can be served, and the least cost of doing so.

    `problem` has no boxes: "does not take in" is a strict inequality, which places that
    are real numbers cannot express.
    """
    assert not len(problem.boxes)
    model = _Model(problem)
    highs = model.highs
    demands, sizes = problem.demands.tolist(), problem.lengths.tolist()
    serves: list[list[object]] = [[] for _ in demands]
    total, before, was_used = 0.0, None, None
    for _ in demands:  # no more sleeves than demands are of use
        start = highs.addVariable(0.0, problem.length)
        kinds = [highs.addBinary() for _ in sizes]
        used = sum(kinds)
        end = start + sum(size * kind for size, kind in zip(sizes, kinds, strict=True))
        highs.addConstr(used <= 1)
        highs.addConstr(end <= problem.length)
        if before is not None:
            highs.addConstr(used <= was_used)
            highs.addConstr(start >= before + problem.gap - model.far * (1 - used))
        model.sleeve(start, end, used)
        for demand, (low, high) in enumerate(demands):
            inside = highs.addBinary()
            highs.addConstr(inside <= used)
            highs.addConstr(start <= low + model.far * (1 - inside))
            highs.addConstr(end >= high - model.far * (1 - inside))
            serves[demand].append(inside)
        for place in problem.laterals.tolist():
            covered = highs.addBinary()
            model.either(place - start, end - place, covered + 1 - used)
            total = total + problem.reopen * covered
        costs = problem.costs.tolist()
        total = total + sum(cost * kind for cost, kind in zip(costs, kinds, strict=True))
        before, was_used = end, used
    for one in serves:
        highs.addConstr(sum(one) <= 1)
    served = sum(sum(one) for one in serves)
    # Serving one more outweighs whatever all sleeves cost.
    most = len(demands) * int(problem.costs.max()) + len(problem.laterals) * problem.reopen
    highs.minimize(total - (most + 1) * served)
    if highs.getModelStatus() != highspy.HighsModelStatus.kOptimal:
        message = f"the MILP ended with {highs.getModelStatus()}"
        raise RuntimeError(message)
    values = highs.getSolution().col_value
    count = round(sum(values[one.index] for group in serves for one in group))
    return count, round(highs.getObjectiveValue() + (most + 1) * count)
