"""A week on the board: routes checked by the clock alone, stops put in, the rest explained."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from planner.crews.shelf import Shelf
from planner.crews.timetable import (
    CrewDay,
    Roads,
    Stop,
    Timetable,
    timetable,
    within_loads,
)


@dataclass
class Board:
    """Stops, crew-days, who can do what, and the routes so far: day to positions of stops."""

    stops: Sequence[Stop]
    days: Sequence[CrewDay]
    able: npt.NDArray[np.bool_]
    roads: Roads
    shelf: Shelf
    overtime_cost_s: int = 0
    routes: dict[int, list[int]] = field(default_factory=dict)

    @property
    def served(self) -> list[int]:
        """Give the positions of the stops that have a place, in order of setup_id."""
        return sorted(stop for order in self.routes.values() for stop in order)

    def timed(self, day: int, order: Sequence[int]) -> Timetable | None:
        """Time a day's order; None where it does not fit."""
        return timetable(self.days[day], [self.stops[n] for n in order], self.roads)

    def take_over(self, routes: dict[int, list[int]]) -> None:
        """Take a solver's routes, leaving out what breaks a rule: least value first."""
        for day, order in sorted(routes.items()):
            self.routes[day] = [n for n in order if self.able[day, n]]
            self._settle(day)
        self._clear_shelf()
        self._clear_pipes()

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

    def _clear_pipes(self) -> None:
        """Leave out stops whose pipe is worked on by another crew at that time."""
        while clashing := [n for n in self.served if self._clashes_at(n)]:
            self._drop(min(clashing, key=lambda n: (self.stops[n].value_s, -n)))

    def _clashes_at(self, stop: int) -> bool:
        day = next(day for day, order in self.routes.items() if stop in order)
        return self._clashes(day, self.routes[day], only=stop)

    def _busy(self, pipe_id: str, date: str, but: int) -> list[tuple[int, int]]:
        """Give when a pipe is worked on, on one date, by other crew-days than `but` [s]."""
        times = []
        for day, order in self.routes.items():
            here = [at for at, n in enumerate(order) if self.stops[n].pipe_id == pipe_id]
            if day == but or self.days[day].date != date or not here:
                continue
            table = self.timed(day, order)
            if table is not None:
                times += [(table.visits[at].start_s, table.visits[at].end_s) for at in here]
        return times

    def _clashes(self, day: int, order: Sequence[int], only: int | None = None) -> bool:
        """Say whether another crew works on a pipe of `order` at the same time."""
        table = self.timed(day, order)
        if table is None:
            return False
        for n, visit in zip(order, table.visits, strict=True):
            if only is not None and n != only:
                continue
            for start_s, end_s in self._busy(self.stops[n].pipe_id, self.days[day].date, day):
                if visit.start_s < end_s and start_s < visit.end_s:
                    return True
        return False

    def put_in(self) -> None:
        """Put in what is left and worth its detour, what is worth most first."""
        left = [n for n in range(len(self.stops)) if n not in set(self.served)]
        for n in sorted(left, key=lambda n: (-self.stops[n].value_s, n)):
            if self._short(n):
                continue
            detour_s, day, order = self._cheapest(n)
            if order and detour_s <= self.stops[n].value_s:
                self.routes[day] = order

    def _short(self, stop: int) -> str:
        served = [self.stops[n].setup_id for n in self.served]
        return self.shelf.short(served, self.stops[stop].setup_id)

    def _cheapest(
        self, stop: int, *, loads: bool = True, pipes: bool = True
    ) -> tuple[int, int, list[int]]:
        """Find the place in the week with the least extra driving [s]; no order if there is none.

        Without `loads` vans and caps are passed over, without `pipes` other crews on the pipe.
        """
        best: tuple[int, int, list[int]] = (0, -1, [])
        for day in range(len(self.days)):
            now = self.routes.get(day, [])
            if not self.able[day, stop] or (loads and not self._holds(day, [*now, stop])):
                continue
            for at in range(len(now) + 1):
                detour_s = self._detour_s(day, now, at, stop)
                order = [*now[:at], stop, *now[at:]]
                if best[2] and detour_s >= best[0]:
                    continue
                table = self.timed(day, order)
                if table is None or (pipes and self._clashes(day, order)):
                    continue
                detour_s += self._overtime_s(day, now, table)
                if not best[2] or detour_s < best[0]:
                    best = (detour_s, day, order)
        return best

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
        before = self.stops[now[at - 1]].at if at else yard
        after = self.stops[now[at]].at if at < len(now) else yard
        here = self.stops[stop].at
        drive_s = self.roads.drive_s
        straight = drive_s(before, after) if now else 0
        return drive_s(before, here) + drive_s(here, after) - straight

    def why_left(self, stop: int) -> str:
        """Say why a stop that some crew can do on some day has no place."""
        short = self._short(stop)
        if short:
            return short
        detour_s, _, order = self._cheapest(stop)
        if order:
            worth, least = self.stops[stop].value_s / 60, detour_s / 60
            return f"left out: worth a detour of {worth:.0f} min, the least is {least:.0f} min"
        crews = sorted({self.days[int(day)].crew for day in np.flatnonzero(self.able[:, stop])})
        names = ", ".join(crews)
        if self._cheapest(stop, loads=False)[2]:
            return f"the days of {names} with time left for it hold no more sleeves or resin"
        if self._cheapest(stop, pipes=False)[2]:
            return f"another crew works on its pipe when {names} has time left for it"
        return f"the week is full: no day of {names} has time left for it"
