"""Attributes as the file writes them, geometry, systems, layers: four formats, one reader."""

import json
import sqlite3
import struct
import warnings
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pyarrow as pa
import pyarrow.parquet
import pytest
import shapely
from layer_files import UTM, line, spec, write_geojson, write_layer

from planner.errors import FileError
from planner.inputs.vector import read_layer

LINES = [line((0, 0), (10, 0)), line((10, 0), (20, 0)), line((20, 0), (30, 0))]
BIG = 9_007_199_254_740_993  # 2^53 + 1: as a float it is its neighbour


@pytest.mark.parametrize("ending", ["gpkg", "geojson", "parquet", "shp"])
def test_ids_stay_text_in_every_format(tmp_path: Path, ending: str):
    """Zeros in front, a number with a power in it, NA: as written, in the order of the file."""
    ids = ["000417", "12E5", "NA"]
    write_layer(tmp_path / f"a.{ending}", {"id": ids}, LINES)
    layer = read_layer(spec(f"a.{ending}"), tmp_path)
    assert layer.frame["id"].tolist() == ids
    assert layer.frame["row"].tolist() == [1, 2, 3]
    assert layer.frame.geometry.tolist() == LINES
    assert layer.frame.crs == UTM
    assert layer.numbers == frozenset()


@pytest.mark.parametrize("ending", ["gpkg", "geojson", "parquet", "shp"])
def test_whole_numbers_stay_whole_beside_blanks(tmp_path: Path, ending: str):
    """417 with a blank below is 417, never 417.0; a 17-digit id keeps its last digit."""
    big = BIG if ending != "shp" else 417  # a shapefile's own whole numbers are shorter
    numbers = pd.array([417, None, big], dtype="Int64")
    frame = gpd.GeoDataFrame({"id": numbers}, geometry=LINES, crs=UTM)
    if ending == "parquet":
        frame.to_parquet(tmp_path / "a.parquet")
    else:
        frame.to_file(tmp_path / f"a.{ending}")
    layer = read_layer(spec(f"a.{ending}"), tmp_path)
    assert layer.frame["id"].tolist() == ["417", "", str(big)]
    assert layer.numbers == {"id"}


def test_numbers_with_a_fraction_keep_their_digits(tmp_path: Path):
    """0.1 stays 0.1, 417.0 is 417, 1e300 stays itself."""
    write_layer(tmp_path / "a.gpkg", {"n": [0.1, 417.0, 1e300]}, LINES)
    assert read_layer(spec("a.gpkg"), tmp_path).frame["n"].tolist() == ["0.1", "417", "1e+300"]


def test_what_json_holds_becomes_text(tmp_path: Path):
    """Mixed types, truth values, days, lists and objects: text, not another type."""
    write_geojson(
        tmp_path / "a.geojson",
        [
            ({"id": 417, "ok": True, "day": "2024-03-05", "l": [1, 2]}, LINES[0]),
            ({"id": "K-17", "ok": None, "day": None, "o": {"a": 1}}, LINES[1]),
        ],
    )
    frame = read_layer(spec("a.geojson"), tmp_path).frame
    assert frame["id"].tolist() == ["417", "K-17"]
    assert frame["ok"].tolist() == ["true", ""]
    assert frame["day"].tolist() == ["2024-03-05", ""]
    assert json.loads(frame["l"][0]) == [1, 2]
    assert json.loads(frame["o"][1]) == {"a": 1}


def test_a_column_of_days_is_written_as_days(tmp_path: Path):
    """A date of the file is YYYY-MM-DD; a time of day stays behind it."""
    table = pa.table(
        {
            "day": pa.array([19_787], pa.date32()),  # 19,787 days after 1970-01-01
            "at": pa.array([0], pa.timestamp("s")),
            "raw": pa.array([b"\x01\xff"]),
            "word": pa.array(["a"]).dictionary_encode(),
            "geometry": pa.array([shapely.to_wkb(LINES[0])]),
        }
    )
    shape = {"encoding": "WKB", "geometry_types": [], "crs": None}
    geo = {"version": "1.0.0", "primary_column": "geometry", "columns": {"geometry": shape}}
    table = table.replace_schema_metadata({"geo": json.dumps(geo)})
    pyarrow.parquet.write_table(table, tmp_path / "a.parquet")
    layer = read_layer(spec("a.parquet"), tmp_path)
    found = layer.frame.iloc[0]
    # 2024-03-05: 54 years hold 19,724 days up to 2024-01-01, then 31 + 29 + 3 + 1 - 1.
    assert found["day"] == "2024-03-05"
    assert found["at"] == "1970-01-01 00:00:00"
    assert (found["raw"], found["word"]) == ("01ff", "a")
    assert layer.frame.crs is None
    assert not layer.lon_lat


def test_parquet_without_crs_is_degrees_by_its_format(tmp_path: Path):
    """The GeoParquet rule: a crs left away is longitude and latitude."""
    write_layer(tmp_path / "a.parquet", {"id": ["a"]}, [shapely.Point(10, 52)], crs="OGC:CRS84")
    table = pyarrow.parquet.read_table(tmp_path / "a.parquet")
    geo = json.loads(table.schema.metadata[b"geo"])
    del geo["columns"]["geometry"]["crs"]
    pyarrow.parquet.write_table(
        table.replace_schema_metadata({"geo": json.dumps(geo)}), tmp_path / "b.parquet"
    )
    assert read_layer(spec("b.parquet"), tmp_path).frame.crs.is_geographic


@pytest.mark.parametrize("change", ["no geo", "other encoding", "no column"])
def test_parquet_that_is_no_geoparquet_is_refused(tmp_path: Path, change: str):
    """Without geometry, or with one that is not WKB: one line."""
    write_layer(tmp_path / "a.parquet", {"id": ["a"]}, [LINES[0]])
    table = pyarrow.parquet.read_table(tmp_path / "a.parquet")
    geo = json.loads(table.schema.metadata[b"geo"])
    if change == "other encoding":
        geo["columns"]["geometry"]["encoding"] = "linestring"
    if change == "no column":
        geo["primary_column"] = "shape"
    meta = {} if change == "no geo" else {"geo": json.dumps(geo)}
    pyarrow.parquet.write_table(table.replace_schema_metadata(meta), tmp_path / "a.parquet")
    with pytest.raises(FileError, match="GeoParquet"):
        read_layer(spec("a.parquet"), tmp_path)


def test_geojson_without_crs_says_so(tmp_path: Path):
    """The layer names no system; degrees are what the format means, if they can be degrees."""
    write_geojson(tmp_path / "a.geojson", [({"id": "a"}, LINES[0])], crs=None)
    layer = read_layer(spec("a.geojson"), tmp_path)
    assert layer.frame.crs is None
    assert layer.lon_lat


def test_a_shapefile_without_prj_names_no_system(tmp_path: Path):
    """No guess, and no degrees either."""
    write_layer(tmp_path / "a.shp", {"id": ["a"]}, [LINES[0]])
    (tmp_path / "a.prj").unlink()
    layer = read_layer(spec("a.shp"), tmp_path)
    assert layer.frame.crs is None
    assert not layer.lon_lat


def test_features_without_geometry_are_kept(tmp_path: Path):
    """Null and empty shapes are rows like all others."""
    shapes = [LINES[0], None, shapely.LineString()]
    write_layer(tmp_path / "a.gpkg", {"id": ["a", "b", "c"]}, shapes)
    frame = read_layer(spec("a.gpkg"), tmp_path).frame
    assert frame["id"].tolist() == ["a", "b", "c"]
    assert [shape is None or shape.is_empty for shape in frame.geometry] == [False, True, True]


def test_layers_are_picked_by_name(tmp_path: Path):
    """One layer needs no name, two do; a wrong name gets the nearest."""
    path = tmp_path / "a.gpkg"
    write_layer(path, {"id": ["a"]}, [LINES[0]], layer="pipes")
    assert read_layer(spec("a.gpkg"), tmp_path).name == "a.gpkg"
    write_layer(path, {"id": ["b"]}, [LINES[1]], layer="streets")
    with pytest.raises(FileError, match=r"2 layers \(pipes, streets\); name one"):
        read_layer(spec("a.gpkg"), tmp_path)
    with pytest.raises(FileError, match="no layer 'pipe'; did you mean pipes"):
        read_layer(spec("a.gpkg", "pipe"), tmp_path)
    layer = read_layer(spec("a.gpkg", "streets"), tmp_path)
    assert layer.frame["id"].tolist() == ["b"]
    assert layer.name == "a.gpkg:streets"


def test_a_table_without_geometry_is_no_layer(tmp_path: Path):
    """One line instead of a layer of nothing."""
    path = tmp_path / "a.gpkg"
    write_layer(path, {"id": ["a"]}, [LINES[0]], layer="pipes")
    base = sqlite3.connect(path)
    base.execute("CREATE TABLE list (id INTEGER PRIMARY KEY, name TEXT)")
    base.execute("INSERT INTO gpkg_contents (table_name, data_type, identifier) "
                 "VALUES ('list', 'attributes', 'list')")  # fmt: skip
    base.commit()
    base.close()
    with pytest.raises(FileError, match="without geometry"):
        read_layer(spec("a.gpkg", "list"), tmp_path)


def test_the_files_own_key_can_be_an_id(tmp_path: Path):
    """Readers hide it; whoever maps it gets it."""
    write_layer(tmp_path / "a.gpkg", {"name": ["x", "y"]}, LINES[:2])
    hidden = read_layer(spec("a.gpkg"), tmp_path)
    assert "fid" not in hidden.frame.columns
    shown = read_layer(spec("a.gpkg", columns={"pipe_id": "fid"}), tmp_path)
    assert shown.frame["fid"].tolist() == ["1", "2"]


def test_an_attribute_called_row_is_not_lost(tmp_path: Path):
    """The reader's own row numbers take the name, the attribute gets a star."""
    write_layer(tmp_path / "a.gpkg", {"row": ["x", "y"]}, LINES[:2])
    frame = read_layer(spec("a.gpkg"), tmp_path).frame
    assert frame["row"].tolist() == [1, 2]
    assert frame["row*"].tolist() == ["x", "y"]


def test_arcs_become_short_straight_pieces(tmp_path: Path):
    """An arc over three points of a half circle of 10 m: pi x 10 m long, within 1 cm."""
    path = tmp_path / "a.gpkg"
    write_layer(path, {"id": ["a"]}, [LINES[0]], layer="pipes")
    base = sqlite3.connect(path)
    for (name,) in base.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
        base.execute(f'DROP TRIGGER "{name}"')
    # Standard binary of a GeoPackage: magic, version, flags, system; then a CircularString.
    arc = struct.pack("<BII6d", 1, 8, 3, 600_000, 5_800_000, 600_010, 5_800_010, 600_020, 5_800_000)
    blob = b"GP\x00\x01" + struct.pack("<i", 25832) + arc
    base.execute("UPDATE pipes SET geom = ?", (blob,))
    base.execute("UPDATE gpkg_geometry_columns SET geometry_type_name = 'CIRCULARSTRING'")
    base.commit()
    base.close()
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        layer = read_layer(spec("a.gpkg"), tmp_path)
    assert layer.frame.geometry[0].length == pytest.approx(31.4159, abs=0.01)
    assert "curves were read as short straight pieces" in layer.notes


def test_no_warning_leaves_the_reader(tmp_path: Path):
    """What the library warns of becomes a note."""
    path = tmp_path / "a.gpkg"
    write_layer(path, {"id": ["a"]}, [LINES[0]], layer="pipes")
    base = sqlite3.connect(path)
    base.execute("UPDATE gpkg_geometry_columns SET geometry_type_name = 'GEOMETRY'")
    base.commit()
    base.close()
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        layer = read_layer(spec("a.gpkg"), tmp_path)
    assert any("not consistent" in note for note in layer.notes)


def test_a_broken_geopackage_is_one_line(tmp_path: Path):
    """Cut in the middle: a FileError that names the file."""
    path = tmp_path / "a.gpkg"
    write_layer(path, {"id": ["a"] * 2000}, [LINES[0]] * 2000)
    raw = path.read_bytes()
    path.write_bytes(raw[: len(raw) // 2])
    with pytest.raises(FileError, match=r"a\.gpkg"):
        read_layer(spec("a.gpkg"), tmp_path)


def test_an_input_is_never_changed(tmp_path: Path):
    """Not a byte, and nothing beside it."""
    for ending in ("gpkg", "shp", "geojson", "parquet"):
        write_layer(tmp_path / f"a.{ending}", {"id": ["a"]}, [LINES[0]])
    before = {path.name: path.read_bytes() for path in tmp_path.iterdir()}
    for ending in ("gpkg", "shp", "geojson", "parquet"):
        read_layer(spec(f"a.{ending}"), tmp_path)
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == before


@pytest.mark.parametrize(
    ("written", "cpg", "word"),
    [
        ("utf-8", "UTF-8", ""),
        ("utf-8", "1252", "its bytes are UTF-8"),
        ("utf-8", None, ""),
        ("cp1252", "1252", ""),
        ("cp1252", "UTF-8", "which its bytes are not; its text was read as cp1252"),
        ("cp1252", None, "it has no .cpg; its text was read as cp1252"),
        ("iso8859-15", "ISO-8859-15", ""),
        ("cp1252", "nonsense", "it has no .cpg"),
    ],
)
def test_letters_of_a_shapefile_go_by_their_bytes(tmp_path: Path, written, cpg, word):
    """A missing or lying .cpg does not spoil a name, and is said."""
    path = tmp_path / "a.shp"
    frame = gpd.GeoDataFrame({"name": ["Große Straße"]}, geometry=[LINES[0]], crs=UTM)
    frame.to_file(path, encoding=written)
    (tmp_path / "a.cpg").unlink(missing_ok=True)
    if cpg is not None:
        (tmp_path / "a.cpg").write_text(cpg)
    layer = read_layer(spec("a.shp"), tmp_path)
    assert layer.frame["name"].tolist() == ["Große Straße"]
    assert all(word in note for note in layer.notes)
    assert bool(layer.notes) == bool(word)
