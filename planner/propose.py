"""The engineer's half of the way: coded rows in, one choice for each pipe out.

Read `propose` first. It is also run for a few pipes alone (`changed`), with what the whole
project says given beside.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Protocol

import pandas as pd

from planner.contracts import FINDINGS, FLAGS, LEFT_OVER
from planner.distinct import is_among
from planner.ground.ids import KnownIds, learn
from planner.inputs.inputs import Inputs
from planner.place_and_rule import place_and_rule
from planner.repairs.accept import accept_choices, wanted_methods
from planner.repairs.break_even import break_even
from planner.repairs.choose import choose
from planner.repairs.decide_spans import apply_span_decisions, decided_spans
from planner.repairs.jobs import jobs_of
from planner.repairs.options import price_options
from planner.repairs.passages import asked, passage_findings, unreached_findings
from planner.repairs.place import Placed
from planner.repairs.place_own import Own, own_places
from planner.repairs.place_told import not_kept, told_places, without
from planner.repairs.quantity_bands import (
    doubt_quantities,
    in_force,
    list_quantities,
    list_wanted,
    tally,
)
from planner.repairs.referred import refer_sleeves
from planner.repairs.wall import check_walls
from planner.rule_spans import (
    Ruled,
    Tables,
    Whole,
    book_of,
    joined,
    lost_rows,
    rule_spans,
    ruled_tables,
)
from planner.screening.rulebook import Rulebook
from planner.screening.screen import ScreenedSleeves
from planner.screening.spans import id_rows


@dataclass(frozen=True)
class Proposed:
    """The engineer's half as the planner's goes on from it.

    `tables` up to the choices, the ids `known` after it, earlier ids without an heir by kind,
    and the rulebook.
    """

    tables: Tables
    known: KnownIds
    lost_ids: tuple[pd.DataFrame, ...]
    book: Rulebook


class Engineer(Protocol):
    """Whoever goes the engineer's half of the way: `propose`, or a city's parts."""

    def __call__(
        self, inputs: Inputs, known: KnownIds, decisions: pd.DataFrame, *, assume_accepted: bool
    ) -> Proposed:
        """Go from coded rows to one choice for each pipe."""


@dataclass(frozen=True)
class Proposal(Proposed):
    """The engineer's half, and what it counted on the way.

    `wanted` is what could be ordered before placement, as `quantity_bands.list_wanted` has it;
    `chosen` obeys `CHOICES`: what was chosen before anybody was asked; `given` has the id and
    pipe_id of each sleeve that got one, those that a rule took out again as well.
    """

    wanted: pd.DataFrame
    chosen: pd.DataFrame
    given: pd.DataFrame


@dataclass(frozen=True)
class _Settled:
    """Verdicts with decisions, sleeves with rules and ways to them, prices, people's places."""

    verdicts: pd.DataFrame
    placed: Placed
    said: ScreenedSleeves
    passages: pd.DataFrame
    priced: Inputs
    wanted: pd.DataFrame
    quantities: pd.DataFrame
    own: Sequence[Own]
    decisions: pd.DataFrame
    undone: pd.DataFrame


def propose(  # noqa: PLR0913 - the keywords are a part's own
    inputs: Inputs,
    known: KnownIds,
    decisions: pd.DataFrame,
    *,
    assume_accepted: bool = False,
    book: Rulebook | None = None,
    whole: Whole | None = None,
    ruled: Ruled | None = None,
) -> Proposal:
    """Go from coded rows to one choice for each pipe; the engineer's half of the way.

    Parameters
    ----------
    inputs, known, decisions, assume_accepted
        As for `make_plan`.
    book
        Another rulebook than the project's own.
    whole
        Given where `inputs` are a part of a project; None = they are all of it.
    ruled
        What `rule_spans` gave for the same, where that is known already.

    Returns
    -------
    Proposal
        Tables up to the choices; a pipe with an undecided span is held.
    """
    book = book_of(inputs, book)
    ruled = ruled or rule_spans(inputs, known, decisions, book, whole)
    located, spanned, found = ruled.located, ruled.spanned, ruled.found
    no_limits = ruled.no_limits
    tables, due = ruled_tables(inputs, ruled), _still_due(decisions, ruled.spans)
    settled = _settled(tables, inputs, known, book, due, whole)
    placed, said, priced = settled.placed, settled.said, settled.priced
    passages = settled.passages
    unreachable = unreached_findings(tables, placed.left_over, placed.unreached)
    ways = [passage_findings(passages), unreachable]
    undone = joined([settled.undone, no_limits], FLAGS)
    decided = decided_spans(settled.decisions) - set(undone["key"])
    referred, open_ = said.referred, asked(passages)
    if len(open_):
        referred = pd.concat([referred, open_.assign(rules="")])
    told = told_places(settled.own, placed, referred)
    verdicts = settled.verdicts
    tables |= {
        "verdicts": refer_sleeves(verdicts, placed, referred, said.referred_pipes, decided),
        "findings": joined([ruled.screened.findings, said.findings, *ways], FINDINGS),
        "sleeves": placed.sleeves,
        "sleeve_spans": placed.sleeve_spans,
        "sleeve_laterals": placed.sleeve_laterals,
        "pipe_totals": placed.pipe_totals,
        "passages": passages,
    }
    tables |= check_walls(tables, inputs.settings.design, inputs.settings.origins)
    chosen = _chosen(tables, priced, decisions)
    tables |= chosen
    tables["choices"] = accept_choices(
        chosen["choices"], decisions, assume_accepted=assume_accepted, mended=mended(tables)
    )
    doubts = doubt_quantities(tables, inputs.prices, settled.quantities)
    tables["price_quantities"] = settled.quantities
    flags = [inputs.flags, located.flags, spanned.flags, found, undone, told, doubts]
    tables["flags"] = joined(flags, FLAGS)
    tables["left_over"] = joined(
        [lost_rows(inputs), located.left_over, spanned.left_over, placed.left_over], LEFT_OVER
    )
    # Spans are known again by where the survey has them, whatever was measured since.
    known = learn(known, "span", id_rows(spanned.spans), spanned.spans["span_id"])
    known = learn(known, "sleeve", placed.sleeves, placed.sleeves["sleeve_id"])
    lost = (spanned.lost_ids, placed.lost_ids)
    return Proposal(tables, known, lost, book, settled.wanted, chosen["choices"], placed.given)


def count_wanted(inputs: Inputs, decisions: pd.DataFrame, ruled: Ruled) -> pd.DataFrame:
    """List what a part of a project could order, as `quantity_bands.list_wanted` has it.

    No price is looked at but for its range.

    Parameters
    ----------
    inputs, decisions, ruled
        As for `propose`.
    """
    tables, due = ruled_tables(inputs, ruled), _still_due(decisions, ruled.spans)
    verdicts, _ = apply_span_decisions(tables["verdicts"], due, tables["spans"])
    return list_wanted({**tables, "verdicts": verdicts}, inputs.prices)


def _still_due(decisions: pd.DataFrame, spans: pd.DataFrame) -> pd.DataFrame:
    """Leave out decisions on spans that are mended since: they are carried out."""
    if decisions.empty:
        return decisions
    return decisions[~decisions["span_id"].isin(mended({"spans": spans})).to_numpy(dtype=bool)]


def mended(tables: Tables) -> list[str]:
    """Give the spans that a sleeve as built mends by now."""
    spans = tables["spans"]
    found: list[str] = spans["span_id"].array[is_among(spans["state"], ["mended"])].tolist()
    return found


def _settled(
    tables: Tables,
    inputs: Inputs,
    known: KnownIds,
    book: Rulebook,
    decisions: pd.DataFrame,
    whole: Whole | None,
) -> _Settled:
    """Apply what people decided on spans and place sleeves.

    A place that cannot be is not applied: its span is as the rules leave it, and all is
    placed anew without it.
    """
    kept, undone = decisions, list[pd.DataFrame]()
    while True:
        verdicts, flags = apply_span_decisions(tables["verdicts"], kept, tables["spans"])
        ruled = {**tables, "verdicts": verdicts}
        own = own_places(kept, flags["key"])
        wanted = list_wanted(ruled, inputs.prices)
        if whole:
            quantities, prices = whole.quantities, whole.prices
        else:
            quantities = list_quantities(inputs.prices, tally(wanted, inputs.prices))
            prices = in_force(inputs.prices, quantities)
        priced = replace(inputs, prices=prices)
        placed, said, passages = place_and_rule(ruled, priced, known, book, own)
        failed = not_kept(own, placed)
        if failed.empty:
            all_ = joined([*undone, flags], FLAGS)
            counted = (wanted, quantities)
            given = (placed, said, passages, priced)
            return _Settled(verdicts, *given, *counted, own, kept, all_)
        undone.append(failed)
        kept = without(kept, failed)


def _chosen(tables: Tables, priced: Inputs, decisions: pd.DataFrame) -> dict[str, pd.DataFrame]:
    """Price each way of each pipe and choose one."""
    sleeving = priced.settings.sleeving
    jobs = jobs_of(tables)
    ways = price_options(tables, priced.prices, sleeving, jobs)
    wanted, named = wanted_methods(decisions), not priced.prices.empty
    by = sleeving.choose_by
    chosen = choose(tables, ways.options, by, wanted, jobs, priced=named)
    return {
        "options": ways.options,
        "option_lines": ways.option_lines,
        "break_even": break_even(ways.options, ways.option_lines, sleeving),
        "choices": chosen.choices,
        "choice_sleeves": chosen.choice_sleeves,
    }
