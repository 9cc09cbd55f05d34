"""Random pipes for placement, in metres as they come: defects, laterals, stock lengths."""

from __future__ import annotations

from dataclasses import dataclass
from random import Random

from planner.repairs.problem import Problem
from planner.repairs.zones import Line, Offer, Rules, Spot, Tap, set_problem

STOCK_M = (0.5, 0.6, 1.0, 1.2, 1.5, 2.0, 3.0)


@dataclass(frozen=True)
class Kind:
    """What random pipes are like: metres, defects, metres between laterals, share closed."""

    least_m: float
    most_m: float
    defects: int
    lateral_every_m: float = 8.0
    closed: float = 0.05
    watched: float = 0.1
    lengths_m: tuple[float, ...] = STOCK_M


def random_pipe(random: Random, kind: Kind) -> tuple[Line, Offer, Rules]:
    """Draw a pipe; its length and the places on it lie on no grid."""
    length = random.uniform(kind.least_m, kind.most_m)
    spots = []
    for at in range(kind.defects):
        start = random.uniform(0.0, length)
        size = random.choice([0.1, 0.1, 0.3, random.uniform(0.0, 1.0)])
        draw = random.random()
        wanted = draw >= kind.closed + kind.watched
        start, end = max(0.0, start - size / 2), min(length, start + size / 2)
        spots.append(
            Spot(f"D-{at}", start, end, 0.3, wanted, True, draw < kind.closed, start, end, "a")
        )
    many = random.randint(0, 2 * round(length / kind.lateral_every_m))
    taps = [
        Tap(f"L-{at}", random.uniform(0.2, length - 0.2), 0.075, random.random() < 0.8)
        for at in range(many)
    ]
    line = Line("p", "a", length, 200.0, 0.0, length, tuple(spots), tuple(taps))
    return line, random_offer(random, kind.lengths_m), random_rules(random)


def random_offer(random: Random, lengths_m: tuple[float, ...] = STOCK_M) -> Offer:
    """Draw prices: each + extra length, nearly all fixed or steep in the length."""
    each, per_m = random.choice([1_000, 2_000, 2_400]), random.choice([0, 200, 260, 900])
    costs = tuple(round(each + per_m * max(0.0, size - 1.0)) for size in lengths_m)
    reopen = random.choice([0, 150, 300])
    return Offer("felt", lengths_m, costs, True, reopen, True, 0.3, False, 6.0, 3)


def random_rules(random: Random) -> Rules:
    return Rules(0.3, random.choice([0.0, 0.1]), False, 0.15, 0.3, random.choice([0.3, 0.5]))


def random_problem(random: Random, kind: Kind) -> Problem:
    """Draw a pipe and turn it into whole centimetres."""
    return set_problem(*random_pipe(random, kind))
