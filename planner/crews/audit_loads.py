"""Audit of loads: what vans, a day and the shelf hold, added up from the sleeves themselves."""

from __future__ import annotations

from collections.abc import Iterator

import pandas as pd

from planner.crews.audit_rows import Book, Broken, Row
from planner.ground.quantities import items_of


def loads_broken(book: Book) -> Iterator[Broken]:
    """Give every limit of van, day and shelf that the week breaks.

    Parameters
    ----------
    book
        The week.
    """
    items = items_of(book.tables["sleeves"], book.tables["system_sizes"])
    resin = items[items["unit"] == "g"]
    grams = {str(one): int(net) for one, net in zip(resin["sleeve_id"], resin["net"], strict=True)}
    for crew, date, visits in book.days():
        if all(book.past(visit) for visit in visits):
            continue
        sleeves = [one for visit in visits for one in book.sleeves_at(visit)]
        yield from _van(book, f"{crew}|{date}", crew, sleeves, grams)
    yield from _shelf(book, grams)


def _van(
    book: Book, key: str, crew: str, sleeves: list[Row], grams: dict[str, int]
) -> Iterator[Broken]:
    van = book.crews.get(crew, {})
    most, mass = van.get("van_sleeves_count"), van.get("van_resin_kg")
    if most is not None and not pd.isna(most) and len(sleeves) > most:
        yield key, "van", f"{len(sleeves)} sleeves", f"{most} at most"
    resin = sum(grams.get(one["sleeve_id"], 0) for one in sleeves)
    if mass is not None and not pd.isna(mass) and resin > round(mass * 1000):
        yield key, "van", f"{resin} g of resin", f"{mass:g} kg at most"
    small = sum(one["dn_mm"] <= 300 for one in sleeves)
    large = len(sleeves) - small
    caps = (book.week.cap_small_count, book.week.cap_large_count)
    # In whole numbers: small / cap_small + large / cap_large <= 1.
    if small * caps[1] + large * caps[0] > caps[0] * caps[1]:
        found = f"{small} sleeves up to DN 300, {large} above"
        yield key, "cap", found, f"{caps[0]} or {caps[1]} a day, in proportion"


def _shelf(book: Book, grams: dict[str, int]) -> Iterator[Broken]:
    # What was set before the week was planned again is off the shelf already.
    visits = [one for one in book.visits if not (book.past(one) and _done(book, one))]
    sleeves = [one for visit in visits for one in book.sleeves_at(visit)]
    stock = book.tables["stock"]
    for (item, system), rows in stock.groupby(["item", "system"], sort=True):
        own = [one for one in sleeves if one["system"] == system]
        if item == "resin":
            mass = rows["mass_kg"].dropna()
            used = sum(grams.get(one["sleeve_id"], 0) for one in own)
            if len(mass) and used > round(float(mass.sum()) * 1000):
                yield f"resin {system}", "shelf", f"{used} g", f"{mass.sum():g} kg"
            continue
        known = rows[rows["pieces_count"].notna()]
        for (dn, length), part in known.groupby(["dn_mm", "length_m"], sort=True):
            like = [
                one
                for one in own
                if abs(one["dn_mm"] - dn) < 0.5 and abs(one["length_m"] - length) < 5e-4
            ]
            here = int(part["pieces_count"].sum())
            if len(like) > here:
                name = f"sleeve DN {dn:g} x {length:.2f} m {system}"
                yield name, "shelf", f"{len(like)} pieces", f"{here} pieces"


def _done(book: Book, visit: Row) -> bool:
    """Say whether all sleeves of a visit are set."""
    sets = [work for work in book.works_at(visit) if work["step"] == "sleeve"]
    return all(work["state"] == "done" for work in sets)
