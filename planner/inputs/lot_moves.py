"""What the field took of each lot and brought back to it, and what the lot still holds."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd

from planner.contracts import LOTS, STOCK_MOVES
from planner.tables import check, conform, records_in

Row = dict[str, Any]
# What is counted of each kind of lot, its unit, and what is noise of sums.
_FIGURES = {
    "sleeve": ("pieces_count", "pieces", 0.0),
    "resin": ("mass_kg", "kg", 1e-6),
    "roll": ("length_m", "m", 1e-6),
}


def moved_lots(
    lots: pd.DataFrame, moves: pd.DataFrame
) -> tuple[pd.DataFrame, list[tuple[str, str]]]:
    """Take the moves of the journal off the lots they name.

    Parameters
    ----------
    lots
        Obeys `LOTS`. Moves up to `counted_on` are in its figure already.
    moves
        Obeys `STOCK_MOVES`. A sleeve of a lot that is a roll takes its length of it.

    Returns
    -------
    lots, told
        Obeys `LOTS`: what each holds now. Told, each with its event: a lot that would hold less
        than nothing (it is taken to hold nothing), moves that name no lot of the list.
        Without lots, or moves, nothing is changed and nothing told.
    """
    if moves.empty or lots.empty:
        return lots, []
    check(moves, STOCK_MOVES)
    rows = records_in(check(lots, LOTS))
    told: list[tuple[str, str]] = []
    last: dict[int, str] = {}
    for move in records_in(moves.sort_values(["at", "event_id", "item"], kind="stable")):
        at = _lot_of(move, rows)
        if at is None:
            told += _unmatched(move, rows)
        elif not rows[at]["counted_on"] or move["at"][:10] > rows[at]["counted_on"]:
            _take(rows[at], move)
            last[at] = str(move["event_id"])
    for at, event_id in sorted(last.items()):
        row = rows[at]
        name, unit, noise = _FIGURES[row["item"]]
        if row[name] < -noise:
            what = f"lot {row['lot']} would hold {-row[name]:g} {unit} less than nothing"
            told.append((event_id, f"{what}: taken as none; count it and correct lots.csv"))
        row[name] = max(row[name], 0 if row["item"] == "sleeve" else 0.0)
    return conform(rows, LOTS), told


def _lot_of(move: Mapping[str, Any], rows: list[Row]) -> int | None:
    """Find the lot that a move names; a sleeve may be of a lot of its size, or cut from a roll."""
    found = {
        row["item"]: at
        for at, row in enumerate(rows)
        if move["lot"]
        and (row["lot"], row["system"]) == (move["lot"], move["system"])
        and (row["item"] != "sleeve" or _size(row) == _size(move))
    }
    return found.get(move["item"], found.get("roll") if move["item"] == "sleeve" else None)


def _size(row: Mapping[str, Any]) -> tuple[int, int]:
    """Give size and length [mm]; -1 where they are not stated."""
    dn, length = row["dn_mm"], row["length_m"]
    return tuple(-1 if pd.isna(v) else round(v) for v in (dn, length * 1000))  # type: ignore[return-value]


def _take(row: Row, move: Mapping[str, Any]) -> None:
    name = _FIGURES[row["item"]][0]
    amount = move["mass_kg"] if row["item"] == "resin" else move["pieces_count"]
    if row["item"] == "roll":
        amount = amount * move["length_m"]
    row[name] = row[name] + (-amount if move["move"] == "used" else amount)


def _unmatched(move: Mapping[str, Any], rows: list[Row]) -> list[tuple[str, str]]:
    """Say that what was moved is of no lot of the list, where the list has lots of that system."""
    alike = ("sleeve", "roll") if move["item"] == "sleeve" else ("resin",)
    if not any(row["system"] == move["system"] and row["item"] in alike for row in rows):
        return []
    what = f"{move['item']} {move['system']} {move['move']}"
    if not move["lot"]:
        return [(str(move["event_id"]), f"{what}, lot not reported: no lot is changed by it")]
    why = f"lots.csv has no such lot {move['lot']}: no lot is changed by it"
    return [(str(move["event_id"]), f"{what}: {why}")]
