"""The ways to mend one pipe side by side, each by the same price model: sum and cost a year."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction

import pandas as pd

from planner.contracts import (
    OPTION_LINES,
    OPTIONS,
    PIPES,
    PRICES,
    SLEEVES,
    SPANS,
    SYSTEMS,
    VERDICTS,
)
from planner.contracts.facts import Tables
from planner.contracts.repairs import NO_SYSTEM, WAYS
from planner.contracts.sums import WITHIN
from planner.ground.money import money
from planner.ground.quantities import dn_said
from planner.once import made_once
from planner.repairs.chain import LINED, Job, Spot, jobs_of
from planner.repairs.option_lines import Line, PriceBook, lines_of
from planner.settings import Sleeving
from planner.tables import check, conform, rows_in

Row = dict[str, object]


@dataclass(frozen=True)
class Options:
    """The ways for each pipe (`OPTIONS`) and the lines of their sums (`OPTION_LINES`)."""

    options: pd.DataFrame
    option_lines: pd.DataFrame


def list_options(tables: Tables, prices: pd.DataFrame, settings: Sleeving) -> pd.DataFrame:
    """Give the ways alone; see `price_options`."""
    return price_options(tables, prices, settings).options


def price_options(
    tables: Tables,
    prices: pd.DataFrame,
    settings: Sleeving,
    jobs: Mapping[str, Job] | None = None,
) -> Options:
    """Set the ways side by side for each pipe with a span to mend.

    Sleeves, a liner and digs stand there for each pipe. Sleeves may have spans dug up
    beside them that no sleeve serves. Where some span is not open to the liner, and
    another is, there are two ways more: dig, then liner, and sleeves, then liner. Sleeves
    under a liner must be of a system with flat ends. An option's cost is the sum of its
    lines (`option_lines`). An item that no price names at all is taken as part of the
    main price, and the line says so; one that is priced, but not for this size, leaves
    the option without a cost.

    The cost a year is each part's cost by its service life, without interest. What lies
    under a liner lives as long as the liner.

    Parameters
    ----------
    tables
        Of it: pipes, spans, verdicts, sleeves, sleeve_spans, sleeve_laterals, laterals
        (those whose state is unknown count as live), systems.
    prices
        Obeys `PRICES`: those in force.
    settings
        Most sleeves on one pipe, and lives for the cost a year [years].
    jobs
        What `jobs_of` gives of `tables`, where that is at hand.

    Returns
    -------
    options
        Three to five ways for each pipe, and lines for each that is possible.

    Raises
    ------
    TableError
        If a table breaks its contract.
    """
    for table in (PIPES, SPANS, VERDICTS, SLEEVES, SYSTEMS):
        check(tables[table.name], table)
    check(prices, PRICES)
    jobs = jobs_of(tables) if jobs is None else jobs
    book = made_once((prices,), "price book", lambda: PriceBook.of(prices))
    systems = tables["systems"]
    flat = dict(zip(systems["system"], systems["flat_ends"], strict=True))
    rows: list[Row] = []
    lines: list[Row] = []
    for job in jobs.values():
        for method in _ways(job):
            own: list[Line] = []
            barred = _barred(job, method, settings, flat)
            if not barred:
                own = lines_of(job, method, book)
            rows.append(_option(job, method, own, barred, book, settings))
            lines += [_line_row(job, method, seq, one, book) for seq, one in enumerate(own, 1)]
    return Options(conform(rows, OPTIONS), _sourced(lines, prices))


def _ways(job: Job) -> list[str]:
    """Give the ways to compare: sequences only where a liner alone cannot mend the pipe."""
    if not job.mend:
        return []
    open_, closed = _lined(job)
    sequences = {
        "sleeve_liner": bool(open_ and closed and job.kept("sleeve_liner")),
        "dig_liner": bool(open_ and any(spot.dig == "open" for spot in closed)),
    }
    return [way for way in WAYS if sequences.get(way, True)]


def _lined(job: Job) -> tuple[list[Spot], list[Spot]]:
    """Part the spans to mend into those a liner serves and the others."""
    served = [spot for spot in job.mend if spot.liner == "open"]
    return served, [spot for spot in job.mend if spot.liner != "open"]


def _option(
    job: Job, method: str, lines: list[Line], barred: str, book: PriceBook, settings: Sleeving
) -> Row:
    pieces = job.kept(method)
    row: Row = {"pipe_id": job.pipe_id, "method": method}
    row["system"] = pieces[0].system if pieces else ""
    if barred:
        return {**row, "possible": False, "why": barred}
    cents, why = _sum(job, method, lines, book)
    row |= {"possible": True, "why": why}
    if cents is None:
        return row
    annual, life = annual_cents(lines, method, settings)
    lives = _lives_said(lines, method, settings)
    row["why"] = f"{why}; {money(cents)}, {money(annual)} a year over {lives}"
    return {**row, "cost_cents": cents, "annual_cents": annual, "life_years": life}


def life_of(part: str, method: str, settings: Sleeving) -> float:
    """Give the service life [years] of one part of a way: under a liner, that of the liner."""
    lives = {
        "sleeve": settings.sleeve_life_years,
        "liner": settings.liner_life_years,
        "dig": settings.dig_life_years,
    }
    return lives["liner" if method in LINED else part]


def annual_cents(lines: list[Line], method: str, settings: Sleeving) -> tuple[int, float]:
    """Give the cost a year [cents], rounded once half to even, and the shortest life [years]."""
    lives = [life_of(line.part, method, settings) for line in lines]
    parts = [
        Fraction(line.cents or 0) / Fraction(life) for line, life in zip(lines, lives, strict=True)
    ]
    return round(sum(parts, Fraction(0))), min(lives)


def _lives_said(lines: list[Line], method: str, settings: Sleeving) -> str:
    """Write the lives in the sum, e.g. ``12 years`` or ``12 years (sleeve) and 80 (dig)``."""
    if method in LINED:
        return f"{settings.liner_life_years:g} years"
    lives = {line.part: life_of(line.part, method, settings) for line in lines}
    if len(lives) == 1:
        return f"{next(iter(lives.values())):g} years"
    return " and ".join(f"{life:g} years ({part})" for part, life in sorted(lives.items()))


def _barred(job: Job, method: str, settings: Sleeving, flat: Mapping[str, object]) -> str:
    """Say why `method` cannot mend the whole pipe, '' if it can."""
    if method == "sleeve" and not flat and any(spot.sleeve == "open" for spot in job.mend):
        return NO_SYSTEM
    left = job.unserved(method)
    if left:
        return "; ".join(_left_by(spot, method, job) for spot in left)
    pieces = job.kept(method)
    if method == "sleeve" and not pieces:
        return "no sleeve is placed on this pipe"
    if len(pieces) > settings.max_per_pipe_count:
        most = settings.max_per_pipe_count
        return f"{len(pieces)} sleeves; more than {most} on one pipe are not asked for"
    if method == "sleeve_liner":
        return "; ".join(_not_flat(one, flat) for one in sorted({p.system for p in pieces})).strip(
            "; "
        )
    return ""


def _not_flat(system: str, flat: Mapping[str, object]) -> str:
    """Say why a liner does not pass the sleeves of a system, '' if it does."""
    state = flat.get(system)
    if state is None or pd.isna(state):  # type: ignore[call-overload]
        return (
            f"it is not stated whether sleeves of {system} have flat ends (flat_ends in "
            "systems.toml), without which no liner passes them"
        )
    return "" if state else f"sleeves of {system} have no flat ends, so no liner passes them"


def _left_by(spot: Spot, method: str, job: Job) -> str:
    if method == "dig":
        return f"{spot.span_id}: dig is {spot.dig}"
    if method == "liner":
        return f"{spot.span_id}: liner is {spot.liner}"
    if method == "sleeve_liner":
        return f"{spot.span_id}: liner is {spot.liner}, no sleeve serves it, and dig is {spot.dig}"
    state = spot.sleeve if method == "sleeve" else spot.liner
    if method == "sleeve" and state == "open":
        reach = "no sleeve reaches it" if job.pieces else "no sleeve could be placed"
        return f"{spot.span_id}: {reach}, and dig is {spot.dig}"
    name = "sleeve" if method == "sleeve" else "liner"
    return f"{spot.span_id}: {name} is {state}, and dig is {spot.dig}"


def _sum(job: Job, method: str, lines: list[Line], book: PriceBook) -> tuple[int | None, str]:
    """Add up the lines; no sum, and why, where one has no price."""
    within = dict.fromkeys(line.item for line in lines if book.within(line))
    counted = Counter[str]()
    for line in lines:
        # Reopenings under a sleeve are said by the sleeve; their lines stand in the table.
        if line.item not in within and not (line.item == "reopen" and line.sleeve_id):
            counted[line.item] += line.times
    why = ", ".join(f"{count} x {item}" for item, count in sorted(counted.items()))
    if within:
        why += f"; without a price of their own: {', '.join(within)}"
    if method in LINED and not job.laterals_known:
        why += "; laterals are not known over the whole pipe"
    lacking = {line.item for line in lines if line.cents is None and line.item not in within}
    if lacking:
        missing = ", ".join(sorted(lacking))
        return None, f"{why}; not costed: no price for {missing} at {dn_said(job.dn_mm)}"
    return sum(line.cents or 0 for line in lines), why


def _line_row(job: Job, method: str, seq: int, line: Line, book: PriceBook) -> Row:
    note = ""
    if line.cents is None:
        note = WITHIN if book.within(line) else f"no price at {dn_said(line.dn_mm)}"
    return {
        "pipe_id": job.pipe_id,
        "method": method,
        "seq": seq,
        "part": line.part,
        "item": line.item,
        "sleeve_id": line.sleeve_id,
        "dn_mm": line.dn_mm,
        "length_m": line.length_m,
        "times_count": line.times,
        "one_cents": line.one_cents,
        "sum_cents": line.cents,
        "price_id": line.price_id,
        "note": note,
    }


def _sourced(lines: list[Row], prices: pd.DataFrame) -> pd.DataFrame:
    """Put year, place and source of its price beside each line."""
    columns = ["year", "place", "source"]
    found = {
        key: dict(zip(columns, row, strict=True))
        for key, *row in rows_in(prices, ["price_id", *columns])
    }
    blank = {"year": None, "place": "", "source": ""}
    rows = [{**one, **found.get(str(one["price_id"]), blank)} for one in lines]
    return conform(rows, OPTION_LINES)
