"""From how many sleeves on a liner is cheaper, pipe by pipe, reckoned from the options' lines.

A fixed count ("more than three: line it") holds near one pair of prices only; here it comes
from the prices in force: the sleeves' fixed part, the mean of one sleeve, the liner's sum.
"""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from typing import Any

import pandas as pd

from planner.contracts import BREAK_EVEN, OPTION_LINES, OPTIONS
from planner.contracts.repairs import WAY_WORDS
from planner.ground.money import money
from planner.settings import Sleeving
from planner.tables import check, conform, records_in

Row = dict[str, Any]
_LINERS = ("liner", "dig_liner")


def break_even(
    options: pd.DataFrame, option_lines: pd.DataFrame, settings: Sleeving
) -> pd.DataFrame:
    """Say for each pipe from how many sleeves on lining it costs less than sleeving it.

    One sleeve is the mean of those placed on the pipe with flow control, film and
    reopenings; all other lines of the sleeve option are its base. The liner is the
    cheaper of a liner alone and dig, then liner. The cost of n sleeves is base + n x one.

    Parameters
    ----------
    options, option_lines
        Obey `OPTIONS` and `OPTION_LINES`.
    settings
        Lives for the count by the cost a year [years].

    Returns
    -------
    break_even
        Obeys `BREAK_EVEN`; what could not be compared is blank, and `why` says it.

    Raises
    ------
    TableError
        If a table breaks its contract.

    References
    ----------
    n* = (L c_line + n_conn c_reopen) / c_sleeve (trade.md D), with the fixed parts added.
    """
    check(options, OPTIONS), check(option_lines, OPTION_LINES)
    ways: dict[str, dict[str, Row]] = {}
    for row in records_in(options):
        ways.setdefault(row["pipe_id"], {})[row["method"]] = row
    lines: dict[tuple[str, str], list[Row]] = {}
    for row in records_in(option_lines):
        lines.setdefault((row["pipe_id"], row["method"]), []).append(row)
    rows = [
        _row(pipe_id, own, {way: lines.get((pipe_id, way), []) for way in own}, settings)
        for pipe_id, own in ways.items()
    ]
    return conform(rows, BREAK_EVEN)


def first_count(base: Fraction, each: Fraction, limit: Fraction) -> int | None:
    """Give the least n >= 1 with base + n x each > limit; None where no n has it.

    Examples
    --------
    >>> from fractions import Fraction
    >>> first_count(Fraction(10), Fraction(5), Fraction(20))
    3
    """
    if each <= 0:
        return 1 if base > limit else None
    return max(1, (limit - base) // each + 1)


def _row(pipe_id: str, ways: dict[str, Row], lines: dict[str, list[Row]], lives: Sleeving) -> Row:
    sleeve, dig = lines.get("sleeve", []), lines.get("dig", [])
    placed = len({one["sleeve_id"] for one in sleeve} - {""})
    row: Row = {"pipe_id": pipe_id, "sleeves_count": placed}
    if _costed(ways["dig"]):
        row |= _parted(dig, [one for one in dig if one["part"] == "dig"], "dig", ("dig",))
    costed = [way for way in _LINERS if way in ways and _costed(ways[way])]
    if costed:
        best = min(costed, key=lambda way: (int(ways[way]["cost_cents"]), _LINERS.index(way)))
        row |= {"liner_method": best, "liner_cents": int(ways[best]["cost_cents"])}
    if _costed(ways["sleeve"]):
        own = [one for one in sleeve if one["sleeve_id"]]
        row |= _parted(sleeve, own, "sleeve", ("sleeve",))
    lacking = [
        f"{WAY_WORDS[way]}: {_why_not(ways[way])}"
        for way in (("sleeve",) if not _costed(ways["sleeve"]) else ())
        + (tuple(way for way in _LINERS if way in ways) if not costed else ())
    ]
    if lacking:
        return {**row, "why": f"not compared: {'; '.join(lacking)}"}
    return {**row, **_compared(row, sleeve, lives)}


def _costed(way: Row) -> bool:
    return bool(way["possible"]) and not pd.isna(way["cost_cents"])


def _why_not(way: Row) -> str:
    return str(way["why"]) if not way["possible"] else "not costed"


def _parted(lines: Sequence[Row], own: Sequence[Row], name: str, items: tuple[str, ...]) -> Row:
    """Part a sum into the mean of one piece [cents] and what is left for the base."""
    total = sum(_cents(one) for one in lines)
    count = sum(int(one["times_count"]) for one in own if one["item"] in items)
    moves = [one for one in own if one["item"] == "setup_dig"]
    apart = sum(_cents(one) for one in own) - sum(_cents(one) for one in moves)
    each = round(Fraction(apart, count)) if count else 0
    return {f"{name}_base_cents": total - apart, f"{name}_each_cents": each}


def _cents(line: Row) -> int:
    return 0 if pd.isna(line["sum_cents"]) else int(line["sum_cents"])


def _compared(row: Row, lines: Sequence[Row], lives: Sleeving) -> Row:
    base, each = Fraction(row["sleeve_base_cents"]), Fraction(row["sleeve_each_cents"])
    liner = Fraction(row["liner_cents"])
    dug = sum(_cents(one) for one in lines if one["part"] == "dig")
    life, dig_life = Fraction(lives.sleeve_life_years), Fraction(lives.dig_life_years)
    count = first_count(base, each, liner)
    yearly = (base - dug) / life + dug / dig_life
    annual = first_count(yearly, each / life, liner / Fraction(lives.liner_life_years))
    sums = (
        f"{money(int(base))} + {money(int(each))} a sleeve against"
        f" {WAY_WORDS[row['liner_method']]} {money(int(liner))}"
    )
    why = f"{sums}: the liner costs less {_from(count)}, by the cost a year {_from(annual)}"
    why += f"; {row['sleeves_count']} placed"
    return {"liner_from_count": count, "annual_from_count": annual, "why": why}


def _from(count: int | None) -> str:
    if count is None:
        return "at no number of sleeves"
    return "from 1 sleeve on" if count == 1 else f"from {count} sleeves on"
