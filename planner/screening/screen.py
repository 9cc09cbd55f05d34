"""Hold the rulebook against spans and pipes, then against sleeves, totals and visits.

Closed by default: without rules nothing is served by a sleeve. Rules are run one by one
over all things at once; the table of answers is rules times things, never a loop over
rows. A city's spans are judged in numbers instead (`coded`), to the same bytes.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from planner.arrays import texts_of
from planner.contracts import DEFECTS, PIPE_TOTALS, PIPES, SLEEVES, SPANS, VERDICTS, VISITS
from planner.contracts.verdicts import URGENCY
from planner.distinct import is_among, unlike_in
from planner.held import Held
from planner.screening.coded import JudgedSpans, screen_coded
from planner.screening.columns import Texts, View, view_of
from planner.screening.findings import findings_of, rows_of, silent_rows
from planner.screening.flip_tables import Flips
from planner.screening.flips import flips_of, margins_in_words
from planner.screening.intervals import NO, UNKNOWN, YES
from planner.screening.judge import judge, mechanisms_in, never_sleeve, run_rules, spread_over
from planner.screening.margins import Asked, margins_of
from planner.screening.reasons import FAILED, FAILED_HERE, MENDED, NO_RULE, Judged, reasons_of
from planner.screening.rulebook import Rulebook
from planner.screening.ruling import Ruling
from planner.screening.spoken import bars, silence, verdicts_of
from planner.screening.verdict import (
    ASKED,
    CLOSED,
    OPEN,
    STATE_WORDS,
    Mechanisms,
    State,
    first_of,
    no_rule_names,
    no_rule_settles,
    urgency_of,
)
from planner.tables import Table, check, conform

# From so many spans on they are judged in numbers. The walks are compiled once on a machine
# (about 10 s) and read from disk after that by each process (about 0.4 s, as long as steps take
# for so many spans): the spans of all calls count together. A few at a time are done sooner in
# steps. Both say the same, to the byte.
CODED_FROM = 10_000
LEAST_CODED = 500
BARRED_COLUMNS = ("sleeve_id", "pipe_id", "from_m", "to_m", "rules", "why")


@dataclass(frozen=True)
class Screened:
    """What the rulebook says, put into words for whoever asks, and once.

    `verdicts` has one row for each span; `findings`, every row of `FINDINGS`, is many times as
    long, and a count of quantities never reads it.
    """

    say_verdicts: Callable[[], pd.DataFrame] = field(repr=False)
    say_findings: Callable[[], pd.DataFrame] = field(repr=False)

    @cached_property
    def verdicts(self) -> pd.DataFrame:
        """`VERDICTS`, one row for each span."""
        return self.say_verdicts()

    @cached_property
    def findings(self) -> pd.DataFrame:
        """`FINDINGS` of every rule that speaks."""
        return self.say_findings()


@dataclass(frozen=True)
class ScreenedSleeves:
    """What the rulebook says of placed sleeves.

    `barred` sleeves must be taken out and their pipe placed again; `referred` ones wait
    for a person (both: sleeve_id, pipe_id, from_m, to_m [m], rules, why). `referred_pipes`
    (pipe_id, rules, why) are too much sleeved altogether.
    """

    findings: pd.DataFrame
    barred: pd.DataFrame
    referred: pd.DataFrame
    referred_pipes: pd.DataFrame


def screen(
    spans: pd.DataFrame | Held,
    pipes: pd.DataFrame | Held,
    rulebook: Rulebook,
    *,
    defects: pd.DataFrame | Held | None = None,
) -> Screened:
    """Say of each span what it needs, how soon, which methods may serve it, and why.

    Parameters
    ----------
    spans
        Obeys `SPANS`: figures as intervals, blank = unknown.
    pipes
        Obeys `PIPES`; a span whose pipe is not there has an unknown pipe.
    rulebook
        Rules about spans and pipes are used.
    defects
        Obeys `DEFECTS`: earlier repairs, linings and changes of size are taken from it.
        None = none were placed.

    Returns
    -------
    screened
        Findings of every rule that speaks, and `VERDICTS`. Neither the order of rules
        nor that of rows changes a verdict. It speaks of the tables as they were given.

    Raises
    ------
    TableError
        If a table breaks its contract.
    """
    rows, on = _kept(spans, SPANS), _kept(pipes, PIPES)
    beside = None if defects is None else _kept(defects, DEFECTS)
    found = _Screening(rows, on, rulebook, beside, _pays(len(rows)))
    found.judge()
    return Screened(found.verdicts, found.findings)


def _kept(rows: pd.DataFrame | Held, table: Table) -> Held:
    """Hold rows as they are now.

    Words wait for their reader; what is written into a frame meanwhile is not for them.
    """
    if isinstance(rows, Held):
        return rows
    return Held.sound(pd.DataFrame(check(rows, table)), table)


@dataclass
class _Asked:
    """How many spans this process has been asked of so far."""

    spans: int = 0


_asked = _Asked()


def _pays(count: int) -> bool:
    """Tell whether reading the compiled walks pays for so many more spans."""
    if count < LEAST_CODED:
        return False
    _asked.spans += count
    return _asked.spans >= CODED_FROM


@dataclass(frozen=True)
class _Run:
    """The rules about spans and pipes, run in steps."""

    view: View
    pipe_view: View
    rulebook: Rulebook
    mechanisms: Mechanisms
    about_spans: list[Ruling]
    about_pipes: list[Ruling]

    @classmethod
    def of(
        cls,
        spans: pd.DataFrame,
        own: pd.DataFrame,
        rulebook: Rulebook,
        defects: pd.DataFrame | None,
    ) -> _Run:
        view = view_of("span", spans.reset_index(drop=True), own, defects)
        pipe_view = view_of("pipe", own, own, defects)
        mechanisms = mechanisms_in(view, rulebook)
        about_spans = run_rules(rulebook, view, mechanisms)
        about_pipes = run_rules(rulebook, pipe_view, None)
        return cls(view, pipe_view, rulebook, mechanisms, about_spans, about_pipes)

    def settled(self) -> tuple[Texts, Texts, pd.DataFrame]:
        """Give why a sleeve is barred, what no rule says, and `VERDICTS`."""
        spread = [*self.about_spans, *spread_over(self.about_pipes, self.pipe_view, self.view)]
        rulings = sorted(spread, key=lambda one: one.rule.id)
        barred = never_sleeve(self.view, self.mechanisms)
        judged = judge(self.mechanisms, rulings, barred != "")
        silent = _unsaid(judged, rulings)
        asked = Asked(self.view, self.rulebook, self.mechanisms, rulings, barred != "")
        verdicts = _verdicts(asked, judged, rulings, np.where(silent == "", barred, silent))
        return barred, silent, verdicts


@dataclass(frozen=True)
class _Screening:
    """Spans held against the book: in steps, or `in_numbers` where that can be."""

    rows: Held
    on: Held
    rulebook: Rulebook
    beside: Held | None
    in_numbers: bool

    @property
    def spans(self) -> pd.DataFrame:
        """The spans, for who words them."""
        return self.rows.frame

    @property
    def defects(self) -> pd.DataFrame | None:
        """What was placed, for who words it."""
        return None if self.beside is None else self.beside.frame

    @cached_property
    def own(self) -> pd.DataFrame:
        """The pipes that carry spans."""
        return _pipes_of(self.spans, self.on.frame)

    @cached_property
    def coded(self) -> JudgedSpans | None:
        """What was judged in numbers; None where all is judged in steps."""
        if not self.in_numbers:
            return None
        return screen_coded(self.rows, self.on, self.rulebook, self.beside)

    @cached_property
    def run(self) -> _Run:
        """All rules, run in steps."""
        return _Run.of(self.spans, self.own, self.rulebook, self.defects)

    @cached_property
    def settled(self) -> tuple[Texts, Texts, pd.DataFrame]:
        """What all rules come to, in steps."""
        return self.run.settled()

    @cached_property
    def flips(self) -> Flips | None:
        """By how little each verdict would be another; None where all is judged in steps."""
        return None if self.coded is None else flips_of(self.coded, self.rulebook)

    def judge(self) -> None:
        """Judge all spans, where that is done in numbers: words wait for their reader."""
        _ = self.flips

    def verdicts(self) -> pd.DataFrame:
        """Give `VERDICTS`."""
        if self.coded is None or self.flips is None:
            return self.settled[2]
        verdicts = verdicts_of(self.coded, margins_in_words(self.flips))
        marks = is_among(self.spans["state"], [FAILED])
        if marks.any():  # few, and for a person: in steps
            failed = self.spans[marks]
            *_, few = _Run.of(failed, self.own, self.rulebook, self.defects).settled()
            rest = verdicts[~verdicts["span_id"].isin(few["span_id"])]
            verdicts = conform(pd.concat([rest, few]), VERDICTS)
        return verdicts

    def findings(self) -> pd.DataFrame:
        """Give `FINDINGS`."""
        run = self.run
        if self.coded is None:
            barred, silent, _ = self.settled
        else:
            everywhere = np.arange(len(self.coded))
            barred, silent = bars(self.coded, everywhere), silence(self.coded, everywhere)
        keys = run.view.texts("span_id")
        parts = rows_of("span", keys, run.about_spans)
        parts += rows_of("pipe", run.pipe_view.texts("pipe_id"), run.about_pipes)
        parts += silent_rows("span", keys, "rules_out", "sleeve", barred)
        parts += silent_rows("span", keys, "refer", "", silent)
        return findings_of(parts)


def screen_sleeves(
    sleeves: pd.DataFrame,
    pipes: pd.DataFrame,
    pipe_totals: pd.DataFrame,
    rulebook: Rulebook,
    *,
    defects: pd.DataFrame | None = None,
) -> ScreenedSleeves:
    """Hold the rules about sleeves and totals against what was placed.

    Parameters
    ----------
    sleeves, pipe_totals
        Obey `SLEEVES` and `PIPE_TOTALS`.
    pipes, rulebook, defects
        As in `screen`.

    Raises
    ------
    TableError
        If a table breaks its contract.
    """
    check(sleeves, SLEEVES)
    check(pipe_totals, PIPE_TOTALS)
    check(pipes, PIPES)
    view = view_of("sleeve", sleeves.reset_index(drop=True), pipes, defects)
    totals = view_of("totals", pipe_totals.reset_index(drop=True), pipes, defects)
    about_sleeves, about_totals = run_rules(rulebook, view, None), run_rules(rulebook, totals, None)
    ruled_out = [one for one in about_sleeves if one.effect == "rules_out"]
    refer = [one for one in about_sleeves if one.effect == "refer"]
    barred = _named(view, [one.pick(one.answer == YES) for one in ruled_out])
    asked = [*refer, *(one.pick(one.answer == UNKNOWN) for one in ruled_out)]
    referred = _named(view, sorted(asked, key=lambda one: one.rule.id))
    if len(barred) and len(referred):
        again = referred["sleeve_id"].isin(set(barred["sleeve_id"])).to_numpy(dtype=bool)
        referred = referred[~again].reset_index(drop=True)
    parts = rows_of("sleeve", view.texts("sleeve_id"), about_sleeves)
    parts += rows_of("totals", totals.texts("pipe_id"), about_totals)
    too_much = [one for one in about_totals if one.effect == "refer"]
    return ScreenedSleeves(
        findings_of(parts),
        barred,
        referred,
        _named(totals, too_much),
    )


def screen_visits(
    visits: pd.DataFrame, setups: pd.DataFrame, pipes: pd.DataFrame, rulebook: Rulebook
) -> pd.DataFrame:
    """Hold the rules about visits against a week; gives `FINDINGS` about visits.

    Parameters
    ----------
    visits, setups, pipes
        Obey `VISITS`, `SETUPS`, `PIPES`; each visit is seen with its set-up and pipe.

    Raises
    ------
    TableError
        If `visits` breaks its contract.
    """
    check(visits, VISITS)
    more = setups.drop(columns="geometry", errors="ignore")
    view = view_of("visit", visits.merge(more, on="setup_id", how="left"), pipes, None)
    return findings_of(rows_of("visit", view.texts("visit_id"), run_rules(rulebook, view, None)))


def _pipes_of(spans: pd.DataFrame, pipes: pd.DataFrame) -> pd.DataFrame:
    """Give the pipes that carry spans; of one that is not there nothing is known."""
    wanted = unlike_in(spans["pipe_id"])
    plain = pd.DataFrame(pipes)
    among = is_among(plain["pipe_id"], wanted)
    own = plain if among.all() else plain.loc[among, PIPES.names].reset_index(drop=True)
    there = is_among(wanted, own["pipe_id"])
    missing = sorted(name for name, found in zip(wanted, there, strict=True) if not found)
    if not missing:
        return own
    blank = pd.DataFrame(conform([{"pipe_id": name} for name in missing], PIPES))[PIPES.names]
    return pd.concat([own[PIPES.names], blank], ignore_index=True) if len(own) else blank


def _unsaid(judged: Judged, rulings: Sequence[Ruling]) -> Texts:
    """Say of each span which of its mechanisms no rule names, settles the need of or refers."""
    mechanisms = judged.mechanisms
    unnamed = [name not in mechanisms.named for name in mechanisms.names]
    why = np.full(len(mechanisms.own), "", dtype=object)
    lacking = judged.needs.lacking & (judged.needs.words == "unknown")[:, None]
    for ruling in rulings:
        if ruling.effect in ("refer", "needs"):  # its own sentence says it better
            for column in mechanisms.columns(ruling.rule.mechanism):
                lacking[ruling.rows, column] = False
    for column, name in enumerate(mechanisms.names):
        rows = mechanisms.own[:, column] if unnamed[column] else lacking[:, column]
        word = no_rule_names(name) if unnamed[column] else no_rule_settles(name)
        why[rows] = np.where(why[rows] == "", word, why[rows] + "; " + word)
    return why


def _verdicts(
    asked: Asked, judged: Judged, rulings: Sequence[Ruling], fallback: Texts
) -> pd.DataFrame:
    view = asked.view
    mended = view.texts("state") == "mended"
    failed = view.texts("state") == FAILED
    urgency = np.asarray(URGENCY, dtype=object)[urgency_of(len(view), rulings)]
    needs = np.where(mended, "nothing", np.where(failed, "mend", judged.needs.words))
    verdict = np.where(mended, "none", np.where(failed, "refer", judged.verdict))
    judged = replace(judged, verdict=verdict, states=_under_failed(judged.states, failed))
    reasons = reasons_of(judged, rulings, np.where(fallback == "", NO_RULE, fallback))
    margins = margins_of(asked, judged.verdict, ~(mended | failed))
    table: dict[str, Any] = {
        "span_id": view.texts("span_id"),
        "pipe_id": view.texts("pipe_id"),
        "needs": needs,
        "urgency": np.where(needs == "nothing", "", urgency),
        **{method: STATE_WORDS[state.code] for method, state in judged.states.items()},
        "verdict": judged.verdict,
        "first": first_of(judged.verdict, rulings),
        "rules": reasons.rules,
        "assumed": reasons.assumed & ~mended,
        "close_call": margins.close,
        "flip_column": margins.column,
        "flip_at": margins.at,
        "flip_by": margins.by,
        "flip_unit": margins.unit,
        "flip_to": margins.to,
        "why": np.where(
            mended,
            MENDED,
            np.where(failed, FAILED_HERE, reasons.why),
        ),
    }
    return conform(table, VERDICTS)


def _under_failed(states: Mapping[str, State], failed: npt.NDArray[np.bool_]) -> dict[str, State]:
    """Close the sleeve where one failed, and ask for the liner: what lies there bars both."""
    found = dict(states)
    found["sleeve"] = replace(
        states["sleeve"], code=np.where(failed, CLOSED, states["sleeve"].code).astype(np.int8)
    )
    liner = states["liner"].code
    asked = np.where(failed & (liner == OPEN), ASKED, liner).astype(np.int8)
    found["liner"] = replace(states["liner"], code=asked)
    return found


def _named(view: View, rulings: Sequence[Ruling]) -> pd.DataFrame:
    """List the things that rulings speak of, each once, with all rules and the first reason."""
    key = "sleeve_id" if view.about == "sleeve" else "pipe_id"
    columns = [name for name in BARRED_COLUMNS if name in view.things.columns]
    rules: dict[int, list[str]] = {}
    whys: dict[int, str] = {}
    for one in rulings:
        if (one.answer != NO).any():
            for row, why in zip(one.rows.tolist(), one.why, strict=True):
                rules.setdefault(row, []).append(one.rule.id)
                whys.setdefault(row, why)
    rows = sorted(rules)
    at = np.array(rows, dtype=np.intp)
    told = {name: view.things[name].array.take(at) for name in columns}
    told["rules"] = texts_of(["+".join(rules[row]) for row in rows])
    told["why"] = texts_of([whys[row] for row in rows])
    said = pd.DataFrame(told)
    return said.sort_values(key, ignore_index=True) if rows else said
