"""The whole way in one function: a project folder in, a week of routes and its totals out.

Read `make_plan` first: each line is one step, and each step is one module. Its
first half, `propose`, is the engineer's: rows on pipes, spans, verdicts, sleeves,
choices. The second is the planner's and the estimator's.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from importlib.metadata import version

import pandas as pd

from planner.contracts import FINDINGS, FLAGS, LEFT_OVER
from planner.contracts.facts import RunFacts
from planner.crews.audit import audit_week
from planner.crews.legs import draw_legs
from planner.crews.setups import make_setups
from planner.crews.travel import travel
from planner.crews.week import plan_week
from planner.ground.ids import KnownIds, learn
from planner.inputs.project import Inputs
from planner.repairs.accept import accept_choices, find_orphans, wanted_methods
from planner.repairs.break_even import break_even
from planner.repairs.budget import plan_budget
from planner.repairs.choose import choose
from planner.repairs.cure import find_cures
from planner.repairs.decide_spans import apply_span_decisions, own_limits
from planner.repairs.flow import find_flows
from planner.repairs.options import price_options
from planner.repairs.passages import asked, find_passages, passage_findings, unreached
from planner.repairs.place import Placed, Supply, drop_barred, place_sleeves
from planner.repairs.quantity_bands import (
    doubt_quantities,
    in_force,
    list_quantities,
    list_wanted,
    tally,
)
from planner.repairs.referred import refer_sleeves
from planner.repairs.wall import check_walls
from planner.repairs.works import make_works
from planner.screening.axis import Listed
from planner.screening.grades import GradeTables, grade_all
from planner.screening.locate import Located, locate
from planner.screening.own_limits import screen_with_own
from planner.screening.rulebook import Rulebook, load_rulebook
from planner.screening.screen import ScreenedSleeves, screen_sleeves, screen_visits
from planner.screening.spans import Spanned, id_rows, make_spans
from planner.tables import Table, conform
from planner.takeoff.totals import take_off

Tables = dict[str, pd.DataFrame]
READ = ("nodes", "streets", "addresses", "observations", "systems", "system_sizes", "process",
        "pressure_steps", "conditions", "packers", "prices", "stock", "crews", "shifts", "done",
        "faults")  # fmt: skip


@dataclass(frozen=True)
class Proposal:
    """The engineer's half: tables up to the choices, and the ids known after it.

    `wanted` is what could be ordered before placement, as `quantity_bands.list_wanted` has it.
    """

    tables: Tables
    known: KnownIds
    lost_ids: tuple[pd.DataFrame, ...]
    book: Rulebook
    wanted: pd.DataFrame


@dataclass(frozen=True)
class Whole:
    """What the whole project says, where a part of its pipes alone is proposed.

    `listed` as `screening.axis.listed_of` gives it; `quantities` obeys `PRICE_QUANTITIES`.
    """

    listed: Listed
    quantities: pd.DataFrame


@dataclass(frozen=True)
class Plan:
    """One run: every table by its contract's name, the facts, what was read, ids known now."""

    tables: Tables
    facts: RunFacts
    inputs: Inputs
    known: KnownIds


def make_plan(
    inputs: Inputs, known: KnownIds, decisions: pd.DataFrame, *, assume_accepted: bool = False
) -> Plan:
    """Go the whole way from what was read to routes and totals; write nothing.

    Parameters
    ----------
    inputs : Inputs
        What `inputs.project.read_project` gave.
    known : KnownIds
        Ids given in earlier runs.
    decisions : DataFrame, contract `DECISIONS`
        What people decided, as the store holds it.
    assume_accepted : bool
        Take proposed choices as accepted; every output then says NOT ACCEPTED.

    Returns
    -------
    Plan
        All tables of the run, by contract name.
    """
    made = propose(inputs, known, decisions, assume_accepted=assume_accepted)
    t, settings = made.tables, inputs.settings
    week, first_day = settings.week, settings.project.first_day
    t["budget"], t["budget_bound"] = plan_budget(t, settings.budget)
    works = make_works(t, inputs.done, made.known, week, first_day=first_day)
    t |= {"works": works.works, "work_after": works.work_after}
    t["flows"] = find_flows(t, settings.flow, week.stated_wall_c)
    t["cures"] = find_cures(t, week.stated_wall_c)
    known = learn(made.known, "work", works.works, works.works["work_id"])
    setups = make_setups(t, known, week, settings.sleeving)
    t |= {"setups": setups.setups, "setup_works": setups.setup_works, "waiting": setups.waiting}
    known = learn(known, "setup", setups.members, setups.members["setup_id"])
    ways = travel(t["setups"], t["crews"], t["streets"], week, source_crs=inputs.source_crs)  # type: ignore[arg-type]
    days = plan_week(t, ways, week, first_day=first_day, seed=settings.project.seed)
    t |= {"visits": days.visits, "unserved": days.unserved}
    t["legs"] = draw_legs(days.visits, ways, inputs.local_crs)
    warned = screen_visits(t["visits"], t["setups"], t["pipes"], made.book)
    t["findings"] = _joined([t["findings"], warned], FINDINGS)
    t["audit"] = audit_week(t, ways, week)
    t["quantities"], t["quantity_sums"] = take_off(t, first_day=first_day)
    t["orphans"] = find_orphans(decisions, pd.concat(made.lost_ids), t["choices"])
    t["flags"] = _joined([t["flags"], works.flags], FLAGS)
    facts = replace(
        facts_of(inputs),
        not_accepted=bool(t["choices"]["assumed_accepted"].any()),
        by_air=ways.by_air,
        reproducible=days.reproducible and bool(t["budget_bound"]["reproducible"].all()),
    )
    return Plan(t, facts, inputs, known)


def facts_of(inputs: Inputs) -> RunFacts:
    """Give the facts of a run that its inputs alone settle."""
    project = inputs.settings.project
    return RunFacts(
        name=project.name,
        first_day=project.first_day,
        currency=project.currency,
        units=project.units,
        source_crs=inputs.source_crs,
        local_crs=inputs.local_crs,
        not_accepted=False,
        by_air=False,
        reproducible=True,
        version=version("sleeveplan"),
        invented=project.invented,
        media=inputs.media,
    )


def propose(
    inputs: Inputs,
    known: KnownIds,
    decisions: pd.DataFrame,
    *,
    assume_accepted: bool = False,
    book: Rulebook | None = None,
    whole: Whole | None = None,
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

    Returns
    -------
    Proposal
        Tables up to the choices; a pipe with an undecided span is held.
    """
    survey, first_day = inputs.settings.survey, inputs.settings.project.first_day
    book = book or load_rulebook(inputs.rules.book, inputs.rules.overrides, day=first_day)
    located = place_rows(inputs, whole.listed if whole else None)
    spanned = make_spans(
        located.pipes, located.inspections, located.defects, located.laterals, survey, known,
        first_day=first_day,
    )  # fmt: skip
    tables, findings, undone = _screened(inputs, located, spanned, book, decisions)
    wanted = list_wanted(tables, inputs.prices)
    quantities = list_quantities(inputs.prices, tally(wanted, inputs.prices))
    quantities = whole.quantities if whole else quantities
    priced = replace(inputs, prices=in_force(inputs.prices, quantities))
    placed, said = place_and_rule(tables, priced, known, book)
    passages = find_passages({**tables, "sleeves": placed.sleeves})
    decided = set(decisions["span_id"]) - set(undone["key"])
    referred = pd.concat([said.referred, asked(passages).assign(rules="")])
    verdicts = tables["verdicts"]
    tables |= {
        "verdicts": refer_sleeves(verdicts, placed, referred, said.referred_pipes, decided),
        "findings": _joined([findings, said.findings, passage_findings(passages)], FINDINGS),
        "sleeves": placed.sleeves,
        "sleeve_spans": placed.sleeve_spans,
        "sleeve_laterals": placed.sleeve_laterals,
        "pipe_totals": placed.pipe_totals,
        "passages": passages,
    }
    tables |= check_walls(tables, inputs.settings.design, inputs.settings.origins)
    tables |= _chosen(tables, priced, decisions, assume_accepted=assume_accepted)
    doubts = doubt_quantities(tables, inputs.prices, quantities)
    tables["price_quantities"] = quantities
    tables["flags"] = _joined([inputs.flags, located.flags, spanned.flags, undone, doubts], FLAGS)
    tables["left_over"] = _joined(
        [_lost_rows(inputs), located.left_over, spanned.left_over, placed.left_over], LEFT_OVER
    )
    known = learn(known, "span", id_rows(spanned.spans), spanned.spans["span_id"])
    known = learn(known, "sleeve", placed.sleeves, placed.sleeves["sleeve_id"])
    return Proposal(tables, known, (spanned.lost_ids, placed.lost_ids), book, wanted)


def _screened(
    inputs: Inputs, located: Located, spanned: Spanned, book: Rulebook, decisions: pd.DataFrame
) -> tuple[dict[str, pd.DataFrame], pd.DataFrame, pd.DataFrame]:
    """Say what the book and people say of each span: tables, findings, decisions not applied."""
    own, no_limits = own_limits(decisions, spanned.spans)
    screened, unknown = screen_with_own(
        spanned.spans, located.pipes, book, own, defects=located.defects
    )
    verdicts, undone = apply_span_decisions(screened.verdicts, decisions, spanned.spans)
    tables = {
        **placed_tables(inputs, located),
        "spans": spanned.spans,
        "span_rows": spanned.span_rows,
        "verdicts": verdicts,
        "grades": grade_all(
            located.defects,
            located.inspections,
            located.pipes,
            GradeTables(**inputs.grade_tables),
            inputs.settings.grades,
        ),
    }
    return tables, screened.findings, _joined([undone, no_limits, unknown], FLAGS)


def _chosen(
    tables: Tables, priced: Inputs, decisions: pd.DataFrame, *, assume_accepted: bool
) -> dict[str, pd.DataFrame]:
    """Price each way of each pipe, choose one, and say who accepted it."""
    sleeving = priced.settings.sleeving
    ways = price_options(tables, priced.prices, sleeving)
    chosen = choose(tables, ways.options, sleeving.choose_by, wanted_methods(decisions))
    return {
        "options": ways.options,
        "option_lines": ways.option_lines,
        "break_even": break_even(ways.options, ways.option_lines, sleeving),
        "choices": accept_choices(chosen.choices, decisions, assume_accepted=assume_accepted),
        "choice_sleeves": chosen.choice_sleeves,
    }


def place_rows(inputs: Inputs, listed: Listed | None = None) -> Located:
    """Put the coded rows on the pipes' own axes; also what ``sleeveplan check`` shows."""
    return locate(
        inputs.pipes,
        inputs.nodes,
        inputs.inspections,
        inputs.observations,
        inputs.laterals,
        inputs.settings.survey,
        inputs.settings.project.first_day,
        listed,
    )


def placed_tables(inputs: Inputs, located: Located) -> Tables:
    """Give the tables that were read, with rows placed, and flags and left rows so far."""
    return {
        **{name: getattr(inputs, name) for name in READ},
        "pipes": located.pipes,
        "inspections": located.inspections,
        "defects": located.defects,
        "laterals": located.laterals,
        "growth": located.growth,
        "flags": _joined([inputs.flags, located.flags], FLAGS),
        "left_over": _joined([_lost_rows(inputs), located.left_over], LEFT_OVER),
    }


def place_and_rule(
    tables: Tables, inputs: Inputs, known: KnownIds, book: Rulebook
) -> tuple[Placed, ScreenedSleeves]:
    """Place sleeves, let the sleeve rules speak, place once more without what they bar.

    Parameters
    ----------
    tables
        Of it: pipes, spans, verdicts, laterals, defects.
    inputs, known, book
        As for `propose`.

    Returns
    -------
    placed, said
        Sleeves that no rule bars, and all that the rules say of them.
    """
    supply = Supply(inputs.systems, inputs.system_sizes, inputs.packers, inputs.prices)
    sleeving, find_m = inputs.settings.sleeving, inputs.settings.survey.find_least_m
    placed = place_sleeves(tables, supply, sleeving, known, find_m=find_m)
    said = _said(placed, tables, book)
    if len(said.barred):
        placed = place_sleeves(tables, supply, sleeving, known, find_m=find_m, barred=said.barred)
        said = _said(placed, tables, book)
    if len(said.barred):
        placed = drop_barred(placed, said.barred)
        said = _said(placed, tables, book)
    lost = unreached(find_passages({**tables, "sleeves": placed.sleeves}))
    if len(lost):
        why = "no packer that carries {}, the sleeve over it, comes there from either manhole"
        placed = drop_barred(placed, lost, why=why)
        said = _said(placed, tables, book)
    return placed, said


def _said(placed: Placed, tables: Tables, book: Rulebook) -> ScreenedSleeves:
    return screen_sleeves(
        placed.sleeves, tables["pipes"], placed.pipe_totals, book, defects=tables["defects"]
    )


def _joined(parts: Sequence[pd.DataFrame], table: Table) -> pd.DataFrame:
    """Put tables of one contract under each other; what two steps both say stands once."""
    filled = [part.astype(object) for part in parts if len(part)]
    rows = pd.concat(filled) if filled else pd.DataFrame(columns=table.names)
    return conform(rows.drop_duplicates(list(table.key)), table)


def _lost_rows(inputs: Inputs) -> pd.DataFrame:
    """Give the rows that reading refused as `LEFT_OVER`."""
    lost = inputs.faults[inputs.faults["lost"].astype(bool)]
    rows = [
        {
            "step": "inputs",
            "key": f"{row.file} row {row.row}",
            "file": row.file,
            "row": row.row,
            "reason": f"{row.column}: found {row.found or 'nothing'}; wanted {row.wanted}",  # type: ignore[str-bytes-safe]
        }
        for row in lost.itertuples()
    ]
    return conform(pd.DataFrame(rows, columns=LEFT_OVER.names).drop_duplicates(), LEFT_OVER)
