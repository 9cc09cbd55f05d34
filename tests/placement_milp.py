"""Sleeve placement as a mixed-integer programme with continuous places, for HiGHS.

Written from the words of `Problem`, not from the recurrence: a start and an end for
each sleeve are real numbers, each "either left of it or right of it" is a binary.
"""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
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

    def sleeve(
        self, start: Term, end: Term, used: Term, back: Term, on: Term, loose: Term | float
    ) -> Term:
        """Keep one sleeve off walls, zones and closed stretches; give its ends at manholes.

        `back` is 1 where it laps the sleeve before, `on` where the next one laps it, `loose`
        where it is one that lies fast: no bound on places holds for it.
        """
        p, add = self.problem, self.highs.addConstr
        at_us, at_ds = self.highs.addBinary(), self.highs.addBinary()
        add(at_us + back <= used)
        add(at_ds + on <= used)
        add(start <= p.length * (1 - at_us))
        add(start >= p.wall * (1 - at_us) - p.wall * (1 - used) - (p.wall - 1) * loose)
        add(end >= p.length * at_ds)
        inside = p.wall * (1 - at_ds) - (p.wall - 1) * loose
        add(end <= p.length - inside + p.wall * (1 - used))
        for zones, free in ((p.left_zones, back), (p.left_lap_zones, 1 - back)):
            for low, high in zones.tolist():
                self.either(start - low, high - start, at_us + 1 - used + free + loose)
        for zones, free in ((p.right_zones, on), (p.right_lap_zones, 1 - on)):
            for low, high in zones.tolist():
                self.either(end - low, high - end, at_ds + 1 - used + free + loose)
        for low, high in p.crosses.tolist():
            self.either(end - low, high - start, 1 - used + loose)
        if p.shut_from < p.length:
            self.either(start - p.shut_from, p.shut_to - end, 1 - used + loose)
        if p.lap_to:
            outer = self.highs.addBinary()  # first or last of a run of several
            add(outer >= back - on)
            add(outer >= on - back)
            for low, high in p.demands.tolist():
                self.either(start - low, high - end, 1 - outer)
        return at_us + at_ds

    def between(self, start: Term, before: Term, used: Term, back: Term) -> None:
        """Keep a gap to the sleeve that ends at `before`, or lap it where `back` is 1."""
        p, add = self.problem, self.highs.addConstr
        add(start >= before + p.gap - self.far * (1 - used) - self.far * back)
        if p.lap_to:
            add(back <= used)
            add(start <= before - p.lap_from + self.far * (1 - back))
            add(start >= before - p.lap_to - self.far * (1 - back))

    def short_ones_lap_none(self, kinds: list[Term], back: Term, on: Term) -> None:
        """Keep what is shorter than two laps from lapping at either end."""
        for size, kind in zip(self.problem.lengths.tolist(), kinds, strict=True):
            if size < 2 * self.problem.lap_to:
                self.highs.addConstr(back + kind <= 1)
                self.highs.addConstr(on + kind <= 1)

    def lies_at(self, start: Term, kinds: list[Term], place: tuple[int, int]) -> Term:
        """Give a binary that is 1 only where this sleeve lies at `place`."""
        here, add = self.highs.addBinary(), self.highs.addConstr
        add(here <= self.may_serve(kinds, place[1] - place[0]))
        add(start <= place[0] + self.far * (1 - here))
        add(start >= place[0] - self.far * (1 - here))
        return here

    def holds(
        self, start: Term, end: Term, used: Term, demand: tuple[int, int]
    ) -> tuple[Term, Term]:
        """Give binaries that are 1 only where this sleeve begins and where it ends a demand."""
        first, last, add = self.highs.addBinary(), self.highs.addBinary(), self.highs.addConstr
        add(first <= used)
        add(last <= used)
        add(start <= demand[0] + self.far * (1 - first))
        add(end >= demand[1] - self.far * (1 - last))
        return first, last

    def may_serve(self, kinds: list[Term], length: int) -> Term:
        """Give what is 1 where this sleeve has `length`."""
        sizes = self.problem.lengths.tolist()
        return sum(kind for kind, size in zip(kinds, sizes, strict=True) if size == length)


def solve_milp(
    problem: Problem,
    forced: Sequence[tuple[int, int]] = (),
    length_of: Mapping[int, int] | None = None,
) -> tuple[int, int]:
    """Give how many demands can be served, and the least cost of doing so.

    `forced` are places (from, to) [cm] at which a sleeve lies whatever it costs, where no
    bound on places holds for it; `length_of` names the length of the one sleeve that must serve
    a demand alone, by its number.

    `problem` has no boxes: "does not take in" is a strict inequality, which places that
    are real numbers cannot express. A demand is served by a run in which one sleeve
    begins at or before it and the same or a later one ends at or beyond it.
    """
    assert not len(problem.boxes)
    model = _Model(problem)
    highs, add = model.highs, model.highs.addConstr
    demands, sizes = problem.demands.tolist(), problem.lengths.tolist()
    begun: list[list[object]] = [[] for _ in demands]
    ended: list[list[object]] = [[] for _ in demands]
    total, back = 0.0, 0.0
    before = was_used = None
    # No more sleeves than demands are of use, but where several may serve one in a run.
    most_sleeves = len(demands) + (2 if problem.lap_to else 0) + len(forced)
    lies: list[list[Term]] = [[] for _ in forced]
    named = dict(length_of or {})
    for number in range(most_sleeves):
        start = highs.addVariable(0.0, problem.length)
        kinds = [highs.addBinary() for _ in sizes]
        used = sum(kinds)
        end = start + sum(size * kind for size, kind in zip(sizes, kinds, strict=True))
        add(used <= 1)
        add(end <= problem.length)
        if before is not None:
            add(used <= was_used)
            model.between(start, before, used, back)
        for here, place in zip(lies, forced, strict=True):
            here.append(model.lies_at(start, kinds, place))
        loose = sum(here[-1] for here in lies) if lies else 0.0
        on = highs.addBinary() if problem.lap_to and number + 1 < most_sleeves else 0.0 * used
        model.short_ones_lap_none(kinds, back, on)
        total = total + problem.seal * model.sleeve(start, end, used, back + 0.0 * used, on, loose)
        for demand, (low, high) in enumerate(demands):
            first, last = model.holds(start, end, used, (low, high))
            if demand in named:
                add(first <= model.may_serve(kinds, named[demand]))
                add(first == last)
            begun[demand].append(first)
            ended[demand].append(last)
            # Between the one that begins and the one that ends each laps the next.
            add(on >= sum(begun[demand]) - sum(ended[demand]))
        for place in problem.laterals.tolist():
            covered = highs.addBinary()
            model.either(place - start, end - place, covered + 1 - used)
            total = total + problem.reopen * covered
        costs = problem.costs.tolist()
        total = total + sum(cost * kind for cost, kind in zip(costs, kinds, strict=True))
        before, was_used, back = end, used, on
    for firsts, lasts in zip(begun, ended, strict=True):
        add(sum(firsts) <= 1)
        add(sum(firsts) == sum(lasts))
    for one in [*lies, *(begun[demand] for demand in named)]:
        add(sum(one) == 1)
    served = sum(sum(one) for one in begun)
    # Serving one more outweighs whatever all sleeves cost.
    most = most_sleeves * (
        int(problem.costs.max()) + len(problem.laterals) * problem.reopen + 2 * problem.seal
    )
    highs.minimize(total - (most + 1) * served)
    if highs.getModelStatus() != highspy.HighsModelStatus.kOptimal:
        message = f"the MILP ended with {highs.getModelStatus()}"
        raise RuntimeError(message)
    values = highs.getSolution().col_value
    count = round(sum(values[one.index] for group in begun for one in group))
    return count, round(highs.getObjectiveValue() + (most + 1) * count)
