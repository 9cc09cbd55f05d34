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
from planner.inputs.project import Inputs
from planner.place_and_rule import place_and_rule
from planner.repairs.accept import accept_choices, wanted_methods
from planner.repairs.break_even import break_even
from planner.repairs.choose import choose
from planner.repairs.decide_spans import apply_span_decisions, decided_spans, own_limits
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
from planner.screening.as_built import as_it_lies, days_of, measured_pipes
from planner.screening.axis import Listed
from planner.screening.grades import GradeTables, grade_all
from planner.screening.locate import Located, LocatedAnew, locate
from planner.screening.match import Matched
from planner.screening.own_limits import screen_with_own
from planner.screening.rulebook import Rulebook, load_rulebook
from planner.screening.screen import Screened, ScreenedSleeves
from planner.screening.spans import Spanned, id_rows, make_spans
from planner.tables import Table, conform, empty

Tables = dict[str, pd.DataFrame]
READ = ("nodes", "streets", "addresses", "observations", "systems", "system_sizes", "materials",
        "parts", "process", "pressure_steps", "order_of_work", "conditions", "packers", "prices",
        "stock", "lots", "crews", "shifts", "windows", "closed", "permits", "weather", "notices",
        "done", "events", "as_built", "measured", "stock_moves", "faults")  # fmt: skip


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
class Whole:
    """What the whole project says, where a part of its pipes alone is proposed.

    `listed` as `screening.axis.listed_of` gives it; `quantities` obeys `PRICE_QUANTITIES`, and
    `prices`, those in force by them, `PRICES`. `matched` says of the part's runs whose they are;
    None where its pipes alone decide that.
    """

    listed: Listed
    quantities: pd.DataFrame
    prices: pd.DataFrame
    matched: Matched | None = None


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


def book_of(inputs: Inputs, other: Rulebook | None = None) -> Rulebook:
    """Give the project's rulebook, or another, which reckons no age where there is no day."""
    day = inputs.settings.project.first_day
    book = other or load_rulebook(inputs.rules.book, inputs.rules.overrides, day=day)
    return book if day else book.undated()


@dataclass(frozen=True)
class Ruled:
    """Spans and what the book says of them, before people's decisions on single spans.

    `spans` are those of `spanned` with what the field measured and built; `found` says of
    that, and `no_limits` of limits of people's own that are not applied. All that `screened`
    says beside the verdicts waits for its reader.
    """

    located: Located
    spanned: Spanned
    spans: pd.DataFrame
    verdicts: pd.DataFrame
    grades: pd.DataFrame
    found: pd.DataFrame
    no_limits: pd.DataFrame
    screened: Screened


def rule_spans(
    inputs: Inputs,
    known: KnownIds,
    decisions: pd.DataFrame,
    book: Rulebook | None = None,
    whole: Whole | None = None,
) -> Ruled:
    """Put rows on pipes, join them to spans, and let the book speak.

    Parameters
    ----------
    inputs, known, decisions, book, whole
        As for `propose`; the quantities and prices of `whole` are passed over.
    """
    located = place_rows(inputs, whole)
    spanned = make_spans(
        located.pipes, located.inspections, located.defects, located.laterals,
        inputs.settings.survey, known, first_day=inputs.settings.project.first_day,
        coded=located.coded, seen=located.seen,
    )  # fmt: skip
    spans, found = _as_it_lies(inputs, located, spanned)
    screened, no_limits = screen_spans(inputs, decisions, located, spans, book)
    grades = grade_all(
        located.defects, located.inspections, located.pipes,
        GradeTables(**inputs.grade_tables), inputs.settings.grades, located.coded,
    )  # fmt: skip
    return Ruled(located, spanned, spans, screened.verdicts, grades, found, no_limits, screened)


def screen_spans(
    inputs: Inputs,
    decisions: pd.DataFrame,
    located: Located,
    spans: pd.DataFrame,
    book: Rulebook | None = None,
) -> tuple[Screened, pd.DataFrame]:
    """Let the book speak of spans; gives also `FLAGS` of limits that are not applied.

    Parameters
    ----------
    inputs, decisions, book
        As for `propose`.
    located, spans
        As in `Ruled`.
    """
    own, no_limits = own_limits(decisions, spans)
    screened, unknown = screen_with_own(
        spans, located.pipes, book_of(inputs, book), own, defects=located.defects
    )
    return screened, joined([no_limits, unknown], FLAGS)


def ruled_tables(inputs: Inputs, ruled: Ruled) -> Tables:
    """Give the tables that were read, and those up to what the book says of each span."""
    return {
        **placed_tables(inputs, ruled.located),
        "spans": ruled.spans,
        "span_rows": ruled.spanned.span_rows,
        "verdicts": ruled.verdicts,
        "grades": ruled.grades,
    }


def _as_it_lies(
    inputs: Inputs, located: Located, spanned: Spanned
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Put what the field measured and built onto the spans; see `screening.as_built`."""
    if inputs.measured.empty and inputs.as_built.empty:
        return spanned.spans, empty(FLAGS)
    days = days_of(spanned.spans, spanned.span_rows, located.defects)
    tables = {"pipes": located.pipes, "laterals": located.laterals}
    tables |= {"measured": inputs.measured, "as_built": inputs.as_built}
    return as_it_lies(spanned.spans, days, tables)


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


def place_rows(inputs: Inputs, whole: Whole | None = None) -> LocatedAnew:
    """Put the coded rows on the pipes' own axes; also what ``sleeveplan check`` shows."""
    located = locate(
        inputs.pipes,
        inputs.nodes,
        inputs.inspections,
        inputs.observations,
        inputs.laterals,
        inputs.settings.survey,
        inputs.settings.project.first_day,
        whole.listed if whole else None,
        whole.matched if whole else None,
    )
    if inputs.measured.empty:
        return located
    pipes, told = measured_pipes(located.pipes, inputs.measured)
    return replace(located, pipes=pipes, seen=None, flags=joined([located.flags, told], FLAGS))


def placed_tables(inputs: Inputs, located: Located) -> Tables:
    """Give the tables that were read, with rows placed, and flags and left rows so far."""
    return {
        **{name: getattr(inputs, name) for name in READ},
        "pipes": located.pipes,
        "inspections": located.inspections,
        "defects": located.defects,
        "laterals": located.laterals,
        "growth": located.growth,
        "flags": joined([inputs.flags, located.flags], FLAGS),
        "left_over": joined([lost_rows(inputs), located.left_over], LEFT_OVER),
    }


def joined(parts: Sequence[pd.DataFrame], table: Table) -> pd.DataFrame:
    """Put tables of one contract under each other; what two steps both say stands once."""
    filled = [part for part in parts if len(part)]
    if len(filled) < 2:
        return conform(filled[0] if filled else [], table)
    rows, part = pd.concat(filled, ignore_index=True), table[table.key[-1]]
    first, last = filled[0][part.name], rows[part.name].iloc[len(filled[0]) :]
    # Where a text of the key is told only once, the whole of it is.
    if part.kind not in ("text", "date") or last.duplicated().any() or is_among(first, last).any():
        rows = rows[~rows.duplicated(list(table.key))]
    return conform(rows, table)


def lost_rows(inputs: Inputs) -> pd.DataFrame:
    """Give the rows that reading refused as `LEFT_OVER`."""
    if inputs.faults.empty:
        return conform([], LEFT_OVER)
    lost = inputs.faults[inputs.faults["lost"].astype(bool)]
    rows = []
    for row in lost.itertuples(index=False):
        file, number, column = str(row.file), int(row.row), str(row.column)  # type: ignore[arg-type]
        where = f"{column}: " if column else ""
        rows.append(
            {
                "step": "inputs",
                "key": f"{file} row {number}" if number else file,
                "file": file,
                "row": number,
                "reason": f"{where}found {row.found or 'nothing'}; wanted {row.wanted}",  # type: ignore[str-bytes-safe]
            }
        )
    return conform(pd.DataFrame(rows, columns=LEFT_OVER.names).drop_duplicates(), LEFT_OVER)
