"""Local projection, distances, places along lines."""

import math

import geopandas as gpd
import numpy as np
import pyproj
import pytest
import shapely
from shapely import LineString, Point

from planner.errors import FileError
from planner.ground.measure import (
    cut_line,
    geodesic_m,
    local_crs,
    lon_lat,
    point_at,
    read_crs,
)

TEN = LineString([(0, 0), (10, 0)])
BENT = LineString([(0, 0), (3, 0), (3, 4)])  # 3 + 4 = 7 m


def test_the_local_projection_is_metric_and_true_to_the_ground():
    """100 m on the ground are 100 m in it, wherever and in whatever system the data is."""
    for lon, lat in ((-122.4, 37.78), (5.1, 52.1), (24.9, 60.2), (174.8, -36.8)):
        local = local_crs([[lon, lat]], "EPSG:4326")
        there = pyproj.Geod(ellps="WGS84").fwd(lon, lat, 63.0, 100.0)
        turn = pyproj.Transformer.from_crs("EPSG:4326", local, always_xy=True)
        xy = np.array([turn.transform(lon, lat), turn.transform(*there[:2])])
        assert math.dist(xy[0], xy[1]) == pytest.approx(100.0, abs=1e-5)
        assert [axis.unit_name for axis in local.axis_info] == ["metre", "metre"]


def test_the_local_projection_keeps_the_datum():
    """Dutch data stays on its own datum, so nothing is shifted there and back."""
    local = local_crs([[155_000, 463_000]], "EPSG:28992")
    assert local.geodetic_crs.name == "Amersfoort"
    turn = pyproj.Transformer.from_crs("EPSG:28992", local, always_xy=True)
    # 155000, 463000 is the origin of the Dutch grid, the tower of Amersfoort; the centre of
    # the projection is rounded to 1e-4 degree, at most 7.9 m off.
    assert np.hypot(*turn.transform(155_000, 463_000)) < 8
    assert turn.transform(*turn.transform(155_100, 463_050), direction="INVERSE") == pytest.approx(
        (155_100, 463_050), abs=1e-6
    )


def test_feet_are_read_from_the_system_not_from_its_name():
    """In a system of US feet, 1000 map units are 304.8006 m on the ground."""
    places = np.array([[2_746_229.0, 1_118_867.0], [2_747_229.0, 1_118_867.0]])
    local = local_crs(places, "ESRI:102698")  # Missouri West, US feet
    turn = pyproj.Transformer.from_crs("ESRI:102698", local, always_xy=True)
    xy = np.column_stack(turn.transform(places[:, 0], places[:, 1]))
    # The grid's own scale is off by less than 1 part in 10,000 here.
    assert math.dist(xy[0], xy[1]) == pytest.approx(304.8006, rel=1e-4)


def test_the_middle_comes_from_geometry_too():
    """Shapes and coordinates give the same projection; missing shapes have no say."""
    shapes = gpd.GeoSeries([None, LineString([(5, 52), (5.2, 52.2)]), LineString()])
    assert local_crs(shapes, "EPSG:4326") == local_crs([[5, 52], [5.2, 52.2]], "EPSG:4326")


def test_a_meridian_of_paris_falls_back_to_plain_degrees():
    """A system in grads from Paris gets a projection in degrees from Greenwich."""
    local = local_crs([[600_000, 2_428_000]], "EPSG:27572")
    assert local.geodetic_crs.name == "WGS 84"
    centre = local.coordinate_operation.params[1].value
    assert centre == pytest.approx(2.3375, abs=0.01)  # Paris lies 2.3372 E of Greenwich


@pytest.mark.parametrize(
    ("places", "crs", "word"),
    [
        ([], "EPSG:4326", "no geometry"),
        (np.array([], dtype=object), "EPSG:4326", "no geometry"),
        (gpd.GeoSeries([None, LineString()]), "EPSG:4326", "no geometry"),
        ([[np.nan, 1.0]], "EPSG:4326", "no geometry"),
        ([[1.0, 1.0]], "EPSG:0", "no known coordinate system"),
        ([[1.0, 1.0]], 'LOCAL_CS["site",UNIT["metre",1]]', "local grid"),
        ([[1e12, 1e12]], "EPSG:25832", "no place on the earth"),
    ],
)
def test_no_place_stops(places, crs, word):
    """Without a place on the earth nothing is measured, and one line says why."""
    with pytest.raises(FileError, match=word):
        local_crs(places, crs)


def test_a_bad_system_is_named_in_one_line():
    """The text that was written stands in the message."""
    with pytest.raises(FileError, match="crs 'EPSG:99x' is no known"):
        read_crs("EPSG:99x")


def test_lon_lat_comes_longitude_first():
    """Dutch grid origin: 155000, 463000 is 52 09 22.178 N, 5 23 15.500 E on its datum.

    References
    ----------
    .. [1] Kadaster, definition of the RD system; from memory.
    """
    found = lon_lat(np.array([[155_000.0, 463_000.0]]), "EPSG:28992")[0]
    assert found == pytest.approx(
        (5 + 23 / 60 + 15.5 / 3600, 52 + 9 / 60 + 22.178 / 3600), abs=1e-6
    )


def test_distance_of_one_degree_along_the_equator():
    """2 pi 6378137 / 360 = 111319.4908 m; scalars and arrays go together."""
    found = geodesic_m([0.0, 10.0], 0.0, [1.0, 11.0], 0.0)
    assert found == pytest.approx([111_319.4908] * 2, abs=1e-3)


def test_points_along_lines():
    """At 5 m of a bent line of 3 + 4 m lies (3, 2)."""
    assert point_at([TEN, BENT, BENT], [0.0, 5.0, 7.0]).tolist() == [[0, 0], [3, 2], [3, 4]]
    assert point_at([], []).shape == (0, 2)


@pytest.mark.parametrize("bad", [-2.0, -1e-5, 10.00001, 12.0, np.nan, np.inf])
def test_a_distance_beyond_an_end_is_refused(bad):
    """-2 would wrap to 8, 12 would be cut to 10: neither passes."""
    with pytest.raises(ValueError, match="does not lie on a line"):
        point_at([TEN], [bad])


@pytest.mark.parametrize("line", [None, LineString(), Point(1, 1)])
def test_what_is_no_line_is_refused(line):
    """A missing line has no places, and does not give an empty answer either."""
    with pytest.raises(ValueError, match="not a line"):
        point_at([line], [0.0])
    with pytest.raises(ValueError, match="not a line"):
        cut_line(line, 0.0, 0.0)


def test_lines_and_distances_go_in_pairs():
    """Two lines and one distance are an error, not a spread."""
    with pytest.raises(ValueError, match="2 lines but 1 distances"):
        point_at([TEN, BENT], [1.0])


def test_rounding_at_an_end_is_the_end():
    """A tenth of a micrometre too much is the end itself."""
    assert point_at([TEN, TEN], [10 + 1e-7, -1e-7]).tolist() == [[10, 0], [0, 0]]


def test_a_piece_of_a_line():
    """From 2 to 5 m of the bent line: (2 0), (3 0), (3 2)."""
    assert cut_line(BENT, 2.0, 5.0).equals(LineString([(2, 0), (3, 0), (3, 2)]))
    spot = cut_line(BENT, 4.0, 4.0)
    assert shapely.get_coordinates(spot).tolist() == [[3, 1], [3, 1]]


def test_a_piece_beyond_the_line_or_back_to_front_is_refused():
    """Neither end may lie beyond the line, and from may not lie behind to."""
    for ends in ((-1.0, 2.0), (2.0, 7.5), (np.nan, 2.0)):
        with pytest.raises(ValueError, match="does not lie"):
            cut_line(BENT, *ends)
    with pytest.raises(ValueError, match="lies behind"):
        cut_line(BENT, 5.0, 2.0)
