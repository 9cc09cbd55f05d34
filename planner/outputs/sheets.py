"""One run sheet for each crew's day, as PDF.

All text goes to the typesetter as JSON, so nothing from a file is read as markup,
and the same tables give the same bytes.
"""

from __future__ import annotations

import json
import os
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from datetime import date
from pathlib import Path
from typing import Any

import pandas as pd

from planner.contracts.facts import RunFacts, Tables
from planner.outputs.drawn_words import all_words_apart
from planner.outputs.plain import plain_all
from planner.outputs.sheet_tables import SheetTables
from planner.outputs.stops import Stop, stop_of
from planner.outputs.typeset import Typesetter
from planner.outputs.wording import (
    DRIVES_LEAVE_OUT,
    WEEKDAYS,
    area,
    cautions_for,
    clock,
    home_s,
    hours,
    item_words,
    mass,
    metres,
    pauses,
    volume,
    way,
)
from planner.tables import records_in

BANNER = "NOT ACCEPTED"
_NOT_CARRIED = ("work", "day", "part", "length")


def write_sheets(tables: Tables, facts: RunFacts, folder: Path) -> list[Path]:
    """Write one PDF per crew and day into `folder`; names are numbered, never made from data.

    Parameters
    ----------
    tables : Tables
        All tables of the run.
    facts : RunFacts
        Name, units, whether the choices were accepted, whether drives are by air.
    folder : Path
        Made if it is not there.

    Returns
    -------
    list of Path
        In order of crew and day.
    """
    folder.mkdir(parents=True, exist_ok=True)
    look_up, setter = SheetTables.of(tables, facts), Typesetter("sheet.typ", "day")
    by_day = tables["visits"].groupby(["crew", "date"], sort=True)
    days = [(str(crew), str(day), part) for (crew, day), part in by_day]
    contents = (
        json.dumps(all_words_apart(sheet_data(*one, tables, facts, look_up)), ensure_ascii=False)
        for one in days
    )
    paths = []
    # The typesetter runs outside of Python's lock; each day stands for itself.
    with ThreadPoolExecutor(os.cpu_count()) as pool:
        pdfs = pool.map(setter.pdf_of, contents)
        for number, ((_, day, _), pdf) in enumerate(zip(days, pdfs, strict=True), start=1):
            path = folder / f"sheet_{number:03d}_{day}.pdf"
            path.write_bytes(pdf)
            paths.append(path)
    return paths


def sheet_data(
    crew: str,
    day: str,
    visits: pd.DataFrame,
    tables: Tables,
    facts: RunFacts,
    look_up: SheetTables | None = None,
) -> dict[str, Any]:
    """Gather what one sheet prints.

    Parameters
    ----------
    crew, day : str
        Whose day, YYYY-MM-DD.
    visits : DataFrame, contract `VISITS`
        The visits of that day in their order.
    tables : Tables
        All tables of the run.
    facts : RunFacts
        As for `write_sheets`.
    look_up : SheetTables
        The same tables by id, where several days are printed.
    """
    look_up = look_up or SheetTables.of(tables, facts)
    rows = records_in(visits)
    first, last = rows[0], rows[-1]
    leave_s = int(first["arrive_s"]) - int(first["drive_s"])
    back_s = home_s(last)
    drive_m = sum(float(row["drive_m"]) + float(row["back_m"]) for row in rows)
    drive_s = sum(int(row["drive_s"]) + int(row["back_s"]) for row in rows)
    stops = [stop_of(visit, look_up) for visit in rows]
    notes = ["Invented data: for show only."] if facts.invented else []
    notes += pauses(rows)
    notes.append(f"{DRIVES_LEAVE_OUT}.")
    if any(row["by_air"] for row in rows):
        notes.append("Drives are reckoned by air, not on streets: allow more time.")
    content = {
        "title": f"{crew} {day}",
        "crew": crew,
        "date": day,
        "weekday": WEEKDAYS[date.fromisoformat(day).weekday()],
        "town": facts.name,
        "leave": clock(leave_s),
        "back": clock(back_s),
        "hours": hours(back_s - leave_s),
        "drive": f"{way(drive_m, facts.units)}, {hours(drive_s)} driving",
        "banner": BANNER if facts.not_accepted else "",
        "notes": notes,
        "load": _load(f"{crew}|{day}", look_up),
        "packers": _packers(stops),
        "stops": [stop.content for stop in stops],
        "cautions": cautions_for(
            {step for stop in stops for step in stop.steps},
            {cure for stop in stops for cure in stop.cures},
        ),
        "footer": f"sleeveplan {facts.version}",
    }
    return {name: plain_all(one) for name, one in content.items()}


def _packers(stops: Sequence[Stop]) -> list[str]:
    """Name the packers that the day's sleeves need, each once."""
    sleeves = [sleeve for stop in stops for sleeve in stop.content["sleeves"]]
    return sorted({str(sleeve["packer"]) for sleeve in sleeves})


def _load(route: str, look_up: SheetTables) -> list[dict[str, str]]:
    """List what the van must carry, net, from the sums of the route."""
    units, kits, lots = look_up.units, _kits(route, look_up), _lots(route, look_up)
    load = []
    for row in look_up.sums.get(route, []):
        if row["kind"] in _NOT_CARRIED:
            continue
        item = str(row["item"])
        words = ", ".join([item_words(item, units), *lots.get(item, [])])
        amount = kits.get(item) or _amount(int(row["net"]), str(row["unit"]), units)
        load.append({"item": words, "amount": amount})
    return load


def _amount(net: int, unit: str, units: str) -> str:
    """Write an amount of whole smallest units."""
    if unit == "pieces":
        return f"{net} pieces" if net != 1 else "1 piece"
    if unit == "g":
        return mass(net, units)
    if unit == "mm2":
        return area(net, units)
    if unit == "ml":
        return volume(net, units)
    return metres(net / 1000, units)


def _kits(route: str, look_up: SheetTables) -> dict[str, str]:
    """Count the kits of each item that a route takes, its net beside."""
    units = look_up.units
    found: dict[str, str] = {}
    for row in look_up.kits.get(route, []):
        if pd.isna(row["to_order"]) or pd.isna(row["pack"]):
            continue
        count, pack = int(row["to_order"]) // int(row["pack"]), mass(int(row["pack"]), units)
        net = mass(int(row["net"]), units)
        found[str(row["item"])] = f"{count} kit{'s' * (count != 1)} of {pack}, net {net}"
    return found


def _lots(route: str, look_up: SheetTables) -> dict[str, list[str]]:
    """Name the lots that a day takes of each item."""
    found: dict[str, list[str]] = {}
    both = ((str(row["item"]), str(row["lot"])) for row in look_up.picks.get(route, []))
    for item, lot in dict.fromkeys(both):
        found.setdefault(item, []).append(f"lot {lot}")
    return found
