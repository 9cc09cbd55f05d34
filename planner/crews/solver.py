"""The week as a routing problem, handed to PyVRP and read back; nothing else knows PyVRP."""

from __future__ import annotations

import warnings
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt
import pyvrp
from pyvrp.exceptions import PenaltyBoundWarning
from pyvrp.stop import MaxIterations, MaxRuntime, MultipleCriteria, StoppingCriterion

from planner.crews.timetable import CrewDay, Roads, Stop
from planner.settings import Week

# A search of `iterations` accepts what beats its state of this share of them ago. Measured on
# 200 stops, 6 crews, 2,000 and 10,000 iterations: 3 to 8 % cheaper than pyvrp's 300.
_LATE = 60
_LATE_MOST = 300
# Time of an arc that must not be driven [s]: more than any shift (routing.md, traps).
_NEVER_S = 172_800
# What PyVRP gives as the cost of a week that breaks a rule is far above this [s].
_NO_WEEK = 1 << 60


@dataclass(frozen=True)
class Solved:
    """Stops of each crew-day in order, by positions; rounds run; whether the clock stopped it."""

    routes: dict[int, list[int]]
    iterations: int
    by_clock: bool


Matrix = npt.NDArray[np.int64]


@dataclass(frozen=True)
class Told:
    """How far a search is: what it deals, iterations, cost of its best week so far [s].

    `cost_s` is None while no week that it has seen can be driven; `bound_s` is what no week
    can cost less than, None while it is not known.
    """

    what: str
    iterations: int
    most: int
    cost_s: int | None
    bound_s: int | None = None


@dataclass(frozen=True)
class Search:
    """How to search: iterations, seed, routes to begin with by day; whom to tell how far it is.

    `extra_s` (days, stops) is added where a day serves a stop [s]; then each day is a kind of
    its own. Nothing that `tell` does changes the result.
    """

    week: Week
    seed: int
    start: Mapping[int, Sequence[int]] = field(default_factory=dict)
    extra_s: Matrix | None = None
    tell: Callable[[Told], None] | None = None
    what: str = "week"


def solve(
    stops: Sequence[Stop],
    days: Sequence[CrewDay],
    able: npt.NDArray[np.bool_],
    roads: Roads,
    search: Search,
) -> Solved:
    """Find routes that save driving and reach what is worth most.

    One vehicle for each crew and kind of shift, as many as there are such days; one
    matrix for each set of stops that a crew can do, in which the others cannot be
    reached; a stop is optional and worth its value in seconds of driving. A stop whose
    hours differ from day to day stands once for each kind of hours, and one of them counts.

    Parameters
    ----------
    stops, days
        At least one of each.
    able
        (days, stops): the crew of that day can do that stop.
    roads
        Drives.
    search
        Iterations, time limit, seed; a start holds each stop once.

    References
    ----------
    Formulation: routing.md 2c, clock of the day, one profile for each set of skills.
    """
    week, forms = search.week, _forms(stops, days, able)
    crews = sorted({place for day in days for place in (day.yard, day.starts_at)})
    depot = {yard: n for n, yard in enumerate(crews)}
    rows = np.array([*crews, *(stops[form.stop].at for form in forms)])
    can = np.column_stack([form.able for form in forms])
    alone = search.extra_s is not None
    kinds = [[n] for n in range(len(days))] if alone else _kinds(days, can)
    own = [stops[form.stop] for form in forms]
    own_stops = [form.stop for form in forms]
    extra = None if search.extra_s is None else search.extra_s[:, own_stops]
    profiles, matrices = _profiles(kinds, can, own, _matrices(rows, own, roads), extra)
    types = [
        _vehicle(days[kind[0]], len(kind), depot, profile, week)
        for kind, profile in zip(kinds, profiles, strict=True)
    ]
    clients, groups = _clients(forms, stops, len(crews))
    data = pyvrp.ProblemData(
        locations=[pyvrp.Location(0, 0) for _ in rows],
        clients=clients,
        depots=[pyvrp.Depot(location=n) for n in range(len(crews))],
        vehicle_types=types,
        distance_matrices=[distance for distance, _ in matrices],
        duration_matrices=[duration for _, duration in matrices],
        groups=groups,
    )
    with warnings.catch_warnings():
        # A stop that fits nowhere drives the penalties up; what comes out is checked anyway.
        warnings.simplefilter("ignore", PenaltyBoundWarning)
        result = pyvrp.solve(
            data,
            _Telling(search, sum((len(one.clients) - 1) * _prize(data, one) for one in groups)),
            seed=search.seed,
            collect_stats=False,
            display=False,
            initial_solution=_initial(data, kinds, forms, search.start),
            params=_params(search.week),
        )
    routes = _read(result.best.routes(), kinds, [form.stop for form in forms], stops)
    return Solved(routes, result.num_iterations, result.num_iterations < week.iterations)


def _prize(data: pyvrp.ProblemData, group: pyvrp.ClientGroup) -> int:
    return int(data.client(group.clients[0]).prize)


class _Telling:
    """Stops a search by its rounds or the clock, and tells how far it is about a hundred times."""

    def __init__(self, search: Search, offset_s: int) -> None:
        self._search, self._stop, self._count = search, _stop(search.week), 0
        # PyVRP counts what each form of a stop that is not served is worth (routing.md, traps).
        self._offset_s = offset_s

    def __call__(self, best_cost: int) -> bool:
        week, tell = self._search.week, self._search.tell
        if tell is not None and self._count % max(1, week.iterations // 100) == 0:
            known = best_cost < _NO_WEEK
            cost_s = best_cost - self._offset_s if known else None
            tell(Told(self._search.what, self._count, week.iterations, cost_s))
        self._count += 1
        return self._stop(best_cost)


def _initial(
    data: pyvrp.ProblemData,
    kinds: Sequence[Sequence[int]],
    forms: Sequence[_Form],
    start: Mapping[int, Sequence[int]],
) -> pyvrp.Solution | None:
    """Make routes to begin with; what a day cannot do any more is left out of them."""
    kind_of = {day: number for number, kind in enumerate(kinds) for day in kind}
    form_of: dict[tuple[int, int], int] = {}
    for number, form in enumerate(forms):
        for able_day in np.flatnonzero(form.able):
            form_of.setdefault((int(able_day), form.stop), number)
    routes = []
    for day, order in sorted(start.items()):
        # PyVRP's own hints allow no plain numbers here; it takes them.
        visits: list[Any] = [form_of[day, n] for n in order if (day, n) in form_of]
        if visits:
            routes.append(pyvrp.Route(data, visits, kind_of[day]))
    return pyvrp.Solution(data, routes) if routes else None


@dataclass(frozen=True)
class _Form:
    """A stop with hours that are the same on each day on which it stands so."""

    stop: int
    open_s: int
    close_s: int
    able: npt.NDArray[np.bool_]


def _forms(
    stops: Sequence[Stop], days: Sequence[CrewDay], able: npt.NDArray[np.bool_]
) -> list[_Form]:
    """Give each stop once for each stretch of hours in which it may start on some day."""
    forms = []
    for n, stop in enumerate(stops):
        spans = sorted({span for day in days for span in stop.starts(day.date)})
        for open_s, close_s in spans or [(0, 0)]:
            then = [(open_s, close_s) in stop.starts(day.date) for day in days]
            forms.append(_Form(n, open_s, close_s, able[:, n] & np.array(then, dtype=bool)))
    return forms


def _vehicle(
    day: CrewDay, count: int, depot: dict[int, int], profile: int, week: Week
) -> pyvrp.VehicleType:
    gone_s = day.start_s - day.out_from_s + (day.pause.pause_s if day.pause else 0)
    return pyvrp.VehicleType(
        num_available=count,
        capacity=list(day.holds),
        start_depot=depot[day.starts_at],
        end_depot=depot[day.yard],
        tw_early=day.start_s,
        tw_late=day.end_s + day.over_s,
        # A pause is kept free; where in the day it lies, the timetable settles.
        shift_duration=max(0, day.most_s - gone_s),
        max_overtime=day.over_s,
        unit_overtime_cost=week.overtime_cost_s if day.over_s else 0,
        profile=profile,
    )


def _clients(
    forms: Sequence[_Form], stops: Sequence[Stop], yards: int
) -> tuple[list[pyvrp.Client], list[pyvrp.ClientGroup]]:
    """Make one client of each form; forms of one stop exclude each other."""
    alike: dict[int, list[int]] = {}
    for n, form in enumerate(forms):
        alike.setdefault(form.stop, []).append(n)
    groups = [own for own in alike.values() if len(own) > 1]
    group_of = {n: number for number, own in enumerate(groups) for n in own}
    clients = [
        pyvrp.Client(
            location=yards + n,
            delivery=list(stops[form.stop].loads),
            service_duration=stops[form.stop].work_s,
            tw_early=form.open_s,
            tw_late=form.close_s,
            prize=stops[form.stop].value_s,
            required=False,
            group=group_of.get(n),
        )
        for n, form in enumerate(forms)
    ]
    return clients, [pyvrp.ClientGroup(own, required=False) for own in groups]


def _params(week: Week) -> pyvrp.SolveParams:
    """Accept late, by the length of the search."""
    length = max(1, min(_LATE_MOST, week.iterations // _LATE))
    late = pyvrp.IteratedLocalSearchParams(history_length=length)
    return pyvrp.SolveParams(ils=late)


def _stop(week: Week) -> StoppingCriterion:
    rounds = MaxIterations(week.iterations)
    if week.time_limit_s > 0:
        return MultipleCriteria([rounds, MaxRuntime(week.time_limit_s)])
    return rounds


def _kinds(days: Sequence[CrewDay], able: npt.NDArray[np.bool_]) -> list[list[int]]:
    """Put days of one crew with equal hours together: which date is which is settled later."""
    kinds: dict[tuple[object, ...], list[int]] = {}
    for n, day in enumerate(days):
        shift = (day.start_s, day.end_s, day.most_s, day.over_s, day.pause, day.since_s, day.begin)
        key = (day.crew, day.yard, shift, day.holds, able[n].tobytes())
        kinds.setdefault(key, []).append(n)
    return list(kinds.values())


# PyVRP's own hints take no array that numpy makes, so its arguments go as Any.
Pair = tuple[Any, Any]


def _matrices(
    rows: npt.NDArray[np.int64], stops: Sequence[Stop], roads: Roads
) -> tuple[Matrix, Matrix]:
    """Give drives [s] and drives with parking [s] between yards and stops."""
    drive = roads.ways.seconds[np.ix_(rows, rows)].astype(np.int64)
    yards = len(rows) - len(stops)
    names = np.array([stop.node_id for stop in stops], dtype=object)
    park = np.zeros_like(drive)
    park[:, yards:] = roads.manoeuvre_s
    park[yards:, yards:][names[:, None] == names[None, :]] = 0
    np.fill_diagonal(drive, 0)
    return drive, drive + park


def _profiles(
    kinds: list[list[int]],
    able: npt.NDArray[np.bool_],
    stops: Sequence[Stop],
    plain: tuple[Matrix, Matrix],
    extra_s: Matrix | None,
) -> tuple[list[int], list[Pair]]:
    """Make one pair of matrices for each set of stops that some crew can do, and its costs."""
    drive, timed = plain
    yards = len(drive) - len(stops)
    never = 2 * int(drive.max()) + max(stop.value_s for stop in stops) + 1
    never += int(extra_s.max()) if extra_s is not None else 0
    number: dict[bytes, int] = {}
    profiles: list[int] = []
    matrices: list[Pair] = []
    for kind in kinds:
        can = able[kind[0]]
        extra = np.zeros(len(stops), dtype=np.int64) if extra_s is None else extra_s[kind[0]]
        key = can.tobytes() + extra.tobytes()
        if key not in number:
            number[key] = len(matrices)
            barred = np.concatenate([np.zeros(yards, dtype=bool), ~can])
            distance, duration = drive.copy(), timed.copy()
            distance[:, yards:] += extra
            distance[:, barred], duration[:, barred] = never, _NEVER_S
            np.fill_diagonal(distance, 0)
            np.fill_diagonal(duration, 0)
            matrices.append((np.ascontiguousarray(distance), np.ascontiguousarray(duration)))
        profiles.append(number[key])
    return profiles, matrices


def _read(
    routes: Sequence[pyvrp.Route],
    kinds: list[list[int]],
    stop_of: Sequence[int],
    stops: Sequence[Stop],
) -> dict[int, list[int]]:
    """Give each route a date of its kind, the most urgent route the earliest."""
    found: dict[int, list[list[int]]] = {}
    for route in routes:
        order = [stop_of[act.idx] for act in route if act.is_client()]
        if order:
            found.setdefault(route.vehicle_type(), []).append(order)

    def rank(order: list[int]) -> tuple[int, int, str]:
        values = [stops[n].value_s for n in order]
        return -max(values), -sum(values), min(stops[n].setup_id for n in order)

    return {
        day: order
        for kind, orders in sorted(found.items())
        for day, order in zip(kinds[kind], sorted(orders, key=rank), strict=False)
    }
