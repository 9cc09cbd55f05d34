"""What of a standing plan is a fact at an instant: visits that took place or are under way."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date as day
from datetime import datetime
from typing import Any

import pandas as pd

from planner.contracts import SETUP_WORKS, VISITS
from planner.contracts.journal import WORK_STATES
from planner.errors import TableError
from planner.tables import check

Row = dict[str, Any]
DAY_S = 86_400


@dataclass(frozen=True)
class Instant:
    """A date and the seconds from its midnight."""

    date: str
    s: int

    @classmethod
    def of(cls, text: str) -> Instant:
        """Read YYYY-MM-DDTHH:MM.

        Raises
        ------
        TableError
            If it is none.
        """
        try:
            stamp = datetime.strptime(text, "%Y-%m-%dT%H:%M")  # noqa: DTZ007 - the town's own clock
        except ValueError:
            message = f"wants YYYY-MM-DDTHH:MM, found '{text}'"
            raise TableError(message) from None
        return cls(stamp.date().isoformat(), stamp.hour * 3600 + stamp.minute * 60)

    def on(self, date: str) -> int:
        """Give this instant as seconds from the midnight of another date [s]: a night goes on."""
        return self.s + DAY_S * (day.fromisoformat(self.date) - day.fromisoformat(date)).days

    def after(self, date: str, s: int) -> bool:
        """Say whether this instant lies after another, or is it."""
        return self.on(date) >= s


@dataclass(frozen=True)
class Fact:
    """A set-up that was worked at: how it stands, who was there, on which date, from when [s].

    `state` is ``started`` while the crew is there, else ``done`` or ``failed``; `left` are its
    works that are still to do, `row` its visit as it stands in the plan, {} = it is none of it.
    """

    setup_id: str
    state: str
    crew: str
    date: str
    at_s: int
    left: tuple[str, ...]
    why: str
    row: Row


@dataclass(frozen=True)
class _Said:
    state: str
    at: Instant
    crew: str
    reason: str


def facts_of(
    visits: pd.DataFrame, setup_works: pd.DataFrame, states: pd.DataFrame, at: Instant
) -> dict[str, Fact]:
    """Find the set-ups of the standing plan at which somebody worked.

    One that was only put off (``deferred``) was not worked at. One of whose works some are
    done and none is under way is still gone on with where nothing was reported by its crew
    since, on that date.

    Parameters
    ----------
    visits
        Obeys `VISITS`: the standing plan.
    setup_works
        Obeys `SETUP_WORKS`: of the standing plan.
    states
        Obeys `WORK_STATES`; what is reported from after `at` does not count.
    at
        The instant.

    Returns
    -------
    facts
        By setup_id.

    Raises
    ------
    TableError
        If a table breaks its contract.
    """
    said = _said(states, at)
    works = check(setup_works, SETUP_WORKS).groupby("setup_id")["work_id"].agg(list).to_dict()
    latest: dict[tuple[str, str], int] = {}
    for one in said.values():
        key = (one.crew, one.at.date)
        latest[key] = max(latest.get(key, 0), one.at.s)
    found = {}
    for row in check(visits, VISITS).to_dict("records"):
        plain = {str(name): value for name, value in row.items()}
        fact = _fact(plain, works.get(row["setup_id"], []), said, latest, at)
        if fact is not None:
            found[fact.setup_id] = fact
    return found


def _said(states: pd.DataFrame, at: Instant) -> dict[str, _Said]:
    found = {}
    rows = check(states, WORK_STATES)
    for row in rows[rows["state"] != "open"].to_dict("records"):
        when = Instant.of(str(row["at"])) if row["at"] else Instant("", 0)
        if not when.date or at.after(when.date, when.s):
            said = _Said(str(row["state"]), when, str(row["crew"]), str(row["reason"]))
            found[str(row["work_id"])] = said
    return found


def _by_night(said: _Said, row: Row) -> _Said:
    """Count what is reported after the midnight of a night's visit to the date of that night."""
    night = int(row["end_s"]) > DAY_S and said.crew in ("", row["crew"])
    if not night or not said.at.date or not 0 < said.at.on(row["date"]) - said.at.s <= DAY_S:
        return said
    return replace(said, at=Instant(str(row["date"]), said.at.on(row["date"])))


def _fact(
    row: Row,
    work_ids: list[str],
    said: Mapping[str, _Said],
    latest: Mapping[tuple[str, str], int],
    at: Instant,
) -> Fact | None:
    own = {one: _by_night(said[one], row) for one in work_ids if one in said}
    left = tuple(one for one in work_ids if one not in own or own[one].state == "deferred")
    real = [one for one in own.values() if one.state != "deferred"]
    if not real:
        return None
    states = {one.state for one in real}
    why = "; ".join(sorted({one.reason for one in real if one.reason}))
    last = max(real, key=lambda one: (one.at.date, one.at.s))
    crew, date = last.crew or str(row["crew"]), last.at.date or str(row["date"])
    here = bool(last.at.date) and at.on(last.at.date) < late_s(row)
    here = here and latest.get((last.crew, last.at.date), 0) <= last.at.s
    state = "started" if "started" in states else "failed" if "failed" in states else "done"
    if state == "started" and not at.on(date) < late_s(row):
        state, why = "done", f"started on {date}, never reported done: report it"
    goes_on = state == "done" and bool(left) and here
    begun = [one.at.s for one in real if one.at.date == date and one.state == "started"]
    if state == "started" or goes_on:
        state, left = "started", ()
    return Fact(str(row["setup_id"]), state, crew, date, min([*begun, last.at.s]), left, why, row)


def late_s(row: Row) -> int:
    """Give until when a visit can be under way [s from midnight of its date]: a night's is long."""
    return max(DAY_S, int(row["end_s"]) + DAY_S // 4) if int(row["end_s"]) > DAY_S else DAY_S


def fact_rows(
    facts: Mapping[str, Fact], work_s: Mapping[str, int], at: Instant, days: tuple[str, str]
) -> list[Row]:
    """Lay out the facts of a week as visits: as planned, or where they took place instead.

    A visit that took place where it was planned keeps its times, unless they begin after
    `at`: then they are moved before it; what is over by then ends by then. Places in the day
    are numbered anew.

    Parameters
    ----------
    facts
        Of `facts_of`.
    work_s
        Time on site by setup_id [s].
    at
        The instant.
    days
        First and last date of the week.
    """
    rows = []
    for fact in facts.values():
        if not days[0] <= fact.date <= days[1]:
            continue
        long_s = work_s.get(fact.setup_id, int(fact.row["end_s"]) - int(fact.row["start_s"]))
        row = dict(fact.row)
        if (fact.crew, fact.date) != (row["crew"], row["date"]):
            start = fact.at_s if fact.state == "started" else max(0, fact.at_s - long_s)
            row |= {"crew": fact.crew, "date": fact.date, "arrive_s": start, "start_s": start}
            row |= {"pause_s": 0, "end_s": start + long_s, "drive_s": 0, "drive_m": 0.0}
        elif not at.after(row["date"], int(row["start_s"]) + 1):
            back = int(row["start_s"]) - max(0, _before(fact, at, long_s))
            for name in ("arrive_s", "start_s", "end_s"):
                row[name] = max(0, int(row[name]) - back)
        if fact.state != "started":
            row["end_s"] = max(int(row["start_s"]), min(int(row["end_s"]), at.on(row["date"])))
        rows.append(row)
    rows.sort(key=lambda row: (row["crew"], row["date"], row["start_s"], row["setup_id"]))
    count: dict[tuple[str, str], int] = {}
    for row in rows:
        key = (row["crew"], row["date"])
        row["seq"] = count[key] = count.get(key, 0) + 1
        row["visit_id"] = f"{row['crew']}|{row['date']}|{row['seq']}"
    return rows


def _before(fact: Fact, at: Instant, long_s: int) -> int:
    """Give a start before `at` for a visit that began earlier than planned [s]."""
    if fact.state == "started":
        return min(fact.at_s, at.on(fact.date) - 1)
    return min(at.on(fact.date) - 1, max(0, at.on(fact.date) - long_s))
