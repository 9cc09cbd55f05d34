"""One pipe with its sleeves: what each serves, covers and costs, and its row of `SLEEVES`."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from planner.repairs.place_held import around, as_held
from planner.repairs.place_own import Laid
from planner.repairs.problem import Solution
from planner.repairs.zones import (
    NOISE_M,
    Line,
    Offer,
    Rules,
    Spot,
    Tap,
    run_over,
    serves,
    set_problem,
)


@dataclass(frozen=True)
class Fit:
    """One pipe with the sleeves of one system on it, from_m and to_m [m].

    `own` are those of `sleeves` that people placed, `refused` says by span why others of
    theirs could not be.
    """

    line: Line
    offer: Offer
    rules: Rules
    solution: Solution
    sleeves: tuple[tuple[float, float], ...]
    own: tuple[Laid, ...] = ()
    refused: dict[str, str] = field(default_factory=dict)

    def laid(self, sleeve: tuple[float, float]) -> Laid | None:
        """Give what a person decided on this sleeve."""
        return next((one for one in self.own if one.sleeve == sleeve), None)

    def run(self, sleeve: tuple[float, float]) -> tuple[float, float]:
        """Give from where to where the sleeves lap each other of which it is one [m]."""
        return run_over(self.sleeves, sleeve)

    def run_served(self, sleeve: tuple[float, float]) -> tuple[Spot, ...]:
        """Give the spans that its whole run serves."""
        run, laid = self.run(sleeve), self.laid(sleeve)
        # A sleeve that a person placed serves the span it was placed for as it lies.
        own = laid.said if laid else {}
        return tuple(
            s for s in self.line.wanted if s.span_id in own or serves(self.line, self.rules, s, run)
        )

    def served(self, sleeve: tuple[float, float]) -> tuple[Spot, ...]:
        """Give the spans it serves; of those that its run serves, the ones it lies on.

        One that lies on none but holds others together serves all that they serve: spans
        of sleeves that people placed only where there is nothing else, as these serve
        theirs as they lie.
        """
        spots, own = self.run_served(sleeve), self.own_in_run(sleeve)
        start, end = sleeve
        on = tuple(s for s in spots if start < s.to_m + NOISE_M and end > s.from_m - NOISE_M)
        held = tuple(s for s in self.line.wanted if s.span_id in own)
        return on or tuple(s for s in spots if s.span_id not in own) or spots or held

    def in_run(self, sleeve: tuple[float, float]) -> list[tuple[float, float]]:
        """Give the sleeves of its run."""
        run = self.run(sleeve)
        return [one for one in self.sleeves if run[0] <= one[0] and one[1] <= run[1]]

    def own_in_run(self, sleeve: tuple[float, float]) -> set[str]:
        """Give the spans for which people placed sleeves of its run."""
        laid = [self.laid(one) for one in self.in_run(sleeve)]
        return {span_id for one in laid if one for span_id in one.said}

    def ends_at_walls(self, sleeve: tuple[float, float]) -> int:
        """Count its ends at a manhole; each is sealed."""
        return int(sleeve[0] == 0.0) + int(sleeve[1] == self.line.length_m)

    def covered(self, sleeve: tuple[float, float]) -> tuple[Tap, ...]:
        """Give the live laterals inside; one in the wall itself belongs to an end there."""
        start, end = sleeve
        return tuple(
            tap
            for tap in self.line.taps
            if tap.live
            and (start < tap.x_m or start == 0.0)
            and (tap.x_m < end or end == self.line.length_m)
        )

    def costed(self, sleeve: tuple[float, float]) -> bool:
        """Say whether all that it takes has a price."""
        return is_costed(self.offer, len(self.covered(sleeve)), self.ends_at_walls(sleeve))

    @property
    def rank(self) -> tuple[object, ...]:
        """Give what decides between systems.

        Places of people kept, spans served, prices known, cost, then name.
        """
        unpriced = not all(self.costed(sleeve) for sleeve in self.sleeves)
        first, *rest = self.solution.rank
        kept = sum(len(one.said) for one in self.own)
        return (-kept, first, unpriced, *rest, self.offer.system)


END = {
    (True, True): "both",
    (True, False): "us_manhole",
    (False, True): "ds_manhole",
    (False, False): "pipe",
}
"""Word for where a sleeve ends, by whether its ends are at the manholes."""


def row_of(fit: Fit, sleeve: tuple[float, float]) -> dict[str, object]:
    """Fill in one row of `SLEEVES`, all but its id."""
    line, offer = fit.line, fit.offer
    start, end = sleeve
    served, covered, run = fit.served(sleeve), fit.covered(sleeve), fit.run(sleeve)
    whole = fit.run_served(sleeve) or served
    back, on = run[0] < start, end < run[1]
    at_us, at_ds = start == 0.0, end == line.length_m
    laid = fit.laid(sleeve)
    counter = served[0].counter_node
    return {
        "pipe_id": line.pipe_id,
        "from_m": start,
        "to_m": end,
        "length_m": round(end - start, 3),
        # A run is bought for doubt as a whole: its first sleeve carries the figures.
        # One that a person placed is as long as that person says, whatever the doubt.
        "allowance_m": _allowance(fit, sleeve) if _carries(fit, sleeve) else 0.0,
        "allowance_cents": allowance_cents(fit, sleeve) if _carries(fit, sleeve) else 0,
        "overlap_us_m": None
        if back
        else max(0.0, min(s.from_m - fit.rules.doubt_m(s) for s in whole) - start),
        "overlap_ds_m": None
        if on
        else max(0.0, end - max(s.to_m + fit.rules.doubt_m(s) for s in whole)),
        "lap_us_m": _lap(fit, sleeve, -1) if back else None,
        "lap_ds_m": _lap(fit, sleeve, 1) if on else None,
        "end": END[at_us, at_ds],
        "dn_mm": line.dn_mm,
        "system": offer.system,
        "wall_mm": offer.wall_mm,
        "plies": offer.plies,
        "counter_node": counter,
        "counter_m": start if counter == line.us_node else line.length_m - end,
        "laterals_count": len(covered),
        "lateral_edge_m": _lateral_edge(line, sleeve),
        # Bends inside a sleeve are looked up by the issue on verdicts; blank = not known.
        "bend_deg": None,
        "laterals_unknown": not (line.known_from_m <= start and end <= line.known_to_m),
        "cost_cents": _cost(fit, sleeve),
        "placed_by": laid.placed_by if laid else "",
    }


def _cost(fit: Fit, sleeve: tuple[float, float]) -> int | None:
    covered, at_walls = len(fit.covered(sleeve)), fit.ends_at_walls(sleeve)
    return cents_of(fit.offer, sleeve[1] - sleeve[0], covered, at_walls)


def cents_of(offer: Offer, length_m: float, covered: int, at_walls: int) -> int | None:
    """Give what a sleeve costs [cents]; None where any of it has no price.

    Parameters
    ----------
    offer
        The system.
    length_m
        Of the sleeve [m].
    covered, at_walls
        How many live laterals lie inside, and how many ends at a manhole.
    """
    if not is_costed(offer, covered, at_walls):
        return None
    piece = offer.cents_by_mm[round(length_m * 1000)]
    return piece + covered * offer.reopen + at_walls * offer.seal


def is_costed(offer: Offer, covered: int, at_walls: int) -> bool:
    """Say whether all that a sleeve takes has a price; see `cents_of`."""
    return (
        offer.priced
        and (offer.reopen_priced or not covered)
        and (offer.seal_priced or not at_walls)
    )


def _lap(fit: Fit, sleeve: tuple[float, float], by: int) -> float:
    """Give the lap [m] with the sleeve before (-1) or after (1)."""
    at = fit.sleeves.index(sleeve)
    one, other = sorted((fit.sleeves[at], fit.sleeves[at + by]))
    return round(one[1] - other[0], 6)


def allowance_cents(fit: Fit, sleeve: tuple[float, float]) -> int | None:
    """Give what a run costs more than it would with exact places and extents [cents].

    The spans that its run serves are placed once more without doubt and with their coded
    extent, sleeves that people placed in the run kept with the spans they are for; as long
    a sleeve as before saves nothing. None where it is not costed.
    """
    own = fit.in_run(sleeve)
    costs = [_cost(fit, one) for one in own]
    if any(cost is None for cost in costs):
        return None
    bare = replace(fit.rules, place_m=0.0, by_counter=False)
    served = {s for s in fit.run_served(sleeve) if s.span_id not in fit.own_in_run(sleeve)}
    if not served:
        return 0
    line = replace(fit.line, spots=tuple(_bared(spot, served) for spot in fit.line.spots))
    problem = set_problem(line, fit.offer, bare)
    laid = [fit.laid(one) for one in own]
    solution = around(problem, (as_held(one.place, one.bound) for one in laid if one))
    before = sum(round(100 * (end - start)) for start, end in own)
    if solution is None or solution.served < len(served) or solution.length >= before:
        return 0
    return max(0, sum(cost or 0 for cost in costs) - solution.cost)


def _bared(spot: Spot, served: set[Spot]) -> Spot:
    if spot not in served:
        return spot._replace(wanted=False)
    return spot._replace(from_m=spot.bare_from_m, to_m=spot.bare_to_m)


def _carries(fit: Fit, sleeve: tuple[float, float]) -> bool:
    """Say whether it is the first of its run that no person placed."""
    return [one for one in fit.in_run(sleeve) if not fit.laid(one)][:1] == [sleeve]


def _allowance(fit: Fit, sleeve: tuple[float, float]) -> float:
    """Give the length asked for place doubt and assumed extents [m]: a look could save it.

    Nothing is asked for it at the end of a run that a person placed.
    """
    overlap, pipe, run = fit.rules.overlap_m, fit.line.length_m, fit.in_run(sleeve)
    served = fit.run_served(sleeve)
    if not served:
        return 0.0  # it only holds the end of one that a person placed
    right = min(pipe, max(s.to_m + fit.rules.reach_m(s) for s in served))
    right -= min(pipe, max(s.bare_to_m + overlap for s in served))
    left = max(0.0, min(s.bare_from_m - overlap for s in served))
    left -= max(0.0, min(s.from_m - fit.rules.reach_m(s) for s in served))
    asked = (0.0 if fit.laid(run[0]) else left) + (0.0 if fit.laid(run[-1]) else right)
    return round(max(0.0, asked), 6)


def _lateral_edge(line: Line, sleeve: tuple[float, float]) -> float | None:
    start, end = sleeve
    edges = [start - tap.x_m - tap.half_m for tap in line.taps if tap.x_m <= start]
    edges += [tap.x_m - tap.half_m - end for tap in line.taps if tap.x_m >= end]
    return max(0.0, min(edges)) if edges else None
