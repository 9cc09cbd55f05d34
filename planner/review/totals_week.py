"""Net, orders and money of the week as it stands on the page, for each route and the whole."""

from __future__ import annotations

import threading
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass

import pandas as pd

from planner.contracts.facts import Tables
from planner.review.live import Live
from planner.review.week_now import Weeks
from planner.takeoff.estimate import estimate

_OWN = (
    "quantities", "quantity_sums", "orders", "bill", "bill_lines", "bill_sums", "shortages",
)  # fmt: skip


@dataclass(frozen=True)
class Route:
    """One crew's day: its key in the sums, crew, date, how many visits."""

    key: str
    crew: str
    date: str
    visits: int


@dataclass(frozen=True)
class WeekFigures:
    """The sums of one state of the week.

    ``tables`` hold quantity_sums, orders, bill, bill_sums and shortages; ``key`` is that of the
    week in them; ``route_of`` gives the key of each visit's route.
    """

    run: str
    version: int
    key: str
    routes: list[Route]
    tables: Tables
    route_of: Mapping[str, str]

    def level_of(self, key: str) -> str:
        """Say which level a key is of."""
        if key in ("rest", "project"):
            return key
        return "week" if key == self.key else "route"


class WeekTotals:
    """Adds up the week; each of its states once."""

    def __init__(self, live: Live, weeks: Weeks) -> None:
        """Begin with nothing added up."""
        self._live, self._weeks = live, weeks
        self._lock = threading.Lock()
        self._made: WeekFigures | None = None

    def now(self) -> WeekFigures | None:
        """Give the sums of the week as it stands; None where no plan was made yet."""
        week = self._weeks.now()
        if week is None:
            return None
        with self._lock:
            made = self._made
            if made is None or (made.run, made.version) != (week.name, week.version):
                tables = self._added(week.tables, week.version, week.run.first_day)
                key = week.run.first_day or "week"
                visits = week.visits
                keys = (visits["crew"] + "|" + visits["date"]).tolist()
                route_of = dict(zip(visits["visit_id"], keys, strict=True))
                routes = _routes(visits)
                made = WeekFigures(week.name, week.version, key, routes, tables, route_of)
                self._made = made
            return made

    def _added(self, tables: Tables, version: int, first_day: str) -> Tables:
        """Take what the run has added up, or add up anew what people changed."""
        if version == 0 and all(name in tables for name in _OWN):
            return {name: tables[name] for name in _OWN}
        settings = self._live.inputs.settings.takeoff
        made = estimate(tables, settings, first_day=first_day)
        return {name: made[name] for name in _OWN}


def _routes(visits: pd.DataFrame) -> list[Route]:
    counts = Counter(zip(visits["date"], visits["crew"], strict=True))
    return [
        Route(f"{crew}|{date}", str(crew), str(date), count)
        for (date, crew), count in sorted(counts.items())
    ]


def rows_at(frame: pd.DataFrame, level: str, key: str) -> list[Mapping[str, object]]:
    """Give the rows of one level and key as dictionaries by column."""
    own = frame[(frame["level"] == level).to_numpy(bool) & (frame["key"] == key).to_numpy(bool)]
    return [{str(k): v for k, v in row.items()} for row in own.to_dict("records")]
