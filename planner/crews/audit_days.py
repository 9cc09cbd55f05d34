"""Audit of times: shifts, pauses, order, drives, nothing twice."""

from __future__ import annotations

import datetime
from collections import Counter
from collections.abc import Iterator
from itertools import pairwise

import pandas as pd

from planner.contracts.hours import WEEKDAYS
from planner.crews.audit_hours import window_broken
from planner.crews.audit_rows import Book, Broken, Row, clock

# Drives are whole seconds; lengths may differ by float noise [m].
_NOISE_M = 1e-3


def days_broken(book: Book) -> Iterator[Broken]:
    """Give every rule of time that the week breaks.

    Parameters
    ----------
    book
        The week.
    """
    for crew, date, visits in book.days():
        if all(book.past(visit) for visit in visits):
            continue
        yield from _shift(book, crew, date, visits)
        yield from _sequence(book, crew, visits)
        for visit in (one for one in visits if not book.past(one)):
            yield from window_broken(book, visit)
    yield from _twice(book)


def _shift(book: Book, crew: str, date: str, visits: list[Row]) -> Iterator[Broken]:
    shifts = book.tables["shifts"]
    weekday = WEEKDAYS[datetime.date.fromisoformat(date).weekday()]
    own = shifts[(shifts["crew"] == crew) & (shifts["weekday"] == weekday)]
    key = f"{crew}|{date}"
    if own.empty:
        yield key, "shift", f"{len(visits)} visits on {weekday}", "a shift on that weekday"
        return
    start, end = int(own["start_s"].iloc[0]), int(own["end_s"].iloc[0])
    leave = int(visits[0]["arrive_s"]) - int(visits[0]["drive_s"])
    home = int(visits[-1]["end_s"]) + int(visits[-1]["end_pause_s"]) + int(visits[-1]["back_s"])
    if leave < start:
        yield key, "shift", f"leaves at {clock(leave)}", f"not before {clock(start)}"
    over = own["overtime_s"].fillna(0).iloc[0]
    if home > end + over:
        yield key, "shift", f"home at {clock(home)}", f"not after {clock(end + int(over))}"
    most = book.week.fill_ratio * (end - start) + over
    if home - leave > most:
        yield key, "fill", f"{home - leave} s planned", f"{most:.0f} s at most"
    yield from _pause(book, crew, visits, (leave, home))


def _pause(book: Book, crew: str, visits: list[Row], out: tuple[int, int]) -> Iterator[Broken]:
    """Whoever is out before and home after the hours of the pause has it, within them."""
    row = book.crews.get(crew, {})
    length = row.get("break_s")
    if length is None or pd.isna(length) or not length:
        return
    begins = [
        (int(one["start_s"]) - int(one["pause_s"]), int(one["pause_s"]))
        for one in visits
        if one["pause_s"]
    ]
    if visits[-1]["end_pause_s"]:
        begins.append((int(visits[-1]["end_s"]), int(visits[-1]["end_pause_s"])))
    key = f"{crew}|{visits[0]['date']}"
    first, last = int(row["break_from_s"]), int(row["break_to_s"])
    good = [one for one in begins if one[1] >= length and one[0] >= first]
    due = out[0] < first and out[1] > last + int(length)
    if last < book.gone_s(visits[0]["date"]):
        return
    if due and not good:
        yield key, "pause", "none", f"{length} s from {clock(first)} on"


def _sequence(book: Book, crew: str, visits: list[Row]) -> Iterator[Broken]:
    """Hold each visit against the one before it: times add up, drives are those of the map."""
    yard = book.ways.crew_at.get(crew)
    at, node, free = yard, "", None
    for number, visit in enumerate(visits, start=1):
        key, setup = visit["visit_id"], book.setups.get(visit["setup_id"], {})
        here = book.ways.setup_at.get(visit["setup_id"])
        if book.past(visit):
            at, node, free = here, setup.get("node_id", ""), int(visit["end_s"])
            continue
        if visit["seq"] != number:
            yield key, "order", f"place {visit['seq']} of the day", f"place {number}"
        if free is not None and not _comes(book, visit, free, visits[number - 2]):
            due = clock(int(free + visit["drive_s"]))
            yield key, "order", f"arrives at {clock(int(visit['arrive_s']))}", f"at {due}"
        parked = setup.get("node_id", "") == node
        parking = 0 if parked else book.week.manoeuvre_s
        ready = int(visit["arrive_s"]) + parking + int(visit["pause_s"])
        if visit["start_s"] < ready:
            yield key, "order", f"starts at {clock(int(visit['start_s']))}", f"from {clock(ready)}"
        if visit["end_s"] - visit["start_s"] != setup.get("work_s"):
            stay = f"{visit['end_s'] - visit['start_s']} s on site"
            yield key, "order", stay, f"{setup.get('work_s', 'a set-up with a time')} s"
        yield from _drive(book, key, (at, here), ("drive", visit["drive_s"], visit["drive_m"]))
        last = number == len(visits)
        if last:
            yield from _drive(book, key, (here, yard), ("back", visit["back_s"], visit["back_m"]))
        elif visit["back_s"] or visit["back_m"] or visit["end_pause_s"]:
            yield key, "drive", f"home for {visit['back_s']} s in the middle of a day", "0 s"
        yield from _by_air(book, visit, (at, here, yard if last else None))
        at, node, free = here, setup.get("node_id", ""), int(visit["end_s"])


def _comes(book: Book, visit: Row, free: int, before: Row) -> bool:
    """Say whether a crew arrives when it can; after a visit that took place it may have stayed."""
    if book.past(before):
        return bool(visit["arrive_s"] >= max(free, book.gone_s(visit["date"])) + visit["drive_s"])
    return bool(visit["arrive_s"] == free + visit["drive_s"])


Ends = tuple[int | None, int | None]


def _drive(book: Book, key: str, ends: Ends, said: tuple[str, int, float]) -> Iterator[Broken]:
    name, seconds, metres = said
    if ends[0] is None or ends[1] is None:
        yield key, "drive", f"{name} between places not on the map", "a yard and a set-up"
        return
    due_s, due_m = int(book.ways.seconds[ends]), float(book.ways.metres[ends])
    if seconds != due_s:
        yield key, "drive", f"{name} of {seconds} s", f"{due_s} s"
    if abs(metres - due_m) > _NOISE_M:
        yield key, "drive", f"{name} of {metres:.1f} m", f"{due_m:.1f} m"


def _by_air(book: Book, visit: Row, ends: tuple[int | None, ...]) -> Iterator[Broken]:
    """Find a drive that no street carries and that does not say so."""
    pairs = [(a, b) for a, b in pairwise(ends) if a is not None and b is not None]
    air = any(bool(book.ways.air[a, b]) and a != b for a, b in pairs)
    if air and not bool(visit["by_air"]):
        yield visit["visit_id"], "drive", "a drive by air not marked", "marked"


def _twice(book: Book) -> Iterator[Broken]:
    """Each set-up has one visit or one reason, each work one visit at most."""
    visited = Counter(visit["setup_id"] for visit in book.visits)
    left = set(book.tables["unserved"]["setup_id"])
    first = {visit["setup_id"]: visit["visit_id"] for visit in reversed(book.visits)}
    for setup_id, often in sorted(visited.items()):
        if often > 1:
            yield first[setup_id], "double", f"{setup_id} visited {often} times", "once"
        if setup_id in left:
            yield first[setup_id], "double", f"{setup_id} visited and left out", "one of both"
    for setup_id in sorted(set(book.setups) - set(visited) - left):
        yield setup_id, "lost", "neither visited nor left out", "one of both"
    ahead = [visit for visit in book.visits if not book.past(visit)]
    own = {visit["setup_id"] for visit in ahead}
    works = Counter(one for setup_id in own for one in book.setup_works.get(setup_id, []))
    for visit in ahead:
        for work_id in book.setup_works.get(visit["setup_id"], []):
            if works[work_id] > 1:
                found = f"{work_id} in {works[work_id]} set-ups"
                yield visit["visit_id"], "double", found, "in one"
