"""A week with the stops that a person moved by hand: each day that changes is timed anew.

It is the person's plan: a stop stands where it was put though its day has no time for it. Then
the day runs on as if it had, and the audit says what it breaks. Days that nobody changed stay
as they stood.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import Any

import pandas as pd

from planner.contracts import UNSERVED, VISITS
from planner.contracts.facts import Tables
from planner.crews.edited import BY_HAND
from planner.crews.frozen import DAY_S, Fact, Instant
from planner.crews.ties import Ties
from planner.crews.timetable import (
    NO_LIMIT,
    CrewDay,
    Roads,
    Stop,
    Timetable,
    timetable,
    within_loads,
)
from planner.crews.travel import Travel
from planner.crews.underway import days_ahead
from planner.crews.week import day_rows, lay_out
from planner.settings import Week
from planner.tables import conform, records_in

Row = dict[str, Any]
Key = tuple[str, str]
"""A crew and a date."""
_LATE_S = 4 * DAY_S


@dataclass(frozen=True)
class HandMade:
    """Visits (`VISITS`), set-ups without one (`UNSERVED`), and the days that were timed anew."""

    visits: pd.DataFrame
    unserved: pd.DataFrame
    changed: frozenset[Key]


@dataclass
class WeekByHand:
    """A week as a run left it, laid out so that stops can be moved in it.

    `orders` gives the set-ups of each crew-day in their order, those that are past not among
    them; `rows` are the visits as they stood.
    """

    stops: Mapping[str, Stop]
    days: Mapping[Key, CrewDay]
    ties: Ties
    roads: Roads
    rows: Mapping[str, Row]
    past: Mapping[Key, list[Row]]
    orders: dict[Key, list[str]]
    off: dict[str, str] = field(default_factory=dict)

    @classmethod
    def of(cls, tables: Tables, ways: Travel, week: Week, first_day: str, at: str) -> WeekByHand:
        """Lay out a week.

        Parameters
        ----------
        tables
            Of a run; see `planner.runs.WEEK_TABLES`.
        ways, week, first_day
            As for `plan_week`.
        at
            YYYY-MM-DDTHH:MM from which it was planned again; '' = it was not.
        """
        listed, days = lay_out(tables, ways, week, first_day)
        stops = {stop.setup_id: stop for stop in listed}
        past: dict[Key, list[Row]] = {}
        orders: dict[Key, list[str]] = {}
        begun = Instant.of(at) if at else None
        rows = records_in(tables["visits"].sort_values(["crew", "date", "seq"], kind="stable"))
        for row in rows:
            key = (str(row["crew"]), str(row["date"]))
            if begun is not None and int(row["start_s"]) < begun.on(key[1]):
                past.setdefault(key, []).append(row)
            else:
                orders.setdefault(key, []).append(str(row["setup_id"]))
        if begun is not None:
            days = _rests(days, past, stops, begun)
        return cls(
            stops,
            {(day.crew, day.date): day for day in days},
            Ties.of(tables, listed, week, first_day),
            Roads(ways, week.manoeuvre_s),
            {str(row["setup_id"]): row for row in rows},
            past,
            orders,
        )

    @property
    def gone(self) -> frozenset[str]:
        """Give the set-ups whose visits are past: nobody moves them."""
        return frozenset(str(row["setup_id"]) for own in self.past.values() for row in own)

    def apply(self, edits: Sequence[Row]) -> frozenset[Key]:
        """Move stops as people said, in the order in which they said it; give the days changed.

        Parameters
        ----------
        edits
            Rows of `WEEK_EDITS` in force that move a set-up or take it off.
        """
        before = {key: list(order) for key, order in self.orders.items()}
        for edit in sorted(edits, key=lambda one: int(one["version"])):
            self.move(edit)
        keys = before.keys() | self.orders.keys()
        return frozenset(k for k in keys if before.get(k, []) != self.orders.get(k, []))

    def move(self, edit: Mapping[str, Any]) -> None:
        """Move one stop to a crew, a day and behind another stop, or take it off the week."""
        setup_id, key = str(edit["setup_id"]), (str(edit["crew"]), str(edit["date"]))
        if setup_id not in self.stops or setup_id in self.gone:
            return
        for order in self.orders.values():
            if setup_id in order:
                order.remove(setup_id)
        self.off.pop(setup_id, None)
        if edit["change"] != "move":
            self.off[setup_id] = BY_HAND
            return
        if key not in self.days:
            self.off[setup_id] = f"moved to {key[0]} on {key[1]}, which has no shift left then"
            return
        order, after = self.orders.setdefault(key, []), str(edit["after_id"])
        first = 0 if not after or after in self.gone else len(order)
        order.insert(order.index(after) + 1 if after in order else first, setup_id)

    def timed(self, changed: frozenset[Key]) -> list[Row]:
        """Give all visits, those of changed days with their times anew."""
        floors: dict[str, int] = {}
        ends = {
            one: (str(row["date"]), int(row["end_s"]))
            for one, row in self.rows.items()
            if (row["crew"], row["date"]) not in changed or one in self.gone
        }
        found: dict[Key, Timetable] = {}
        depth = max((self.ties.depth(n) for n in range(len(self.stops))), default=0)
        for _ in range(1 + depth):
            for key in sorted(changed):
                order = self.orders.get(key, [])
                if order:
                    found[key] = forced(self.days[key], self._own(order, floors), self.roads)
                    times = zip(order, found[key].visits, strict=True)
                    ends |= {one: (key[1], time.end_s) for one, time in times}
            floors = self._floors(ends)
        rows = [row for row in self.rows.values() if (row["crew"], row["date"]) not in changed]
        for key in sorted(changed):
            rows += self._day(key, found)
        return rows

    def _own(self, order: Sequence[str], floors: Mapping[str, int]) -> list[Stop]:
        dates = {one: key[1] for key, own in self.orders.items() for one in own}
        return [self.stops[one].within(floors.get(one, 0), None, dates[one]) for one in order]

    def _floors(self, ends: Mapping[str, tuple[str, int]]) -> dict[str, int]:
        """Let each stop start after what comes before it on the same date."""
        names = list(self.stops)
        at = {one: n for n, one in enumerate(names)}
        found: dict[str, int] = {}
        for key, order in self.orders.items():
            for one in order:
                before = [names[n] for n, _ in self.ties.before[at[one]]]
                own = [ends[other][1] for other in before if ends.get(other, ("",))[0] == key[1]]
                if own:
                    found[one] = max(own)
        return found

    def _day(self, key: Key, found: Mapping[Key, Timetable]) -> list[Row]:
        """Lay out one changed day, what is past of it first."""
        past, order = self.past.get(key, []), self.orders.get(key, [])
        if not order:
            return past if len(past) == 0 or past[-1]["back_s"] else [*past[:-1], self._home(past)]
        own = [self.stops[one] for one in order]
        rows = day_rows(self.days[key], own, found[key], self.roads.ways)
        for row in rows:
            row["seq"] += len(past)
            row["visit_id"] = f"{key[0]}|{key[1]}|{row['seq']}"
        return [*({**row, "end_pause_s": 0, "back_s": 0, "back_m": 0.0} for row in past), *rows]

    def _home(self, past: Sequence[Row]) -> Row:
        """Send a crew home after its last visit."""
        last, ways = past[-1], self.roads.ways
        here, yard = ways.setup_at[last["setup_id"]], ways.crew_at[last["crew"]]
        back = {"back_s": int(ways.seconds[here, yard]), "back_m": float(ways.metres[here, yard])}
        return last | back | {"by_air": bool(last["by_air"]) or bool(ways.air[here, yard])}

    def left(self, unserved: pd.DataFrame) -> pd.DataFrame:
        """Give what has no visit: what the run left out and nobody put in, what was taken off."""
        on = {one for order in self.orders.values() for one in order} | self.gone
        reasons = dict(zip(unserved["setup_id"], unserved["reason"], strict=True)) | self.off
        rows = [{"setup_id": k, "reason": v} for k, v in reasons.items() if k not in on]
        return conform(rows, UNSERVED)

    def places(self, setup_id: str, key: Key) -> list[int]:
        """Give the places of a stop in a day's order, those that it fits first, then by detour."""
        stop, day = self.stops[setup_id], self.days[key]
        own = [self.stops[one] for one in self.orders.get(key, []) if one != setup_id]
        ranked = []
        for at in range(len(own) + 1):
            order = [*own[:at], stop, *own[at:]]
            fits = timetable(day, order, self.roads) is not None and within_loads(day, order)
            ranked.append((not fits, self._driven_s(day, order), at))
        return [at for _, _, at in sorted(ranked)]

    def _driven_s(self, day: CrewDay, order: Sequence[Stop]) -> int:
        at = [day.starts_at, *(stop.at for stop in order), day.yard]
        return sum(self.roads.drive_s(a, b) for a, b in pairwise(at))


def make_by_hand(
    tables: Tables,
    edits: Sequence[Row],
    ways: Travel,
    week: Week,
    *,
    first_day: str,
    at: str = "",
) -> HandMade:
    """Give a run's week with what people moved in it.

    Parameters
    ----------
    tables, ways, week, first_day, at
        As for `WeekByHand.of`.
    edits
        Rows of `WEEK_EDITS` in force that move a set-up or take it off.
    """
    if not edits:
        return HandMade(tables["visits"], tables["unserved"], frozenset())
    by_hand = WeekByHand.of(tables, ways, week, first_day, at)
    changed = by_hand.apply(edits)
    visits = conform(by_hand.timed(changed), VISITS)
    return HandMade(visits, by_hand.left(tables["unserved"]), changed)


def forced(day: CrewDay, stops: Sequence[Stop], roads: Roads) -> Timetable:
    """Time a day's stops in their order, come what may.

    As `timetable` where they fit. Else shift, planned part and overtime set no limit; where
    that leaves no time for the pause there is none; and a stop that its street has no hours for
    then starts as soon as the crew is there.
    """
    free = replace(day, over_s=NO_LIMIT)
    restless = replace(free, pause=None)
    found = (
        timetable(day, stops, roads)
        or timetable(free, stops, roads)
        or timetable(restless, stops, roads)
        or timetable(free, _opened(free, stops, roads), roads)
        or timetable(restless, _opened(restless, stops, roads), roads)
    )
    if found is None:
        message = f"the day of {day.crew} on {day.date} cannot be timed"
        raise AssertionError(message)
    return found


def _opened(day: CrewDay, stops: Sequence[Stop], roads: Roads) -> list[Stop]:
    """Give each stop that cannot start in its hours all hours of its date from its own first."""
    own: list[Stop] = []
    for stop in stops:
        if timetable(day, [*own, stop], roads) is None:
            first_s = min((span[0] for span in stop.starts(day.date)), default=0)
            stop = replace(stop, hours={day.date: ((first_s, first_s + _LATE_S),)})  # noqa: PLW2901
        own.append(stop)
    return own


def _rests(
    days: Sequence[CrewDay], past: Mapping[Key, list[Row]], stops: Mapping[str, Stop], at: Instant
) -> list[CrewDay]:
    """Give what is left of the days at an instant; a visit under way is ended first."""
    rows = [row for own in past.values() for row in own]
    facts = {
        str(row["setup_id"]): Fact(
            str(row["setup_id"]),
            "done" if at.after(str(row["date"]), int(row["end_s"])) else "started",
            str(row["crew"]), str(row["date"]), 0, (), "", row,
        )
        for row in rows
    }  # fmt: skip
    return days_ahead(days, rows, facts, stops, at)
