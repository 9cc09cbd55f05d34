"""A published routing problem as the tables of a week: clients as set-ups, vehicles as crew-days.

All vehicles are alike, so one crew stands for them, on as many days as there are vehicles; a
client may be served on each of them. What a client takes is laid on the van as sleeves. A
second of our clock is a unit of the file's distances and times.
"""

from __future__ import annotations

import datetime
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import vrplib

from planner.contracts import SETUP_HOURS
from planner.contracts.hours import WEEKDAYS
from planner.crews.travel import Travel
from planner.tables import conform
from tests import crew_town as town
from tests.bench.week_town import WeekTown

Numbers = npt.NDArray[np.int64]
CREW = "Crew"
FREE_S = 100_000
"""End of the day where the file states no times: more than any day of it drives."""
MUST_S = 1_000_000
"""Worth of a client that must be served: more than any detour."""
NO_CAP = 1_000_000
ROUNDS: dict[str, Callable[[Any], Numbers]] = {
    "round": lambda values: np.rint(np.asarray(values, dtype=float)).astype(np.int64),
    "x10": lambda values: np.trunc(10.0 * np.asarray(values, dtype=float)).astype(np.int64),
}
"""How the figures of a file become whole: as the instances' own best known are reckoned."""


@dataclass(frozen=True)
class Problem:
    """One problem, the depot first: drives, demands, opening and closing, service, worth."""

    drive_s: Numbers
    demand: Numbers
    open_s: Numbers
    close_s: Numbers
    service_s: Numbers
    prize_s: Numbers
    capacity: int
    vehicles: int


def read_problem(path: Path, how: str) -> Problem:
    """Read a file of VRPLIB's form; its figures are made whole by `ROUNDS[how]`."""
    told, whole = vrplib.read_instance(path), ROUNDS[how]
    count = int(told["dimension"])
    windows = whole(told["time_window"]) if "time_window" in told else np.zeros((count, 2), int)
    if "time_window" not in told:
        windows[:, 1] = FREE_S
    service = np.full(count, told.get("service_time", 0.0))
    service[0] = 0.0
    prizes = whole(told["prize"]) if "prize" in told else np.full(count, MUST_S)
    scale = int(whole([1.0])[0])
    return Problem(
        drive_s=whole(told["edge_weight"]),
        demand=np.asarray(told["demand"]).astype(np.int64) * scale,
        open_s=windows[:, 0],
        close_s=windows[:, 1],
        service_s=whole(service),
        prize_s=prizes,
        capacity=int(told["capacity"]) * scale,
        vehicles=int(told.get("vehicles", count - 1)),
    )


def as_week(problem: Problem, **week: Any) -> WeekTown:
    """Lay out a problem as set-ups, a crew, its shifts, hours and drives.

    Parameters
    ----------
    problem
        The problem.
    week
        Settings of [week] to change, such as iterations.
    """
    count = len(problem.demand)
    names = [f"U{n:04d}" for n in range(1, count)]
    stops = [
        town.stop(
            name,
            work_s=int(problem.service_s[n]),
            value_s=int(problem.prize_s[n]),
            sleeves_count=int(problem.demand[n]),
        )
        for n, name in enumerate(names, start=1)
    ]
    crew = town.crew(CREW, town.CLEANERS, van_sleeves_count=problem.capacity)
    span = {"start_s": int(problem.open_s[0]), "end_s": int(problem.close_s[0])}
    shifts = [{"crew": CREW, "weekday": day, **span} for day in WEEKDAYS]
    tables = town.stop_town(stops, [crew], shifts=shifts)
    tables["setup_hours"] = _hours(problem, names)
    free = {"fill_ratio": 1.0, "cap_small_count": NO_CAP, "manoeuvre_s": 0}
    chosen = town.settings(**{**free, **week}).week
    # A week has 31 days at most; the settings' own check is passed by.
    chosen = chosen.model_copy(update={"days": problem.vehicles})
    return WeekTown(tables, _drives(problem, names), chosen)


def _hours(problem: Problem, names: list[str]) -> pd.DataFrame:
    start = datetime.date.fromisoformat(town.FIRST_DAY)
    days = [(start + datetime.timedelta(days=n)).isoformat() for n in range(problem.vehicles)]
    own = pd.DataFrame(
        {"setup_id": names, "open_s": problem.open_s[1:], "close_s": problem.close_s[1:]}
    )
    rows = own.merge(pd.DataFrame({"date": days}), how="cross")
    return conform(rows.assign(reason="", promised=False, notice_days=0), SETUP_HOURS)


def _drives(problem: Problem, names: list[str]) -> Travel:
    count = len(problem.demand)
    return Travel(
        seconds=problem.drive_s,
        metres=problem.drive_s.astype(float),
        crew_at={CREW: 0},
        setup_at={name: n for n, name in enumerate(names, start=1)},
        air=np.zeros((count, count), dtype=bool),
        by_air=False,
        places=np.zeros((count, 2)),
        place_of=np.arange(count),
        graph=None,
    )
