"""Streets: lines to drive on."""

from pathlib import Path

import pytest
import shapely
from layer_files import UTM, line, point, spec, write_geojson, write_layer

from planner.errors import FileError
from planner.ground.measure import local_crs, read_crs
from planner.inputs.streets import read_streets

LOCAL = local_crs([[600_000.0, 5_800_000.0]], UTM)
COLUMNS = {"street_id": "id", "speed_kmh": "v", "oneway": "one"}
EAST = line((0, 0), (100, 0))


def read(folder: Path, rows, **more):
    """Write streets as (attributes, shape) and read them."""
    write_geojson(folder / "streets.geojson", rows)
    found = read_streets(spec("streets.geojson", columns=COLUMNS, **more), folder, LOCAL.to_wkt())
    return found.streets, found.faults


def street(street_id=None, v=None, one=None):
    """Give the attributes of one street."""
    return {"id": street_id, "v": v, "one": one, "name": "Lane", "class": "main"}


def test_streets_come_in_local_metres(tmp_path: Path):
    """100 m of the grid are 100.03 m of ground here; speed, name and class as given."""
    found, faults = read(tmp_path, [(street("s1", 30, "yes"), EAST), (street("s2"), EAST)])
    assert faults == []
    assert found.crs == LOCAL
    assert found["street_id"].tolist() == ["s1", "s2"]
    assert found.geometry.length.tolist() == pytest.approx([100 / 0.999723] * 2, abs=1e-3)
    assert found["speed_kmh"].tolist()[0] == 30
    assert found["speed_kmh"].isna().tolist() == [False, True]
    assert found["oneway"].isna().tolist() == [False, True]
    assert found["oneway"][0]
    assert (found["name"][0], found["class"][0]) == ("Lane", "main")


def test_a_street_driven_against_its_drawing_is_turned(tmp_path: Path):
    """-1 says one-way backward: the line is turned and one-way forward."""
    found, _ = read(tmp_path, [(street("s", 30, "-1"), EAST)])
    assert found["oneway"].tolist() == [True]
    start = found.to_crs(UTM).geometry[0].coords[0]
    assert start == pytest.approx(point(100, 0).coords[0], abs=1e-6)


def test_parts_are_streets_of_their_own(tmp_path: Path):
    """Two parts get .1 and .2; one part keeps the name."""
    two = shapely.MultiLineString([EAST, line((0, 50), (100, 50))])
    one = shapely.MultiLineString([EAST])
    found, _ = read(tmp_path, [(street("a"), two), (street("b"), one)])
    assert found["street_id"].tolist() == ["a.1", "a.2", "b"]


def test_names_that_come_again_and_missing_ones(tmp_path: Path):
    """Maps name every piece of one street alike: numbered; without a name the row counts."""
    found, faults = read(tmp_path, [(street("a"), EAST), (street("a"), EAST), (street(), EAST)])
    assert found["street_id"].tolist() == ["3", "a", "a#2"]
    assert faults == []


def test_what_is_no_line_is_refused(tmp_path: Path):
    """A square, nothing, a line of no length, one in the sea off Africa: named and left out."""
    rows = [
        (street("a"), EAST),
        (street("b"), shapely.box(600_000, 5_800_000, 600_010, 5_800_010)),
        (street("c"), None),
        (street("d"), line((0, 0), (0, 0))),
        (street("e"), EAST),
        (street("f"), EAST),
        (street("g"), EAST),
        (street("h"), shapely.LineString([(0, 0), (9, 0)])),
    ]
    found, faults = read(tmp_path, rows)
    assert found["street_id"].tolist() == ["a", "e", "f", "g"]
    assert [(f.row, f.column, f.lost) for f in faults] == [
        (2, "geometry", True), (3, "geometry", True), (4, "geometry", True), (8, "geometry", True),
    ]  # fmt: skip


def test_odd_cells_are_blank_and_named(tmp_path: Path):
    """A speed in words and a direction that is no direction: kept, with faults."""
    found, faults = read(tmp_path, [(street("a", "walking pace", "sometimes"), EAST)])
    assert found["speed_kmh"].isna().all()
    assert found["oneway"].isna().all()
    assert {(f.column, f.found, f.lost) for f in faults} == {
        ("oneway", "sometimes", False),
        ("speed_kmh", "walking pace", False),
    }


def test_miles_per_hour(tmp_path: Path):
    """25 mph are 40.2336 km/h: 25 x 1.609344."""
    found, _ = read(tmp_path, [(street("a", 25), EAST)], units={"speed_kmh": "mph"})
    assert found["speed_kmh"].tolist() == pytest.approx([40.2336])


def test_another_system_is_turned(tmp_path: Path):
    """Streets in degrees beside pipes in metres."""
    local = read_crs(LOCAL.to_wkt())
    degrees = shapely.LineString([(10.46, 52.34), (10.4614672, 52.34)])
    write_layer(tmp_path / "s.gpkg", {"street_id": ["a"]}, [degrees], crs="EPSG:4326")
    found = read_streets(spec("s.gpkg"), tmp_path, local.to_wkt()).streets
    # One degree of longitude at 52.34 N is 68,142 m (WGS 84: cos 52.34 x 111,412.84
    # less 93.5 cos(3 x 52.34), from memory): 0.0014672 degree is 99.98 m.
    assert found.geometry.length[0] == pytest.approx(100.0, abs=0.1)


def test_streets_without_a_system_stop(tmp_path: Path):
    """Only the streets: whoever reads the project goes on by air."""
    write_geojson(tmp_path / "streets.geojson", [(street("a"), EAST)], crs=None)
    with pytest.raises(FileError, match="names no coordinate system"):
        read_streets(spec("streets.geojson"), tmp_path, LOCAL.to_wkt())


def test_no_streets_at_all(tmp_path: Path):
    """An empty layer is an empty table."""
    write_geojson(tmp_path / "streets.geojson", [])
    read = read_streets(spec("streets.geojson"), tmp_path, LOCAL.to_wkt())
    found, faults = read.streets, read.faults
    assert found.empty
    assert faults == []
