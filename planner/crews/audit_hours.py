"""Audit of hours: streets, permits, days without work and notices, from the tables as stated."""

from __future__ import annotations

import datetime
from collections.abc import Iterator

from planner.contracts.hours import WEEKDAYS
from planner.crews.audit_rows import Book, Broken, Row, clock

# What is done with both manholes open, and what shuts connections.
_BOTH = {"flow_control", "sleeve", "liner", "reopen", "verify"}
_SHUTS = {"sleeve", "liner", "reopen"}


def window_broken(book: Book, visit: Row) -> Iterator[Broken]:
    """Give every rule of streets and residents that one visit breaks.

    Parameters
    ----------
    book
        The week.
    visit
        A row of it.
    """
    key, setup = visit["visit_id"], book.setups.get(visit["setup_id"])
    if setup is None:
        yield key, "set-up", f"{visit['setup_id']} is not there", "a set-up"
        return
    steps = {work["step"] for work in book.works_at(visit)}
    nodes = [setup["node_id"]]
    if steps & _BOTH and setup["other_node_id"]:
        nodes.append(setup["other_node_id"])
    reserve = book.week.reserve_s if "sleeve" in steps else 0
    for node_id in nodes:
        yield from _street(book, visit, node_id, reserve)
    yield from _closed(book, visit, nodes, setup["pipe_id"])
    use = book.pipes.get(setup["pipe_id"], {}).get("use", "")
    for row in book.listed("weather"):
        stopped = set(book.week.weather_stops.get(row["weather"], [])) & steps
        spared = row["weather"] in ("rain", "storm") and use == "foul"
        if row["date"] == visit["date"] and stopped and not spared:
            found = f"{', '.join(sorted(stopped))} on a day of {row['weather']}"
            yield key, "weather", found, "another day"
    if steps & _SHUTS:
        yield from _told(book, visit, setup["pipe_id"])


def _street(book: Book, visit: Row, node_id: str, reserve: int) -> Iterator[Broken]:
    """Hold a visit against the hours of the street over one manhole."""
    day = datetime.date.fromisoformat(visit["date"])
    node = book.nodes.get(node_id, {})
    kind = node.get("street_class") or ""
    rows = book.listed("windows")
    own = [row for row in rows if row["street_class"] == kind]
    own = own or [row for row in rows if row["street_class"] == ""]
    start, end = int(visit["start_s"]), int(visit["end_s"]) + reserve
    if not own:
        own = [
            {
                "weekday": WEEKDAYS[day.weekday()],
                "open_s": book.week.open_s,
                "close_s": book.week.close_s,
                "permit": False,
            }
        ]
    today = [row for row in own if row["weekday"] == WEEKDAYS[day.weekday()]]
    holds = [row for row in today if row["open_s"] <= start and end <= row["close_s"]]
    if not holds:
        found = f"works {clock(start)} to {clock(end)} at {node_id}, reserve included"
        hours = [f"{clock(int(row['open_s']))} to {clock(int(row['close_s']))}" for row in today]
        yield visit["visit_id"], "window", found, " or ".join(hours) or "no work on that day"
        return
    if all(row["permit"] for row in holds) and not any(
        permit["state"] == "granted"
        and permit["from_date"] <= visit["date"] <= permit["to_date"]
        and permit["open_s"] <= start
        and end <= permit["close_s"]
        and (
            permit["node_id"] == node_id
            or (permit["street"] and permit["street"] == node.get("street"))
        )
        for permit in book.listed("permits")
    ):
        yield visit["visit_id"], "permit", f"none covers {node_id} then", "a granted permit"


def _closed(book: Book, visit: Row, nodes: list[str], pipe_id: str) -> Iterator[Broken]:
    kinds = {str(book.nodes.get(one, {}).get("street_class", "")) for one in nodes}
    streets = {str(book.nodes.get(one, {}).get("street", "")) for one in nodes}
    area = book.pipes.get(pipe_id, {}).get("area", "")
    for row in book.listed("closed"):
        inside = row["from_date"] <= visit["date"] <= row["to_date"]
        meant = (
            (not row["street_class"] or row["street_class"] in kinds)
            and (not row["street"] or row["street"] in streets)
            and (not row["area"] or row["area"] == area)
        )
        if inside and meant:
            yield visit["visit_id"], "closed day", f"work on {visit['date']}", str(row["why"])


def _told(book: Book, visit: Row, pipe_id: str) -> Iterator[Broken]:
    """Residents were told of another day, or there is no time left to tell them."""
    sent = {
        row["for_date"]
        for row in book.listed("notices")
        if row["pipe_id"] == pipe_id and row["sent_on"] and row["for_date"] >= book.first_day
    }
    pins = [row for row in book.listed("pins") if row["setup_id"] == visit["setup_id"]]
    if any(row["for_date"] for row in pins):
        return  # promised by hand: the audit of pins holds it against all days that were told
    if sent:
        if visit["date"] not in sent:
            found = f"{pipe_id} on {visit['date']}"
            yield visit["visit_id"], "notice", found, f"the day told: {', '.join(sorted(sent))}"
        return
    planned = book.week.planned_on
    day = datetime.date.fromisoformat(planned or book.first_day)
    if not planned:
        day = _step(book, day, -1)
    for _ in range(book.week.notice_days):
        day = _step(book, day, 1)
    if visit["date"] < day.isoformat():
        found = f"{pipe_id} on {visit['date']}, nobody told yet"
        yield visit["visit_id"], "notice", found, f"not before {day.isoformat()}"


def _step(book: Book, day: datetime.date, way: int) -> datetime.date:
    """Give the next working day, or the one before."""
    holidays = [
        row
        for row in book.listed("closed")
        if not row["street_class"] and not row["street"] and not row["area"]
    ]
    while True:
        day += datetime.timedelta(days=way)
        closed = any(row["from_date"] <= day.isoformat() <= row["to_date"] for row in holidays)
        if day.weekday() < 5 and not closed:
            return day


def working_days(book: Book, one: str, other: str) -> int:
    """Count the working days after one date up to another."""
    day, end = datetime.date.fromisoformat(one), datetime.date.fromisoformat(other)
    count = 0
    while (day := _step(book, day, 1)) <= end:
        count += 1
    return count
