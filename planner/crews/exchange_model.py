"""A part of the week as a problem of OR-Tools; nothing else knows OR-Tools.

One vehicle for each crew-day, one clock for the whole week, and what the route solver cannot
hold: what comes before what and for how long it is good, what keeps apart, the shelf.
"""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from ortools.constraint_solver import pywrapcp, routing_enums_pb2

from planner.crews.board import Board
from planner.crews.ties import When, midnight_s
from planner.crews.timetable import CrewDay, Span
from planner.settings import Week

# A variable or expression of OR-Tools, whose own hints are not whole, or a plain number.
Term = Any
# Capacity of a dimension that sets no limit.
_FREE = 1 << 40


@dataclass(frozen=True)
class Found:
    """Routes by crew-day and starts by stop [s from midnight]; whether the clock stopped it."""

    routes: dict[int, list[int]]
    starts: dict[int, int]
    by_clock: bool


@dataclass(frozen=True)
class _Seen:
    """What a tie needs to know of a stop; of one outside the part these are plain numbers."""

    active: Term
    start: Term
    end: Term
    workday: Term


class Model:
    """The crew-days `days` of a board and the stops `stops`, all by position.

    What the other crew-days do stays as it is, and binds.
    """

    def __init__(self, board: Board, days: Sequence[int], stops: Sequence[int], week: Week) -> None:
        self.board, self.days, self.stops, self.week = board, days, stops, week
        yards = sorted({board.days[d].yard for d in days})
        self._yards = len(yards)
        ends = [yards.index(board.days[d].yard) for d in days]
        self._places = [*yards, *(board.stops[n].at for n in stops)]
        self.manager = pywrapcp.RoutingIndexManager(len(self._places), len(days), ends, ends)
        self.routing = pywrapcp.RoutingModel(self.manager)
        self.solver = self.routing.solver()
        self._first_s = min(midnight_s(board.days[d].date) for d in days)
        self._index = {
            n: self.manager.NodeToIndex(self._yards + place) for place, n in enumerate(stops)
        }
        self._kept: dict[int, _Seen] = {}
        self.clock = self._times()
        self._costs()
        for vehicle, d in enumerate(days):
            self._shift(vehicle, board.days[d])
        self._loads()
        for n in stops:
            self._stop(n)
        self._ties()
        self._shelf()

    def _midnight(self, day: str) -> int:
        return midnight_s(day) - self._first_s

    def _times(self) -> Term:
        """Lay out the clock: it reads when work starts; work, drive and parking pass on it."""
        stops: list[Any] = [None] * self._yards + [self.board.stops[n] for n in self.stops]
        roads = self.board.roads
        rows = [
            [
                (one.work_s if one else 0)
                + roads.drive_s(self._places[i], self._places[j])
                + (roads.park_s(one, other) if other else 0)
                if i != j
                else 0
                for j, other in enumerate(stops)
            ]
            for i, one in enumerate(stops)
        ]
        transit = self.routing.RegisterTransitMatrix(rows)
        self.routing.AddDimension(transit, _FREE, _FREE, False, "clock")  # noqa: FBT003
        return self.routing.GetDimensionOrDie("clock")

    def _costs(self) -> None:
        drive_s = self.board.roads.drive_s
        rows = [[drive_s(one, other) for other in self._places] for one in self._places]
        matrix = self.routing.RegisterTransitMatrix(rows)
        self.routing.SetArcCostEvaluatorOfAllVehicles(matrix)

    def _shift(self, vehicle: int, day: CrewDay) -> None:
        """Bind a crew-day to its shift, to the part of it that may be planned, and its pause."""
        base, cost_s = self._midnight(day.date), self.board.overtime_cost_s
        first, last = self.routing.Start(vehicle), self.routing.End(vehicle)
        latest = base + day.end_s + day.over_s
        for index in (first, last):
            self.clock.CumulVar(index).SetRange(base + day.start_s, latest)
        self.clock.SetSpanUpperBoundForVehicle(day.most_s + day.over_s, vehicle)
        if day.over_s and cost_s:
            bound = pywrapcp.BoundCost(day.most_s, cost_s)
            self.clock.SetSoftSpanUpperBoundForVehicle(bound, vehicle)
            # Overtime is the longer of both, here their sum: the board settles what it costs.
            self.clock.SetCumulVarSoftUpperBound(last, base + day.end_s, cost_s)
        self.routing.AddVariableMaximizedByFinalizer(self.clock.CumulVar(first))
        self.routing.AddVariableMinimizedByFinalizer(self.clock.CumulVar(last))
        if day.pause and day.start_s < day.pause.from_s:
            own = self.solver.FixedDurationIntervalVar(
                base + day.pause.from_s,
                base + day.pause.to_s,
                day.pause.pause_s,
                False,  # noqa: FBT003
                f"pause {vehicle}",
            )
            works = [0] * self.routing.Size()
            for n, index in self._index.items():
                works[index] = self.board.stops[n].work_s
            self.clock.SetBreakIntervalsOfVehicle([own], vehicle, works)

    def _loads(self) -> None:
        """Bind a crew-day to what its van and the day hold."""
        for kind in range(3):
            takes = [0] * self._yards + [self.board.stops[n].loads[kind] for n in self.stops]
            if any(takes):
                vector = self.routing.RegisterUnaryTransitVector(takes)
                most = [self.board.days[d].holds[kind] for d in self.days]
                self.routing.AddDimensionWithVehicleCapacity(vector, 0, most, True, f"load {kind}")  # noqa: FBT003

    def _stop(self, n: int) -> None:
        """Bind a stop to its hours and crews; left out it costs what it is worth."""
        stop, index = self.board.stops[n], self._index[n]
        able = [vehicle for vehicle, d in enumerate(self.days) if self.board.able[d, n]]
        self.routing.VehicleVar(index).SetValues([-1, *able])
        dates = sorted({self.board.days[self.days[vehicle]].date for vehicle in able})
        spans = _joined(
            [
                (self._midnight(day) + start, self._midnight(day) + close)
                for day in dates
                for start, close in stop.starts(day)
            ]
        )
        own = self.clock.CumulVar(index)
        own.SetRange(spans[0][0], spans[-1][1])
        for before, after in pairwise(spans):
            own.RemoveInterval(before[1] + 1, after[0] - 1)
        self.routing.AddDisjunction([index], stop.value_s)

    def _seen(self, n: int) -> _Seen:
        if n not in self._kept:
            self._kept[n] = self._look(n)
        return self._kept[n]

    def _look(self, n: int) -> _Seen:
        workday = self.board.ties.workday
        if n in self._index:
            index = self._index[n]
            own = self.clock.CumulVar(index)
            by_day = [0, *(workday[self.board.days[d].date] for d in self.days)]
            count = self.solver.Element(by_day, self.routing.VehicleVar(index) + 1)
            return _Seen(
                self.routing.ActiveVar(index), own, own + self.board.stops[n].work_s, count
            )
        when: When | None = self.board.when(n)
        if when is None:
            return _Seen(0, 0, 0, 0)
        base = self._midnight(when[0])
        return _Seen(1, base + when[1], base + when[2], workday[when[0]])

    def _ties(self) -> None:
        ties, inside = self.board.ties, set(self.stops)
        far = 2 * (max(ties.workday.values(), default=0) + 1)
        for n in range(len(self.board.stops)):
            for one, good in ties.before[n]:
                if inside & {n, one}:
                    self._after(self._seen(n), self._seen(one), good, far)
            for other in sorted(ties.apart[n]):
                if other > n and inside & {n, other}:
                    self._apart(self._seen(n), self._seen(other))

    def useful(self) -> None:
        """Hold also that what only prepares others is not served without one of them.

        Without this rule a chain may be built link by link, on boards that leave it out again.
        """
        for n in self.stops:
            if self.board.ties.later[n]:
                served = sum(self._seen(one).active for one in self.board.ties.later[n])
                self._hold(self._seen(n).active <= served)

    def _after(self, late: _Seen, early: _Seen, good: int | None, far: int) -> None:
        """Hold one stop behind another that is served and still good."""
        self._hold(late.active <= early.active)
        self._hold(early.end <= late.start + (1 - late.active) * _FREE)
        if good is not None:
            self._hold(late.workday - early.workday <= good + (1 - late.active) * far)

    def _apart(self, one: _Seen, other: _Seen) -> None:
        """Hold two stops apart: one ends before the other starts, or one is left out."""
        out = 2 - one.active - other.active
        first, second = (self._truth(a.end, b.start) for a, b in ((one, other), (other, one)))
        self._hold(first + second + out >= 1)

    def _truth(self, end: Term, start: Term) -> Term:
        """Give 1 where `end` is no later than `start`, else 0."""
        over = start - end
        if isinstance(over, int):
            return int(over >= 0)
        return self.solver.IsGreaterOrEqualCstVar(over, 0)

    def _hold(self, rule: Term) -> None:
        """Add a rule; one between plain numbers holds already."""
        if not isinstance(rule, bool):
            self.solver.Add(rule)

    def _shelf(self) -> None:
        """Bind the stops together to what the shelf holds beside the other crew-days."""
        shelf, stops = self.board.shelf, self.board.stops
        outside = [n for n in self.board.served if n not in self._index]
        for item, stock in sorted(shelf.stock.items()):
            takes = {n: shelf.taken(stops[n].setup_id, item) for n in self.stops}
            used = sum(shelf.taken(stops[n].setup_id, item) for n in outside)
            if used + sum(takes.values()) > stock:
                own = [self.routing.ActiveVar(self._index[n]) * take for n, take in takes.items()]
                self.solver.Add(self.solver.Sum(own) <= stock - used)

    def improve(self, routes: dict[int, list[int]]) -> Found | None:
        """Better the routes given until no single change of places betters them more.

        Returns
        -------
        found
            None where the model does not hold the routes that it was given.
        """
        asked = pywrapcp.DefaultRoutingSearchParameters()
        # It ends by itself: what escapes from a poor end has no count that surely ends it.
        asked.local_search_metaheuristic = routing_enums_pb2.LocalSearchMetaheuristic.GREEDY_DESCENT
        asked.solution_limit = self.week.exchange_count
        limit_s = self.week.time_limit_s
        if limit_s > 0:
            asked.time_limit.FromMilliseconds(max(1, round(1000 * limit_s)))
        self.routing.CloseModelWithParameters(asked)
        given = [[self._index[n] for n in routes.get(d, [])] for d in self.days]
        start = self.routing.ReadAssignmentFromRoutes(given, True)  # noqa: FBT003
        if start is None:
            return None
        began = time.monotonic()
        best = self.routing.SolveFromAssignmentWithParameters(start, asked)
        late = 0 < limit_s <= time.monotonic() - began
        return None if best is None else self._read(best, by_clock=late)

    def _read(self, best: Term, *, by_clock: bool) -> Found:
        stop_of = {index: n for n, index in self._index.items()}
        routes: dict[int, list[int]] = {}
        starts: dict[int, int] = {}
        for vehicle, d in enumerate(self.days):
            base = self._midnight(self.board.days[d].date)
            index = best.Value(self.routing.NextVar(self.routing.Start(vehicle)))
            while not self.routing.IsEnd(index):
                routes.setdefault(d, []).append(stop_of[index])
                starts[stop_of[index]] = best.Min(self.clock.CumulVar(index)) - base
                index = best.Value(self.routing.NextVar(index))
        return Found(routes, starts, by_clock)


def _joined(spans: Sequence[Span]) -> list[Span]:
    """Give stretches that do not touch, in order."""
    found: list[Span] = []
    for start, close in sorted(spans):
        if found and start <= found[-1][1] + 1:
            found[-1] = (found[-1][0], max(close, found[-1][1]))
        else:
            found.append((start, close))
    return found
