"""The check of a sleeve's wall: result, margin, and every figure with formula and origin."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from planner.contracts.facts import Tables

Row = Any  # a row as `itertuples` gives it: its columns are those of the contract

_CONDITION = {"full": "fully deteriorated", "partial": "partially deteriorated"}


def wall_lines(sleeve_id: str, tables: Tables) -> list[str]:
    """Write out the check of one sleeve's wall.

    Parameters
    ----------
    sleeve_id
        Sleeve.
    tables
        Of it: wall_checks, wall_figures; without them there is nothing to tell.
    """
    if "wall_checks" not in tables or "wall_figures" not in tables:
        return []
    checks, figures = tables["wall_checks"], tables["wall_figures"]
    lines: list[str] = []
    for row in checks[checks["sleeve_id"] == sleeve_id].itertuples(index=False):
        lines += _head(row)
        own = figures[figures["sleeve_id"] == sleeve_id]
        lines += [_figure(figure) for figure in own.itertuples(index=False)]
    return lines


def _head(row: Row) -> list[str]:
    answer = {"yes": "enough", "no": "too thin", "undecided": "undecided"}[row.state]
    margin = "not known" if np.isnan(row.margin_mm) else f"{row.margin_mm:+.2f} mm"
    layers = []
    if pd.notna(row.plies):
        layers.append(f"{row.plies} layers")
    if pd.notna(row.plies_asked):
        layers.append(f"{row.plies_asked} asked at most")
    counted = f"; {', '.join(layers)}" if layers else ""
    return [
        f"Wall of sleeve {row.sleeve_id}, ASTM F1216 edition {row.edition},"
        f" {_CONDITION[row.condition]} pipe: {answer}",
        f"  because: {row.why}",
        f"  margin to the most asked: {margin}{counted}",
        f"  {row.caution}",
    ]


def _figure(row: Row) -> str:
    symbol = f" {row.symbol}" if row.symbol else ""
    unit = f" {row.unit}" if row.unit else ""
    source = f" | {row.source}" if row.source else ""
    return f"  {row.figure}{symbol} = {_interval(row.low, row.high)}{unit} | {row.origin}{source}"


def _interval(low: float, high: float) -> str:
    ends = ["?" if np.isnan(end) else f"{end:.4g}" for end in (low, high)]
    return ends[0] if ends[0] == ends[1] else f"{ends[0]} to {ends[1]}"
