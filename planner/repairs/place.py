"""Place sleeves: spans that need one in, exact least-cost sleeves out, pipe by pipe.

Nothing is joined beforehand because one sleeve might reach two spans: of all ways to
put stock lengths on a pipe the one that serves most spans, and of these the cheapest,
is found at once. `zones` turns metres into a problem of whole centimetres, the kernel
solves it, and its sleeves are held against the raw metres again.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import pandas as pd

from planner.contracts import LEFT_OVER, PIPE_TOTALS, SLEEVE_LATERALS, SLEEVE_SPANS, SLEEVES
from planner.contracts.facts import Tables
from planner.ground.ids import KnownIds, give_ids
from planner.repairs.catalogue import Offers, Supply, list_offers
from planner.repairs.ground_of import Left, gather
from planner.repairs.place_kernel import place_sleeves_on
from planner.repairs.place_why import why_not
from planner.repairs.problem import Problem, Solution
from planner.repairs.zones import (
    Line,
    Offer,
    Rules,
    Spot,
    Tap,
    faults_of,
    rules_of,
    serves,
    set_problem,
)
from planner.settings import Sleeving
from planner.tables import conform

__all__ = ["Placed", "Supply", "drop_barred", "place_sleeves"]

Boxes = Mapping[str, list[tuple[float, float]]]
"""By system: stretches of one pipe that no sleeve may take in whole [m]."""


@dataclass(frozen=True)
class Placed:
    """Sleeves and what they serve and cover; spans that none serves; ids without an heir.

    `sleeves` obeys `SLEEVES`, `sleeve_spans` `SLEEVE_SPANS`, `sleeve_laterals`
    `SLEEVE_LATERALS`, `pipe_totals` `PIPE_TOTALS`, `left_over` `LEFT_OVER`.
    """

    sleeves: pd.DataFrame
    sleeve_spans: pd.DataFrame
    sleeve_laterals: pd.DataFrame
    pipe_totals: pd.DataFrame
    left_over: pd.DataFrame
    lost_ids: pd.DataFrame


@dataclass(frozen=True)
class _Fit:
    """One pipe with the sleeves of one system on it, from_m and to_m [m]."""

    line: Line
    offer: Offer
    rules: Rules
    solution: Solution
    sleeves: tuple[tuple[float, float], ...]

    def served(self, sleeve: tuple[float, float]) -> tuple[Spot, ...]:
        return tuple(s for s in self.line.wanted if serves(self.line, self.rules, s, sleeve))

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
        return self.offer.priced and (self.offer.reopen_priced or not self.covered(sleeve))

    @property
    def rank(self) -> tuple[object, ...]:
        """Give what decides between systems: spans served, prices known, cost, then name."""
        unpriced = not all(self.costed(sleeve) for sleeve in self.sleeves)
        first, *rest = self.solution.rank
        return (first, unpriced, *rest, self.offer.system)


@dataclass
class _Outcome:
    fits: list[_Fit] = field(default_factory=list)
    left: Left = field(default_factory=list)


def place_sleeves(
    tables: Tables,
    supply: Supply,
    settings: Sleeving,
    known: KnownIds,
    *,
    find_m: float,
    barred: pd.DataFrame | None = None,
) -> Placed:
    """Place the cheapest sleeves that serve most spans on each pipe.

    Parameters
    ----------
    tables
        Of it: pipes, spans, verdicts (decisions taken in), laterals; and defects, for
        earlier repairs, where it is there.
    supply
        Systems, sizes, packers, prices.
    settings
        Overlap, doubt, clear distances.
    known
        Ids given in earlier runs.
    find_m
        Doubt by which a sleeve is known again [m].
    barred
        sleeve_id of sleeves of an earlier call, on the same tables, that a rule ruled
        out. Their pipes are placed again, and no sleeve of that system there takes in
        all the spans and laterals that a barred one took in.

    Returns
    -------
    placed
        Each wanted span is in `sleeve_spans` or in `left_over`.

    Raises
    ------
    TableError
        If a table breaks its contract.
    AssertionError
        If a sleeve fails the raw metres; that would be a fault of this program.
    """
    supply = supply.checked()
    lines, left = gather(tables, settings)
    offers = {dn: list_offers(supply, dn) for dn in {line.dn_mm for line in lines}}
    outcome = _Outcome(left=list(left))
    for line in lines:
        _place_on(line, _offers_of(offers, supply, line), settings, {}, outcome)
    placed = _tables_of(outcome, known, find_m)
    if barred is None or not placed.sleeves["sleeve_id"].isin(barred["sleeve_id"]).any():
        return placed
    boxes = _boxes(outcome, placed, set(barred["sleeve_id"]))
    again = _Outcome(left=list(left))
    for line in lines:
        on_pipe = boxes.get(line.pipe_id, {})
        _place_on(line, _offers_of(offers, supply, line), settings, on_pipe, again)
    return _tables_of(again, known, find_m)


def _offers_of(offers: dict[float, Offers], supply: Supply, line: Line) -> Offers:
    return offers.get(line.dn_mm) or list_offers(supply, line.dn_mm)  # NaN is no key


def _place_on(
    line: Line, offers: Offers, settings: Sleeving, boxes: Boxes, outcome: _Outcome
) -> None:
    """Try each system on one pipe, keep the best, and say why spans are left."""
    fits = []
    for offer in offers.offers:
        rules = rules_of(offer, settings, boxes.get(offer.system, ()))
        problem = set_problem(line, offer, rules)
        fits.append(_fit(line, offer, rules, problem, place_sleeves_on(problem)))
    best = min(fits, key=lambda fit: fit.rank, default=None)
    if best is not None and best.sleeves:
        outcome.fits.append(best)
        served = {spot.span_id for sleeve in best.sleeves for spot in best.served(sleeve)}
        tried = [best]
    else:
        served, tried = set(), fits
    for spot in line.wanted:
        if spot.span_id not in served:
            reasons = [why_not(line, fit.offer, fit.rules, spot) for fit in tried]
            reasons += [] if served else offers.reasons
            outcome.left.append((spot.span_id, "; ".join(reasons)))


def _fit(line: Line, offer: Offer, rules: Rules, problem: Problem, solution: Solution) -> _Fit:
    """Bring a solution back to metres; a sleeve at the far manhole ends at its wall itself."""
    sleeves = []
    for start, end in zip(solution.starts, solution.ends, strict=True):
        size = (end - start) / 100.0
        if end < problem.length:
            sleeves.append((start / 100.0, end / 100.0))
        elif start == 0:
            sleeves.append((0.0, line.length_m))
        else:
            sleeves.append((line.length_m - size, line.length_m))
    faults = faults_of(line, rules, sleeves, problem.length)
    fit = _Fit(line, offer, rules, solution, tuple(sleeves))
    served = {spot.span_id for sleeve in sleeves for spot in fit.served(sleeve)}
    if len(served) < solution.served:
        faults.append(f"{line.pipe_id}: {solution.served} spans on the grid, {len(served)} in m")
    if faults:
        raise AssertionError("; ".join(faults))
    return fit


def _boxes(
    outcome: _Outcome, placed: Placed, barred: set[str]
) -> dict[str, dict[str, list[tuple[float, float]]]]:
    """Give by pipe and system what no sleeve may take in whole any more [m]."""
    table = placed.sleeves[placed.sleeves["sleeve_id"].isin(barred)]
    out = set(zip(table["pipe_id"], table["from_m"], table["to_m"], strict=True))
    found: dict[str, dict[str, list[tuple[float, float]]]] = {}
    for fit in outcome.fits:
        for sleeve in fit.sleeves:
            if (fit.line.pipe_id, *sleeve) not in out:
                continue
            served, taps = fit.served(sleeve), fit.covered(sleeve)
            starts = [s.from_m - fit.rules.reach_m(s) for s in served] + [t.x_m for t in taps]
            ends = [s.to_m + fit.rules.reach_m(s) for s in served] + [t.x_m for t in taps]
            # At a manhole a sleeve holds what its wall clips off.
            box = (max(min(starts), sleeve[0]), min(max(ends), sleeve[1]))
            by_system = found.setdefault(fit.line.pipe_id, {})
            by_system.setdefault(fit.offer.system, []).append(box)
    return found


def _tables_of(outcome: _Outcome, known: KnownIds, find_m: float) -> Placed:
    rows, served, covered = [], [], []
    for fit in outcome.fits:
        for sleeve in fit.sleeves:
            rows.append(_row(fit, sleeve))
            served.append([spot.span_id for spot in fit.served(sleeve)])
            covered.append([tap.lateral_id for tap in fit.covered(sleeve)])
    frame = pd.DataFrame(rows, columns=[c for c in SLEEVES.names if c != "sleeve_id"])
    ids, lost = give_ids(frame, known, "sleeve", find_m)
    sleeves = conform(frame.assign(sleeve_id=ids), SLEEVES)
    return Placed(
        sleeves,
        conform(_links(ids, served, "span_id"), SLEEVE_SPANS),
        conform(_links(ids, covered, "lateral_id"), SLEEVE_LATERALS),
        _totals(outcome.fits),
        _left_over(outcome.left),
        lost,
    )


def _left_over(left: Left) -> pd.DataFrame:
    return conform([{"step": "place", "key": key, "reason": why} for key, why in left], LEFT_OVER)


def _links(ids: pd.Series, groups: list[list[str]], column: str) -> list[dict[str, str]]:
    return [
        {"sleeve_id": sleeve_id, column: one}
        for sleeve_id, group in zip(ids, groups, strict=True)
        for one in group
    ]


def _totals(fits: list[_Fit]) -> pd.DataFrame:
    rows = [
        {
            "pipe_id": fit.line.pipe_id,
            "sleeves_count": len(fit.sleeves),
            "sleeved_ratio": sum(b - a for a, b in fit.sleeves) / fit.line.length_m,
        }
        for fit in fits
    ]
    return conform(rows, PIPE_TOTALS)


def _row(fit: _Fit, sleeve: tuple[float, float]) -> dict[str, object]:
    """Fill in one row of `SLEEVES`, all but its id."""
    line, offer = fit.line, fit.offer
    start, end = sleeve
    served, covered = fit.served(sleeve), fit.covered(sleeve)
    at_us, at_ds = start == 0.0, end == line.length_m
    counter = served[0].counter_node
    return {
        "pipe_id": line.pipe_id,
        "from_m": start,
        "to_m": end,
        "length_m": round(end - start, 3),
        "allowance_m": _allowance(fit, served),
        "overlap_us_m": max(0.0, min(s.from_m - fit.rules.doubt_m(s) for s in served) - start),
        "overlap_ds_m": max(0.0, end - max(s.to_m + fit.rules.doubt_m(s) for s in served)),
        "end": {(True, True): "both", (True, False): "us_manhole", (False, True): "ds_manhole"}.get(
            (at_us, at_ds), "pipe"
        ),
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
    }


def _cost(fit: _Fit, sleeve: tuple[float, float]) -> int | None:
    if not fit.costed(sleeve):
        return None
    size = round((sleeve[1] - sleeve[0]) * 1000)
    price = {
        round(length * 1000): cost
        for length, cost in zip(fit.offer.lengths_m, fit.offer.costs, strict=True)
    }
    return price[size] + len(fit.covered(sleeve)) * fit.offer.reopen


def _allowance(fit: _Fit, served: tuple[Spot, ...]) -> float:
    """Give the length asked for place doubt and assumed extents [m]: a look could save it."""
    overlap, pipe = fit.rules.overlap_m, fit.line.length_m
    asked = min(pipe, max(s.to_m + fit.rules.reach_m(s) for s in served))
    asked -= max(0.0, min(s.from_m - fit.rules.reach_m(s) for s in served))
    bare = min(pipe, max(s.bare_to_m + overlap for s in served))
    bare -= max(0.0, min(s.bare_from_m - overlap for s in served))
    return round(max(0.0, asked - bare), 6)


def _lateral_edge(line: Line, sleeve: tuple[float, float]) -> float | None:
    start, end = sleeve
    edges = [start - tap.x_m - tap.half_m for tap in line.taps if tap.x_m <= start]
    edges += [tap.x_m - tap.half_m - end for tap in line.taps if tap.x_m >= end]
    return max(0.0, min(edges)) if edges else None


def drop_barred(placed: Placed, barred: pd.DataFrame) -> Placed:
    """Take out sleeves that a rule rules out even after they were placed again.

    Parameters
    ----------
    placed
        What the second call of `place_sleeves` gave.
    barred
        sleeve_id of the sleeves to take out.

    Returns
    -------
    placed
        Without them; their spans are left over.
    """
    out = set(barred["sleeve_id"])
    keep = placed.sleeves[~placed.sleeves["sleeve_id"].isin(out)]
    pairs = placed.sleeve_spans
    lost = pairs[pairs["sleeve_id"].isin(out)]
    left = list(zip(placed.left_over["key"], placed.left_over["reason"], strict=True))
    left += [
        (span, f"a rule rules out {sleeve}, the sleeve over it")
        for sleeve, span in zip(lost["sleeve_id"], lost["span_id"], strict=True)
    ]
    counts = keep["pipe_id"].value_counts()
    length = (keep["to_m"] - keep["from_m"]).groupby(keep["pipe_id"]).sum()
    before = placed.sleeves
    all_length = (before["to_m"] - before["from_m"]).groupby(before["pipe_id"]).sum()
    totals = placed.pipe_totals[placed.pipe_totals["pipe_id"].isin(counts.index)]
    ids = totals["pipe_id"]
    totals = totals.assign(
        sleeves_count=ids.map(counts),
        sleeved_ratio=totals["sleeved_ratio"] * ids.map(length / all_length),
    )
    laterals = placed.sleeve_laterals
    return replace(
        placed,
        sleeves=conform(keep, SLEEVES),
        sleeve_spans=conform(pairs[~pairs["sleeve_id"].isin(out)], SLEEVE_SPANS),
        sleeve_laterals=conform(laterals[~laterals["sleeve_id"].isin(out)], SLEEVE_LATERALS),
        pipe_totals=conform(totals, PIPE_TOTALS),
        left_over=_left_over(left),
    )
