"""One crew's day: when each stop of a given order starts, or that the order does not fit."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from planner.crews.travel import Travel

# Sleeves on the van, resin on the van [g], share of a day's sleeves: see `standing.share_of`.
Loads = tuple[int, int, int]


@dataclass(frozen=True)
class Stop:
    """One set-up as the week sees it; `at` is its row in `Travel`."""

    setup_id: str
    pipe_id: str
    node_id: str
    at: int
    work_s: int
    open_s: int
    close_s: int
    value_s: int
    loads: Loads


@dataclass(frozen=True)
class CrewDay:
    """One crew on one date: shift, the part of it that may be planned, what the day holds [s]."""

    crew: str
    date: str
    start_s: int
    end_s: int
    most_s: int
    yard: int
    holds: Loads


@dataclass(frozen=True)
class Times:
    """One visit's times from midnight, and the drive to it [s]."""

    arrive_s: int
    start_s: int
    end_s: int
    drive_s: int


@dataclass(frozen=True)
class Timetable:
    """A day that fits: when the crew leaves the yard, each visit, the drive home [s]."""

    leave_s: int
    visits: tuple[Times, ...]
    back_s: int

    @property
    def drive_s(self) -> int:
        """Give all driving of the day [s]."""
        return sum(visit.drive_s for visit in self.visits) + self.back_s


@dataclass(frozen=True)
class Roads:
    """Drives, and the time to park where a crew changes its standing place [s]."""

    ways: Travel
    manoeuvre_s: int

    def drive_s(self, one: int, other: int) -> int:
        """Give the drive between two rows of `Travel` [s]."""
        return int(self.ways.seconds[one, other])

    def park_s(self, before: Stop | None, stop: Stop) -> int:
        """Give the time to park [s]; at the manhole where it stands already a crew has parked."""
        return 0 if before is not None and before.node_id == stop.node_id else self.manoeuvre_s


def timetable(day: CrewDay, stops: Sequence[Stop], roads: Roads) -> Timetable | None:
    """Time a day's stops in their order: home as early, and out as late, as can be.

    Parameters
    ----------
    day
        The crew's day.
    stops
        In order of driving, at least one.
    roads
        Drives.

    Returns
    -------
    timetable
        None where a window, the shift or the planned part of it is broken.
    """
    before: Stop | None = None
    now, at = day.start_s, day.yard
    drives, parks, starts = [], [], []
    for stop in stops:
        drives.append(roads.drive_s(at, stop.at))
        parks.append(roads.park_s(before, stop))
        start = max(now + drives[-1] + parks[-1], stop.open_s)
        if start > stop.close_s:
            return None
        starts.append(start)
        now, at, before = start + stop.work_s, stop.at, stop
    back_s = roads.drive_s(at, day.yard)
    for n in range(len(stops) - 2, -1, -1):
        latest = starts[n + 1] - parks[n + 1] - drives[n + 1] - stops[n].work_s
        starts[n] = min(stops[n].close_s, latest)
    leave_s = starts[0] - parks[0] - drives[0]
    home_s = now + back_s
    if home_s > day.end_s or home_s - leave_s > day.most_s:
        return None
    visits = []
    free_s = leave_s
    for n, stop in enumerate(stops):
        end_s = starts[n] + stop.work_s
        visits.append(Times(free_s + drives[n], starts[n], end_s, drives[n]))
        free_s = end_s
    return Timetable(leave_s, tuple(visits), back_s)


def within_loads(day: CrewDay, stops: Sequence[Stop]) -> bool:
    """Say whether van and day hold what `stops` take."""
    return all(sum(stop.loads[n] for stop in stops) <= most for n, most in enumerate(day.holds))
