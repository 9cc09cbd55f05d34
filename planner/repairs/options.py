"""The ways to mend one pipe side by side, each by the same price model: sum and cost a year."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from planner.arrays import texts_of
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
from planner.contracts.repairs import NO_SYSTEM
from planner.contracts.sums import WITHIN
from planner.ground.quantities import dn_said
from planner.once import made_once
from planner.order import FEW
from planner.repairs.chain import Job, Spot, jobs_of
from planner.repairs.option_lines import PriceBook, Priced, price_lines
from planner.repairs.option_steps import ITEMS, ORDER, PARTS, Lines, Ways, Wholes, list_lines
from planner.repairs.option_sums import Sums, add_up
from planner.settings import Sleeving
from planner.tables import check, conform

_OF_PRICE = ["price_id", "place", "source"]


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
    offered = [(job, _ways(job)) for job in jobs.values()]
    ways = Ways(
        [job for job, methods in offered for _ in methods],
        [method for _, methods in offered for method in methods],
    )
    barred = [_barred(job, way, settings, flat) for job, way in ways.pairs()]
    able = ways.only([not why for why in barred])
    lines = list_lines(able, book.items)
    priced = price_lines(lines, book)
    sums = add_up(able, lines, priced, settings)
    return Options(_option_rows(ways, barred, sums), _line_rows(able, lines, priced, prices))


def _ways(job: Job) -> list[str]:
    """Give the ways to compare: sequences only where a liner alone cannot mend the pipe."""
    if not job.mend:
        return []
    open_, closed = _lined(job)
    sequences = {
        "sleeve_liner": bool(open_ and closed and job.kept("sleeve_liner")),
        "dig_liner": bool(open_ and any(spot.dig == "open" for spot in closed)),
    }
    return [way for way in ORDER if sequences.get(way, True)]


def _lined(job: Job) -> tuple[list[Spot], list[Spot]]:
    """Part the spans to mend into those a liner serves and the others."""
    served = [spot for spot in job.mend if spot.liner == "open"]
    return served, [spot for spot in job.mend if spot.liner != "open"]


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


def _system(job: Job, method: str) -> str:
    pieces = job.kept(method)
    return pieces[0].system if pieces else ""


def _option_rows(ways: Ways, barred: Sequence[str], sums: Sums) -> pd.DataFrame:
    """Give `OPTIONS`: what is barred says why, each other way has the next of the sums."""
    possible = np.array([not why for why in barred], dtype=bool)
    at = np.where(possible, np.cumsum(possible) - 1, -1)
    costed = np.append(sums.costed, False)[at]
    cents, annual = (np.append(one, 0)[at] for one in (sums.cents, sums.annual_cents))
    why = iter(sums.why)
    columns = {
        "pipe_id": [job.pipe_id for job in ways.jobs],
        "method": ways.methods,
        "system": [_system(job, method) for job, method in ways.pairs()],
        "possible": possible,
        "cost_cents": pd.arrays.IntegerArray(cents, ~costed),
        "annual_cents": pd.arrays.IntegerArray(annual, ~costed),
        "life_years": np.where(costed, np.append(sums.life_years, np.nan)[at], np.nan),
        "why": [said or next(why) for said in barred],
    }
    return conform(columns, OPTIONS)


def _line_rows(ways: Ways, lines: Lines, priced: Priced, prices: pd.DataFrame) -> pd.DataFrame:
    """Give `OPTION_LINES`, with year, place and source of its price beside each line."""
    numbers, way, blank = np.arange(len(lines.item)), lines.way, ~priced.has_price
    sizes, at = np.unique(lines.dn_mm[blank], return_inverse=True)
    notes = np.full(len(numbers), "", dtype=object)
    notes[blank] = np.array([f"no price at {dn_said(dn)}" for dn in sizes], dtype=object)[at]
    notes[blank & priced.within] = WITHIN
    columns = {
        "pipe_id": _texts([job.pipe_id for job in ways.jobs], way),
        "method": _texts(ways.methods, way),
        "seq": numbers - lines.bounds[way] + 1,
        "part": _texts(PARTS, lines.part),
        "item": _texts(ITEMS, lines.item),
        "sleeve_id": _texts([piece.sleeve_id for piece in lines.pieces], lines.piece),
        "dn_mm": lines.dn_mm,
        "length_m": lines.length_m,
        "times_count": lines.times,
        "one_cents": pd.arrays.IntegerArray(priced.one_cents, blank),
        "sum_cents": pd.arrays.IntegerArray(priced.cents, blank),
        **{name: _texts(prices[name].tolist(), priced.price_row) for name in _OF_PRICE},
        "year": prices["year"].array.take(priced.price_row, allow_fill=True),
        "note": notes,
    }
    return conform(columns, OPTION_LINES)


def _texts(texts: Sequence[str], at: Wholes) -> Any:  # noqa: ANN401 - any array
    """Give the texts at these places; blank at -1."""
    if len(at) <= FEW:
        return [texts[one] if one >= 0 else "" for one in at.tolist()]
    return texts_of(texts).take(at, allow_fill=True, fill_value="")
