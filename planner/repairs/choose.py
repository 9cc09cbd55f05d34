"""One choice for each pipe: the cheapest way that mends all of it, or why there is none.

Cheapest is by the sum, or by the cost a year of service life where the settings say so.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import compress, pairwise
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from planner.coded_text import Coded
from planner.contracts import CHOICE_SLEEVES, CHOICES, OPTIONS, VERDICTS
from planner.contracts.facts import Tables
from planner.contracts.repairs import NO_METHOD, NO_PRICE, NO_SYSTEM, WAY_WORDS, WAYS
from planner.contracts.verdicts import NEEDS, URGENCY
from planner.ground.money import money
from planner.repairs.decide_spans import digest_of
from planner.repairs.jobs import ORDER, Jobs, Marks, jobs_of
from planner.tables import check, conform, rows_in


class _Option(NamedTuple):
    """What choosing takes of a row of `OPTIONS`; `cents` [cents] is what it goes by, or None."""

    system: str
    possible: bool
    why: str
    cost_cents: Any
    cents: int | None


_Options = dict[str, _Option]
"""One pipe's options by method."""


@dataclass(frozen=True)
class Chosen:
    """Choices (`CHOICES`, proposed or held) and the sleeves they hold (`CHOICE_SLEEVES`)."""

    choices: pd.DataFrame
    choice_sleeves: pd.DataFrame


def choose(
    tables: Tables,
    options: pd.DataFrame,
    by: str = "cost",
    wanted: Mapping[str, str] | None = None,
    jobs: Jobs | None = None,
    *,
    priced: bool = True,
) -> Chosen:
    """Choose for each pipe with a span.

    Of the possible options the one of least cost is proposed. Where one of them has no
    cost they cannot be compared: then sleeves are, if they mend all of it, and the
    reason says so. A pipe with a span that only an engineer can decide is held whole,
    and so is one that no method mends. A pipe that needs no mending is watched,
    maintained or left alone.

    Where no system is stated nothing is chosen for a pipe on which a sleeve may lie, and
    without any price none of several ways: what is left over is not the better.

    Parameters
    ----------
    tables
        Of it: pipes, spans, verdicts, sleeves, sleeve_spans, sleeve_laterals, laterals,
        systems.
    options
        Obeys `OPTIONS`.
    by
        ``cost``, or ``annual``: the cost a year of service life.
    wanted
        ``{pipe_id: method}`` that a person names instead; one that is not possible is not
        taken.
    jobs
        What `jobs_of` gives of `tables`, where that is at hand.
    priced
        Whether the project states any price.

    Returns
    -------
    chosen
        One choice for each pipe with a span.

    Raises
    ------
    TableError
        If a table breaks its contract.
    """
    check(tables["verdicts"], VERDICTS), check(options, OPTIONS)
    jobs = jobs_of(tables) if jobs is None else jobs
    by_pipe: dict[str, _Options] = {pipe_id: {} for pipe_id in jobs}
    columns = ["method", "system", "possible", "why", "cost_cents", f"{by}_cents"]
    for pipe_id, (method, *row, cents) in zip(
        options["pipe_id"].tolist(), rows_in(options, columns), strict=True
    ):
        if pipe_id in by_pipe:
            by_pipe[pipe_id][method] = _Option._make((*row, None if cents is pd.NA else cents))
    told, asked = _Told(jobs), wanted or {}
    unstated = [""] * len(jobs)
    if tables["systems"].empty:
        unstated = _unstated(jobs, by_pipe, priced=priced)
    rows = [
        _choice(told, at, own, by, asked.get(pipe_id, ""), unstated[at])
        for at, (pipe_id, own) in enumerate(by_pipe.items())
    ]
    choices = {
        name: list(column) for name, column in zip(_CHOSEN, zip(*rows, strict=True), strict=False)
    }
    choices |= {"pipe_id": jobs.pipe_ids, "urgency": told.urgency}
    choices["assumed_accepted"] = [False] * len(jobs)
    return Chosen(conform(choices, CHOICES), _sleeves(jobs, choices.get("method", [])))


_CHOSEN = ("method", "system", "cost_cents", "state", "reason", "fingerprint")


def _sleeves(jobs: Jobs, methods: Sequence[str]) -> pd.DataFrame:
    """Give the sleeves that the choices hold."""
    ways = {method: at for at, method in enumerate(ORDER)}
    way = np.array([ways.get(method, -1) for method in methods], dtype=np.int64)
    of = jobs.sleeves.of
    held = np.flatnonzero((way[of] >= 0) & jobs.kept[np.arange(len(of)), way[of]])
    pairs = {
        "pipe_id": [jobs.pipe_ids[at] for at in of[held].tolist()],
        "sleeve_id": [jobs.sleeves.pieces[at].sleeve_id for at in held.tolist()],
    }
    return conform(pairs, CHOICE_SLEEVES)


def _unstated(jobs: Jobs, by_pipe: Mapping[str, _Options], *, priced: bool) -> list[str]:
    """Say without what nothing can be chosen in a project without systems, '' where it can."""
    asked = jobs.with_span(jobs.mend & jobs.spans.be("sleeve", "open"))[:, 0]
    possible = [sum(option.possible for option in own.values()) for own in by_pipe.values()]
    return [
        NO_METHOD + NO_SYSTEM if one else "" if priced or count < 2 else NO_METHOD + NO_PRICE
        for one, count in zip(asked.tolist(), possible, strict=True)
    ]


class _Told:
    """What choices and fingerprints name of the spans of each pipe, by the place of the pipe.

    `mend` are the spans to mend and `refer` those that an engineer must decide, `urgency` is
    the worst of all, `needs` what a pipe without a span to mend needs, `count` how many spans
    there are.
    """

    def __init__(self, jobs: Jobs) -> None:
        """Gather it."""
        said = jobs.spans.said
        self.jobs = jobs
        self.mend = self._named(jobs.mend)
        self.refer = self._named(jobs.spans.be("verdict", "refer"))
        self.count = np.diff(jobs.spans.at).tolist()
        self.urgency = self._most(said["urgency"], URGENCY)
        self.needs = self._most(said["needs"], [word for word in NEEDS if word != "unknown"])

    @cached_property
    def dug(self) -> list[list[list[str]]]:
        """Give by way the spans that are dug up."""
        return [self._named(self.jobs.dug[:, way : way + 1]) for way in range(len(ORDER))]

    @cached_property
    def kept(self) -> list[list[bool]]:
        """Give by way whether each sleeve is set."""
        kept: list[list[bool]] = self.jobs.kept.T.tolist()
        return kept

    @cached_property
    def sleeves_at(self) -> list[int]:
        """Give where the sleeves of each pipe begin, and where those of the last end."""
        bounds: list[int] = self.jobs.sleeves.at.tolist()
        return bounds

    @cached_property
    def cared(self) -> dict[str, list[list[str]]]:
        """Give by what spans need those that need it."""
        spans = self.jobs.spans
        return {word: self._named(spans.be("needs", word)) for word in spans.said["needs"].listed()}

    def _named(self, marks: Marks) -> list[list[str]]:
        """Give the names of the marked spans of each pipe."""
        spans = self.jobs.spans
        rows = np.flatnonzero(marks[:, 0])
        names = [spans.ids[row] for row in rows.tolist()]
        bounds = np.searchsorted(spans.of[rows], np.arange(len(self.jobs) + 1)).tolist()
        return [names[first:last] for first, last in pairwise(bounds)]

    def _most(self, said: Coded, order: Sequence[str]) -> list[str]:
        """Give of each pipe the word that comes last in `order`; of other words none counts."""
        rank = np.array([order.index(word) if word in order else 0 for word in said.listed()])
        most = np.zeros(len(self.jobs), dtype=np.int64)
        if len(said.codes):
            np.maximum.at(most, self.jobs.spans.of, rank[said.codes])
        return [order[at] for at in most.tolist()]


def _choice(
    told: _Told, at: int, options: _Options, by: str, wanted: str, unstated: str = ""
) -> tuple[object, ...]:
    """Give the columns `_CHOSEN` of one pipe."""
    mends = told.mend[at]
    method, reason = ("", unstated) if unstated else _method(told, at, options, by)
    there = wanted in options and options[wanted].possible
    if wanted and wanted != method and mends and there:
        method, reason = wanted, f"{wanted} named by a person; else {reason}"
    state = "proposed" if method else "held"
    undecided = told.refer[at]
    if undecided:
        state = "held"
        waits = f"{', '.join(undecided)}: an engineer must decide what is to be done there"
        reason = f"{waits}; for the rest: {reason}" if mends and method else waits
    method = method or "nothing"
    option = options.get(method)
    system, cents = (option.system, option.cost_cents) if option else ("", None)
    return method, system, cents, state, reason, _fingerprint(told, at, method)


def _method(told: _Told, at: int, options: _Options, by: str) -> tuple[str, str]:
    """Give the method and why; '' where no method mends the pipe."""
    if not told.mend[at]:
        return told.needs[at], f"{told.count[at]} spans, of which none needs mending"
    there = [name for name in WAYS if name in options]
    possible = [name for name in there if options[name].possible]
    if not possible:
        left = "; ".join(f"{WAY_WORDS[name]}: {options[name].why}" for name in there)
        return "", f"no method mends this pipe: {left}"
    costs = {name: options[name].cents for name in possible}
    uncosted = [name for name in possible if costs[name] is None]
    costed = {name: cents for name, cents in costs.items() if cents is not None}
    if uncosted and ("sleeve" in possible or not costed):
        lacking = ", ".join(WAY_WORDS[name] for name in uncosted)
        why = f"{lacking} not costed, so not the cheapest but the first that mends all"
        return possible[0], f"{WAY_WORDS[possible[0]]}: {why}"
    best = min(costed, key=lambda name: (costed[name], WAYS.index(name)))
    each = " a year" if by == "annual" else ""
    said = {name: f"{WAY_WORDS[name]} {money(cents)}{each}" for name, cents in costed.items()}
    others = [said[name] for name in costed if name != best]
    others += [f"{WAY_WORDS[name]} not costed" for name in uncosted]
    others += [f"{WAY_WORDS[name]} not possible" for name in there if name not in possible]
    return best, f"{said[best]} is least; {', '.join(others)}"


def _fingerprint(told: _Told, at: int, method: str) -> str:
    """Give what an acceptance of `method` on one pipe holds, and its digest.

    In it are the method; each sleeve's from, to [m], size and system; the spans that
    are dug up beside it; the spans that are mended, by id. Prices, rules, photos and
    whatever else lies on the pipe are not.
    """
    # A liner after digs was called a liner before it was a way of its own: what was
    # accepted then is the same thing.
    parts = ["liner" if method == "dig_liner" else method]
    if method in ORDER:
        way = ORDER.index(method)
        first, last = told.sleeves_at[at], told.sleeves_at[at + 1]
        if first < last:
            pieces = told.jobs.sleeves.pieces[first:last]
            parts += [
                f"{piece.from_m:.2f}-{piece.to_m:.2f} m DN {piece.dn_mm:g} {piece.system}"
                for piece in compress(pieces, told.kept[way][first:last])
            ]
        dug = told.dug[way][at]
        parts += [f"dig {'+'.join(sorted(dug))}"] if dug and method != "dig" else []
        parts.append("mends " + "+".join(sorted(told.mend[at])))
    else:
        cared = told.cared[method][at] if method in told.cared else []
        parts += [f"at {'+'.join(sorted(cared))}"] if cared else []
    return digest_of("; ".join(parts))
