"""What the field took from the shelf and brought to it, and what is left there."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np
import pandas as pd

from planner.contracts import STOCK, STOCK_MOVES
from planner.contracts.journal import OF_STOCK
from planner.ground.event_places import same_work
from planner.ground.quantities import wall_litres
from planner.tables import conform, records_in

Row = dict[str, Any]
Told = list[tuple[str, str]]
# Kind, system, size [mm], length [mm]; 0 for resin.
_Item = tuple[str, str, int, int]
# Less is noise of sums [kg].
_NOISE = 1e-6


def moves_of(happened: Iterable[Row], system_sizes: pd.DataFrame) -> tuple[pd.DataFrame, Told]:
    """List what was moved: stated moves, and each sleeve that was set or spoilt, once.

    Parameters
    ----------
    happened
        Events that count, in the order in which they happened.
    system_sizes
        Obeys `SYSTEM_SIZES`: the resin of a sleeve whose report does not state it.

    Returns
    -------
    moves, told
        `STOCK_MOVES`; sleeves that were used up and of which it is not said which.
    """
    moves: list[Row] = []
    told: Told = []
    sets: list[Row] = []
    for row in happened:
        if row["kind"] in OF_STOCK:
            moves.append({**row, "move": row["kind"], "why": "reported"})
            continue
        if row["step"] != "sleeve" or row["kind"] not in ("done", "failed"):
            continue
        if row["kind"] == "failed":
            # It was counted when it was set; one that is not used up goes back with the crew.
            known = [one for one in sets if same_work(one, row)]
            for one in known:
                sets.remove(one)
            if known or row["spent"] is not True:
                continue
        else:
            sets.append(row)
        moves += _of_sleeve(row, system_sizes, told)
    return conform(moves, STOCK_MOVES), told


def _of_sleeve(row: Row, system_sizes: pd.DataFrame, told: Told) -> list[Row]:
    why = "set" if row["kind"] == "done" else f"failed: {row['reason']}"
    base = {name: row[name] for name in ("event_id", "at", "system", "lot")}
    base |= {"move": "used", "why": why}
    blank = [name for name in ("system", "dn_mm", "length_m") if _is_blank(row[name])]
    found = []
    if blank:
        what = f"{', '.join(blank)} of the sleeve not reported: the shelf is not reduced by it"
        told.append((str(row["event_id"]), what))
    else:
        size = {"dn_mm": row["dn_mm"], "length_m": row["length_m"]}
        found.append({**base, **size, "item": "sleeve", "pieces_count": 1})
    if not row["system"]:
        return found
    kg = row["mass_kg"] if not _is_blank(row["mass_kg"]) else math.nan
    if math.isnan(kg) and not blank:
        kg = _resin_kg(row, system_sizes)
        base["why"] = f"{why}; reckoned from the system's own figures"
    if kg > 0.0:
        found.append({**base, "item": "resin", "mass_kg": kg})
    elif not blank:
        told.append((str(row["event_id"]), "resin of the sleeve not known: not taken off"))
    return found


def _is_blank(value: object) -> bool:
    return value == "" or bool(pd.isna(value))  # type: ignore[call-overload]


def _resin_kg(row: Mapping[str, Any], system_sizes: pd.DataFrame) -> float:
    """Give the net resin of one sleeve [kg], NaN where the system has no such size."""
    at = (system_sizes["system"] == row["system"]) & (
        (system_sizes["dn_from_mm"] <= row["dn_mm"]) & (system_sizes["dn_to_mm"] >= row["dn_mm"])
    )
    if not at.any():
        return math.nan
    size = system_sizes[at].iloc[0]
    dn, wall, length = (
        np.array([float(v)]) for v in (row["dn_mm"], size["wall_mm"], row["length_m"])
    )
    kg = float(size["resin_kg_per_l"]) * float(wall_litres(dn, wall, length)[0])
    return round(kg, 3)


def moved_stock(stock: pd.DataFrame, moves: pd.DataFrame) -> tuple[pd.DataFrame, Told]:
    """Take the moves off the list of the shelf.

    Parameters
    ----------
    stock
        Obeys `STOCK`. Moves up to `counted_on` are in its figure already.
    moves
        Obeys `STOCK_MOVES`.

    Returns
    -------
    stock, told
        Obeys `STOCK`; an item that the list does not name is named once some is received.
        A line for each item that would lie below nothing: it is taken as nothing.
    """
    if moves.empty:
        return stock, []
    rows = records_in(stock)
    listed: dict[_Item, Row] = {}
    for row in rows:
        listed.setdefault(_item(row), row)
    last: dict[_Item, str] = {}
    for move in records_in(moves.sort_values(["at", "event_id", "item"], kind="stable")):
        item = _item(move)
        if item not in listed:
            if move["move"] == "used":
                continue  # not on the list: nobody knows how many there are
            listed[item] = {**_blank(move), _figure(move): 0}
            rows.append(listed[item])
        if _moved(listed[item], move):
            last[item] = str(move["event_id"])
    told = [
        (event_id, f"stock: {_named(item, listed[item][_figure(listed[item])])}")
        for item, event_id in last.items()
        if listed[item][_figure(listed[item])] < -_NOISE
    ]
    for row in rows:
        name = _figure(row)
        if not _is_blank(row[name]):
            row[name] = max(row[name], 0) if name == "pieces_count" else max(row[name], 0.0)
    return conform(rows, STOCK), told


def _moved(row: Row, move: Row) -> bool:
    """Change a row of the list by one move; False where it is in its figure already."""
    name = _figure(move)
    if (row["counted_on"] and move["at"][:10] <= row["counted_on"]) or _is_blank(row[name]):
        return False
    row[name] = row[name] + (-1 if move["move"] == "used" else 1) * move[name]
    return True


def _blank(move: Mapping[str, Any]) -> Row:
    row: Row = dict.fromkeys(STOCK.names)
    row |= {"counted_on": "", "item": move["item"], "system": move["system"]}
    return row | {"dn_mm": move["dn_mm"], "length_m": move["length_m"]}


def _figure(row: Mapping[str, Any]) -> str:
    return "mass_kg" if row["item"] == "resin" else "pieces_count"


def _item(row: Mapping[str, Any]) -> _Item:
    if row["item"] == "resin":
        return "resin", str(row["system"]), 0, 0
    return "sleeve", str(row["system"]), round(row["dn_mm"]), round(row["length_m"] * 1000)


def _named(item: _Item, left: float) -> str:
    kind, system, dn, length = item
    what = (
        f"resin {system}" if kind == "resin" else f"sleeve DN {dn} x {length / 1000:.2f} m {system}"
    )
    unit = "kg" if kind == "resin" else "pieces"
    return (
        f"{what} would be {-left:g} {unit} below nothing: taken as none; "
        "count the shelf and correct the list"
    )
