"""A week on the board: routes checked by the clock alone, stops put in, the rest explained."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from planner.crews.shelf import Shelf
from planner.crews.ties import Ties, When, midnight_s, moments
from planner.crews.timetable import (
    CrewDay,
    Roads,
    Stop,
    Timetable,
    timetable,
    within_loads,
)


def _at_once(one: When, other: When) -> bool:
    (start, end), (begin, close) = moments(one), moments(other)
    return start < close and begin < end


@dataclass(frozen=True)
class Spot:
    """A place in the week: the detour [s], the day by position, its new order, earliest start [s].

    ``order`` is empty where there is no place.
    """

    detour_s: int = 0
    day: int = -1
    order: tuple[int, ...] = ()
    floor_s: int = 0


@dataclass
class Board:
    """Stops, crew-days, who can do what, and the routes so far: day to positions of stops.

    `floors` and `ceilings` hold when a stop may start at the earliest and at the latest [s],
    for what is served before it or after it on the same day.
    """

    stops: Sequence[Stop]
    days: Sequence[CrewDay]
    able: npt.NDArray[np.bool_]
    roads: Roads
    shelf: Shelf
    ties: Ties
    overtime_cost_s: int = 0
    routes: dict[int, list[int]] = field(default_factory=dict)
    floors: dict[int, int] = field(default_factory=dict)
    ceilings: dict[int, int] = field(default_factory=dict)
    _known: dict[tuple[object, ...], Timetable | None] = field(default_factory=dict)

    @property
    def served(self) -> list[int]:
        """Give the positions of the stops that have a place, in order of setup_id."""
        return sorted(stop for order in self.routes.values() for stop in order)

    @property
    def cost_s(self) -> int:
        """Give driving, overtime at its price, and the value of what has no place [s]."""
        tables = [self.timed(day, order) for day, order in self.routes.items()]
        driven = sum(t.drive_s + self.overtime_cost_s * t.over_s for t in tables if t)
        served = set(self.served)
        return driven + sum(s.value_s for n, s in enumerate(self.stops) if n not in served)

    def timed(self, day: int, order: Sequence[int]) -> Timetable | None:
        """Time a day's order; None where it does not fit."""
        spans = tuple((self.floors.get(n, 0), self.ceilings.get(n)) for n in order)
        key = (day, tuple(order), spans)
        if key not in self._known:
            date = self.days[day].date
            stops = [self.stops[n].within(*s, date) for n, s in zip(order, spans, strict=True)]
            self._known[key] = timetable(self.days[day], stops, self.roads)
        return self._known[key]

    def take_over(self, routes: dict[int, list[int]]) -> None:
        """Take a solver's routes, leaving out what breaks a rule: least value first."""
        for day, order in sorted(routes.items()):
            self.routes[day] = [n for n in order if self.able[day, n]]
            self._settle(day)
        self._clear_shelf()
        self._clear_ties()

    def _fits(self, day: int, order: Sequence[int]) -> bool:
        return self._holds(day, order) and self.timed(day, order) is not None

    def _settle(self, day: int) -> None:
        """Leave out stops of a day, least value first, until it fits."""
        order = self.routes[day]
        while order and not self._fits(day, order):
            order.remove(min(order, key=lambda n: (self.stops[n].value_s, -n)))
        if not order:
            del self.routes[day]

    def _drop(self, stop: int) -> None:
        self.floors.pop(stop, None)
        self.ceilings.pop(stop, None)
        for day in [day for day, order in self.routes.items() if stop in order]:
            self.routes[day].remove(stop)
            self._settle(day)

    def _clear_shelf(self) -> None:
        """Leave out what the shelf does not hold; what is worth most is served first."""
        kept: list[str] = []
        for n in sorted(self.served, key=lambda n: (-self.stops[n].value_s, n)):
            setup_id = self.stops[n].setup_id
            if self.shelf.short(kept, setup_id):
                self._drop(n)
            else:
                kept.append(setup_id)

    def _clear_ties(self) -> None:
        """Leave out what disturbs another stop, comes too early, or serves nothing by itself."""
        while broken := [n for n in self.served if self._disturbs(n) or self._for_nothing(n)]:
            self._drop(min(broken, key=lambda n: (self.stops[n].value_s, -n)))

    def _disturbs(self, stop: int) -> bool:
        day = next(day for day, order in self.routes.items() if stop in order)
        return self._breaks(day, self.routes[day], only=stop)

    def _for_nothing(self, stop: int) -> bool:
        later = self.ties.later[stop]
        return bool(later) and not set(later) & set(self.served)

    def _times(self, day: int, order: Sequence[int]) -> dict[int, When]:
        table, date = self.timed(day, order), self.days[day].date
        visits = table.visits if table else ()
        return {n: (date, v.start_s, v.end_s) for n, v in zip(order, visits, strict=bool(table))}

    def when(self, stop: int) -> When | None:
        """Give when a stop is served; None where it has no place."""
        return self._elsewhere(stop, -1)

    def _elsewhere(self, stop: int, but: int) -> When | None:
        """Give when a stop is served on another crew-day than `but`."""
        for day, order in self.routes.items():
            if day != but and stop in order:
                return self._times(day, order)[stop]
        return None

    def _breaks(self, day: int, order: Sequence[int], only: int | None = None) -> bool:
        """Say whether a stop of `order` comes at a wrong time beside what is on the board."""
        times = self._times(day, order)

        def when(stop: int) -> When | None:
            return times.get(stop) or self._elsewhere(stop, day)

        for n in order if only is None else [only]:
            own = times[n]
            for other in self.ties.apart[n]:
                there = when(other) if other not in times else None
                if there and _at_once(own, there):
                    return True
            if self._out_of_order(n, own, when):
                return True
        return False

    def _out_of_order(self, n: int, own: When, when: Callable[[int], When | None]) -> bool:
        for other, good in self.ties.before[n]:
            early = when(other)
            if early is None or not self.ties.good(early, own, good):
                return True
        for other in self.ties.later[n]:
            late = when(other)
            good = dict(self.ties.before[other])[n]
            if late is not None and not self.ties.good(own, late, good):
                return True
        return False

    def put_in(self) -> None:
        """Put in what is left and worth its detour, what is worth most first.

        What must come before a stop is put in with it, on its account, or not at all.
        """
        left = [n for n in range(len(self.stops)) if n not in set(self.served)]
        for n in sorted(left, key=lambda n: (-self.stops[n].value_s, n)):
            if self.ties.later[n] or self._short(n):
                continue
            missing = [one for one in self.ties.chain(n) if one not in set(self.served)]
            if missing:
                self._put_chain([*missing, n])
                continue
            spot = self._cheapest(n)
            if spot.order and spot.detour_s <= self.stops[n].value_s:
                self._place(n, spot)

    def move_early(self) -> None:
        """Serve on an idle day of a crew what it would do later, where all else stays as it is.

        Nothing is cheaper for it; but what is done early leaves days for what goes wrong.
        """
        for day in sorted(range(len(self.days)), key=lambda d: (self.days[d].date, d)):
            crew, date = self.days[day].crew, self.days[day].date
            later = [
                d for d in self.routes if self.days[d].crew == crew and self.days[d].date > date
            ]
            if not self.routes.get(day):
                any(self._moved(d, day) for d in sorted(later, key=lambda d: self.days[d].date))

    def _moved(self, day: int, to: int) -> bool:
        """Move a day's route to an idle day; False, and nothing moved, where it cannot be."""
        order, cost_s = self.routes[day], self.cost_s
        if not self.able[to, order].all():
            return False
        del self.routes[day]
        self.routes[to] = order
        if self._fits(to, order) and not self._breaks(to, order) and self.cost_s <= cost_s:
            return True
        del self.routes[to]
        self.routes[day] = order
        return False

    def _place(self, stop: int, spot: Spot) -> None:
        self.routes[spot.day] = list(spot.order)
        self.floors[stop] = spot.floor_s

    def _put_chain(self, chain: Sequence[int]) -> bool:
        """Put in stops one behind the other, the first as early as can be; all or none."""
        before = {day: list(order) for day, order in self.routes.items()}, dict(self.floors)
        spent_s = 0
        for n in chain:
            spot = next(self._by_date(n), None) if n != chain[-1] else self._cheapest(n)
            if spot is None or not spot.order:
                self.routes, self.floors = before
                return False
            spent_s += spot.detour_s
            self._place(n, spot)
        if spent_s > sum(self.stops[n].value_s for n in chain):
            self.routes, self.floors = before
            return False
        return True

    def _by_date(self, stop: int) -> Iterator[Spot]:
        """Give the cheapest place of each date, the earliest first."""
        for date in sorted({day.date for day in self.days}):
            spot = self._cheapest(stop, date=date)
            if spot.order:
                yield spot

    def _short(self, stop: int) -> str:
        served = [self.stops[n].setup_id for n in self.served]
        return self.shelf.short(served, self.stops[stop].setup_id)

    def _cheapest(
        self, stop: int, *, loads: bool = True, ties: bool = True, date: str = ""
    ) -> Spot:
        """Find the place in the week with the least extra driving [s]; no order if there is none.

        Without `loads` vans and caps are passed over, without `ties` other stops; `date`
        is the only date looked at, '' = all.
        """
        best = Spot()
        for day in range(len(self.days)):
            now = self.routes.get(day, [])
            if not self.able[day, stop] or date not in ("", self.days[day].date):
                continue
            if loads and not self._holds(day, [*now, stop]):
                continue
            for at in range(len(now) + 1):
                detour_s = self._detour_s(day, now, at, stop)
                order = [*now[:at], stop, *now[at:]]
                if best.order and detour_s >= best.detour_s:
                    continue
                spot = self._spot(day, stop, order, ties=ties)
                if spot.order and (not best.order or detour_s + spot.detour_s < best.detour_s):
                    best = replace(spot, detour_s=detour_s + spot.detour_s)
        return best

    def _spot(self, day: int, stop: int, order: list[int], *, ties: bool) -> Spot:
        """Time an order with a new stop in it, as early as its ties let it start.

        Its detour is what more overtime costs.
        """
        old = self.floors.pop(stop, 0)
        found = Spot()
        for floor_s in self._floors(day, stop) if ties else [0]:
            self.floors[stop] = floor_s
            table = self.timed(day, order)
            if table is None:
                break
            if not ties or not self._breaks(day, order):
                now = [n for n in order if n != stop]
                found = Spot(self._overtime_s(day, now, table), day, tuple(order), floor_s)
                break
        self.floors[stop] = old
        return found

    def _floors(self, day: int, stop: int) -> list[int]:
        """Give when a stop could start at the earliest on a day: at once, or when another ends."""
        date = self.days[day].date
        others = [*self.ties.apart[stop], *(one for one, _ in self.ties.before[stop])]
        whens = [when for one in others if (when := self._elsewhere(one, day))]
        ends = [moments(when)[1] - midnight_s(date) for when in whens if when[0] <= date]
        return sorted({0, *(end_s for end_s in ends if end_s > 0)})

    def _overtime_s(self, day: int, now: Sequence[int], then: Timetable) -> int:
        """Give what more overtime a day would cost, in seconds of driving."""
        if not then.over_s:
            return 0
        old = self.timed(day, now) if now else None
        return self.overtime_cost_s * (then.over_s - (old.over_s if old else 0))

    def _holds(self, day: int, order: Sequence[int]) -> bool:
        return within_loads(self.days[day], [self.stops[n] for n in order])

    def _detour_s(self, day: int, now: Sequence[int], at: int, stop: int) -> int:
        yard = self.days[day].yard
        before = self.stops[now[at - 1]].at if at else self.days[day].starts_at
        after = self.stops[now[at]].at if at < len(now) else yard
        here = self.stops[stop].at
        drive_s = self.roads.drive_s
        straight = drive_s(before, after) if now else 0
        return drive_s(before, here) + drive_s(here, after) - straight

    def why_left(self, stop: int, rank: str = "") -> str:
        """Say why a stop that some crew can do on some day has no place.

        `rank` is added where others took the room that there is.
        """
        why = self._short(stop) or self._why_tied(stop)
        if why:
            return why
        spot = self._cheapest(stop)
        if spot.order:
            worth, least = self.stops[stop].value_s / 60, spot.detour_s / 60
            return (
                f"worth less than its detour by {least - worth:.0f} min: worth {worth:.0f} min, "
                f"the least is {least:.0f} min"
            )
        crews = sorted({self.days[int(day)].crew for day in np.flatnonzero(self.able[:, stop])})
        names = ", ".join(crews)
        if self._cheapest(stop, loads=False).order:
            return f"the days of {names} with time left for it hold no more sleeves or resin{rank}"
        if self._cheapest(stop, ties=False).order:
            return f"work on its pipe or beside it stands against it when {names} has time for it"
        return f"the week is full: no day of {names} has time left for it{rank}"

    def _why_tied(self, stop: int) -> str:
        """Say that a stop only prepares what has no place, or waits for what has none."""
        if self._for_nothing(stop):
            waits = ", ".join(self.stops[n].setup_id for n in self.ties.later[stop])
            return f"it only prepares {waits}, which has no place this week"
        missing = [n for n, _ in self.ties.before[stop] if n not in set(self.served)]
        names = ", ".join(self.stops[n].setup_id for n in missing)
        waits = f"{names}, which must come before it, finds no room this week with it"
        return waits if missing else ""
