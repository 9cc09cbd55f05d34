"""Sleeve against liner against dig on one pipe, each by the same price model."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field

import pandas as pd

from planner.contracts import OPTIONS, PIPES, PRICES, SLEEVES, SPANS, VERDICTS
from planner.contracts.facts import Tables
from planner.ground.money import price_cents
from planner.repairs.chain import Job, Spot, jobs_of, steps_of
from planner.settings import Sleeving
from planner.tables import check, conform

OPTION_METHODS = ("sleeve", "liner", "dig")


@dataclass(frozen=True)
class _Book:
    """The prices, what they name, and what was looked up already."""

    prices: pd.DataFrame
    items: frozenset[str]
    seen: dict[tuple[str, float, float], int | None] = field(default_factory=dict)

    def cents(self, item: str, dn_mm: float, length_m: float) -> int | None:
        """Price one piece of `item`, which goes with any sleeve system."""
        key = (item, dn_mm, length_m)
        if key not in self.seen:
            self.seen[key] = price_cents(self.prices, item, dn_mm, length_m)
        return self.seen[key]


def list_options(tables: Tables, prices: pd.DataFrame, settings: Sleeving) -> pd.DataFrame:
    """Set the three methods side by side for each pipe with a span to mend.

    A span that the sleeves, or the liner, cannot serve may be dug up beside them if
    digging is open there. An option's cost is the sum of its lines: the sleeves with
    their reopenings as placement costed them, or the liner and a reopening for each
    live lateral, or the digs; one set-up; and each other step that has a price. A step
    for which the prices name no item at all is taken as part of the main price; one
    that is priced, but not for this size, leaves the option without a cost.

    Parameters
    ----------
    tables
        Of it: pipes, spans, verdicts, sleeves, sleeve_spans, sleeve_laterals, laterals
        (those whose state is unknown count as live).
    prices
        Obeys `PRICES`.
    settings
        Most sleeves on one pipe, and lives for the cost a year [years].

    Returns
    -------
    options
        Obeys `OPTIONS`; three rows for each pipe.

    Raises
    ------
    TableError
        If a table breaks its contract.
    """
    for table in (PIPES, SPANS, VERDICTS, SLEEVES):
        check(tables[table.name], table)
    check(prices, PRICES)
    jobs, book = jobs_of(tables), _Book(prices, frozenset(prices["item"]))
    rows = [
        _option(job, method, book, settings)
        for job in jobs.values()
        if job.mend
        for method in OPTION_METHODS
    ]
    return conform(rows, OPTIONS)


def _option(job: Job, method: str, book: _Book, settings: Sleeving) -> dict[str, object]:
    system = job.pieces[0].system if method == "sleeve" and job.pieces else ""
    row: dict[str, object] = {"pipe_id": job.pipe_id, "method": method, "system": system}
    barred = _barred(job, method, settings)
    if barred:
        return {**row, "possible": False, "cost_cents": None, "why": barred}
    cents, why = _cost(job, method, book)
    if cents is not None:
        life = getattr(settings, f"{method}_life_years")
        why += f"; {money(cents)}, {money(round(cents / life))} a year over {life:g} years"
    return {**row, "possible": True, "cost_cents": cents, "why": why}


def money(cents: int) -> str:
    """Print whole cents as an amount, e.g. ``5 300.00``."""
    return f"{cents // 100:,}".replace(",", " ") + f".{cents % 100:02d}"


def _barred(job: Job, method: str, settings: Sleeving) -> str:
    """Say why `method` cannot mend the whole pipe, '' if it can."""
    left = job.unserved(method)
    if left:
        return "; ".join(_left_by(spot, method, job) for spot in left)
    if method == "sleeve" and not job.pieces:
        return "no sleeve is placed on this pipe"
    if method == "liner" and len(job.dug("liner")) == len(job.mend):
        return "nothing is left to line once all spans are dug up"
    if method == "sleeve" and len(job.pieces) > settings.max_per_pipe_count:
        most = settings.max_per_pipe_count
        return f"{len(job.pieces)} sleeves; more than {most} on one pipe are not asked for"
    return ""


def _left_by(spot: Spot, method: str, job: Job) -> str:
    state = getattr(spot, method)
    if method == "dig":
        return f"{spot.span_id}: dig is {state}"
    if method == "sleeve" and state == "open":
        reach = "no sleeve reaches it" if job.pieces else "no sleeve could be placed"
        return f"{spot.span_id}: {reach}, and dig is {spot.dig}"
    return f"{spot.span_id}: {method} is {state}, and dig is {spot.dig}"


def _cost(job: Job, method: str, book: _Book) -> tuple[int | None, str]:
    """Add up the lines of one option; no sum, and why, where one has no price."""
    total, lacking, lines = 0, [], Counter[str]()
    incidental: dict[str, None] = {}
    for item, length, times in _lines(job, method):
        if item not in OPTION_METHODS and item != "reopen" and item not in book.items:
            incidental[item] = None
            continue
        lines[item] += times
        cents = book.cents(item, job.dn_mm, length)
        if cents is None:
            lacking.append(item)
        else:
            total += times * cents
    if method == "sleeve":
        lines["sleeve"] = len(job.pieces)
        costs = [piece.cost_cents for piece in job.pieces]
        lacking += ["sleeve"] * any(cost is None for cost in costs)
        total += sum(cost or 0 for cost in costs)
    why = ", ".join(f"{count} x {item}" for item, count in sorted(lines.items()) if count)
    if incidental:
        why += f"; without a price of their own: {', '.join(incidental)}"
    if method == "liner" and not job.laterals_known:
        why += "; laterals are not known over the whole pipe"
    if lacking:
        missing = ", ".join(sorted(set(lacking)))
        return None, f"{why}; not costed: no price for {missing} at DN {job.dn_mm:g}"
    return total, why


def _lines(job: Job, method: str) -> list[tuple[str, float, int]]:
    """List item, length [m] and how many times; sleeves come with a cost of their own."""
    lines = [] if method == "dig" else [("setup", 0.0, 1)]
    for step in steps_of(job, method):
        if method == "sleeve" and step.step in ("sleeve", "reopen"):
            continue
        times = job.live_laterals if step.step == "reopen" else 1
        lines.append((step.step, step.to_m - step.from_m, times))
    return lines
