"""Place sleeves: spans that need one in, exact least-cost sleeves out, pipe by pipe.

Nothing is joined beforehand because one sleeve might reach two spans: of all ways to
put stock lengths on a pipe the one that serves most spans, and of these the cheapest,
is found at once. `zones` turns metres into a problem of whole centimetres, the kernel
solves it, and its sleeves are held against the raw metres again.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from operator import itemgetter

import pandas as pd

from planner.contracts import LEFT_OVER, PIPE_TOTALS, SLEEVE_LATERALS, SLEEVE_SPANS, SLEEVES
from planner.contracts.facts import Tables
from planner.ground.ids import KnownIds, give_ids
from planner.repairs.catalogue import Supply, list_offers
from planner.repairs.ground_of import Left, gather
from planner.repairs.place_fit import Fit
from planner.repairs.place_flat import Boxes, FlatPipes, Pipe
from planner.repairs.place_flat_rows import rows_flat
from planner.repairs.place_own import NOT_ASKED, Own, in_metres, solve_own
from planner.repairs.place_rows import Rows, merged, rows_of
from planner.repairs.place_why import why_not
from planner.repairs.problem import Problem
from planner.repairs.zones import (
    Line,
    Offer,
    Rules,
    faults_of,
    rules_of,
    set_problem,
)
from planner.settings import Sleeving
from planner.tables import conform

__all__ = ["Placed", "Supply", "drop_barred", "place_sleeves"]


@dataclass(frozen=True)
class Placed:
    """Sleeves and what they serve and cover; spans that none serves; ids without an heir.

    `sleeves` obeys `SLEEVES`, `sleeve_spans` `SLEEVE_SPANS`, `sleeve_laterals`
    `SLEEVE_LATERALS`, `pipe_totals` `PIPE_TOTALS`, `left_over` `LEFT_OVER`. Of what people
    decided on places `refused` says by span why it cannot be, `told` what it lacks. `unreached`
    are spans left over because no packer comes there.
    `given` has the id and pipe_id of each sleeve, those that were dropped since as well.
    """

    sleeves: pd.DataFrame
    sleeve_spans: pd.DataFrame
    sleeve_laterals: pd.DataFrame
    pipe_totals: pd.DataFrame
    left_over: pd.DataFrame
    lost_ids: pd.DataFrame
    refused: Mapping[str, str] = field(default_factory=dict)
    told: Mapping[str, str] = field(default_factory=dict)
    unreached: frozenset[str] = frozenset()
    given: pd.DataFrame = field(default_factory=pd.DataFrame)


@dataclass
class _Outcome:
    """What was laid, and what was left; each with the number of its line, -1 before all."""

    fits: list[tuple[int, Fit]] = field(default_factory=list)
    flat: FlatPipes | None = None
    left: list[tuple[int, str, str]] = field(default_factory=list)
    refused: dict[str, str] = field(default_factory=dict)
    unreached: set[str] = field(default_factory=set)


def place_sleeves(  # noqa: PLR0913 - the keywords say what people and rules decided
    tables: Tables,
    supply: Supply,
    settings: Sleeving,
    known: KnownIds,
    *,
    find_m: float,
    barred: pd.DataFrame | None = None,
    own: Sequence[Own] = (),
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
    own
        Places and lengths that people decided on; the other sleeves find room beside them.

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
    offers = {dn: list_offers(supply, dn, settings) for dn in {line.dn_mm for line in lines}}
    nothing = list_offers(supply, float("nan"), settings)  # NaN is no key
    mine = _by_pipe(own)
    refused = _nowhere(own, {line.pipe_id for line in lines}, left)

    def all_lines(boxes: Mapping[str, Boxes]) -> _Outcome:
        outcome = _Outcome(left=[(-1, *one) for one in left], refused=dict(refused))
        flat = []
        for number, line in enumerate(lines):
            barred, here = boxes.get(line.pipe_id, {}), offers.get(line.dn_mm, nothing)
            pipe = Pipe(number, line, here, barred)
            if line.pipe_id in mine or here.may_lap:
                _place_on(pipe, settings, mine.get(line.pipe_id, []), outcome)
            else:
                flat.append(pipe)
        _place_flat(flat, settings, outcome)
        return outcome

    outcome = all_lines({})
    placed = _tables_of(outcome, known, find_m)
    if barred is None or not placed.sleeves["sleeve_id"].isin(barred["sleeve_id"]).any():
        return placed
    boxes = _boxes(outcome, placed, set(barred["sleeve_id"]))
    return _tables_of(all_lines(boxes), known, find_m)


def _by_pipe(own: Sequence[Own]) -> dict[str, list[Own]]:
    found: dict[str, list[Own]] = {}
    for one in own:
        found.setdefault(one.pipe_id, []).append(one)
    return found


def _nowhere(own: Sequence[Own], pipes: set[str], left: Left) -> dict[str, str]:
    """Say by span why a place that a person decided is on a pipe where none is placed."""
    why = dict(left)
    return {one.span_id: why.get(one.span_id, NOT_ASKED) for one in own if one.pipe_id not in pipes}


def _place_flat(pipes: list[Pipe], settings: Sleeving, outcome: _Outcome) -> None:
    """Do as `_place_on` with many pipes at once, where none may lap and no person placed one."""
    if not pipes:
        return
    flat = outcome.flat = FlatPipes(pipes, settings)
    for case in flat.wrong():  # says what is wrong
        line = pipes[case.pipe].line
        _fit(line, case.offer, case.rules, set_problem(line, case.offer, case.rules), [])
    left, unreached = flat.left()
    outcome.left = sorted([*outcome.left, *left], key=itemgetter(0))
    outcome.unreached |= unreached


def _place_on(pipe: Pipe, settings: Sleeving, own: Sequence[Own], outcome: _Outcome) -> None:
    """Try each system on one pipe, keep the best, and say why spans are left."""
    line, offers, fits = pipe.line, pipe.offers, []
    for offer in offers.offers:
        barred = pipe.boxes.get(offer.system, ())
        # Sliding a run by a centimetre would dodge a rule: a barred sleeve ends all laps.
        rules = rules_of(line, offer, settings, barred, laps=not barred)
        problem = set_problem(line, offer, rules)
        fits.append(_fit(line, offer, rules, problem, own))
    best = min(fits, key=lambda fit: fit.rank, default=None)
    if best is not None and best.sleeves:
        outcome.fits.append((pipe.number, best))
        served = {spot.span_id for sleeve in best.sleeves for spot in best.served(sleeve)}
        tried = [best]
    else:
        served, tried = set(), fits
    for one in own:
        if best is None or one.span_id in best.refused:
            whys = dict.fromkeys(
                fit.refused[one.span_id] for fit in tried if one.span_id in fit.refused
            )
            outcome.refused[one.span_id] = "; ".join([*whys, *([] if whys else offers.reasons)])
    for spot in line.wanted:
        if spot.span_id not in served:
            bounds = [why_not(line, fit.offer, fit.rules, spot) for fit in tried]
            if any(bound.unreached for bound in bounds):
                outcome.unreached.add(spot.span_id)
            reasons = [bound.text for bound in bounds]
            reasons += [] if served else offers.reasons
            outcome.left.append((pipe.number, spot.span_id, "; ".join(reasons)))


def _fit(line: Line, offer: Offer, rules: Rules, problem: Problem, own: Sequence[Own]) -> Fit:
    """Solve one pipe and bring its sleeves back to metres."""
    solution, fixed = solve_own(line, offer, rules, problem, own)
    places = list(zip(solution.starts, solution.ends, strict=True))
    sleeves = [in_metres(line, problem.length, *place) for place in places]
    # A place of a person's own was looked at as such: it may lack what is asked.
    own_sleeves = [one.sleeve for one in fixed.laid]
    faults = faults_of(line, rules, sleeves, problem.length, own_sleeves)
    fit = Fit(line, offer, rules, solution, tuple(sleeves), fixed.laid, fixed.refused)
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
    fits = [fit for _, fit in outcome.fits]
    for fit in fits + (outcome.flat.fits(set(table["pipe_id"])) if outcome.flat else []):
        for sleeve in fit.sleeves:
            if (fit.line.pipe_id, *sleeve) not in out:
                continue
            served, taps = fit.run_served(sleeve), fit.covered(sleeve)
            starts = [s.from_m - fit.rules.reach_m(s) for s in served] + [t.x_m for t in taps]
            ends = [s.to_m + fit.rules.reach_m(s) for s in served] + [t.x_m for t in taps]
            # At a manhole a sleeve holds what its wall clips off.
            box = (max(min(starts), sleeve[0]), min(max(ends), sleeve[1]))
            by_system = found.setdefault(fit.line.pipe_id, {})
            by_system.setdefault(fit.offer.system, []).append(box)
    return found


def _tables_of(outcome: _Outcome, known: KnownIds, find_m: float) -> Placed:
    rows = rows_of(outcome.fits)
    if outcome.flat:
        rows = merged(rows, rows_flat(outcome.flat))
    frame = pd.DataFrame({name: rows.columns[name] for name in ("pipe_id", "from_m", "to_m")})
    ids, lost = give_ids(frame, known, "sleeve", find_m)
    told = (one.told for _, fit in outcome.fits for one in fit.own)
    return Placed(
        conform({"sleeve_id": ids, **rows.columns}, SLEEVES),
        conform(_links(ids, rows.spans, "span_id"), SLEEVE_SPANS),
        conform(_links(ids, rows.laterals, "lateral_id"), SLEEVE_LATERALS),
        conform(_totals(rows), PIPE_TOTALS),
        _left_over([(key, why) for _, key, why in outcome.left]),
        lost,
        outcome.refused,
        {span: what for one in told for span, what in one.items()},
        frozenset(outcome.unreached),
        pd.DataFrame({"id": ids, "pipe_id": frame["pipe_id"]}),
    )


def _totals(rows: Rows) -> dict[str, list[object]]:
    names = ("pipe_id", "sleeves_count", "sleeved_ratio")
    return {name: [one[at] for one in rows.totals] for at, name in enumerate(names, 1)}


def _left_over(left: Left) -> pd.DataFrame:
    keys, whys = [key for key, _ in left], [why for _, why in left]
    return conform({"step": ["place"] * len(left), "key": keys, "reason": whys}, LEFT_OVER)


def _links(ids: pd.Series, groups: Sequence[list[str]], column: str) -> dict[str, list[str]]:
    pairs = list(zip(ids, groups, strict=True))
    sleeves = [sleeve_id for sleeve_id, group in pairs for _ in group]
    return {"sleeve_id": sleeves, column: [one for _, group in pairs for one in group]}


def drop_barred(
    placed: Placed,
    barred: pd.DataFrame,
    *,
    why: str = "a rule rules out {}, the sleeve over it",
    unreached: bool = False,
) -> Placed:
    """Take out sleeves that a rule rules out even after they were placed again.

    With a sleeve go those that lap it: alone they would end on unsound pipe.

    Parameters
    ----------
    placed
        What the second call of `place_sleeves` gave.
    barred
        sleeve_id of the sleeves to take out.
    why
        The reason, with ``{}`` for the sleeve.
    unreached
        Whether it is that no packer comes there.

    Returns
    -------
    placed
        Without them; their spans are left over.
    """
    out = _with_laps(placed.sleeves, set(barred["sleeve_id"]))
    keep = placed.sleeves[~placed.sleeves["sleeve_id"].isin(out)]
    pairs = placed.sleeve_spans
    lost = pairs[pairs["sleeve_id"].isin(out)]
    left = list(zip(placed.left_over["key"], placed.left_over["reason"], strict=True))
    left += [
        (span, why.format(sleeve))
        for sleeve, span in lost.drop_duplicates("span_id")[["sleeve_id", "span_id"]].values
    ]
    counts = keep["pipe_id"].value_counts()
    length, all_length = _sleeved(keep), _sleeved(placed.sleeves)
    totals = placed.pipe_totals[placed.pipe_totals["pipe_id"].isin(counts.index)]
    ids = totals["pipe_id"]
    totals = totals.assign(
        sleeves_count=ids.map(counts),
        sleeved_ratio=totals["sleeved_ratio"] * ids.map(length / all_length).astype(float),
    )
    laterals = placed.sleeve_laterals
    return replace(
        placed,
        sleeves=conform(keep, SLEEVES),
        sleeve_spans=conform(pairs[~pairs["sleeve_id"].isin(out)], SLEEVE_SPANS),
        sleeve_laterals=conform(laterals[~laterals["sleeve_id"].isin(out)], SLEEVE_LATERALS),
        pipe_totals=conform(totals, PIPE_TOTALS),
        left_over=_left_over(left),
        unreached=placed.unreached | set(lost["span_id"] if unreached else ()),
    )


def _sleeved(sleeves: pd.DataFrame) -> pd.Series:
    """Give by pipe how many metres are sleeved, what lies under two sleeves once [m]."""
    length = sleeves["to_m"] - sleeves["from_m"] - sleeves["lap_us_m"].fillna(0.0)
    return length.groupby(sleeves["pipe_id"]).sum()


def _with_laps(sleeves: pd.DataFrame, out: set[str]) -> set[str]:
    """Add the sleeves of the runs of which those of `out` are part."""
    alone = sleeves["lap_us_m"].isna()  # sorted by pipe and from_m: a run starts here
    run = alone.cumsum()
    return set(sleeves.loc[run.isin(run[sleeves["sleeve_id"].isin(out)]), "sleeve_id"])
