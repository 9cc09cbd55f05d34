"""One crew's day of 12 stops against an exact dynamic programme over all subsets and orders.

Held, M. and Karp, R. M. (1962), "A dynamic programming approach to sequencing problems",
extended by windows, the shift's end and stops that may be left at their value: a state
keeps every pair (driving, time) that no other pair beats in both. The value is exact, so
the tolerance is 0.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from crew_town import FIRST_DAY, crew, settings, shifts, stop, stop_town

from planner.crews.travel import Travel, travel
from planner.crews.week import plan_week

COUNT = 12
DAY = (25_200, 61_200)
OPEN, CLOSE = 28_800, 61_200


def best_cost(rows: list[dict], ways: Travel, manoeuvre_s: int) -> int:
    """Least driving [s] plus value of the stops left, over all subsets and orders."""
    drive = ways.seconds
    yard = ways.crew_at["Cleaning"]
    at = [ways.setup_at[row["setup_id"]] for row in rows]
    total = sum(row["value_s"] for row in rows)
    worth = [row["value_s"] for row in rows]
    # states[mask][last]: pairs of driving so far and time at which that stop is finished.
    states: list[dict[int, list[tuple[int, int]]]] = [{} for _ in range(1 << len(rows))]
    for n in range(len(rows)):
        _reach(states[1 << n], n, rows[n], (0, DAY[0]), (int(drive[yard, at[n]]), manoeuvre_s))
    best = total
    for mask in range(1, 1 << len(rows)):
        left = total - sum(worth[n] for n in range(len(rows)) if mask >> n & 1)
        for last, labels in states[mask].items():
            home = int(drive[at[last], yard])
            for driven, free in labels:
                if free + home <= DAY[1]:
                    best = min(best, driven + home + left)
                for n in range(len(rows)):
                    if not mask >> n & 1:
                        leg = (int(drive[at[last], at[n]]), manoeuvre_s)
                        _reach(states[mask | 1 << n], n, rows[n], (driven, free), leg)
    return best


def _reach(state, n, row, label, leg) -> None:
    """Add the pair of going on to stop `n`, unless it comes too late or another pair beats it."""
    driven, start = label[0] + leg[0], max(label[1] + leg[0] + leg[1], row["open_s"])
    if start > row["close_s"]:
        return
    new = (driven, start + row["work_s"])
    labels = state.setdefault(n, [])
    if any(old[0] <= new[0] and old[1] <= new[1] for old in labels):
        return
    state[n] = [old for old in labels if old[0] < new[0] or old[1] < new[1]] + [new]


def day_of(seed: int) -> tuple[list[dict], dict[str, pd.DataFrame]]:
    """Make 12 stops within 9 km, some with a narrow window, some hardly worth a detour."""
    rng = np.random.default_rng(seed)
    rows = []
    for n in range(COUNT):
        x, y = rng.uniform(-4500, 4500, 2)
        work_s = int(rng.integers(600, 3600))
        open_s, close_s = OPEN, CLOSE - work_s
        if rng.random() < 0.4:
            open_s = int(rng.integers(OPEN, CLOSE - 9000))
            close_s = min(close_s, open_s + int(rng.integers(1800, 7200)))
        value_s = int(rng.choice([300, 900, 2700, 7200]))
        window = {"open_s": open_s, "close_s": close_s, "value_s": value_s}
        rows.append(stop(f"U{n:02d}", float(x), float(y), work_s=work_s, **window))
    crews = [crew("Cleaning", "clean")]
    return rows, stop_town(rows, crews, shifts=shifts(crews, *DAY))


@pytest.mark.parametrize("seed", range(6))
def test_a_day_of_twelve_stops_costs_no_more_than_the_exact_least(seed):
    """Driving plus value left undone equals that of the dynamic programme, to the second."""
    rows, tables = day_of(seed)
    week = settings(days=1, fill_ratio=1.0, iterations=2000).week
    ways = travel(tables["setups"], tables["crews"], tables["streets"], week, source_crs="")
    found = plan_week(tables, ways, week, first_day=FIRST_DAY, seed=1)
    visits = found.visits
    left = sum(row["value_s"] for row in rows if row["setup_id"] not in set(visits["setup_id"]))
    cost = int(visits["drive_s"].sum() + visits["back_s"].sum()) + left
    assert cost == best_cost(rows, ways, week.manoeuvre_s)
    assert len(visits) >= 3
    assert len(visits) + len(found.unserved) == COUNT
