"""What a sleeve costs for doubt, how it meets its neighbour, from where a packer comes to it."""

from __future__ import annotations

from typing import Any

import pandas as pd

from planner.contracts.facts import Tables
from planner.ground.mechanism_words import in_words
from planner.ground.money import money

Row = Any  # a row as `itertuples` gives it: its columns are those of the contract


def doubt_lines(sleeve: Row) -> list[str]:
    """Say what stands under the ends of a sleeve, and what a look first would save.

    Parameters
    ----------
    sleeve
        A row of `SLEEVES`.
    """
    ends = [
        f"a lap of {lap:.2f} m" if pd.notna(lap) else _metres(overlap)
        for overlap, lap in (
            (sleeve.overlap_us_m, sleeve.lap_us_m),
            (sleeve.overlap_ds_m, sleeve.lap_ds_m),
        )
    ]
    under = f"sound pipe under its ends: {ends[0]} and {ends[1]}"
    if sleeve.placed_by:
        return [under]  # it is as long as a person said, whatever the doubt
    bought = f"bought for doubt: {_metres(sleeve.allowance_m)}"
    if pd.isna(sleeve.allowance_cents):
        saved = "not costed"
    elif sleeve.allowance_cents:
        saved = f"{money(int(sleeve.allowance_cents))}: a look first saves this"
    else:
        saved = "0.00: the sleeve would be no cheaper after a look"
    return [under, f"{bought}, {saved}"]


def lap_lines(sleeve: Row, tables: Tables) -> list[str]:
    """Name the sleeves that lap one, by how much, and which of them a person placed.

    Parameters
    ----------
    sleeve
        A row of `SLEEVES`.
    tables
        Of it: sleeves.
    """
    frame = tables["sleeves"]
    frame = frame[(frame["pipe_id"] == sleeve.pipe_id) & (frame["sleeve_id"] != sleeve.sleeve_id)]
    near = frame[(frame["from_m"] < sleeve.to_m) & (frame["to_m"] > sleeve.from_m)]
    lines = []
    for other in near.itertuples(index=False):
        before = other.from_m < sleeve.from_m
        lap = sleeve.lap_us_m if before else sleeve.lap_ds_m
        by = ", placed by a person" if other.placed_by else ""
        if pd.notna(lap):
            lines.append(f"laps {other.sleeve_id}{by}, by {lap:.2f} m")
    return lines


def _metres(value: float) -> str:
    return "not known" if pd.isna(value) else f"{value:.2f} m"


def passage_lines(sleeve_id: str, tables: Tables) -> list[str]:
    """Say from each manhole whether a packer comes to a sleeve.

    Parameters
    ----------
    sleeve_id
        Of a sleeve.
    tables
        Of it: passages; without it nothing is said.
    """
    if "passages" not in tables:
        return []
    frame = tables["passages"]
    return [
        f"packer from {row.node_id}: {row.answer}; {in_words(str(row.why))}"
        for row in frame[frame["sleeve_id"] == sleeve_id].itertuples(index=False)
    ]
