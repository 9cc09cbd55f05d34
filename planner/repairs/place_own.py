"""Sleeves whose place or length a person decided: laid first, the others find room beside them.

What cannot be is refused with its reason. What a setting asks and the place does not give
(overlap, clear distances) is the engineer's own choice: it is laid, and told.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from planner.ground.own_place import OwnPlace, read_own_place
from planner.repairs.decide_spans import latest, who
from planner.repairs.place_bounds import impossible, lacks, span_text
from planner.repairs.place_kernel import place_sleeves_on
from planner.repairs.place_plain import is_allowed
from planner.repairs.problem import Problem, Solution, measure, pairs, runs_of
from planner.repairs.zones import NOISE_M, Line, Offer, Rules, Spot, set_problem, up_cm

Places = tuple[tuple[int, int], ...]
"""From and to of sleeves [cm]."""
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
    """One sleeve that a person placed: from and to [cm] and [m]; `told` by span, '' = nothing."""

    place: tuple[int, int]
    sleeve: tuple[float, float]
    told: dict[str, str]
    said: dict[str, str]

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
    def places(self) -> Places:
        """Give from and to of each [cm]."""
        return tuple(one.place for one in self.laid)


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


def around(problem: Problem, places: Places) -> Solution:
    """Find the best sleeves beside those at `places`; what they serve is not counted.

    The stretch of each, widened by the gap, is closed to the others: none laps it.

    Parameters
    ----------
    problem
        The pipe.
    places
        From and to of the sleeves that lie fast [cm].
    """
    if not places:
        return place_sleeves_on(problem)
    wide = [(start - problem.gap, end + problem.gap) for start, end in places]
    crosses = pairs([*map(tuple, problem.crosses.tolist()), *wide])
    return place_sleeves_on(problem._replace(crosses=crosses))


def together(problem: Problem, fixed: Fixed, rest: Solution, lacking: int) -> Solution:
    """Reckon what the sleeves at their own places and the others come to together.

    Parameters
    ----------
    problem
        The pipe.
    fixed
        Sleeves that people placed.
    rest
        What `around` gave.
    lacking
        Spans that a placed sleeve serves with less overlap than asked.
    """
    every = sorted([*zip(rest.starts, rest.ends, strict=True), *fixed.places])
    both = measure(problem, [start for start, _ in every], [end for _, end in every])
    return replace(both, served=both.served + lacking)


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
    for one in sorted(own, key=lambda each: each.place.places_cm is None):
        spot = spots.get(one.span_id)
        if spot is None:
            fixed.refused[one.span_id] = NOT_ASKED
            continue
        wrong = _wrong_length(line, offer, one.place.length_cm, problem)
        at = (line, problem, demands[spot])
        place = (-1, -1) if wrong else _place(one, spot, fixed.places, at)
        fixed = _lay(fixed, one, spot, place, wrong, (line, rules, problem))
    rest = around(problem, fixed.places)
    lacking = sum(
        not (one.place[0] <= low and high <= one.place[1])
        for one in fixed.laid
        for low, high in (demands[spots[span_id]] for span_id in one.said)
    )
    return together(problem, fixed, rest, lacking), fixed


def _demand(line: Line, offer: Offer, rules: Rules, spot: Spot) -> tuple[int, int]:
    only = tuple(one if one is spot else replace(one, wanted=False) for one in line.spots)
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
    one: Own, spot: Spot, taken: Places, pipe: tuple[Line, Problem, tuple[int, int]]
) -> tuple[int, int]:
    """Give from and to [cm] as decided; of a length alone where all the rest comes out best."""
    line, problem, demand = pipe
    if one.place.places_cm:
        start, end = one.place.places_cm
        # The grid ends a little before the wall of a pipe of uneven length.
        at_wall = problem.length < end == up_cm(line.length_m)
        return (start - 1, problem.length) if at_wall else (start, end)
    return _best_place(one.place.length_cm, problem, taken, demand) or _centred(
        one.place.length_cm, spot, problem
    )


def _best_place(
    size: int, problem: Problem, taken: Places, demand: tuple[int, int]
) -> tuple[int, int] | None:
    """Give the best place of a length that serves `demand` with all that is asked, or None."""
    low, high = demand
    for start, end in taken:
        if end - start == size and start <= low and high <= end:
            return start, end  # one sleeve over two spans
    free = around(problem, taken)
    for first, last in runs_of(free.starts, free.ends):
        start, end = free.starts[first], free.ends[last]
        if first == last and end - start == size and start <= low and high <= end:
            return start, end  # what is best of all is best of this length
    found: list[tuple[tuple[object, ...], tuple[int, int]]] = []
    for start in range(max(high - size, 0), min(low, problem.length - size) + 1):
        place = (start, start + size)
        clear = all(place[1] + problem.gap <= a or b + problem.gap <= start for a, b in taken)
        if clear and is_allowed(problem, *place):
            fixed = Fixed((Laid(place, (0.0, 0.0), {}, {}),))
            all_ = together(problem, fixed, around(problem, (*taken, place)), 0)
            found.append(((*all_.rank, all_.starts), place))
    return min(found)[1] if found else None


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
    place: tuple[int, int],
    wrong: str,
    pipe: tuple[Line, Rules, Problem],
) -> Fixed:
    """Add one sleeve, or the reason why it cannot be."""
    line, rules, problem = pipe
    sleeve = in_metres(line, problem.length, *place)
    same = [each for each in fixed.laid if each.place == place]
    beyond = f"it would end at {place[1] / 100:.2f} m, beyond the pipe of {line.length_m:.2f} m"
    why = wrong or (beyond if place[1] > problem.length else "")
    why = why or impossible(line, rules, spot, sleeve)
    why = why or ("" if same else _too_near(fixed, place, sleeve, rules, problem))
    if why:
        return replace(fixed, refused={**fixed.refused, one.span_id: why})
    told = {one.span_id: "; ".join(lacks(line, rules, spot, sleeve))}
    laid = Laid(place, sleeve, told, {one.span_id: one.said})
    if same:
        merged = {**same[0].told, **told}, {**same[0].said, **laid.said}
        laid = Laid(place, sleeve, *merged)
    return replace(fixed, laid=(*(each for each in fixed.laid if each.place != place), laid))


def _too_near(
    fixed: Fixed,
    place: tuple[int, int],
    sleeve: tuple[float, float],
    rules: Rules,
    problem: Problem,
) -> str:
    for one in fixed.laid:
        if place[0] < one.place[1] + problem.gap and one.place[0] < place[1] + problem.gap:
            return (
                f"at {span_text(sleeve)} it is not {rules.gap_m:.2f} m clear of the sleeve placed "
                f"for {' and '.join(one.said)} at {span_text(one.sleeve)}"
            )
    return ""
