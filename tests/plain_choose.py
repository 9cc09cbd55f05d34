"""The choice of each pipe from its own `Job`, one after the other: the readable reference."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, NamedTuple

import pandas as pd

from planner.contracts import CHOICE_SLEEVES, CHOICES
from planner.contracts.repairs import NO_METHOD, NO_PRICE, NO_SYSTEM, WAY_WORDS, WAYS
from planner.contracts.verdicts import NEEDS
from planner.ground.money import money
from planner.repairs.chain import Job, worst
from planner.repairs.decide_spans import digest_of
from planner.repairs.jobs import jobs_of
from planner.tables import conform, rows_in


class Option(NamedTuple):
    """What choosing takes of a row of `OPTIONS`; `cents` [cents] is what it goes by, or None."""

    system: str
    possible: bool
    why: str
    cost_cents: Any
    cents: int | None


Options = dict[str, Option]


def plain_choose(
    tables: dict[str, pd.DataFrame],
    options: pd.DataFrame,
    by: str,
    wanted: Mapping[str, str],
    *,
    priced: bool,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Give choices and the sleeves they hold, as `choose.choose` does."""
    by_pipe: dict[str, Options] = {}
    columns = ["pipe_id", "method", "system", "possible", "why", "cost_cents", f"{by}_cents"]
    for pipe_id, method, *row, cents in rows_in(options, columns):
        option = Option._make((*row, None if pd.isna(cents) else int(cents)))
        by_pipe.setdefault(pipe_id, {})[method] = option
    jobs = jobs_of(tables)
    rows = []
    for job in jobs.values():
        own = by_pipe.get(job.pipe_id, {})
        unstated = "" if len(tables["systems"]) else _unstated(job, own, priced=priced)
        rows.append(_choice(job, own, by, wanted.get(job.pipe_id, ""), unstated))
    pairs = [
        {"pipe_id": row["pipe_id"], "sleeve_id": piece.sleeve_id}
        for row in rows
        for piece in jobs[str(row["pipe_id"])].kept(str(row["method"]))
    ]
    return conform(rows, CHOICES), conform(pairs, CHOICE_SLEEVES)


def _unstated(job: Job, options: Options, *, priced: bool) -> str:
    """Say without what nothing can be chosen in a project without systems, '' if it can."""
    if any(spot.sleeve == "open" for spot in job.mend):
        return NO_METHOD + NO_SYSTEM
    possible = sum(option.possible for option in options.values())
    return "" if priced or possible < 2 else NO_METHOD + NO_PRICE


def _choice(
    job: Job, options: Options, by: str, wanted: str, unstated: str = ""
) -> dict[str, object]:
    method, reason = ("", unstated) if unstated else _method(job, options, by)
    there = wanted in options and options[wanted].possible
    if wanted and wanted != method and job.mend and there:
        method, reason = wanted, f"{wanted} named by a person; else {reason}"
    state = "proposed" if method else "held"
    undecided = [spot.span_id for spot in job.spots if spot.verdict == "refer"]
    if undecided:
        state = "held"
        waits = f"{', '.join(undecided)}: an engineer must decide what is to be done there"
        reason = f"{waits}; for the rest: {reason}" if job.mend and method else waits
    method = method or "nothing"
    option = options.get(method)
    return {
        "pipe_id": job.pipe_id,
        "method": method,
        "system": option.system if option else "",
        "cost_cents": option.cost_cents if option else None,
        "state": state,
        "reason": reason,
        "fingerprint": fingerprint(job, method),
        "assumed_accepted": False,
        "urgency": worst(spot.urgency for spot in job.spots),
    }


def _method(job: Job, options: Options, by: str) -> tuple[str, str]:
    """Give the method and why; '' where no method mends the pipe."""
    if not job.mend:
        needs = max(
            (spot.needs for spot in job.spots if spot.needs != "unknown"),
            key=NEEDS.index,
            default="nothing",
        )
        return needs, f"{len(job.spots)} spans, of which none needs mending"
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


def fingerprint(job: Job, method: str) -> str:
    """Give what an acceptance of `method` on this pipe holds, and its digest.

    In it are the method; each sleeve's from, to [m], size and system; the spans that
    are dug up beside it; the spans that are mended, by id. Prices, rules, photos and
    whatever else lies on the pipe are not.
    """
    # A liner after digs was called a liner before it was a way of its own: what was
    # accepted then is the same thing.
    parts = ["liner" if method == "dig_liner" else method]
    parts += [
        f"{piece.from_m:.2f}-{piece.to_m:.2f} m DN {piece.dn_mm:g} {piece.system}"
        for piece in job.kept(method)
    ]
    if method in WAYS:
        dug = sorted(spot.span_id for spot in job.dug(method))
        parts += [f"dig {'+'.join(dug)}"] if dug and method != "dig" else []
        parts.append("mends " + "+".join(sorted(spot.span_id for spot in job.mend)))
    else:
        cared = sorted(spot.span_id for spot in job.spots if spot.needs == method)
        parts += [f"at {'+'.join(cared)}"] if cared else []
    text = "; ".join(parts)
    return digest_of(text)
