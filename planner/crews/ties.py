"""What binds stops of a week to each other: which follows which, which keep apart."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from functools import cache

import pandas as pd

from planner.contracts import SETUP_AFTER, SETUP_APART
from planner.contracts.facts import Tables
from planner.contracts.hours import DAY_S
from planner.crews.hours import StreetHours
from planner.crews.timetable import Stop
from planner.settings import Week
from planner.tables import check

# When a stop is served: its date, start and end [s from midnight].
When = tuple[str, int, int]


@cache
def midnight_s(day: str) -> int:
    """Give the midnight with which a date begins, on a clock that runs on from day to day [s]."""
    return date.fromisoformat(day).toordinal() * DAY_S


def moments(when: When) -> tuple[int, int]:
    """Give start and end on a clock that runs on from day to day [s]: nights end the next day."""
    return midnight_s(when[0]) + when[1], midnight_s(when[0]) + when[2]


@dataclass(frozen=True)
class Ties:
    """For each stop by position: what comes before it, what waits for it, what keeps apart.

    `before` holds pairs of position and working days for which the earlier stop is good
    (None: it stays good); `workday` counts working days by date.
    """

    before: tuple[tuple[tuple[int, int | None], ...], ...]
    later: tuple[tuple[int, ...], ...]
    apart: tuple[frozenset[int], ...]
    workday: Mapping[str, int]

    @classmethod
    def of(cls, tables: Tables, stops: Sequence[Stop], week: Week, first_day: str) -> Ties:
        """Gather the ties between stops.

        Parameters
        ----------
        tables
            Of it: nodes; setup_after, setup_apart, closed where they are there.
        stops
            The stops; a tie to a set-up that is none of them is left out.
        week, first_day
            Days of the week.

        Raises
        ------
        TableError
            If a table breaks its contract.
        """
        at = {stop.setup_id: n for n, stop in enumerate(stops)}
        before: list[list[tuple[int, int | None]]] = [[] for _ in stops]
        later: list[list[int]] = [[] for _ in stops]
        apart: list[set[int]] = [set() for _ in stops]
        if "setup_after" in tables:
            rows = check(tables["setup_after"], SETUP_AFTER)
            names = ["setup_id", "after_id", "valid_days"]
            for one, other, days in rows[names].itertuples(index=False):
                if one in at and other in at:
                    good = None if pd.isna(days) else int(days)
                    before[at[one]].append((at[other], good))
                    later[at[other]].append(at[one])
        if "setup_apart" in tables:
            rows = check(tables["setup_apart"], SETUP_APART)
            for one, other in rows[["setup_id", "other_id"]].itertuples(index=False):
                if one in at and other in at:
                    apart[at[one]].add(at[other])
                    apart[at[other]].add(at[one])
        return cls(
            tuple(tuple(sorted(own, key=lambda tie: tie[0])) for own in before),
            tuple(tuple(sorted(own)) for own in later),
            tuple(frozenset(own) for own in apart),
            _workdays(tables, week, first_day),
        )

    def only(self, stops: Sequence[int]) -> Ties:
        """Give the ties among some stops alone, by their places in `stops`."""
        new = {old: n for n, old in enumerate(stops)}
        return Ties(
            tuple(
                tuple((new[one], good) for one, good in self.before[n] if one in new) for n in stops
            ),
            tuple(tuple(new[one] for one in self.later[n] if one in new) for n in stops),
            tuple(frozenset(new[one] for one in self.apart[n] if one in new) for n in stops),
            self.workday,
        )

    def depth(self, stop: int) -> int:
        """Give how many stops, one behind the other, come before a stop."""
        return max((1 + self.depth(one) for one, _ in self.before[stop]), default=0)

    def chain(self, stop: int) -> list[int]:
        """Give all that must come before a stop, each after what it waits for itself."""
        found: list[int] = []
        for one, _ in self.before[stop]:
            found += [other for other in [*self.chain(one), one] if other not in found]
        return found

    def in_time(self, early: str, late: str, valid_days: int | None) -> bool:
        """Say whether what is done on one date can come before another date, good still."""
        if early > late:
            return False
        return valid_days is None or self.workday[late] - self.workday[early] <= valid_days

    def good(self, early: When, late: When, valid_days: int | None) -> bool:
        """Say whether one stop comes before another, and is still good for it."""
        if moments(early)[1] > moments(late)[0]:
            return False
        return self.in_time(early[0], late[0], valid_days)


def _workdays(tables: Tables, week: Week, first_day: str) -> dict[str, int]:
    """Count working days from the first day on: a day off counts as the working day before it."""
    if not first_day:
        return {}
    hours = StreetHours.of(tables, week)
    day, count, found = date.fromisoformat(first_day), 0, {}
    for _ in range(week.days):
        count += hours.works_on(day)
        found[day.isoformat()] = count
        day += timedelta(days=1)
    return found
