"""Why no sleeve serves a span: the first bound that leaves no place for one, in figures."""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

import numpy as np

from planner.repairs.place_figures_kernel import (
    CROSSED,
    NEIGHBOURS,
    REACHED,
    RULED,
    SOUND,
    TAPPED,
    TOO_LONG,
    WALLS,
)
from planner.repairs.place_kernel import place_sleeves_on
from planner.repairs.problem import Problem, pairs
from planner.repairs.way import stopped
from planner.repairs.zones import Line, Offer, Rules, Spot, set_problem

_NONE = pairs([])


class Why(NamedTuple):
    """The reason in words; `unreached` where it is that no packer comes to the span."""

    text: str
    unreached: bool = False


def why_not(line: Line, offer: Offer, rules: Rules, spot: Spot) -> Why:
    """Say why a system serves not this span.

    Parameters
    ----------
    line, offer, rules
        The pipe, the system at its size, what bounds its sleeves.
    spot
        A span that the best placement leaves out.

    Returns
    -------
    reason
        In one line with numbers and units.
    """
    return said_why(line, offer, rules, spot, *first_bound(line, offer, rules, spot))


def first_bound(line: Line, offer: Offer, rules: Rules, spot: Spot) -> tuple[int, int]:
    """Give the first bound that leaves no place for a sleeve, and what the span needs [cm].

    Bounds are taken up one after the other: the pipe and its walls, spans that no sleeve
    may lie on, laterals, unsound pipe, packers, rules about sleeves, neighbouring sleeves.

    Parameters
    ----------
    line, offer, rules, spot
        As for `why_not`.
    """
    alone = replace(line, spots=tuple(_only(one, spot) for one in line.spots))
    problem = set_problem(alone, offer, rules)
    needed = int(problem.demands[0, 1] - problem.demands[0, 0])
    if problem.lengths.size == 0 or (needed > problem.lengths.max() and not problem.lap_to):
        return TOO_LONG, needed
    walls = problem._replace(left_zones=_NONE, right_zones=_NONE, crosses=_NONE, boxes=_NONE)
    walls = walls._replace(left_lap_zones=_NONE, right_lap_zones=_NONE, shut_from=problem.length)
    tapped = set_problem(replace(alone, spots=(spot,)), offer, replace(rules, boxes=(), shut=None))
    tapped = tapped._replace(crosses=problem.crosses)
    for bound, bounds in (
        (WALLS, walls),
        (CROSSED, walls._replace(crosses=problem.crosses)),
        (TAPPED, tapped),
        (SOUND, problem._replace(boxes=_NONE, shut_from=problem.length)),
        (REACHED, problem._replace(boxes=_NONE)),
        (RULED, problem),
    ):
        if not _fits(bounds):
            return bound, needed
    return NEIGHBOURS, needed


def said_why(  # noqa: PLR0911 - one sentence a bound
    line: Line, offer: Offer, rules: Rules, spot: Spot, bound: int, needed: int
) -> Why:
    """Put into words what `first_bound` found.

    Parameters
    ----------
    line, offer, rules, spot
        As for `why_not`.
    bound, needed
        As `first_bound` gives them.
    """
    if bound == TOO_LONG:
        damage_m, doubt_m = spot.to_m - spot.from_m, rules.doubt_m(spot)
        return Why(too_long(line, offer, rules, (needed / 100, damage_m, doubt_m)))
    name = f"{offer.system} at DN {line.dn_mm:g}"
    longest = max(offer.lengths_m)
    near = (spot.from_m - longest, spot.to_m + longest)
    if bound == WALLS:
        return Why(
            f"no length of {name} fits between the walls of the pipe of {line.length_m:.2f} m, "
            f"{rules.wall_clear_m:.2f} m clear of each or ending at it"
        )
    if bound == CROSSED:
        others = _named(line, near, spot, closed=True)
        return Why(f"any sleeve of {name} would lie on {others}, where none may lie")
    if bound == TAPPED:
        return Why(
            f"every place for {name} ends within {rules.lateral_clear_m:.2f} m of a lateral "
            f"({_laterals(line, near)})"
        )
    if bound == SOUND:
        return Why(
            f"every place for {name} lacks {rules.overlap_m:.2f} m of sound pipe at an end, "
            f"beside {_named(line, near, spot, closed=False)}"
        )
    if bound == REACHED:
        stops = _stops(line, offer)
        return Why(f"no packer for {name} comes to it from either manhole: {stops}", unreached=True)
    if bound == RULED:
        return Why(f"a rule about sleeves forbids {name} over it")
    return Why(
        f"a sleeve of {name} alone would fit, but not {rules.gap_m:.2f} m clear of those "
        "that serve its neighbours"
    )


def too_long(line: Line, offer: Offer, rules: Rules, figures_m: tuple[float, float, float]) -> str:
    """Say that no length is enough: what is needed, how long the damage is, and the doubt [m]."""
    needed, damage, doubt = figures_m
    return (
        f"needs {needed:.2f} m ({damage:.2f} m of damage, each end {rules.overlap_m:.2f} m overlap "
        f"and {doubt:.2f} m doubt, clipped at manholes); the longest sleeve of {offer.system} at "
        f"DN {line.dn_mm:g} has {offer.longest_m:.2f} m"
    )


def _only(one: Spot, spot: Spot) -> Spot:
    return one if one is spot else one._replace(wanted=False)


def _fits(problem: Problem) -> bool:
    return place_sleeves_on(problem).served > 0


def _named(line: Line, near: tuple[float, float], beside: Spot, *, closed: bool) -> str:
    found = [
        f"{spot.span_id or 'an earlier repair'} at {spot.from_m:.2f} to {spot.to_m:.2f} m"
        for spot in line.spots
        if spot is not beside and (spot.closed if closed else spot.unsound) and _meets(spot, near)
    ]
    return ", ".join(found)


def _meets(spot: Spot, near: tuple[float, float]) -> bool:
    return spot.to_m >= near[0] and spot.from_m <= near[1]


def _stops(line: Line, offer: Offer) -> str:
    """Name the packers with what stops each of them first from either end."""
    said = []
    for packer in offer.packers:
        stops = [bar for bar in line.bars if packer.answer(bar) == "no"]
        ends = {bar.observation_id: bar for bar in stops[:1] + stops[-1:]}.values()
        places = " and ".join(stopped(packer, bar) for bar in ends)
        said.append(f"{packer.packer} does not pass {places}")
    return "; ".join(said)


def _laterals(line: Line, near: tuple[float, float]) -> str:
    places = [tap.x_m for tap in line.taps]
    inside = np.array([x for x in places if near[0] <= x <= near[1]])
    return ", ".join(f"{x:.2f} m" for x in inside)
