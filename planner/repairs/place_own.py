"""Sleeves whose place or length a person decided: laid first, the others find room beside them.

What cannot be is refused with its reason. What a setting asks and the place does not give
(overlap, clear distances) is the engineer's own choice: it is laid, and told. Where the system
states a lap, others may lap it, and two of them each other. An end on other damage, which alone
could not be, may be where another sleeve laps it.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from planner.ground.own_place import OwnPlace, read_own_place
from planner.repairs.decide_spans import latest, who
from planner.repairs.place_bounds import (
    impossible,
    lacks,
    lap_refused,
    lapped_ends,
    laps_short,
    span_text,
)
from planner.repairs.place_held import (
    Ends,
    Held,
    around,
    as_held,
    laps_well,
    lie_clear,
    neighbours,
)
from planner.repairs.place_kernel import place_sleeves_on
from planner.repairs.place_plain import end_ok, lies_free, start_ok
from planner.repairs.problem import Problem, Solution
from planner.repairs.zones import NOISE_M, Line, Offer, Rules, Spot, set_problem, up_cm

NOT_ASKED = "no sleeve is asked for there, so none can be placed"


@dataclass(frozen=True)
class Own:
    """What a person decided on the sleeve over one span, and who, when and why."""

    span_id: str
    pipe_id: str
    place: OwnPlace
    said: str


@dataclass(frozen=True)
class Laid:
    """One sleeve that a person placed: from and to [cm] and [m]; `told` by span, '' = nothing.

    An end that is `bound` keeps all that the placement asks: it must be lapped, or be sound.
    """

    place: tuple[int, int]
    sleeve: tuple[float, float]
    told: dict[str, str]
    said: dict[str, str]
    bound: Ends = (False, False)

    @property
    def placed_by(self) -> str:
        """Say who placed it, when and why, and in what it is less than asked."""
        parts = [*dict.fromkeys(self.said.values())]
        return "; ".join(parts + [one for one in dict.fromkeys(self.told.values()) if one])


@dataclass(frozen=True)
class Fixed:
    """The sleeves that people placed on one pipe, and by span why others could not be."""

    laid: tuple[Laid, ...] = ()
    refused: dict[str, str] = field(default_factory=dict)

    @property
    def places(self) -> tuple[tuple[int, int], ...]:
        """Give from and to of each [cm]."""
        return tuple(one.place for one in self.laid)

    @property
    def held(self) -> tuple[Held, ...]:
        """Give each as what the others lie beside."""
        return tuple(as_held(one.place, one.bound) for one in self.laid)


def own_places(decisions: pd.DataFrame, undone: Iterable[str]) -> list[Own]:
    """List what people decided on the place or length of sleeves.

    Parameters
    ----------
    decisions
        Obeys `DECISIONS`; of each span the latest counts.
    undone
        Spans whose decision is not applied.

    Returns
    -------
    own
        In the order in which they were decided.
    """
    if decisions.empty:
        return []
    out = set(undone)
    on_spans = decisions[(decisions["span_id"] != "") & (decisions["decision"] != "limit")]
    found = []
    for span_id, row in latest(on_spans, "span_id").items():
        place = read_own_place(str(row["value"])) if row["decision"] == "place" else ""
        if isinstance(place, OwnPlace) and span_id not in out:
            found.append(Own(span_id, str(row["pipe_id"]), place, who(row)))
    return found


def in_metres(line: Line, length_cm: int, start: int, end: int) -> tuple[float, float]:
    """Bring a sleeve back to metres; one at the far manhole ends at its wall itself.

    Parameters
    ----------
    line
        The pipe.
    length_cm
        Its length as placed on [cm].
    start, end
        From and to of the sleeve [cm].
    """
    if end < length_cm:
        return start / 100.0, end / 100.0
    if start == 0:
        return 0.0, line.length_m
    return line.length_m - (end - start) / 100.0, line.length_m


def solve_own(
    line: Line, offer: Offer, rules: Rules, problem: Problem, own: Sequence[Own]
) -> tuple[Solution, Fixed]:
    """Place sleeves where some of them have a place or a length of a person's own.

    Those with a place are laid first, in the order decided; then those with a length,
    one after the other, each where all the rest comes out best; then the others.

    Parameters
    ----------
    line, offer, rules, problem
        The pipe and one system, in metres and in whole centimetres.
    own
        What people decided on spans of this pipe.

    Returns
    -------
    solution, fixed
        All sleeves, and which of them a person placed; reasons for those who were not.
    """
    if not own:
        return place_sleeves_on(problem), Fixed()
    fixed = Fixed()
    spots = {spot.span_id: spot for spot in line.wanted}
    demands = {spot: _demand(line, offer, rules, spot) for spot in spots.values()}
    left = problem  # with the demands that are still to be served
    for one in sorted(own, key=lambda each: each.place.places_cm is None):
        spot = spots.get(one.span_id)
        if spot is None:
            fixed.refused[one.span_id] = NOT_ASKED
            continue
        wrong = _wrong_length(line, offer, one.place.length_cm, problem)
        nowhere = as_held((-1, -1), (False, False))
        held = nowhere if wrong else _place(one, spot, fixed.held, (line, left, demands[spot]))
        # What it serves with less than asked no other sleeve is bought for.
        beside = left if _inside(demands[spot], held) else _less(left, demands[spot])
        fixed = _lay(fixed, one, spot, held, wrong, (line, rules, beside))
        left = beside if one.span_id not in fixed.refused else left
    best = around(left, fixed.held)
    if best is None:
        message = f"{line.pipe_id}: sleeves that were laid one by one do not lie together"
        raise AssertionError(message)
    lacking = len(problem.demands) - len(left.demands)
    fixed = replace(fixed, laid=_tell(line, rules, problem, fixed.laid, best))
    return replace(best, served=best.served + lacking), fixed


def _inside(demand: tuple[int, int], held: Held) -> bool:
    return held[0] <= demand[0] and demand[1] <= held[1]


def _less(problem: Problem, demand: tuple[int, int]) -> Problem:
    """Take out one demand."""
    rows = problem.demands.tolist()
    rows.remove(list(demand))
    return problem._replace(demands=np.array(rows, dtype=np.int64).reshape(-1, 2))


def _tell(
    line: Line, rules: Rules, problem: Problem, laid: tuple[Laid, ...], best: Solution
) -> tuple[Laid, ...]:
    """Add to each what it lacks where it lies among the others."""
    spots = {spot.span_id: spot for spot in line.wanted}
    places = zip(best.starts, best.ends, strict=True)
    sleeves = [in_metres(line, problem.length, *place) for place in places]
    mine = [one.sleeve for one in laid]
    told = []
    for one in laid:
        ends = lapped_ends(sleeves, one.sleeve)
        short = laps_short(line, rules, mine, one.sleeve)
        lines = {
            span: "; ".join([*lacks(line, rules, spots[span], one.sleeve, ends), *short])
            for span in one.said
        }
        told.append(replace(one, told=lines))
    return tuple(told)


def _demand(line: Line, offer: Offer, rules: Rules, spot: Spot) -> tuple[int, int]:
    only = tuple(one if one is spot else one._replace(wanted=False) for one in line.spots)
    low, high = set_problem(replace(line, spots=only), offer, rules).demands[0].tolist()
    return low, high


def _wrong_length(line: Line, offer: Offer, size: int, problem: Problem) -> str:
    """Say why the system has no sleeve of this length [cm]; '' if it has."""
    if size in problem.lengths.tolist():
        return ""
    name, length = f"{offer.system} at DN {line.dn_mm:g}", f"{size / 100:.2f} m"
    most = max((packer.carries_m for packer in offer.packers), default=np.inf)
    if size / 100 > most + NOISE_M:
        return f"no packer for {name} carries {length}; the most is {most:.2f} m"
    sizes = sorted(offer.lengths_m, key=lambda one: (abs(one - size / 100), one))
    near = " and ".join(f"{one:.2f} m" for one in sorted(sizes[:2]))
    return f"{name} does not come in {length}; nearest {'are' if len(sizes) > 1 else 'is'} {near}"


def _place(
    one: Own, spot: Spot, taken: tuple[Held, ...], pipe: tuple[Line, Problem, tuple[int, int]]
) -> Held:
    """Give from and to [cm] as decided; of a length alone where all the rest comes out best."""
    line, problem, demand = pipe
    if one.place.places_cm:
        start, end = one.place.places_cm
        # The grid ends a little before the wall of a pipe of uneven length.
        at_wall = problem.length < end == up_cm(line.length_m)
        place = (start - 1, problem.length) if at_wall else (start, end)
        return as_held(place, (False, False))
    size = one.place.length_cm
    best = _best_place(size, problem, taken, demand)
    return best or as_held(_centred(size, spot, problem), (False, False))


def _best_place(
    size: int, problem: Problem, taken: tuple[Held, ...], demand: tuple[int, int]
) -> Held | None:
    """Give the best place of a length that serves `demand` with all that is asked, or None."""
    for held in taken:
        if held[1] - held[0] == size and _inside(demand, held):
            return held  # one sleeve over two spans
    free = around(problem, taken)
    for place in zip(free.starts, free.ends, strict=True) if free else ():
        held = as_held(place, (True, True))
        if place[1] - place[0] == size and _inside(demand, held):
            return held  # what is best of all is best of this length
    found: list[tuple[tuple[object, ...], Held]] = []
    low, high = demand
    for start in range(max(high - size, 0), min(low, problem.length - size) + 1):
        held = as_held((start, start + size), (True, True))
        clear = all(
            lie_clear(problem, held, one) or laps_well(problem, held, one)
            for one in neighbours(held, taken)
        )
        if clear and _may_lie(problem, start, start + size):
            all_ = around(problem, (*taken, held))
            if all_ is not None:
                found.append(((*all_.rank, all_.starts), held))
    return min(found)[1] if found else None


def _may_lie(problem: Problem, start: int, end: int) -> bool:
    """Say whether a sleeve may lie there, where its ends may lap if any may."""
    laps = {False, problem.lap_to > 0}
    return (
        lies_free(problem, start, end)
        and any(start_ok(problem, start, laps=one) for one in laps)
        and any(end_ok(problem, end, laps=one) for one in laps)
    )


def _centred(size: int, spot: Spot, problem: Problem) -> tuple[int, int]:
    """Give the middle over the damage, or the wall of a manhole where that is near."""
    start = round(50 * (spot.from_m + spot.to_m) - size / 2)
    start = 0 if start < problem.wall else start
    if start + size > problem.length - problem.wall:
        start = max(problem.length - size, 0)
    return start, start + size


def _lay(
    fixed: Fixed,
    one: Own,
    spot: Spot,
    held: Held,
    wrong: str,
    pipe: tuple[Line, Rules, Problem],
) -> Fixed:
    """Add one sleeve, or the reason why it cannot be."""
    line, rules, problem = pipe
    place = held[:2]
    sleeve = in_metres(line, problem.length, *place)
    same = [each for each in fixed.laid if each.place == place]
    for each in same:
        held = as_held(place, (each.bound[0] or held[2] > 0, each.bound[1] or held[3] > 0))
    beyond = f"it would end at {place[1] / 100:.2f} m, beyond the pipe of {line.length_m:.2f} m"
    why = wrong or (beyond if place[1] > problem.length else "")
    why = why or ("" if same else _too_near(fixed, held, sleeve, rules, problem))
    if not why:
        held, why = _bound(fixed, spot, held, sleeve, pipe)
    if why:
        return replace(fixed, refused={**fixed.refused, one.span_id: why})
    said = {one.span_id: one.said}
    for each in same:
        said = {**each.said, **said}
    bound = held[2] > 0, held[3] > 0
    others = tuple(each for each in fixed.laid if each.place != place)
    return replace(fixed, laid=(*others, Laid(place, sleeve, {}, said, bound)))


def _bound(
    fixed: Fixed,
    spot: Spot,
    held: Held,
    sleeve: tuple[float, float],
    pipe: tuple[Line, Rules, Problem],
) -> tuple[Held, str]:
    """Give the sleeve with the ends bound that must be lapped, or say why it cannot lie there."""
    line, rules, problem = pipe
    others = tuple(one for one in fixed.held if one[:2] != held[:2])
    why = ""
    for lapped in ((False, False), (True, False), (False, True), (True, True)):
        bound = lapped[0] or held[2] > 0, lapped[1] or held[3] > 0
        hit = impossible(line, rules, spot, sleeve, bound)
        if not hit and around(problem, (*others, as_held(held[:2], bound))) is not None:
            return as_held(held[:2], bound), ""
        why = why or hit or f"at {span_text(sleeve)} it leaves no room for a lap that another needs"
        if not problem.lap_to:
            break
    return held, why


def _too_near(
    fixed: Fixed, held: Held, sleeve: tuple[float, float], rules: Rules, problem: Problem
) -> str:
    near = neighbours(held, fixed.held)
    for one in fixed.laid:
        beside = next((each for each in near if each[:2] == one.place), None)
        if beside is None or lie_clear(problem, held, beside):
            continue
        whose = f"the sleeve placed for {' and '.join(one.said)} at {span_text(one.sleeve)}"
        if why := lap_refused(rules, problem, sleeve, one.sleeve):
            return f"at {span_text(sleeve)} it {why.format(whose)}"
    return ""
