"""Systems: the file's, the spec's, the project's, and coordinates that cannot be in them."""

from pathlib import Path

import numpy as np
import pytest
import shapely
from layer_files import line, spec, write_geojson, write_layer

from planner.errors import FileError
from planner.ground.measure import local_crs, read_crs
from planner.inputs.projection import flat_shapes, inside_area, settle_crs, to_local
from planner.inputs.vector import read_layer

HERE = line((0, 0), (10, 0))
DEGREES = shapely.LineString([(10.5, 52.3), (10.51, 52.3)])


def settled(tmp_path: Path, shape, *, crs, layer_crs: str = "", project_crs: str = ""):
    """Write one feature as GeoJSON and settle its system."""
    write_geojson(tmp_path / "a.geojson", [({"id": "a"}, shape)], crs=crs)
    asked = spec("a.geojson", crs=layer_crs)
    return settle_crs(read_layer(asked, tmp_path), asked, project_crs)


def test_the_files_own_system_is_used(tmp_path: Path):
    """Nothing asked, or the same asked: no fault."""
    for asked in ("", "EPSG:25832"):
        crs, faults = settled(tmp_path, HERE, crs="EPSG:25832", project_crs=asked)
        assert crs.to_epsg() == 25832
        assert faults == []


def test_a_contradiction_is_a_fault_and_the_file_wins(tmp_path: Path):
    """The project says another system: named, and the file's own is used."""
    crs, (fault,) = settled(tmp_path, HERE, crs="EPSG:25832", layer_crs="EPSG:28992")
    assert crs.to_epsg() == 25832
    assert (fault.column, fault.lost) == ("crs", False)
    assert "ETRS89 / UTM zone 32N" in fault.found
    assert "EPSG:28992" in fault.wanted


def test_two_names_of_one_system_are_no_contradiction(tmp_path: Path):
    """Degrees in either order of axes are the same degrees."""
    _, faults = settled(tmp_path, DEGREES, crs="OGC:CRS84", project_crs="EPSG:4326")
    assert faults == []


def test_a_missing_system_is_asked_for(tmp_path: Path):
    """No guess: the message shows the coordinates and where to write the code."""
    with pytest.raises(FileError, match=r"first corner is 600000, 5800000.*crs = .*\[project\]"):
        settled(tmp_path, HERE, crs=None)


def test_what_is_asked_fills_what_is_missing(tmp_path: Path):
    """The layer's word comes before the project's."""
    crs, _ = settled(tmp_path, HERE, crs=None, project_crs="EPSG:25832")
    assert crs.to_epsg() == 25832
    crs, _ = settled(tmp_path, HERE, crs=None, layer_crs="EPSG:25833", project_crs="EPSG:25832")
    assert crs.to_epsg() == 25833


def test_degrees_without_a_name_are_degrees_by_the_format(tmp_path: Path):
    """GeoJSON without a system means degrees, even if the project is in metres."""
    crs, faults = settled(tmp_path, DEGREES, crs=None, project_crs="EPSG:25832")
    assert crs.to_epsg() == 4326
    assert faults == []


@pytest.mark.parametrize("where", ["layer_crs", "project_crs"])
def test_an_unknown_system_stops(tmp_path: Path, where: str):
    """A text that names no system is an error in one line, wherever it stands."""
    with pytest.raises(FileError, match="crs 'EPSG:123456' is no known"):
        settled(tmp_path, HERE, crs="EPSG:25832" if where == "layer_crs" else None,
                **{where: "EPSG:123456"})  # fmt: skip


def test_metres_that_are_no_degrees_stop_the_layer():
    """The format says degrees, the coordinates are metres: no place on the earth."""
    with pytest.raises(FileError, match="cannot be WGS 84"):
        inside_area(np.array([HERE], dtype=object), read_crs("EPSG:4326"), "a")


def test_feet_under_a_name_that_says_metres_are_found():
    """Missouri in US feet under its metre code lands in Maine; as feet it would fit.

    94.65 W, 39.23 N is about 851,600 m E, 340,900 m N of EPSG:2817, or 2,794,000 and
    1,118,400 US feet.
    """
    feet = shapely.LineString([(2_794_000, 1_118_400), (2_794_300, 1_118_400)])
    with pytest.raises(FileError, match="read as feet they would fit"):
        inside_area(np.array([feet], dtype=object), read_crs("EPSG:2817"), "a")
    metres = shapely.transform(feet, lambda xy: xy * 1200 / 3937)
    assert inside_area(np.array([metres], dtype=object), read_crs("EPSG:2817"), "a").all()


def test_swapped_axes_are_found():
    """North before east: swapped they would fit."""
    swapped = shapely.transform(HERE, lambda xy: xy[:, ::-1])
    with pytest.raises(FileError, match="with x and y swapped they would fit"):
        inside_area(np.array([swapped], dtype=object), read_crs("EPSG:25832"), "a")


def test_local_coordinates_under_a_real_name_stop():
    """A drawing around (0, 0) under a zone's code: outside the area of use.

    In UTM, x = 0 lies 500 km west of the central meridian, y = 0 on the equator.
    """
    local = shapely.LineString([(0, 0), (50, 0)])
    with pytest.raises(FileError, match=r"0, 0 cannot be .* in use .*; wanted another crs"):
        inside_area(np.array([local], dtype=object), read_crs("EPSG:25832"), "a")


def test_infinite_after_projection_stops():
    """Far beyond any place the projection gives infinity without an error."""
    far = shapely.LineString([(1e9, 1e9), (1e9 + 1, 1e9)])
    with pytest.raises(FileError, match="cannot be"):
        inside_area(np.array([far], dtype=object), read_crs("EPSG:28992"), "a")


def test_a_few_astray_do_not_stop_the_layer():
    """One of three at (0, 0): that one is outside; missing shapes count as inside."""
    shapes = np.array([HERE, HERE, shapely.Point(0, 0), None, shapely.LineString()], dtype=object)
    assert inside_area(shapes, read_crs("EPSG:25832"), "a").tolist() == [
        True, True, False, True, True,
    ]  # fmt: skip


def test_the_edge_of_a_zone_has_a_margin():
    """Half a degree outside the zone is kept in use by many towns; two degrees are too far."""
    near = np.array([shapely.Point(168_000, 5_800_000)], dtype=object)  # about 4.1 E: 1.9 out
    edge = np.array([shapely.Point(265_000, 5_800_000)], dtype=object)  # about 5.5 E
    with pytest.raises(FileError, match="cannot be"):
        inside_area(near, read_crs("EPSG:25832"), "a")
    assert inside_area(edge, read_crs("EPSG:25832"), "a").all()


def test_a_region_across_180_degrees():
    """New Zealand's grid is in use from 160.6 E to 171.2 W; Auckland lies inside, Paris not."""
    crs = read_crs("EPSG:3851")  # NZCS2000, from 160.6 E across 180 degrees
    assert crs.area_of_use.west > crs.area_of_use.east
    auckland = np.array([shapely.Point(3_140_000, 7_880_000)], dtype=object)
    assert inside_area(auckland, crs, "a").all()


def test_heights_are_dropped_and_places_turned(tmp_path: Path):
    """Z of 0 or -9999 must not spoil a length; local metres keep it within a millimetre."""
    raised = shapely.LineString([(600_000, 5_800_000, 0), (600_030, 5_800_040, -9999)])
    write_layer(tmp_path / "a.gpkg", {"id": ["a"]}, [raised])
    asked = spec("a.gpkg")
    layer = read_layer(asked, tmp_path)
    shapes = flat_shapes(layer)
    assert not shapes[0].has_z
    assert shapes[0].length == 50.0  # 3-4-5
    crs, _ = settle_crs(layer, asked, "")
    turned = to_local(shapes, crs, local_crs(layer.frame.geometry, crs))
    # UTM's scale at 1.46 degrees from the middle is 0.9996 x 1.000123 or so.
    assert turned[0].length == pytest.approx(50.0 / 0.99972, abs=0.005)
    assert layer.frame.geometry[0].has_z


def test_missing_shapes_stay_missing():
    """None in, None out."""
    local = local_crs([[10.5, 52.3]], "EPSG:4326")
    assert to_local(np.array([None, HERE]), read_crs("EPSG:25832"), local)[0] is None


def _pipe_at(folder: Path, lon: float, lat: float, *, crs: str = "", project: str = ""):
    """Read one pipe given in degrees, in a file that names no system."""
    shape = shapely.LineString([(lon, lat), (lon + 3e-4, lat + 6e-4)])
    write_geojson(folder / "p.geojson", [({"pipe_id": "P"}, shape)], crs=None)
    asked = spec("p.geojson", crs=crs)
    return settle_crs(read_layer(asked, folder), asked, project)


def test_degrees_in_the_wrong_order_stop(tmp_path: Path):
    """By the EPSG register 52.4 E, 4.9 N is open sea; 4.9 E, 52.4 N is Amsterdam."""
    with pytest.raises(FileError, match=r"every region on land.*x and y swapped it would fit"):
        _pipe_at(tmp_path, 52.4, 4.9)
    assert _pipe_at(tmp_path, 4.9, 52.4)[0].to_epsg() == 4326
    # Sea both ways: nothing to say of the order.
    assert _pipe_at(tmp_path, -30.0, 40.0)[0].to_epsg() == 4326
    # A person has said that it is so.
    assert _pipe_at(tmp_path, 52.4, 4.9, crs="EPSG:4326")[0].to_epsg() == 4326


def test_the_projects_own_system_tells_the_order_where_both_are_land(tmp_path: Path):
    """50.1 E, 8.6 N is Somalia and 8.6 E, 50.1 N is Hesse: EPSG:25832 says which is meant."""
    assert _pipe_at(tmp_path, 50.1, 8.6)[0].to_epsg() == 4326
    with pytest.raises(FileError, match=r"outside the region of EPSG:25832.*swapped"):
        _pipe_at(tmp_path, 50.1, 8.6, project="EPSG:25832")
    assert _pipe_at(tmp_path, 8.6, 50.1, project="EPSG:25832")[0].to_epsg() == 4326


TOWNS = [(4.9, 52.4), (-0.1, 51.5), (2.3, 48.8), (10.0, 53.6), (-122.4, 37.8), (-74.0, 40.7),
         (151.2, -33.9), (103.8, 1.35), (-43.2, -22.9), (18.4, -33.9), (174.8, -41.3),
         (-15.4, 28.1), (24.9, 60.2), (85.3, 27.7), (-66.1, 18.5), (-157.9, 21.3), (139.7, 35.7),
         (-21.9, 64.1), (55.5, -20.9), (-149.6, -17.5)]  # fmt: skip


@pytest.mark.parametrize(("lon", "lat"), TOWNS)
def test_no_town_on_earth_is_stopped_as_it_stands(tmp_path: Path, lon: float, lat: float):
    """Twenty towns on all continents and far islands, places from memory to 0.1 degree."""
    assert _pipe_at(tmp_path, lon, lat)[0].to_epsg() == 4326
