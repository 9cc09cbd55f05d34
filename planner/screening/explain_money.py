"""What each way to mend a pipe costs: its lines with their prices, and the break-even."""

from __future__ import annotations

from typing import Any

import pandas as pd

from planner.contracts.facts import Tables
from planner.contracts.repairs import WAY_WORDS
from planner.ground.money import money

Row = Any  # a row as `itertuples` gives it


def way_lines(pipe_id: str, tables: Tables) -> list[str]:
    """List the ways to mend one pipe, the lines of each sum, and from where a liner is cheaper.

    Parameters
    ----------
    pipe_id
        The pipe.
    tables
        Of it, where they are there: options, option_lines, break_even, price_quantities.
    """
    options = _of(tables, "options", pipe_id)
    lines = [f"Ways to mend pipe {pipe_id}:"] if options else []
    sums = _of(tables, "option_lines", pipe_id)
    counted = _counted(tables)
    for row in options:
        way = f"{WAY_WORDS[row.method]} {row.system}".strip()
        lines.append(f"  {way}: {'possible' if row.possible else 'not possible'}: {row.why}")
        lines += [_line(one, counted) for one in sums if one.method == row.method]
    return lines + [f"  Break-even: {row.why}" for row in _of(tables, "break_even", pipe_id)]


def _of(tables: Tables, name: str, pipe_id: str) -> list[Row]:
    if name not in tables:
        return []
    frame = tables[name]
    return list(frame[frame["pipe_id"] == pipe_id].itertuples(index=False))


def _counted(tables: Tables) -> dict[str, str]:
    """Give what was counted for each price that holds for a range of quantity."""
    if "price_quantities" not in tables:
        return {}
    frame = tables["price_quantities"]
    return dict(zip(frame["price_id"], frame["why"], strict=True))


def _line(row: Row, counted: dict[str, str]) -> str:
    size = "" if pd.isna(row.dn_mm) else f" DN {row.dn_mm:g}"
    length = f" x {row.length_m:.2f} m" if row.length_m else ""
    what = f"    {row.times_count} x {row.item}{size}{length}"
    if pd.isna(row.sum_cents):
        return f"{what}: {row.note}"
    year = str(row.year) if pd.notna(row.year) else "no year stated"
    origin = (row.price_id, year, row.place or "no place stated", row.source or "no source stated")
    held = f"; {counted[row.price_id]}" if row.price_id in counted else ""
    return f"{what}: {money(int(row.sum_cents))} | {', '.join(one for one in origin if one)}{held}"
