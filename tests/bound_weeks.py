"""Random weeks as boards: stops in a town of some km, crews of two or more skills, ties."""

from __future__ import annotations

from collections import Counter
from datetime import date, timedelta
from typing import Any

import numpy as np

from planner.crews.board import Board
from planner.crews.shelf import Shelf
from planner.crews.ties import Ties
from planner.crews.timetable import CrewDay, Pause, Roads, Stop, timetable
from planner.crews.travel import Travel

NO_LIMIT = 1_000_000_000
FIRST = date(2026, 3, 2)


def ways_between(places: np.ndarray, yards: int, rng: np.random.Generator) -> Travel:
    """Drives at 30 km/h, 1.4 times the air, up to a fifth more one way than the other."""
    away = np.hypot(*(places[:, None] - places[None]).transpose(2, 0, 1)) * 1.4
    metres = away * rng.uniform(1.0, 1.2, away.shape)
    np.fill_diagonal(metres, 0.0)
    count = len(places)
    return Travel(
        np.rint(metres / (30 / 3.6)).astype(np.int64),
        metres,
        {f"yard{n}": n for n in range(yards)},
        {f"U{n:04d}": yards + n for n in range(count - yards)},
        np.ones((count, count), dtype=bool),
        by_air=True,
        places=places,
        place_of=np.arange(count),
        graph=None,
    )


def random_board(seed: int, stops: int, crews: int, days: int, **more: Any) -> Board:
    """A board without routes; every other crew sets sleeves, the others clean.

    `more`: span_m of the town, work_s (low, high), chained (share of sleeves that wait for a
    cleaning), pause, over_s, stock (sleeves on the shelf).
    """
    rng = np.random.default_rng(seed)
    half = more.get("span_m", 9000.0) / 2
    places = rng.uniform(-half, half, (1 + stops, 2))
    # Some stops share a manhole, as cleaning and sleeve of one pipe often do.
    for n in range(2, 1 + stops):
        if rng.random() < 0.2:
            places[n] = places[n - 1]
    ways = ways_between(places, 1, rng)
    dates = [(FIRST + timedelta(days=n)).isoformat() for n in range(days)]
    own = [_stop(rng, n, places, dates, more) for n in range(stops)]
    crew_days = [_day(rng, crew, day, more) for crew in range(crews) for day in dates]
    roads = Roads(ways, 600)
    able = np.array(
        [[_can(day, stop) and timetable(day, [stop], roads) is not None for stop in own]
         for day in crew_days], dtype=bool,
    ).reshape(len(crew_days), len(own))  # fmt: skip
    stock, takes = {}, {}
    if "stock" in more:
        item = ("sleeve", "felt", 200, 1000)
        stock[item] = more["stock"]
        takes = {s.setup_id: Counter({item: s.loads[0]}) for s in own if s.loads[0]}
    ties = _ties(rng, own, dates, more.get("chained", 0.0))
    return Board(own, crew_days, able, roads, Shelf(stock, takes), ties, more.get("price", 1))


def _can(day: CrewDay, stop: Stop) -> bool:
    return (int(day.crew[1:]) % 2 == 0) == (stop.loads[0] == 0)


def _stop(rng, n: int, places: np.ndarray, dates: list[str], more: dict[str, Any]) -> Stop:
    low, high = more.get("work_s", (1800, 7200))
    work_s = int(rng.integers(low, high))
    open_s, close_s = 28_800, 59_400 - work_s
    spans: tuple[tuple[int, int], ...] = ((open_s, close_s),)
    kind = rng.random()
    if kind < 0.2:
        first = int(rng.integers(open_s, 45_000))
        spans = ((first, min(first + 7200, max(first, close_s))),)
    elif kind < 0.3:
        spans = ((open_s, 30_600), (41_400, max(41_400, close_s)))
    open_days = [d for d in dates if rng.random() > 0.25] or dates
    sleeves = int(rng.integers(1, 3)) if rng.random() < 0.4 else 0
    share = sleeves * int(rng.choice([2, 3]))
    node = f"{places[1 + n][0]:.1f} {places[1 + n][1]:.1f}"
    value_s = int(rng.choice([900, 2700, 7200, 28_800], p=[0.25, 0.45, 0.25, 0.05]))
    return Stop(
        f"U{n:04d}", f"p{n}", node, 1 + n, work_s, value_s, (sleeves, sleeves * 2000, share),
        dict.fromkeys(open_days, spans),
    )  # fmt: skip


def _day(rng, crew: int, day: str, more: dict[str, Any]) -> CrewDay:
    pause = Pause(1800, 39_600, 46_800) if more.get("pause") and crew % 2 == 0 else None
    start_s = int(25_200 + 900 * (crew % 3))
    over_s = int(more.get("over_s", 0))
    holds = (4, 90_000, 6) if crew % 2 else (NO_LIMIT, NO_LIMIT, 6)
    end_s = start_s + more.get("shift_s", 32_400)
    most_s = int(0.85 * (end_s - start_s))
    return CrewDay(f"c{crew}", day, start_s, end_s, most_s, 0, holds, over_s, pause)


def _ties(rng, own: list[Stop], dates: list[str], share: float) -> Ties:
    """Some sleeves wait for a cleaning of their own, for which it is good two days."""
    before: list[list[tuple[int, int | None]]] = [[] for _ in own]
    later: list[list[int]] = [[] for _ in own]
    cleanings = [n for n, stop in enumerate(own) if not stop.loads[0]]
    for n, stop in enumerate(own):
        if stop.loads[0] and cleanings and rng.random() < share:
            one = cleanings.pop(int(rng.integers(len(cleanings))))
            before[n].append((one, 2))
            later[one].append(n)
    return Ties(
        tuple(map(tuple, before)), tuple(map(tuple, later)), tuple(frozenset() for _ in own),
        {day: n for n, day in enumerate(dates)},
    )  # fmt: skip
