"""The ways to mend one pipe side by side, each by the same price model: sum and cost a year."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import compress
from typing import Any

import numpy as np
import numpy.typing as npt
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
from planner.repairs.jobs import ORDER, SLEEVE, UNDER, Jobs, Marks, Wholes, jobs_of
from planner.repairs.option_lines import PriceBook, Priced, price_lines
from planner.repairs.option_steps import ITEMS, PARTS, Lines, Ways, list_lines
from planner.repairs.option_sums import Sums, add_up
from planner.settings import Sleeving
from planner.tables import check, conform

_DIG_LINER = ORDER.index("dig_liner")
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
    jobs: Jobs | None = None,
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
    ways = Ways(jobs, *np.nonzero(_there(jobs)))
    barred = _barred(ways, settings, flat)
    able = ways.only(np.array([not why for why in barred], dtype=bool))
    lines = list_lines(able, book.items)
    priced = price_lines(lines, book)
    sums = add_up(able, lines, priced, settings)
    return Options(_option_rows(ways, barred, sums), _line_rows(able, lines, priced, prices))


def _there(jobs: Jobs) -> Marks:
    """Mark the ways to compare: sequences only where a liner alone cannot mend the pipe."""
    closed = jobs.mend & ~jobs.lined
    open_ = jobs.with_span(jobs.mend & jobs.lined)
    out = np.repeat(jobs.with_span(jobs.mend), len(ORDER), axis=1)
    out[:, UNDER] = (open_ & jobs.with_span(closed))[:, 0] & jobs.with_sleeve(jobs.kept)[:, UNDER]
    out[:, _DIG_LINER] = (open_ & jobs.with_span(closed & jobs.diggable))[:, 0]
    return out


def _barred(ways: Ways, settings: Sleeving, flat: Mapping[str, object]) -> list[str]:
    """Say of each way why it cannot mend the whole pipe, '' if it can."""
    jobs, most = ways.jobs, settings.max_per_pipe_count
    number = np.full((len(jobs), len(ORDER)), -1)
    number[ways.job, ways.method] = np.arange(len(ways.job))
    count = np.zeros((len(jobs), len(ORDER)), dtype=np.int64)
    piece, way = np.nonzero(jobs.kept)
    np.add.at(count, (jobs.sleeves.of[piece], way), 1)
    why = [""] * len(ways.job)
    # What bars a way sooner is written last.
    for job in np.flatnonzero(number[:, UNDER] >= 0).tolist():
        why[number[job, UNDER]] = _not_flat(jobs, job, flat)
    for job, way in zip(*np.nonzero((count > most) & (number >= 0)), strict=True):
        much = f"{count[job, way]} sleeves; more than {most} on one pipe are not asked for"
        why[number[job, way]] = much
    none = (count[:, SLEEVE] == 0) & (number[:, SLEEVE] >= 0)
    for at in number[none, SLEEVE].tolist():
        why[at] = "no sleeve is placed on this pipe"
    for at, left in _unserved(jobs, number).items():
        why[at] = "; ".join(left)
    if not flat:
        asked = jobs.with_span(jobs.mend & jobs.spans.be("sleeve", "open"))[:, 0]
        for at in number[asked & (number[:, SLEEVE] >= 0), SLEEVE].tolist():
            why[at] = NO_SYSTEM
    return why


def _unserved(jobs: Jobs, number: Wholes) -> dict[int, list[str]]:
    """Say of each way that has a `number` what keeps it from spans that it leaves, in order."""
    said = [jobs.spans.said[name] for name in _METHODS]
    listed = [one.listed() for one in said]
    of, placed = jobs.spans.of, np.diff(jobs.sleeves.at) > 0
    spot, way = np.nonzero(jobs.unserved & (number[of] >= 0))
    codes = (one.codes[spot] for one in said)
    columns: list[npt.NDArray[Any]] = [way, *codes, placed[of[spot]]]
    words: dict[tuple[int, ...], str] = {}
    found: dict[int, list[str]] = {}
    rows = zip(*(column.tolist() for column in columns), strict=True)
    for at, one, row in zip(number[of[spot], way].tolist(), spot.tolist(), rows, strict=True):
        if row not in words:
            states = (known[code] for known, code in zip(listed, row[1:4], strict=True))
            words[row] = _left_by(ORDER[row[0]], *states, placed=bool(row[4]))
        found.setdefault(at, []).append(jobs.spans.ids[one] + words[row])
    return found


_METHODS = ("sleeve", "liner", "dig")


def _not_flat(jobs: Jobs, job: int, flat: Mapping[str, object]) -> str:
    """Say why a liner does not pass the sleeves under it on one pipe, '' if it does."""
    first, last = jobs.sleeves.at[job : job + 2]
    pieces = compress(jobs.sleeves.pieces[first:last], jobs.kept[first:last, UNDER])
    systems = sorted({piece.system for piece in pieces})
    return "; ".join(_passed(system, flat) for system in systems).strip("; ")


def _passed(system: str, flat: Mapping[str, object]) -> str:
    """Say why a liner does not pass the sleeves of a system, '' if it does."""
    state = flat.get(system)
    if state is None or pd.isna(state):  # type: ignore[call-overload]
        return (
            f"it is not stated whether sleeves of {system} have flat ends (flat_ends in "
            "systems.toml), without which no liner passes them"
        )
    return "" if state else f"sleeves of {system} have no flat ends, so no liner passes them"


def _left_by(method: str, sleeve: str, liner: str, dig: str, *, placed: bool) -> str:
    """Say of a span, after its name, what keeps a method from it; the words are its verdict's."""
    if method == "dig":
        return f": dig is {dig}"
    if method == "liner":
        return f": liner is {liner}"
    if method == "sleeve_liner":
        return f": liner is {liner}, no sleeve serves it, and dig is {dig}"
    state = sleeve if method == "sleeve" else liner
    if method == "sleeve" and state == "open":
        reach = "no sleeve reaches it" if placed else "no sleeve could be placed"
        return f": {reach}, and dig is {dig}"
    name = "sleeve" if method == "sleeve" else "liner"
    return f": {name} is {state}, and dig is {dig}"


def _systems(ways: Ways) -> list[str]:
    """Give the system of the first sleeve that each way sets, '' where it sets none."""
    jobs = ways.jobs
    first = np.full((len(jobs), len(ORDER)), -1)
    piece, way = np.nonzero(jobs.kept)
    first[jobs.sleeves.of[piece[::-1]], way[::-1]] = piece[::-1]
    systems = [*(piece.system for piece in jobs.sleeves.pieces), ""]
    return [systems[at] for at in first[ways.job, ways.method].tolist()]


def _option_rows(ways: Ways, barred: Sequence[str], sums: Sums) -> pd.DataFrame:
    """Give `OPTIONS`: what is barred says why, each other way has the next of the sums."""
    possible = np.array([not why for why in barred], dtype=bool)
    at = np.where(possible, np.cumsum(possible) - 1, -1)
    costed = np.append(sums.costed, False)[at]
    cents, annual = (np.append(one, 0)[at] for one in (sums.cents, sums.annual_cents))
    why = iter(sums.why)
    columns = {
        "pipe_id": _texts(ways.jobs.pipe_ids, ways.job),
        "method": _texts(ORDER, ways.method),
        "system": _systems(ways),
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
    notes = [WITHIN, *(f"no price at {dn_said(dn)}" for dn in sizes)]
    note = np.full(len(numbers), -1)
    note[blank] = at + 1
    note[blank & priced.within] = 0
    columns = {
        "pipe_id": _texts(ways.jobs.pipe_ids, ways.job[way]),
        "method": _texts(ORDER, ways.method[way]),
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
        "note": _texts(notes, note),
    }
    return conform(columns, OPTION_LINES)


def _texts(texts: Sequence[str], at: Wholes) -> Any:  # noqa: ANN401 - any array
    """Give the texts at these places; blank at -1."""
    if len(at) <= FEW:
        return [texts[one] if one >= 0 else "" for one in at.tolist()]
    return texts_of(texts).take(at, allow_fill=True, fill_value="")
