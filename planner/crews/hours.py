"""On which days and between which hours a set-up may start, from streets, permits and notices."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

import pandas as pd

from planner.contracts import (
    CLOSED,
    NODES,
    NOTICES,
    PERMITS,
    PINS,
    SETUP_HOURS,
    SETUPS,
    WEATHER,
    WINDOWS,
    WORKS,
)
from planner.contracts.facts import Tables
from planner.contracts.hours import WEEKDAYS
from planner.crews.durations import MAIN
from planner.settings import Week
from planner.tables import Table, check, conform

Span = tuple[int, int]
# Steps that shut connections: residents are told before.
SHUTS = frozenset({"sleeve", "reopen", "liner"})
TAKEN_OFF = "taken off the week by hand"


@dataclass(frozen=True)
class Site:
    """Where a set-up opens the street: its manholes, and the area of its pipe."""

    nodes: tuple[str, ...]
    area: str


@dataclass(frozen=True)
class StreetHours:
    """Windows by class and weekday, days without work, permits, and where each manhole lies.

    `places` gives street_class and street by node_id; `default` holds where no window is
    stated for a class and none for all others.
    """

    windows: Mapping[tuple[str, str], Sequence[tuple[int, int, bool]]]
    closed: Sequence[Mapping[str, Any]]
    permits: Sequence[Mapping[str, Any]]
    places: Mapping[str, tuple[str, str]]
    default: Span

    @classmethod
    def of(cls, tables: Tables, week: Week) -> StreetHours:
        """Gather what is stated.

        Parameters
        ----------
        tables
            Of it: nodes; windows, closed and permits where they are there.
        week
            Hours of work where no window is stated.

        Raises
        ------
        TableError
            If a table breaks its contract.
        """
        windows: dict[tuple[str, str], list[tuple[int, int, bool]]] = {}
        for row in _rows(tables, WINDOWS):
            key = (str(row["street_class"]), str(row["weekday"]))
            part = (int(row["open_s"]), int(row["close_s"]), bool(row["permit"]))
            windows.setdefault(key, []).append(part)
        nodes = check(tables["nodes"], NODES)
        places = {
            str(node): (str(kind), str(street))
            for node, kind, street in pd.DataFrame(nodes)[
                ["node_id", "street_class", "street"]
            ].itertuples(index=False)
        }
        closed, permits = _rows(tables, CLOSED), _rows(tables, PERMITS)
        return cls(windows, closed, permits, places, (week.open_s, week.close_s))

    def doubts(self, site: Site) -> list[str]:
        """Say which manholes lie in a street of unknown class, where that matters."""
        if not any(kind for kind, _ in self.windows):
            return []
        unknown = [node for node in site.nodes if not self.places.get(node, ("", ""))[0]]
        return [f"street class of {node} not known: hours of other streets" for node in unknown]

    def on(self, site: Site, day: date) -> tuple[list[Span], str]:
        """Give the hours of one day in which the site may be open, or why there are none."""
        shut = self._shut(site, day)
        if shut:
            return [], shut
        spans: list[Span] | None = None
        for node in dict.fromkeys(site.nodes):
            own, why = self._at(node, day)
            if not own:
                return [], why
            spans = own if spans is None else _both(spans, own)
        if not spans:
            return [], f"{' and '.join(site.nodes)} are never open to work together that day"
        return spans, ""

    def longest_s(self, site: Site) -> int:
        """Give the longest that the site may be open on any weekday [s]; permits set aside."""
        longest = 0
        for weekday in WEEKDAYS:
            spans: list[Span] | None = None
            for node in dict.fromkeys(site.nodes):
                own = [part[:2] for part in self._stated(node, weekday)]
                spans = own if spans is None else _both(spans, own)
            longest = max([longest, *(close - start for start, close in spans or [])])
        return longest

    def needs_permit(self, site: Site) -> bool:
        """Say whether some window of the site holds only under a permit."""
        return any(
            part[2] for node in site.nodes for day in WEEKDAYS for part in self._stated(node, day)
        )

    def _stated(self, node: str, weekday: str) -> Sequence[tuple[int, int, bool]]:
        kind = self.places.get(node, ("", ""))[0]
        for name in dict.fromkeys((kind, "")):
            if any(own == name for own, _ in self.windows):
                return self.windows.get((name, weekday), [])
        return [(*self.default, False)]

    def _at(self, node: str, day: date) -> tuple[list[Span], str]:
        """Give the hours at one manhole."""
        weekday = WEEKDAYS[day.weekday()]
        stated = self._stated(node, weekday)
        kind, street = self.places.get(node, ("", ""))
        if not stated:
            return [], f"{node}: no work on that weekday in a street of class {kind or 'not known'}"
        spans: list[Span] = [part[:2] for part in stated if not part[2]]
        asked: list[Span] = [part[:2] for part in stated if part[2]]
        granted = [
            (int(one["open_s"]), int(one["close_s"]))
            for one in self.permits
            if one["state"] == "granted"
            and one["from_date"] <= day.isoformat() <= one["to_date"]
            and (one["node_id"] == node or (one["street"] and one["street"] == street))
        ]
        spans += _both(asked, granted)
        return sorted(spans), "" if spans else f"{node}: no granted permit for that day"

    def _shut(self, site: Site, day: date) -> str:
        for one in self.closed:
            if not one["from_date"] <= day.isoformat() <= one["to_date"]:
                continue
            kinds = {self.places.get(node, ("", ""))[0] for node in site.nodes}
            streets = {self.places.get(node, ("", ""))[1] for node in site.nodes}
            if (
                one["street_class"] in ("", *kinds)
                and one["street"] in ("", *streets)
                and one["area"] in ("", site.area)
            ):
                return f"no work that day: {one['why']}"
        return ""

    def works_on(self, day: date) -> bool:
        """Say whether a day is a working day: Monday to Friday, closed to none as a whole."""
        blank = ("street_class", "street", "area")
        return day.weekday() < 5 and not any(
            one["from_date"] <= day.isoformat() <= one["to_date"]
            and not any(one[name] for name in blank)
            for one in self.closed
        )


def _rows(tables: Tables, table: Table) -> list[dict[str, Any]]:
    if table.name not in tables:
        return []
    rows = check(tables[table.name], table).to_dict("records")
    return [{str(k): v for k, v in row.items()} for row in rows]


def _both(one: Iterable[Span], other: Iterable[Span]) -> list[Span]:
    """Give the stretches that lie in both."""
    other = list(other)
    cut = [(max(a, c), min(b, d)) for a, b in one for c, d in other]
    return sorted({(start, close) for start, close in cut if start < close})


def site_of(steps: str, ends: tuple[str, str], area: str) -> Site:
    """Give where a set-up opens the street: one that sets sleeves needs both manholes.

    Parameters
    ----------
    steps
        Steps, '+' between.
    ends
        Manhole that the crew stands at, and the other.
    area
        Area of the pipe.
    """
    both = any(step in MAIN for step in steps.split("+"))
    return Site(tuple(dict.fromkeys(ends if both and ends[1] else ends[:1])), area)


def after_working_days(hours: StreetHours, start: date, count: int) -> date:
    """Give the day that lies `count` working days after `start`."""
    day = start
    while count > 0:
        day += timedelta(days=1)
        count -= hours.works_on(day)
    return day


def planned_on(hours: StreetHours, first_day: str, week: Week) -> date:
    """Give the day on which the plan is made: stated, or the working day before the first."""
    if week.planned_on:
        return date.fromisoformat(week.planned_on)
    day = date.fromisoformat(first_day) - timedelta(days=1)
    while not hours.works_on(day):
        day -= timedelta(days=1)
    return day


def find_hours(tables: Tables, week: Week, first_day: str) -> pd.DataFrame:
    """Say of each set-up and day of the week when work may start, or why it may not.

    The street must be free at each manhole that is open; the last start leaves time for
    the work and, where a sleeve is set, for `reserve_s` after it. What shuts connections
    wants `notice_days` working days from the day of planning, unless its notice is sent:
    then the day that it names is promised, and is the only one. What people promised, put
    off or took off the week by hand counts alike (`PINS`).

    Parameters
    ----------
    tables
        Of it: setups, pipes, nodes; windows, closed, permits, weather, notices, and works with
        setup_works, and pins, where they are there.
    week
        Hours where none are stated, reserve, notice, days.
    first_day
        YYYY-MM-DD; without it no day can be named.

    Returns
    -------
    setup_hours
        Obeys `SETUP_HOURS`.

    Raises
    ------
    TableError
        If a table breaks its contract.
    """
    if not first_day:
        return conform([], SETUP_HOURS)
    hours = StreetHours.of(tables, week)
    start = date.fromisoformat(first_day)
    days = [start + timedelta(days=n) for n in range(week.days)]
    told = _told(tables, first_day)
    off, pins = _put_off_until(tables), _pins(tables)
    earliest = after_working_days(hours, planned_on(hours, first_day, week), week.notice_days)
    forecast = {(str(one["date"]), str(one["weather"])) for one in _rows(tables, WEATHER)}
    uses = dict(zip(tables["pipes"]["pipe_id"], tables["pipes"]["use"], strict=True))
    areas = dict(zip(tables["pipes"]["pipe_id"], tables["pipes"]["area"], strict=True))
    rows: list[dict[str, Any]] = []
    for setup in pd.DataFrame(check(tables["setups"], SETUPS)).to_dict("records"):
        steps, use = str(setup["steps"]), str(uses.get(setup["pipe_id"], ""))
        ends = (str(setup["node_id"]), str(setup["other_node_id"]))
        site = site_of(steps, ends, str(areas.get(setup["pipe_id"], "")))
        shuts = bool(SHUTS & set(steps.split("+")))
        pin = pins.get(str(setup["setup_id"]), {})
        sent = told.get(str(setup["pipe_id"]), set()) if shuts else set()
        sent = sent | {pin["for_date"]} if pin.get("for_date") else sent
        last_s = int(setup["work_s"]) + (week.reserve_s if "sleeve" in steps.split("+") else 0)
        base = {
            "setup_id": setup["setup_id"],
            "promised": bool(sent) or hours.needs_permit(site),
            "notice_days": week.notice_days if shuts else 0,
        }
        for day in days:
            spans, why = hours.on(site, day)
            until = max(off.get(str(setup["setup_id"]), ""), pin.get("not_before", ""))
            why = why or (f"put off until {until}" if day.isoformat() < until else "")
            why = f"{TAKEN_OFF}: {pin['by']}" if pin.get("off") else why
            why = why or _put_off(day, steps.split("+"), use, forecast, week)
            why = why or _notice(day, sent, earliest if shuts else None)
            starts = [(a, b - last_s) for a, b in spans if b - last_s >= a] if not why else []
            if not why and not starts:
                why = f"takes {last_s / 3600:.1f} h with reserve, the street is free for less"
            base |= {"date": day.isoformat(), "reason": why}
            rows += [{**base, "open_s": a, "close_s": b} for a, b in starts] or [base.copy()]
    return conform(rows, SETUP_HOURS)


def _told(tables: Tables, first_day: str) -> dict[str, set[str]]:
    """Give the days that sent notices name, by pipe; a day that has passed binds nobody."""
    told: dict[str, set[str]] = {}
    for one in _rows(tables, NOTICES):
        if one["sent_on"] and one["for_date"] >= first_day:
            told.setdefault(str(one["pipe_id"]), set()).add(str(one["for_date"]))
    return told


def _pins(tables: Tables) -> dict[str, dict[str, Any]]:
    """Give what people said by hand, by set-up."""
    return {str(one["setup_id"]): one for one in _rows(tables, PINS)}


def _put_off_until(tables: Tables) -> dict[str, str]:
    """Give the day before which a set-up holds a work that is put off, by set-up."""
    if "works" not in tables or "setup_works" not in tables:
        return {}
    later = check(tables["works"], WORKS)
    later = later[(later["not_before"] != "").to_numpy(dtype=bool)]
    pairs = tables["setup_works"].merge(later[["work_id", "not_before"]], on="work_id")
    return {str(k): str(v) for k, v in pairs.groupby("setup_id")["not_before"].max().items()}


def _put_off(
    day: date, steps: Sequence[str], use: str, forecast: set[tuple[str, str]], week: Week
) -> str:
    """Say that a forecast puts a step off; rain and storm spare what carries foul water alone."""
    for weather, stopped in week.weather_stops.items():
        wet = weather in ("rain", "storm")
        if (day.isoformat(), weather) in forecast and not (wet and use == "foul"):
            off = [step for step in steps if step in stopped]
            if off:
                return f"{weather} is forecast: {', '.join(off)} put off"
    return ""


def _notice(day: date, sent: set[str], earliest: date | None) -> str:
    if sent:
        named = ", ".join(sorted(sent))
        return "" if day.isoformat() in sent else f"residents were told of {named}"
    if earliest and day < earliest:
        return f"residents must be told first: {earliest.isoformat()} is the earliest day"
    return ""
