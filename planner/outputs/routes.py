"""The week on the map: one route per crew and day, with its stops in order and its totals."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from planner.contracts.facts import Tables
from planner.outputs.layers import Sheet
from planner.outputs.packing import DEGREE, has_shape, lon_lat, pack_shapes, records, shapes_of
from planner.outputs.palette import crew_letter, stop_label
from planner.outputs.wording import STEP_WORDS, clock, home_s, pauses, size
from planner.units import factor

WEEKDAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
CREWS = "crews"
Row = dict[str, Any]


@dataclass(frozen=True)
class Totals:
    """Sums of a route or of the week: pieces, sleeve length [mm], resin [g], time [s], way [m]."""

    stops: int
    sleeves: int
    sleeve_mm: int
    resin_g: int
    time_s: int
    drive_m: float

    def cells(self, units: str) -> list[str]:
        """Write the sums as the cells of a table row, in the order of `heads`."""
        us = units == "us"
        length = self.sleeve_mm / 1000 * (factor("m", "ft") if us else 1)
        mass = self.resin_g / 1000 * (factor("kg", "lb") if us else 1)
        way = self.drive_m * (factor("m", "mile") if us else 0.001)
        return [
            str(self.stops),
            str(self.sleeves),
            f"{length:.1f}",
            f"{mass:.1f}",
            f"{self.time_s / 3600:.1f}",
            f"{way:.1f}",
        ]


def heads(units: str) -> list[str]:
    """Name the columns of `Totals.cells` with their units."""
    if units == "us":
        return ["stops", "sleeves", "ft", "lb resin", "hours", "miles"]
    return ["stops", "sleeves", "m", "kg resin", "hours", "km"]


def crew_letters(tables: Tables) -> dict[str, str]:
    """Give each crew that drives this week a letter, in order of name."""
    crews = sorted(set(tables["visits"]["crew"]))
    return {crew: crew_letter(place) for place, crew in enumerate(crews)}


def crew_pages(tables: Tables) -> dict[str, str]:
    """Give each crew that drives this week its page for the field, from where the map lies.

    Names are numbered in order of the crews', never made from data.
    """
    crews = sorted(set(tables["visits"]["crew"]))
    return {crew: f"{CREWS}/crew_{number}.html" for number, crew in enumerate(crews, start=1)}


def day_numbers(tables: Tables, first_day: str) -> dict[str, int]:
    """Give the dates their numbers from the first day of the week = 1.

    Without a first day the dates are numbered in order.
    """
    dates = sorted(set(tables["visits"]["date"]))
    if not first_day or any(day < first_day for day in dates):
        return {day: number for number, day in enumerate(dates, start=1)}
    start = date.fromisoformat(first_day)
    return {day: (date.fromisoformat(day) - start).days + 1 for day in dates}


def day_name(day: str) -> str:
    """Write a date as weekday, day and month.

    Examples
    --------
    >>> day_name("2026-01-12")
    'Mon 12.01.'
    """
    at = date.fromisoformat(day)
    return f"{WEEKDAYS[at.weekday()]} {at.day:02d}.{at.month:02d}."


def route_totals(tables: Tables, crew: str, day: str) -> Totals:
    """Sum one route from `VISITS` and `QUANTITY_SUMS`."""
    visits = tables["visits"]
    part = visits[(visits["crew"] == crew) & (visits["date"] == day)].sort_values("seq")
    return _totals(tables, "route", f"{crew}|{day}", [part])


def week_totals(tables: Tables) -> Totals:
    """Sum all routes; quantities are the tables' own sums for the week."""
    visits = tables["visits"]
    parts = [part.sort_values("seq") for _, part in visits.groupby(["crew", "date"], sort=True)]
    return _totals(tables, "week", "", parts)


def _totals(tables: Tables, level: str, key: str, routes: list[pd.DataFrame]) -> Totals:
    sums = tables["quantity_sums"]
    part = sums[(sums["level"] == level) & ((sums["key"] == key) | (key == ""))]
    net = {
        kind: int(part.loc[part["kind"] == kind, "net"].sum())
        for kind in ("sleeve", "length", "resin")
    }
    time_s, drive_m, stops = 0, 0.0, 0
    for route in routes:
        first, last = route.iloc[0], route.iloc[-1]
        leave_s = int(first["arrive_s"]) - int(first["drive_s"])
        time_s += home_s(last.to_dict()) - leave_s
        drive_m += float(route["drive_m"].sum()) + float(route["back_m"].sum())
        stops += len(route)
    return Totals(stops, net["sleeve"], net["length"], net["resin"], time_s, drive_m)


def routes_of(sheet: Sheet) -> list[dict[str, Any]]:
    """Write each route for the map's script: letter, day, way from stop to stop, yard.

    ``way`` are the drives between stops, ``home`` those from and to the yard. A stop whose
    set-up has no point is left out; its number still counts.
    """
    tables, facts = sheet.tables, sheet.facts
    letters, days = crew_letters(tables), day_numbers(tables, facts.first_day)
    yards, pages = _yards(sheet), crew_pages(tables)
    stops = _stops(sheet)
    legs = _legs(sheet)
    out = []
    for (crew, day), part in tables["visits"].groupby(["crew", "date"], sort=True):
        rows = records(part.sort_values("seq"))
        first, last = (rows[0]["visit_id"], "to"), (rows[-1]["visit_id"], "home")
        between = [(row["visit_id"], "to") for row in rows[1:]]
        number = days[str(day)]
        marks = [
            _stop(row, stops[row["setup_id"]], number, sheet)
            for row in rows
            if row["setup_id"] in stops
        ]
        home = [yards[crew]] if crew in yards else []
        out.append(
            {
                "crew": str(crew),
                "letter": letters[str(crew)],
                "page": pages[str(crew)],
                "day": number,
                "name": day_name(str(day)),
                "way": _drawn(between, legs, sheet),
                "home": _drawn([first, last], legs, sheet),
                "yard": _whole(home[0]) if home else None,
                "stops": marks,
                "cells": route_totals(tables, str(crew), str(day)).cells(facts.units),
            }
        )
    return out


def _legs(sheet: Sheet) -> dict[tuple[str, str], Any]:
    table = sheet.tables["legs"]
    part = table.loc[has_shape(table)]
    keys = zip(part["visit_id"], part["part"], strict=True)
    return dict(zip(keys, shapes_of(part), strict=True)) if len(part) else {}


def _drawn(
    keys: list[tuple[str, str]], legs: dict[tuple[str, str], Any], sheet: Sheet
) -> dict[str, Any]:
    shapes = np.array([legs[key] for key in keys if key in legs] + [None], dtype=object)[:-1]
    return pack_shapes(shapes, sheet.facts.local_crs)


def _whole(point: NDArray[np.float64]) -> list[int]:
    return [round(float(point[0]) * DEGREE), round(float(point[1]) * DEGREE)]


def _yards(sheet: Sheet) -> dict[str, NDArray[np.float64]]:
    crews = sheet.tables["crews"]
    if crews.empty:
        return {}
    xy = crews[["yard_x", "yard_y"]].to_numpy(dtype=np.float64)
    return dict(zip(crews["crew"], lon_lat(xy, sheet.facts.source_crs), strict=True))


def _stops(sheet: Sheet) -> dict[str, Row]:
    setups = sheet.tables["setups"]
    part = setups.loc[has_shape(setups)]
    if part.empty:
        return {}
    shapes = shapes_of(part)
    crs = getattr(part, "crs", None) or sheet.facts.local_crs
    at = lon_lat(shapely.get_coordinates(shapes), crs)
    rows = records(part)
    return {str(row["setup_id"]): {**row, "at": point} for row, point in zip(rows, at, strict=True)}


def _stop(visit: Row, setup: Row, day: int, sheet: Sheet) -> dict[str, Any]:
    other = f", towards {setup['other_node_id']}" if setup["other_node_id"] else ""
    steps = ", ".join(STEP_WORDS.get(step, step) for step in setup["steps"].split("+") if step)
    count = int(setup["sleeves_count"])
    fields = {
        "Stand at": f"{setup['node_id']}{other}",
        "Pipe": _pipe(setup["pipe_id"], sheet),
        "Time": f"{clock(visit['start_s'])} to {clock(visit['end_s'])}",
        "Pause": " ".join(pauses([visit])),
        "Drive": f"{int(visit['drive_s']) / 60:.0f} min, {_way(visit['drive_m'], sheet)}"
        + (", by air" if visit["by_air"] else ""),
        "Works": steps,
        "Sleeves": f"{count}, longest {sheet.length(setup['longest_m'])}" if count else "",
        "System": setup["system"],
        "Resin": _resin(int(setup["resin_g"]), sheet) if count else "",
        "Counter from": setup["counter_node"],
        "Urgency": setup["urgency"].replace("_", " "),
        "Set-up": visit["setup_id"],
    }
    return {
        "seq": int(visit["seq"]),
        "label": stop_label(day, int(visit["seq"])),
        "at": _whole(setup["at"]),
        "fields": [[label, text] for label, text in fields.items() if text],
    }


def _pipe(pipe_id: str, sheet: Sheet) -> str:
    pipes = sheet.tables["pipes"]
    rows = pipes.loc[pipes["pipe_id"] == pipe_id]
    return f"{pipe_id}, {size(rows['dn_mm'].iloc[0], sheet.facts.units)}" if len(rows) else pipe_id


def _way(metres: float, sheet: Sheet) -> str:
    if sheet.facts.units == "us":
        return f"{metres * factor('m', 'mile'):.1f} mi"
    return f"{metres / 1000:.1f} km"


def _resin(grams: int, sheet: Sheet) -> str:
    if sheet.facts.units == "us":
        return f"{grams / 1000 * factor('kg', 'lb'):.1f} lb net"
    return f"{grams / 1000:.1f} kg net"
