"""Drives: on streets by shortest time, else by air times a factor, and said so."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pytest
from crew_town import EAST, LOCAL, NORTH, crew, settings, shaped, stop
from pyproj import Transformer
from shapely.geometry import LineString, MultiLineString, Point

from planner.contracts import CREWS, SETUPS, STREETS
from planner.crews.travel import Travel, travel
from planner.tables import conform

KMH = 36.0  # 10 m/s: seconds are a tenth of metres


def street(street_id: str, *points: tuple[float, float], **more) -> dict:
    line = LineString([(EAST + x, NORTH + y) for x, y in points])
    return {"street_id": street_id, "speed_kmh": KMH, "geometry": line, **more}


def drives(stops: list[tuple[float, float]], streets: list[dict], **week) -> Travel:
    """Drives between set-ups at `stops`; the only yard stands at the first."""
    x, y = stops[0]
    setups = shaped([stop(f"U{n}", *place) for n, place in enumerate(stops)], SETUPS)
    yard = {**crew("Crew", "clean"), "yard_x": EAST + x, "yard_y": NORTH + y}
    table = shaped(streets, STREETS)
    chosen = settings(speed_kmh=KMH, **week).week
    return travel(setups, conform([yard], CREWS), table, chosen, source_crs="")


def between(ways: Travel, one: int, other: int) -> tuple[int, float, bool]:
    a, b = ways.setup_at[f"U{one}"], ways.setup_at[f"U{other}"]
    return int(ways.seconds[a, b]), round(float(ways.metres[a, b]), 3), bool(ways.air[a, b])


def test_without_streets_every_drive_is_by_air_times_the_factor():
    """3-4-5: 500 m by air x 1.4 = 700 m, 70 s at 10 m/s."""
    ways = drives([(0, 0), (300, 400)], [])
    assert between(ways, 0, 1) == (70, 700.0, True)
    assert ways.by_air


def test_on_a_street_the_way_along_it_counts():
    """Round the corner: 300 + 400 m, not the 500 m by air."""
    ways = drives([(0, 0), (300, 400)], [street("s", (0, 0), (300, 0), (300, 400))])
    assert between(ways, 0, 1) == (70, 700.0, False)
    assert between(ways, 1, 0) == (70, 700.0, False)
    assert not ways.by_air


def test_the_yard_is_a_place_like_any_other():
    """The yard stands at the first stop: no drive to it, the same drive to the other."""
    ways = drives([(0, 0), (300, 0)], [street("s", (0, 0), (300, 0))])
    yard, first, other = ways.crew_at["Crew"], ways.setup_at["U0"], ways.setup_at["U1"]
    assert ways.seconds[yard, first] == 0
    assert ways.seconds[yard, other] == ways.seconds[other, yard] == 30


def test_a_stop_in_the_middle_of_a_long_street_is_reached_there():
    """Stops at 100 m and 900 m of a street without a vertex between: 800 m."""
    ways = drives([(100, 0), (900, 0)], [street("s", (0, 0), (1000, 0))])
    assert between(ways, 0, 1) == (80, 800.0, False)


def test_the_way_from_the_street_counts_by_air_times_the_factor():
    """20 m off at one end: 100 + 1.4 x 20 = 128 m; 10 + 2.8 s."""
    ways = drives([(0, 20), (100, 0)], [street("s", (0, 0), (100, 0))])
    assert between(ways, 0, 1) == (13, 128.0, False)


def test_the_quickest_way_counts_and_its_own_length():
    """A bypass of 1200 m at 72 km/h (60 s) beats 1000 m at 36 km/h (100 s)."""
    slow = street("a", (0, 0), (1000, 0))
    fast = street("b", (0, 0), (0, 100), (1000, 100), (1000, 0), speed_kmh=72.0)
    assert between(drives([(0, 0), (1000, 0)], [slow, fast]), 0, 1) == (60, 1200.0, False)


def test_of_two_streets_with_the_same_ends_the_quicker_counts():
    """Parallel streets are not added up."""
    one = street("a", (0, 0), (500, 0))
    two = street("b", (0, 0), (500, 0), speed_kmh=72.0)
    assert between(drives([(0, 0), (500, 0)], [one, two]), 0, 1) == (25, 500.0, False)


def test_a_one_way_street_is_driven_as_drawn():
    """There in 100 m, back by the long way round: 100 + 100 + 100 m."""
    there = street("a", (0, 0), (100, 0), oneway=True)
    back = street("b", (100, 0), (100, 100), (0, 100), (0, 0), oneway=True)
    ways = drives([(0, 0), (100, 0)], [there, back])
    assert between(ways, 0, 1) == (10, 100.0, False)
    assert between(ways, 1, 0) == (30, 300.0, False)


def test_where_no_street_leads_back_the_drive_is_by_air_and_marked():
    """A single one-way street: there on it, back by air x 1.4."""
    ways = drives([(0, 0), (100, 0)], [street("a", (0, 0), (100, 0), oneway=True)])
    assert between(ways, 0, 1) == (10, 100.0, False)
    assert between(ways, 1, 0) == (14, 140.0, True)
    assert not ways.by_air


def test_two_parts_of_a_town_without_a_street_between_are_linked_by_air():
    """A river between two streets of one town."""
    streets = [street("a", (0, 0), (100, 0)), street("b", (0, 900), (100, 900))]
    ways = drives([(0, 0), (0, 900)], streets)
    assert between(ways, 0, 1) == (126, 1260.0, True)


def test_streets_that_cross_without_a_shared_vertex_do_not_meet():
    """A bridge: the drive is by air; with a vertex at the crossing it is on the streets."""
    under = street("a", (-300, 0), (300, 0))
    over = street("b", (0, -300), (0, 300))
    assert between(drives([(-300, 0), (0, 300)], [under, over]), 0, 1)[2]
    meeting = [street("a", (-300, 0), (0, 0), (300, 0)), street("b", (0, -300), (0, 0), (0, 300))]
    assert between(drives([(-300, 0), (0, 300)], meeting), 0, 1) == (60, 600.0, False)


def test_a_street_that_meets_another_in_its_middle_is_joined_there():
    """A T: the side street ends at a vertex in the middle of the other."""
    streets = [street("a", (0, 0), (50, 0), (100, 0)), street("b", (50, 0), (50, 70))]
    assert between(drives([(0, 0), (50, 70)], streets), 0, 1) == (12, 120.0, False)


def test_a_stray_stretch_nearer_by_is_passed_over():
    """A stretch that hangs together with nothing, 5 m away; the town's street is 30 m away."""
    town = [street("a", (0, 0), (100, 0)), street("b", (100, 0), (200, 0))]
    stray = street("c", (40, 35), (60, 35))
    ways = drives([(0, 0), (50, 30)], [*town, stray])
    # 50 m along the street and 30 m x 1.4 off it.
    assert between(ways, 0, 1) == (9, 92.0, False)


@pytest.mark.parametrize(
    ("more", "wanted"),
    [
        ({"speed_kmh": 18.0}, (20, 100.0, False)),
        ({"speed_kmh": None}, (10, 100.0, False)),
        ({"speed_kmh": None, "class": "slow"}, (40, 100.0, False)),
        ({"speed_kmh": 18.0, "class": "slow"}, (20, 100.0, False)),
        ({"speed_kmh": None, "class": "steps"}, (14, 140.0, True)),
        ({"speed_kmh": 0.0}, (14, 140.0, True)),
    ],
)
def test_speed_is_the_streets_own_then_its_class_then_the_setting(more, wanted):
    """A class with speed 0, or a street closed by its own 0, is not driven on."""
    rows = [street("a", (0, 0), (100, 0), **more)]
    classes = {"slow": 9.0, "steps": 0.0}
    assert between(drives([(0, 0), (100, 0)], rows, class_kmh=classes), 0, 1) == wanted


def test_set_ups_at_one_manhole_are_no_drive_apart():
    """Two set-ups at the same point."""
    ways = drives([(0, 0), (50, 0), (50, 0)], [street("a", (0, 0), (100, 0))])
    assert between(ways, 1, 2) == (0, 0.0, False)
    assert between(ways, 0, 1) == between(ways, 0, 2)


def test_a_stop_beside_the_end_of_a_one_way_street_can_leave_by_the_other():
    """The nearest street ends there; the crew goes on by the next."""
    one = street("a", (0, 0), (100, 0), oneway=True)
    two = street("b", (100, 0), (200, 0), oneway=True)
    back = street("c", (200, 0), (200, 50), (0, 50), (0, 0), oneway=True)
    ways = drives([(100, 0), (200, 0)], [one, two, back])
    assert between(ways, 0, 1) == (10, 100.0, False)


def test_multi_part_and_missing_lines_are_taken_as_they_are():
    """Each part is a street; a row without a line is none."""
    parts = MultiLineString(
        [
            [(EAST, NORTH), (EAST + 50, NORTH)],
            [(EAST + 50, NORTH), (EAST + 100, NORTH)],
        ]
    )
    rows = [{"street_id": "a", "speed_kmh": KMH, "geometry": parts}]
    rows.append({"street_id": "b", "speed_kmh": KMH, "geometry": None})
    assert between(drives([(0, 0), (100, 0)], rows), 0, 1) == (10, 100.0, False)


def test_yards_come_in_the_system_of_the_input_layers():
    """A yard given in degrees lies where the same point lies in metres."""
    setups = shaped([stop("U0", 1000.0, 0.0)], SETUPS)
    to_degrees = Transformer.from_crs(LOCAL, "EPSG:4326", always_xy=True)
    x, y = to_degrees.transform(EAST, NORTH)
    yard = {**crew("Crew", "clean"), "yard_x": x, "yard_y": y}
    chosen = settings(speed_kmh=KMH).week
    ways = travel(
        setups, conform([yard], CREWS), shaped([], STREETS), chosen, source_crs="EPSG:4326"
    )
    assert ways.metres[0, 1] == pytest.approx(1400.0, abs=1e-3)


def test_streets_in_another_system_are_turned_into_that_of_the_set_ups():
    """The same street in degrees gives the same drive."""
    setups = shaped([stop("U0"), stop("U1", 100.0)], SETUPS)
    table = gpd.GeoDataFrame(shaped([street("a", (0, 0), (100, 0))], STREETS)).to_crs("EPSG:4326")
    ways = travel(
        setups, conform([crew("C", "clean")], CREWS), table, settings().week, source_crs=""
    )
    assert ways.metres[1, 2] == pytest.approx(100.0, abs=1e-3)


def test_no_set_ups_and_no_crews_are_no_drives():
    """Empty tables give an empty matrix."""
    ways = travel(
        shaped([], SETUPS),
        conform([], CREWS),
        shaped([], STREETS),
        settings().week,
        source_crs="",
    )
    assert ways.seconds.shape == (0, 0)


@pytest.mark.network_samples
def test_a_real_citys_streets_lead_everywhere_and_never_beat_the_air(samples):
    """75,549 street nodes: 40 stops in reach of each other, no drive shorter than by air."""
    lines = gpd.read_parquet(samples / "streets" / "liege_osm_original.parquet")
    lines = lines.reset_index(drop=True)
    frame = gpd.GeoDataFrame(
        {
            "street_id": [f"s{n:06d}" for n in range(len(lines))],
            "class": lines["highway"].astype(str),
        },
        geometry=lines.geometry,
        crs=lines.crs,
    )
    points = lines.geometry.iloc[:: len(lines) // 40].interpolate(0.4, normalized=True)
    rows = [stop(f"U{n:03d}", geometry=Point(p.x, p.y)) for n, p in enumerate(points)]
    setups = conform(gpd.GeoDataFrame(rows, geometry=list(points), crs=lines.crs), SETUPS)
    yard = {**crew("Crew", "clean"), "yard_x": points.iloc[0].x, "yard_y": points.iloc[0].y}
    streets = conform(frame, STREETS)
    ways = travel(setups, conform([yard], CREWS), streets, settings().week, source_crs="")
    assert not ways.air.any()
    x, y = setups.geometry.x.to_numpy(), setups.geometry.y.to_numpy()
    away = np.hypot(x[:, None] - x, y[:, None] - y)
    assert (ways.metres[1:, 1:] >= away - 1e-3).all()
    assert (ways.seconds >= 0).all()
