"""The small drawing of a day's route: places and bar by hand, each stop's number once."""

from __future__ import annotations

import itertools
import re
from xml.etree import ElementTree

import map_town
import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from planner.outputs.palette import day_look
from planner.outputs.route_drawing import HIGH, WIDE, RouteLines, draw_route

LOOK = day_look(1)


def drawn(
    spots: list[tuple[float, float]], yard: tuple[float, float], units: str = "metric"
) -> str:
    """Stops at `spots` [m], with straight ways from the yard and back to it."""
    visits = [
        {"visit_id": f"v{n}", "setup_id": f"u{n}", "seq": n} for n in range(1, len(spots) + 1)
    ]
    rounds = [yard, *spots, yard]
    keys = [(str(v["visit_id"]), "to") for v in visits] + [(f"v{len(spots)}", "home")]
    legs = {key: shapely.LineString(ends) for key, ends in
            zip(keys, itertools.pairwise(rounds), strict=True)}  # fmt: skip
    stops = {f"u{n}": np.array(spot) for n, spot in enumerate(spots, start=1)}
    road = np.array([shapely.LineString([(-9e5, 3.0), (9e5, 3.0)])], dtype=object)
    return draw_route(
        "North", visits, RouteLines(legs, stops, {"North": np.array(yard)}, road, units), LOOK
    )


def marks(svg: str) -> dict[str, tuple[float, float]]:
    """The middle of each mark of stops, by its words."""
    found = re.findall(
        r'<text x="([\d.]+)" y="([\d.]+)" text-anchor="middle" font-weight="bold"[^>]*>([^<]+)<',
        svg,
    )
    return {words: (float(x), float(y) - 4.4) for x, y, words in found}


def test_places_and_bar_by_hand() -> None:
    """1000 m across 360 px less 26 at each side: 0.308 px/m. The stops lie at 26 and 334 px.

    A bar of at most 110 px, 357 m, is 200 m: 61.6 px, from 12 to 73.6.
    """
    svg = drawn([(0.0, 0.0), (1000.0, 0.0)], (500.0, 0.0))
    assert marks(svg) == {"1": (26.0, HIGH / 2), "2": (334.0, HIGH / 2)}
    assert ">200 m<" in svg
    assert "H73.6V" in svg


def test_a_bar_in_feet_by_hand() -> None:
    """110 px are 357.1 m = 1172 ft: the bar is 1000 ft = 304.8 m = 93.9 px."""
    svg = drawn([(0.0, 0.0), (1000.0, 0.0)], (500.0, 0.0), "us")
    assert ">1000 ft<" in svg
    assert "H105.9V" in svg


def test_north_is_up() -> None:
    """A stop farther north stands higher."""
    at = marks(drawn([(0.0, 0.0), (0.0, 800.0)], (100.0, 0.0)))
    assert at["2"][1] < at["1"][1]


def test_stops_at_one_place_share_a_mark() -> None:
    assert set(marks(drawn([(0.0, 0.0), (1.0, 0.0), (900.0, 0.0)], (0.0, 90.0)))) == {"1-2", "3"}


@settings(max_examples=40, deadline=None)
@given(
    st.lists(st.tuples(st.floats(-3e4, 3e4), st.floats(-3e4, 3e4)), min_size=1, max_size=12),
    st.tuples(st.floats(-3e4, 3e4), st.floats(-3e4, 3e4)),
)
def test_each_stop_is_told_once_within_the_drawing(
    spots: list[tuple[float, float]], yard: tuple[float, float]
) -> None:
    """Whatever the way: a whole document, each number in one mark, nothing beyond the edge."""
    svg = drawn(spots, yard)
    ElementTree.fromstring(svg)
    told = []
    for words, (x, y) in marks(svg).items():
        assert 0 <= x <= WIDE
        assert 0 <= y <= HIGH
        for run in words.split(", "):
            first, _, last = run.partition("-")
            told += range(int(first), int(last or first) + 1)
    assert sorted(told) == list(range(1, len(spots) + 1))
    for path in re.findall(r' d="(M[-\d.ML ]+)" fill="none"', svg):
        places = np.array(re.findall(r"-?[\d.]+", path), dtype=float).reshape(-1, 2)
        assert ((places >= -0.06) & (places <= np.array([WIDE, HIGH]) + 0.06)).all()


def test_without_a_place_there_is_no_drawing() -> None:
    lines = RouteLines({}, {}, {}, np.zeros(0, dtype=object), "metric")
    assert draw_route("North", [{"visit_id": "v", "setup_id": "u", "seq": 1}], lines, LOOK) == ""


@pytest.fixture(scope="module")
def town() -> dict:
    return map_town.town()


def test_the_shapes_of_a_run_are_found(town: dict) -> None:
    """A way to each stop and one home a day, in metres; every crew that drives has a yard."""
    lines = RouteLines.of(town, map_town.facts())
    visits = town["visits"]
    assert {visit for visit, part in lines.legs if part == "to"} == set(visits["visit_id"])
    assert set(visits["setup_id"]) <= set(lines.stops)
    assert set(visits["crew"]) <= set(lines.yards)
    first = visits.sort_values(["crew", "date", "seq"]).iloc[0]
    way = lines.legs[(first["visit_id"], "to")]
    assert shapely.Point(way.coords[-1]).distance(shapely.Point(lines.stops[first["setup_id"]])) < 1
