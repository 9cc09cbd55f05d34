"""Which lot each visit takes, what expires first goes first; and what is short, with its date."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from planner.contracts import LOTS, ORDERS, PICKS, QUANTITIES, SHORTAGES
from planner.contracts.facts import Tables
from planner.ground.materials import ROLL, item_of
from planner.ground.quantities import piece_of, pieces_of
from planner.settings import Takeoff
from planner.tables import check, conform


@dataclass(frozen=True)
class Picked:
    """What is taken of which lot (`PICKS`), and what is missing (`SHORTAGES`)."""

    picks: pd.DataFrame
    shortages: pd.DataFrame


@dataclass
class _Lot:
    """One lot: what is left of it, in the item's smallest unit."""

    lot: str
    left: int
    made_on: str
    use_by: str
    refused_on: str
    min_c: float
    max_c: float

    def good_on(self, day: str) -> bool:
        return self.made_on <= day <= self.use_by

    def refused_for(self, day: str) -> bool:
        return bool(self.refused_on) and day >= self.refused_on


@dataclass(frozen=True)
class _Need:
    crew: str
    date: str
    visit_id: str
    item: str
    unit: str
    amount: int


Taken = list[tuple[_Lot, int]]


def pick_lots(tables: Tables, settings: Takeoff) -> Picked:
    """Give each visit its lots, in order of days.

    A made sleeve is taken by the piece, resin with its waste and in whole kits, a roll by
    the length cut; what is mixed for the day is taken for the route. Of the lots that are good
    on the day the one that expires first is taken first. A lot that is refused from a day
    on re-opens only what was to be taken of it from then: everything else keeps its lot.

    Parameters
    ----------
    tables
        Of it: visits, quantities, orders, systems, sleeves, lots, conditions.
    settings
        Working days from an order to the shelf.

    Returns
    -------
    picked
        Without any lot no pick names one and nothing is called short: what is on the shelf
        is not known.

    Raises
    ------
    TableError
        If a table breaks its contract.
    """
    lots = _lots(check(tables["lots"], LOTS))
    needs = _needs(tables)
    taken = {at: _take(need, lots.get(need.item, [])) for at, need in enumerate(needs)}
    for at, need in enumerate(needs):
        if any(lot.refused_for(need.date) for lot, _ in taken[at]):
            for lot, amount in taken[at]:
                lot.left += amount
            good = [lot for lot in lots[need.item] if not lot.refused_for(need.date)]
            taken[at] = _take(need, good)
    resin_c = _resin_c(tables["conditions"])
    known = len(tables["lots"]) > 0
    rows = [
        row for at, need in enumerate(needs) for row in _rows(need, taken[at], resin_c, known=known)
    ]
    short = _shortages(needs, taken, lots, settings) if known else []
    return Picked(conform(rows, PICKS), conform(short, SHORTAGES))


def _lots(frame: pd.DataFrame) -> dict[str, list[_Lot]]:
    """Gather lots by the item that they hold, what expires first in front."""
    found: dict[str, list[_Lot]] = {}
    for row in frame.to_dict("records"):
        kind, system = str(row["item"]), str(row["system"])
        if kind == "sleeve":
            item = piece_of(float(row["dn_mm"]), float(row["length_m"]), system)
            amount = int(row["pieces_count"])
        elif kind == "resin":
            item, amount = item_of("resin", system), round(float(row["mass_kg"]) * 1000.0)
        else:
            item, amount = item_of(ROLL, system), round(float(row["length_m"]) * 1000.0)
        dates = (str(row["made_on"]), str(row["use_by"]), str(row["refused_on"]))
        lot = _Lot(str(row["lot"]), amount, *dates, float(row["min_c"]), float(row["max_c"]))
        found.setdefault(item, []).append(lot)
    return {item: sorted(own, key=lambda lot: (lot.use_by, lot.lot)) for item, own in found.items()}


def _needs(tables: Tables) -> list[_Need]:
    """List what is taken, in the order of days, crews and visits."""
    visits = tables["visits"][["visit_id", "crew", "date"]]
    orders = check(tables["orders"], ORDERS)
    made = tables["systems"].query("supply == 'made_before'")["system"]
    names = set(pieces_of(tables["sleeves"][tables["sleeves"]["system"].isin(made)]))
    pieces = check(tables["quantities"], QUANTITIES).query("kind == 'sleeve'")
    own = pieces[pieces["item"].isin(names)].merge(visits, on="visit_id")
    columns = own[["crew", "date", "visit_id", "item", "unit", "net"]]
    needs = [
        _Need(str(crew), str(day), str(one), str(item), str(unit), int(net))
        for crew, day, one, item, unit, net in columns.itertuples(index=False)
    ]
    lots_of = orders[orders["item"].str.startswith(("resin ", f"{ROLL} "))]
    for row in lots_of.to_dict("records"):
        level, at = str(row["level"]), str(row["rounded_at"])
        by_visit = level == "visit" and at != "route"
        if not by_visit and not (level == "route" and at == "route"):
            continue
        crew, day = (
            str(row["key"]).rsplit("|", 2)[:2] if by_visit else str(row["key"]).rsplit("|", 1)
        )
        amount = row["net"] if pd.isna(row["to_order"]) else row["to_order"]
        if int(amount):
            visit = str(row["key"]) if by_visit else ""
            needs.append(_Need(crew, day, visit, str(row["item"]), str(row["unit"]), int(amount)))
    return sorted(needs, key=lambda need: (need.date, need.crew, need.visit_id, need.item))


def _take(need: _Need, lots: Iterable[_Lot]) -> Taken:
    """Take what a need asks of the lots that are good on its day, in their order."""
    taken: Taken = []
    missing = need.amount
    for lot in lots:
        amount = min(missing, lot.left) if lot.good_on(need.date) else 0
        if amount:
            lot.left -= amount
            missing -= amount
            taken.append((lot, amount))
    return taken


def _resin_c(conditions: pd.DataFrame) -> Mapping[str, float]:
    return dict(zip(conditions["date"], conditions["resin_c"].astype(float), strict=True))


def _rows(
    need: _Need, taken: Taken, resin_c: Mapping[str, float], *, known: bool
) -> list[dict[str, object]]:
    base = {"crew": need.crew, "date": need.date, "visit_id": need.visit_id, "item": need.item}
    base["unit"] = need.unit
    rows: list[dict[str, object]] = []
    for lot, amount in taken:
        note = _note(lot, resin_c.get(need.date, float("nan")))
        picked = {"amount": amount, "lot": lot.lot, "use_by": lot.use_by, "note": note}
        rows.append({**base, **picked})
    missing = need.amount - sum(amount for _, amount in taken)
    if missing:
        note = "no good lot of it is left on this day" if known else "no lots are stated"
        rows.append({**base, "amount": missing, "lot": "", "note": note})
    return rows


def _note(lot: _Lot, resin_c: float) -> str:
    """Say that the day's stated temperature lies outside what the lot may be used at."""
    if np.isfinite(resin_c):
        if np.isfinite(lot.min_c) and resin_c < lot.min_c:
            return f"{resin_c:g} degC is stated, the lot asks {lot.min_c:g} at least"
        if np.isfinite(lot.max_c) and resin_c > lot.max_c:
            return f"{resin_c:g} degC is stated, the lot allows {lot.max_c:g} at most"
    return ""


def _shortages(
    needs: list[_Need],
    taken: Mapping[int, Taken],
    lots: Mapping[str, list[_Lot]],
    settings: Takeoff,
) -> list[dict[str, object]]:
    missing: dict[tuple[str, str, str], int] = {}
    for at, need in enumerate(needs):
        gap = need.amount - sum(amount for _, amount in taken[at])
        if gap:
            key = (need.item, need.unit, need.date)
            missing[key] = missing.get(key, 0) + gap
    return [
        {
            "item": item,
            "unit": unit,
            "needed_on": day,
            "missing": gap,
            "order_by": str(np.busday_offset(day, -settings.order_lead_days, roll="backward")),
            "why": _why(lots.get(item, []), day),
        }
        for (item, unit, day), gap in missing.items()
    ]


def _why(lots: list[_Lot], day: str) -> str:
    if not lots:
        return "no lot of it is on the shelf"
    late = [lot.lot for lot in lots if lot.left and lot.use_by < day]
    bad = [lot.lot for lot in lots if lot.left and lot.refused_for(day)]
    early = [lot.lot for lot in lots if lot.left and lot.made_on > day]
    parts = [
        f"{words} {', '.join(names)}"
        for names, words in ((late, "past its date:"), (bad, "refused:"), (early, "not made yet:"))
        if names
    ]
    return "; ".join(["the good lots are used up", *parts])
