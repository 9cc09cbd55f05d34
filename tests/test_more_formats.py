"""FlatGeobuf, GML, MapInfo and file geodatabases through the guarded reader."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import shapely
from layer_files import EAST, NORTH, UTM, spec

from planner.errors import FileError
from planner.inputs.paths import hash_of
from planner.inputs.vector import read_layer

# The reader's own process has the other drivers off, so files are made in another one.
WRITE = f"""
import sys
import geopandas as gpd, pyogrio
from shapely.geometry import LineString
lines = [LineString([({EAST} + 40 * i, {NORTH}), ({EAST} + 40 * i + 40, {NORTH} + 3)])
         for i in range(3)]
frame = gpd.GeoDataFrame({{"pipe_id": ["0041", "0042", "0043"], "dn": [200, 250, 300]}},
                         geometry=lines, crs="{UTM}")
pyogrio.write_dataframe(frame, sys.argv[1], driver=sys.argv[2], layer="pipes")
"""
FORMATS = {
    "p.fgb": "FlatGeobuf",
    "p.gml": "GML",
    "p.tab": "MapInfo File",
    "p.mif": "MapInfo File",
    "p.gdb": "OpenFileGDB",
}


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("formats")
    for name, driver in FORMATS.items():
        subprocess.run([sys.executable, "-c", WRITE, str(folder / name), driver], check=True)
    return folder


@pytest.mark.parametrize("name", list(FORMATS))
def test_ids_sizes_shapes_and_system_come_through(made: Path, name: str) -> None:
    before = sorted(path.name for path in made.iterdir())
    layer = read_layer(spec(name), made)
    columns = {column.casefold(): column for column in layer.frame.columns}
    # A FlatGeobuf keeps its features in the order of its index.
    frame = layer.frame.sort_values(columns["pipe_id"], ignore_index=True)
    assert frame[columns["pipe_id"]].tolist() == ["0041", "0042", "0043"]
    assert frame[columns["dn"]].tolist() == ["200", "250", "300"]
    assert layer.driver == FORMATS[name]
    first = shapely.get_coordinates(frame.geometry[0])
    wanted = np.array([(EAST, NORTH), (EAST + 40, NORTH + 3)])
    assert np.abs(first - wanted).max() < 0.01
    assert layer.frame.crs is not None
    assert layer.frame.crs.to_epsg() == 25832 or "UTM" in str(layer.frame.crs.to_wkt())
    assert sorted(path.name for path in made.iterdir()) == before  # nothing written beside
    assert len(hash_of(made / name)) == 64


@pytest.mark.parametrize(
    ("name", "raw"),
    [("x.fgb", b"{}"), ("x.gml", b"{}"), ("x.tab", b"PK"), ("x.mif", b"<xml/>")],
)
def test_content_that_is_something_else_is_refused(tmp_path: Path, name: str, raw: bytes) -> None:
    (tmp_path / name).write_bytes(raw)
    with pytest.raises(FileError, match=f"^{name}: is no "):
        read_layer(spec(name), tmp_path)


GML = '<gml:FeatureCollection xmlns:gml="http://www.opengis.net/gml"{more}></gml:FeatureCollection>'


@pytest.mark.parametrize(
    "text",
    [
        '<!DOCTYPE a [<!ENTITY x SYSTEM "file:///etc/passwd">]>' + GML.format(more=""),
        GML.format(more="").replace("></", '><xi:include href="/etc/passwd"/></'),
        "<letters/>",
    ],
)
def test_a_gml_that_reaches_out_is_refused(tmp_path: Path, text: str) -> None:
    (tmp_path / "x.gml").write_text(text)
    with pytest.raises(FileError, match=r"^x\.gml: "):
        read_layer(spec("x.gml"), tmp_path)


def test_a_schema_named_by_a_gml_is_neither_fetched_nor_opened(made: Path, tmp_path: Path) -> None:
    """The schema would make ids numbers; it lies beside and is named, and is not used."""
    text = (made / "p.gml").read_text("utf-8")
    (tmp_path / "p.gml").write_text(text, "utf-8")
    schema = (made / "p.xsd").read_text("utf-8").replace("xs:string", "xs:integer")
    (tmp_path / "p.xsd").write_text(schema, "utf-8")
    assert "schemaLocation" in text
    layer = read_layer(spec("p.gml"), tmp_path)
    assert layer.frame["pipe_id"].tolist() == ["0041", "0042", "0043"]


def test_a_view_of_other_tables_is_refused(tmp_path: Path) -> None:
    text = '!table\n!version 100\nOpen Table "../other.tab"\nCreate View x As Select * From other\n'
    (tmp_path / "x.tab").write_text(text)
    with pytest.raises(FileError, match="view of other tables"):
        read_layer(spec("x.tab"), tmp_path)


def test_links_out_of_the_project_are_refused(made: Path, tmp_path: Path) -> None:
    project = tmp_path / "project"
    (project / "p.gdb").mkdir(parents=True)
    for part in (made / "p.gdb").iterdir():
        os.link(part, project / "p.gdb" / part.name)
    (project / "p.gdb" / "a00000099.gdbtable").symlink_to("/etc/passwd")
    with pytest.raises(FileError, match="link out of the project"):
        read_layer(spec("p.gdb"), project)


def test_a_folder_that_is_no_geodatabase_is_refused(tmp_path: Path) -> None:
    (tmp_path / "x.gdb").mkdir()
    with pytest.raises(FileError, match="no file geodatabase"):
        read_layer(spec("x.gdb"), tmp_path)
