"""Pipes without laps and without places of people's own, placed all at once over flat arrays.

`place_fit` places one pipe at a time, with laps and places of people's own too, and gives the
same rows: it is the readable reference.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from planner.repairs.catalogue import Offers
from planner.repairs.place_figures_kernel import TOO_LONG, why_flat
from planner.repairs.place_fit import Fit, is_costed
from planner.repairs.place_flat_kernel import (
    AT_WALLS,
    COST,
    COVERS,
    LENGTH_CM,
    SERVED,
    SLACK,
    SLEEVES,
    WRONG,
    LaidFlat,
    lay_flat,
)
from planner.repairs.place_why import said_why, too_long
from planner.repairs.problem import Solution
from planner.repairs.spots import Spots
from planner.repairs.way import shut_stretch
from planner.repairs.zones import Line, Offer, Rules, Tap, rules_of, sizes_of
from planner.repairs.zones_kernel import FIND, FROM, TO, WANTED, Flat
from planner.settings import Sleeving

Boxes = Mapping[str, list[tuple[float, float]]]
"""By system: stretches of one pipe that no sleeve may take in whole [m]."""
Left = list[tuple[int, str, str]]
"""Number of the line, span_id, and why no sleeve serves it."""


@dataclass(frozen=True)
class Pipe:
    """A line with its number among all, what may be placed on it and what bars it."""

    number: int
    line: Line
    offers: Offers
    boxes: Boxes


@dataclass(frozen=True)
class Case:
    """One offer tried on one pipe, and what bounds its sleeves there."""

    pipe: int
    offer: Offer
    rules: Rules


class FlatPipes:
    """Pipes as flat arrays, the best sleeves of each system on each, and which is chosen.

    `spots` and `taps` are those of all pipes, `cases` every offer on every pipe, `cases_at`
    where those of a pipe begin, `chosen` by pipe the best of them, -1 where it has no sleeve.

    Parameters
    ----------
    pipes
        In order; on none of them may sleeves lap.
    settings
        Overlap, doubt, clear distances.
    """

    def __init__(self, pipes: Sequence[Pipe], settings: Sleeving) -> None:
        """Place the sleeves."""
        self.pipes = pipes
        self.spots = Spots.together([pipe.line.spots for pipe in pipes])
        self.taps: list[Tap] = [tap for pipe in pipes for tap in pipe.line.taps]
        self.cases = _cases_of(pipes, settings)
        self.cases_at = _starts([len(pipe.offers.offers) for pipe in pipes]).tolist()
        self.flat = _flattened(pipes, self.cases, self.spots, self.taps)
        self.laid: LaidFlat = lay_flat(self.flat)
        self.figures: list[list[int]] = self.laid.figures.tolist()
        self.sleeves_at: list[int] = self.laid.sleeves_at.tolist()
        self.chosen = self._choose()

    def wrong(self) -> list[Case]:
        """List the cases in which the raw metres find fault."""
        return [case for case, one in zip(self.cases, self.figures, strict=True) if one[WRONG]]

    def _choose(self) -> list[int]:
        chosen = []
        for first, last in zip(self.cases_at, self.cases_at[1:], strict=False):
            best = first
            if last != first + 1:
                best = min(range(first, last), key=self._rank, default=-1)
            chosen.append(best if best >= 0 and self.figures[best][SLEEVES] else -1)
        return chosen

    def _rank(self, case: int) -> tuple[object, ...]:
        """Do as `Fit.rank`, where no person placed anything."""
        one, offer = self.figures[case], self.cases[case].offer
        costed = is_costed(offer, one[COVERS], one[AT_WALLS])
        figures = (one[COST], one[SLEEVES], one[LENGTH_CM], one[AT_WALLS], -one[SLACK])
        return (-one[SERVED], bool(one[SLEEVES]) and not costed, *figures, offer.system)

    def fits(self, pipe_ids: set[str]) -> list[Fit]:
        """Give what was chosen on some pipes, one by one."""
        cases = [case for case in self.chosen if case >= 0]
        return [
            self._fit(case)
            for case in cases
            if self.pipes[self.cases[case].pipe].line.pipe_id in pipe_ids
        ]

    def _fit(self, case: int) -> Fit:
        first, last = self.sleeves_at[case], self.sleeves_at[case + 1]
        one, its = self.figures[case], self.cases[case]
        solution = Solution(
            tuple(self.laid.places[first:last, 0].tolist()),
            tuple(self.laid.places[first:last, 1].tolist()),
            *(one[at] for at in (SERVED, COST, LENGTH_CM, AT_WALLS, SLACK)),
        )
        sleeves = tuple((start, end) for start, end in self.laid.metres[first:last].tolist())
        return Fit(self.pipes[its.pipe].line, its.offer, its.rules, solution, sleeves)

    def left(self) -> tuple[Left, set[str]]:
        """List the spans without a sleeve, and those of them to which no packer comes."""
        asked = self._unserved()
        tried = [self._tried(pipe) for pipe, _ in asked]
        cases = [case for some in tried for case in some]
        spots = [spot for (_, spot), some in zip(asked, tried, strict=True) for _ in some]
        found = why_flat(self.flat, np.array(cases, np.int64), np.array(spots, np.int64))
        whys = iter(found.tolist())
        names, find_m = self.spots.span_ids, self.flat.spot_m[FIND].tolist()
        long_m = (self.flat.spot_m[TO] - self.flat.spot_m[FROM]).tolist()
        left: Left = []
        unreached: set[str] = set()
        for (at, number), some in zip(asked, tried, strict=True):
            pipe, reasons = self.pipes[at], []
            for case in some:
                its, (bound, needed) = self.cases[case], next(whys)
                # Most are too long, and what is said of them hangs on nothing else of the pipe.
                if bound == TOO_LONG:
                    doubt = find_m[number] if its.rules.by_counter else its.rules.place_m
                    figures = (needed / 100, long_m[number], doubt)
                    reasons.append(too_long(pipe.line, its.offer, its.rules, figures))
                    continue
                spot = self.spots[number]
                why = said_why(pipe.line, its.offer, its.rules, spot, bound, needed)
                reasons.append(why.text)
                if why.unreached:
                    unreached.add(spot.span_id)
            reasons += pipe.offers.reasons if self.chosen[at] < 0 else ()
            left.append((pipe.number, names[number], "; ".join(reasons)))
        return left, unreached

    def _tried(self, pipe: int) -> range:
        """Give the cases that must say why a span of a pipe has no sleeve."""
        case = self.chosen[pipe]
        if case >= 0:
            return range(case, case + 1)
        return range(self.cases_at[pipe], self.cases_at[pipe + 1])

    def _unserved(self) -> list[tuple[int, int]]:
        """List the wanted spans that no chosen sleeve serves: which pipe, which span."""
        wanted, served_at = self.flat.spot_is[WANTED].copy(), self.laid.served_at
        for case in self.chosen:
            if case >= 0:
                first, last = self.sleeves_at[case], self.sleeves_at[case + 1]
                wanted[self.laid.served[served_at[first] : served_at[last]]] = False
        spots = np.flatnonzero(wanted)
        pipes = np.searchsorted(self.flat.spots_at, spots, side="right") - 1
        return list(zip(pipes.tolist(), spots.tolist(), strict=True))


def _cases_of(pipes: Sequence[Pipe], settings: Sleeving) -> list[Case]:
    """Try each offer on each pipe; pipes that nothing else bars share their rules."""
    shared: dict[int, Rules] = {}
    cases = []
    for at, pipe in enumerate(pipes):
        for offer in pipe.offers.offers:
            boxes = pipe.boxes.get(offer.system, ())
            bars = pipe.line.bars
            if boxes or (bars and shut_stretch(bars, offer.packers)):
                rules = rules_of(pipe.line, offer, settings, boxes)
            else:
                rules = shared.get(id(offer)) or rules_of(pipe.line, offer, settings)
                shared[id(offer)] = rules
            cases.append(Case(at, offer, rules))
    return cases


def _starts(counts: Sequence[int]) -> np.ndarray:
    """Give where each group begins, and where the last one ends."""
    return np.concatenate(([0], np.cumsum(np.array(counts, dtype=np.int64)))).astype(np.int64)


def _flattened(
    pipes: Sequence[Pipe], cases: Sequence[Case], spots: Spots, taps: Sequence[Tap]
) -> Flat:
    lines = [pipe.line for pipe in pipes]
    offers = list({id(case.offer): case.offer for case in cases}.values())
    rules = list({id(case.rules): case.rules for case in cases}.values())
    offer_at = {id(offer): at for at, offer in enumerate(offers)}
    rule_at = {id(one): at for at, one in enumerate(rules)}
    sizes = [sizes_of(offer) for offer in offers]
    pairs = [pair for some in sizes for pair in some]
    boxes = [box for one in rules for box in one.boxes]
    flat = Flat(
        length_m=np.array([line.length_m for line in lines], dtype=np.float64),
        spots_at=_starts([len(line.spots) for line in lines]),
        spot_m=np.ascontiguousarray(spots.metres.T),
        spot_is=np.ascontiguousarray(spots.flags.T),
        taps_at=_starts([len(line.taps) for line in lines]),
        tap_m=_by_row([(tap.x_m, tap.half_m) for tap in taps], 2, np.float64),
        tap_live=np.array([tap.live for tap in taps], dtype=np.bool_),
        sizes_at=_starts([len(some) for some in sizes]),
        size_cm=np.array([size for size, _ in pairs], dtype=np.int64),
        size_cents=np.array([cost for _, cost in pairs], dtype=np.int64),
        offer_longest_m=np.array([max(o.lengths_m, default=0.0) for o in offers], np.float64),
        offer_cents=_by_row([(offer.reopen, offer.seal) for offer in offers], 2, np.int64),
        rule_m=_by_row([_bounds(one) for one in rules], 7, np.float64),
        by_counter=np.array([one.by_counter for one in rules], dtype=np.bool_),
        boxes_at=_starts([len(one.boxes) for one in rules]),
        box_m=_by_row(boxes, 2, np.float64),
        cases=_by_row(
            [(case.pipe, offer_at[id(case.offer)], rule_at[id(case.rules)]) for case in cases],
            3,
            np.int64,
        ),
    )
    known = (flat.length_m, flat.spot_m, flat.tap_m, flat.box_m)
    if not all(np.isfinite(one).all() for one in known):
        message = "a length or a place on a pipe is not a number"
        raise ValueError(message)
    return flat


def _by_row(rows: Sequence[tuple[object, ...]], count: int, kind: type[np.generic]) -> np.ndarray:
    """Turn things with `count` figures each into an array with one row a figure."""
    return np.ascontiguousarray(np.array(rows, dtype=kind).reshape(-1, count).T)


def _bounds(rules: Rules) -> tuple[float, ...]:
    """Give the figures of rules in order of the rows of `Flat.rule_m`."""
    clear = (rules.lateral_clear_m, rules.wall_clear_m, rules.gap_m)
    return (rules.overlap_m, rules.place_m, *clear, *(rules.shut or (math.nan, math.nan)))
