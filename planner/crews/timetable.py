"""One crew's day: when each stop of a given order starts, or that the order does not fit."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from planner.crews.travel import Travel

# Sleeves on the van, resin on the van [g], share of a day's sleeves: see `standing.share_of`.
Loads = tuple[int, int, int]
Span = tuple[int, int]
# What a van holds that sets no limit; far above any load, far below any overflow.
NO_LIMIT = 1_000_000_000


@dataclass(frozen=True)
class Stop:
    """One set-up as the week sees it; `at` is its row in `Travel`.

    `hours` gives for each date the stretches in which work may start [s from midnight].
    """

    setup_id: str
    pipe_id: str
    node_id: str
    at: int
    work_s: int
    value_s: int
    loads: Loads
    hours: Mapping[str, tuple[Span, ...]]

    def starts(self, date: str) -> tuple[Span, ...]:
        """Give the stretches of a date in which work may start [s]."""
        return self.hours.get(date, ())

    def within(self, first_s: int, last_s: int | None, date: str) -> Stop:
        """Give the stop with the hours of a date from a time on and up to one; None = no end."""
        if not first_s and last_s is None:
            return self
        cut = [
            (max(start, first_s), close if last_s is None else min(close, last_s))
            for start, close in self.starts(date)
        ]
        return replace(self, hours={date: tuple(one for one in cut if one[0] <= one[1])})


@dataclass(frozen=True)
class Pause:
    """The pause of a day: how long, and between which times it must begin [s]."""

    pause_s: int
    from_s: int
    to_s: int


@dataclass(frozen=True)
class CrewDay:
    """One crew on one date: shift, the part of it that may be planned, what the day holds [s].

    `over_s` may be planned beyond `most_s` and the end of the shift, at the price of
    overtime. A day that is under way since `since_s` goes on at `start_s` from row `begin` of
    `Travel`, at manhole `begin_node`.
    """

    crew: str
    date: str
    start_s: int
    end_s: int
    most_s: int
    yard: int
    holds: Loads
    over_s: int = 0
    pause: Pause | None = None
    since_s: int | None = None
    begin: int = -1
    begin_node: str = ""

    @property
    def starts_at(self) -> int:
        """Give the row in `Travel` of the place from which the crew sets out."""
        return self.yard if self.since_s is None else self.begin

    @property
    def out_from_s(self) -> int:
        """Give when the day begins, or began [s]."""
        return self.start_s if self.since_s is None else self.since_s


@dataclass(frozen=True)
class Times:
    """One visit's times from midnight, the drive to it and the pause before its work [s]."""

    arrive_s: int
    pause_s: int
    start_s: int
    end_s: int
    drive_s: int


@dataclass(frozen=True)
class Timetable:
    """A day that fits: when the crew leaves the yard, each visit, the way home [s].

    `end_pause_s` is a pause after the last stop, `over_s` what lies beyond the planned part.
    """

    leave_s: int
    visits: tuple[Times, ...]
    end_pause_s: int
    back_s: int
    over_s: int

    @property
    def drive_s(self) -> int:
        """Give all driving of the day [s]."""
        return sum(visit.drive_s for visit in self.visits) + self.back_s

    @property
    def home_s(self) -> int:
        """Give when the crew is back in the yard [s]."""
        return self.visits[-1].end_s + self.end_pause_s + self.back_s


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


@dataclass
class _Part:
    """One part of a day: the way to it, its length, and when it may begin [s]."""

    way_s: int
    long_s: int
    open_s: int
    close_s: int
    pause: bool = False
    begin_s: int = 0


@dataclass
class _Parts:
    """The parts of a day in their order, timed as early as can be."""

    now_s: int
    rows: list[_Part] = field(default_factory=list)

    def add(self, part: _Part) -> bool:
        """Begin a part as soon as it may; False where that is too late."""
        part.begin_s = max(self.now_s + part.way_s, part.open_s)
        self.rows.append(part)
        self.now_s = part.begin_s + part.long_s
        return part.begin_s <= part.close_s


def timetable(day: CrewDay, stops: Sequence[Stop], roads: Roads) -> Timetable | None:
    """Time a day's stops in their order: home as early, and out as late, as can be.

    The pause is taken on arriving at the first stop that could not be finished before its
    latest time, or after the last; a crew that is out after its earliest time, or home
    before its latest, needs none.

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
        None where a window, the pause, the shift or the planned part of it is broken.
    """
    drives, parks = _ways(day, stops, roads)
    back_s = roads.drive_s(stops[-1].at, day.yard)
    parts = _early(day, stops, [d + p for d, p in zip(drives, parks, strict=True)], back_s)
    if parts is None:
        return None
    rows, home_s = parts.rows, parts.now_s + back_s
    under_way = day.since_s is not None
    for n in range(-1 if under_way else len(rows) - 2, -1, -1):
        latest = rows[n + 1].begin_s - rows[n + 1].way_s - rows[n].long_s
        rows[n].begin_s = min(rows[n].close_s, latest)
    leave_s = day.start_s if under_way else rows[0].begin_s - rows[0].way_s
    out_s = home_s - (day.out_from_s if under_way else leave_s)
    over_s = max(0, out_s - day.most_s, home_s - day.end_s)
    if over_s > day.over_s:
        return None
    return _laid_out(rows, drives, (leave_s, back_s, over_s))


def _ways(day: CrewDay, stops: Sequence[Stop], roads: Roads) -> tuple[list[int], list[int]]:
    before: Stop | None = None
    drives, parks = [], []
    for stop in stops:
        drives.append(roads.drive_s(day.starts_at if before is None else before.at, stop.at))
        there = before is None and day.begin_node == stop.node_id
        parks.append(0 if there else roads.park_s(before, stop))
        before = stop
    return drives, parks


def _early(day: CrewDay, stops: Sequence[Stop], ways: Sequence[int], back_s: int) -> _Parts | None:
    """Put stops and pause in a row, each as early as it may begin; None where one is too late."""
    parts, pause = _Parts(day.start_s), day.pause
    due = pause is not None and day.out_from_s < pause.from_s
    for stop, way_s in zip(stops, ways, strict=True):
        span = _span(stop, day.date, parts.now_s + way_s)
        if span is None:
            return None
        begin_s, left_s = max(parts.now_s + way_s, span[0]), way_s
        if due and pause and begin_s + stop.work_s > pause.to_s:
            if not parts.add(_pause_after(way_s, pause)):
                return None
            due, left_s = False, 0
            span = _span(stop, day.date, parts.now_s)
        if span is None or not parts.add(_Part(left_s, stop.work_s, *span)):
            return None
    if (
        due
        and pause
        and parts.now_s + back_s > pause.to_s
        and not parts.add(_pause_after(0, pause))
    ):
        return None
    return parts


def _pause_after(way_s: int, pause: Pause) -> _Part:
    return _Part(way_s, pause.pause_s, pause.from_s, pause.to_s, pause=True)


def _span(stop: Stop, date: str, ready_s: int) -> Span | None:
    """Give the first stretch in which a stop may still start."""
    return next((span for span in stop.starts(date) if span[1] >= ready_s), None)


def _laid_out(rows: Sequence[_Part], drives: Sequence[int], day: tuple[int, int, int]) -> Timetable:
    leave_s, back_s, over_s = day
    visits: list[Times] = []
    free_s, pause_s = leave_s, 0
    for part in rows:
        if part.pause:
            pause_s = part.long_s
            continue
        drive_s = drives[len(visits)]
        end_s = part.begin_s + part.long_s
        visits.append(Times(free_s + drive_s, pause_s, part.begin_s, end_s, drive_s))
        free_s, pause_s = end_s, 0
    return Timetable(leave_s, tuple(visits), pause_s, back_s, over_s)


def within_loads(day: CrewDay, stops: Sequence[Stop]) -> bool:
    """Say whether van and day hold what `stops` take."""
    return all(sum(stop.loads[n] for stop in stops) <= most for n, most in enumerate(day.holds))
