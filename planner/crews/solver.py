"""The week as a routing problem, handed to PyVRP and read back; nothing else knows PyVRP."""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pyvrp
from pyvrp.exceptions import PenaltyBoundWarning
from pyvrp.stop import MaxIterations, MaxRuntime, MultipleCriteria, StoppingCriterion

from planner.crews.timetable import CrewDay, Roads, Stop
from planner.settings import Week

# Time of an arc that must not be driven [s]: more than any shift (routing.md, traps).
_NEVER_S = 172_800


@dataclass(frozen=True)
class Solved:
    """Stops of each crew-day in order, by positions; rounds run; whether the clock stopped it."""

    routes: dict[int, list[int]]
    iterations: int
    by_clock: bool


def solve(
    stops: Sequence[Stop],
    days: Sequence[CrewDay],
    able: npt.NDArray[np.bool_],
    roads: Roads,
    week: Week,
    seed: int,
) -> Solved:
    """Find routes that save driving and reach what is worth most.

    One vehicle for each crew and kind of shift, as many as there are such days; one
    matrix for each set of stops that a crew can do, in which the others cannot be
    reached; a stop is optional and worth its value in seconds of driving.

    Parameters
    ----------
    stops, days
        At least one of each.
    able
        (days, stops): the crew of that day can do that stop.
    roads
        Drives.
    week
        Iterations and time limit.
    seed
        Of the search.

    References
    ----------
    Formulation: routing.md 2c, clock of the day, one profile for each set of skills.
    """
    crews = sorted({day.yard for day in days})
    depot = {yard: n for n, yard in enumerate(crews)}
    rows = np.array([*crews, *(stop.at for stop in stops)])
    kinds = _kinds(days, able)
    profiles, matrices = _profiles(kinds, able, stops, _matrices(rows, stops, roads))
    types = [
        pyvrp.VehicleType(
            num_available=len(kind),
            capacity=list(days[kind[0]].holds),
            start_depot=depot[days[kind[0]].yard],
            end_depot=depot[days[kind[0]].yard],
            tw_early=days[kind[0]].start_s,
            tw_late=days[kind[0]].end_s,
            shift_duration=days[kind[0]].most_s,
            profile=profile,
        )
        for kind, profile in zip(kinds, profiles, strict=True)
    ]
    data = pyvrp.ProblemData(
        locations=[pyvrp.Location(0, 0) for _ in rows],
        clients=[_client(stop, len(crews) + n) for n, stop in enumerate(stops)],
        depots=[pyvrp.Depot(location=n) for n in range(len(crews))],
        vehicle_types=types,
        distance_matrices=[distance for distance, _ in matrices],
        duration_matrices=[duration for _, duration in matrices],
    )
    with warnings.catch_warnings():
        # A stop that fits nowhere drives the penalties up; what comes out is checked anyway.
        warnings.simplefilter("ignore", PenaltyBoundWarning)
        result = pyvrp.solve(data, _stop(week), seed=seed, collect_stats=False, display=False)
    routes = _read(result.best.routes(), kinds, stops)
    return Solved(routes, result.num_iterations, result.num_iterations < week.iterations)


def _client(stop: Stop, location: int) -> pyvrp.Client:
    return pyvrp.Client(
        location=location,
        delivery=list(stop.loads),
        service_duration=stop.work_s,
        tw_early=stop.open_s,
        tw_late=stop.close_s,
        prize=stop.value_s,
        required=False,
    )


def _stop(week: Week) -> StoppingCriterion:
    rounds = MaxIterations(week.iterations)
    if week.time_limit_s > 0:
        return MultipleCriteria([rounds, MaxRuntime(week.time_limit_s)])
    return rounds


def _kinds(days: Sequence[CrewDay], able: npt.NDArray[np.bool_]) -> list[list[int]]:
    """Put days of one crew with equal hours together: which date is which is settled later."""
    kinds: dict[tuple[object, ...], list[int]] = {}
    for n, day in enumerate(days):
        key = (day.crew, day.yard, day.start_s, day.end_s, day.most_s, day.holds, able[n].tobytes())
        kinds.setdefault(key, []).append(n)
    return list(kinds.values())


Matrix = npt.NDArray[np.int64]
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
) -> tuple[list[int], list[Pair]]:
    """Make one pair of matrices for each set of stops that some crew can do."""
    drive, timed = plain
    yards = len(drive) - len(stops)
    never = 2 * int(drive.max()) + max(stop.value_s for stop in stops) + 1
    number: dict[bytes, int] = {}
    profiles: list[int] = []
    matrices: list[Pair] = []
    for kind in kinds:
        can = able[kind[0]]
        key = can.tobytes()
        if key not in number:
            number[key] = len(matrices)
            barred = np.concatenate([np.zeros(yards, dtype=bool), ~can])
            distance, duration = drive.copy(), timed.copy()
            distance[:, barred], duration[:, barred] = never, _NEVER_S
            np.fill_diagonal(distance, 0)
            np.fill_diagonal(duration, 0)
            matrices.append((np.ascontiguousarray(distance), np.ascontiguousarray(duration)))
        profiles.append(number[key])
    return profiles, matrices


def _read(
    routes: Sequence[pyvrp.Route], kinds: list[list[int]], stops: Sequence[Stop]
) -> dict[int, list[int]]:
    """Give each route a date of its kind, the most urgent route the earliest."""
    found: dict[int, list[list[int]]] = {}
    for route in routes:
        order = [act.idx for act in route if act.is_client()]
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
