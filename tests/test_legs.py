"""The drawn ways: along the streets, as long as the drive that was reckoned."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from crew_town import EAST, LOCAL, NORTH
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import LineString
from test_travel import drives, street

from planner.contracts import LEGS, VISITS
from planner.crews.legs import draw_legs
from planner.tables import check, conform


def day_of(ways, order: list[int]):
    """Draw one day that visits the set-ups in `order`."""
    stops = list(ways.setup_at)
    crew = next(iter(ways.crew_at))
    rows = [
        {
            "visit_id": f"v{seq}", "setup_id": stops[at], "crew": crew, "date": "2026-01-12",
            "seq": seq, "arrive_s": 0, "start_s": 0, "end_s": 0, "drive_s": 0, "drive_m": 0.0,
            "pause_s": 0, "end_pause_s": 0, "back_s": 0, "back_m": 0.0, "by_air": False,
        }
        for seq, at in enumerate(order, 1)
    ]  # fmt: skip
    legs = draw_legs(conform(rows, VISITS), ways, LOCAL)
    check(legs, LEGS)
    return legs.set_index(["visit_id", "part"])


def points(line: LineString) -> list[tuple[float, float]]:
    return [(round(x - EAST, 6), round(y - NORTH, 6)) for x, y in line.coords]


def test_a_way_follows_the_bends_of_its_street():
    bent = street("s", (0, 0), (50, 80), (100, 0))
    ways = drives([(0.0, 0.0), (100.0, 0.0)], [bent])
    legs = day_of(ways, [0, 1])
    assert points(legs.geometry["v2", "to"]) == [(0, 0), (50, 80), (100, 0)]


def test_a_way_against_the_drawing_is_turned():
    bent = street("s", (0, 0), (50, 80), (100, 0))
    ways = drives([(100.0, 0.0), (0.0, 0.0)], [bent])
    legs = day_of(ways, [0, 1])
    assert points(legs.geometry["v2", "to"]) == [(100, 0), (50, 80), (0, 0)]


def test_a_stop_beside_the_street_goes_straight_to_it():
    ways = drives([(10.0, 5.0), (90.0, -5.0)], [street("s", (0, 0), (100, 0))])
    legs = day_of(ways, [0, 1])
    assert points(legs.geometry["v2", "to"]) == [(10, 5), (10, 0), (90, 0), (90, -5)]


def test_without_streets_a_way_is_straight_and_said_to_be_by_air():
    legs = day_of(drives([(0.0, 0.0), (30.0, 40.0)], []), [0, 1])
    assert points(legs.geometry["v2", "to"]) == [(0, 0), (30, 40)]
    assert legs["by_air"].all()


def test_a_van_that_stays_draws_nothing():
    ways = drives([(50.0, 0.0), (50.0, 0.0)], [street("s", (0, 0), (100, 0))])
    assert day_of(ways, [0, 1]).geometry["v2", "to"] is None


def test_every_day_ends_at_the_yard_it_began_at():
    ways = drives([(0.0, 0.0), (20.0, 0.0), (70.0, 0.0)], [street("s", (0, 0), (100, 0))])
    legs = day_of(ways, [2, 1])
    first, home = points(legs.geometry["v1", "to"]), points(legs.geometry["v2", "home"])
    assert (first[0], first[-1]) == ((0, 0), (70, 0))
    assert (home[0], home[-1]) == ((20, 0), (0, 0))
    assert len(legs) == 3


@settings(deadline=None, max_examples=40)
@given(
    st.lists(st.tuples(st.integers(0, 4), st.integers(0, 4)), min_size=2, max_size=6),
    st.integers(0, 2**32 - 1),
)
def test_a_drawn_way_is_as_long_as_the_drive(corners, seed):
    """On a grid of bent streets with stops at corners the line is the drive, metre by metre."""
    chance = np.random.default_rng(seed)
    grid = []
    for i in range(5):
        for j in range(5):
            for di, dj in ((1, 0), (0, 1)):
                if i + di < 5 and j + dj < 5:
                    ends = (i * 100.0, j * 100.0), ((i + di) * 100.0, (j + dj) * 100.0)
                    bend = tuple(np.mean(ends, axis=0) + chance.uniform(-30, 30, 2))
                    grid.append(street(f"{i}{j}{di}", ends[0], bend, ends[1]))
    ways = drives([(i * 100.0, j * 100.0) for i, j in corners], grid)
    legs = day_of(ways, list(range(len(corners))))
    rows = [next(iter(ways.crew_at.values())), *ways.setup_at.values()]
    for seq in range(2, len(corners) + 1):
        line = legs.geometry[f"v{seq}", "to"]
        wanted = ways.metres[rows[seq - 1], rows[seq]]
        assert (0.0 if line is None else shapely.length(line)) == pytest.approx(wanted, abs=1e-6)
