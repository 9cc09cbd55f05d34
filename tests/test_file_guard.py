"""Files that are not what their ending says, or that reach out of themselves."""

import http.server
import sqlite3
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from layer_files import line, spec, write_geojson, write_layer

from planner.errors import FileError
from planner.inputs import vector
from planner.inputs.file_guard import driver_of
from planner.inputs.vector import read_layer

ONE = [({"id": "a"}, line((0, 0), (10, 0)))]


@pytest.fixture
def unseen(monkeypatch: pytest.MonkeyPatch) -> None:
    """Fail if the library is given any file at all."""

    def seen() -> None:
        pytest.fail("GDAL saw the file")

    monkeypatch.setattr(vector, "guarded_gdal", seen)


@pytest.fixture
def server() -> Iterator[tuple[str, list[str]]]:
    """Listen on this machine; give the address and what was asked for."""
    asked: list[str] = []

    class Handler(http.server.BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            asked.append(self.path)
            self.send_error(404)

        def log_message(self, *_: object) -> None:
            return

    with http.server.HTTPServer(("127.0.0.1", 0), Handler) as found:
        thread = threading.Thread(target=found.serve_forever, daemon=True)
        thread.start()
        yield f"http://127.0.0.1:{found.server_port}", asked
        found.shutdown()
        thread.join()


@pytest.mark.usefixtures("unseen")
def test_a_virtual_layer_named_geojson_is_refused(tmp_path: Path, server):
    """It would read any other file and call out; the library never sees it."""
    address, asked = server
    for source in ("secret.csv", f"/vsicurl/{address}/x.geojson", f"{address}/x.geojson"):
        (tmp_path / "pipes.geojson").write_text(
            f'<OGRVRTDataSource><OGRVRTLayer name="a"><SrcDataSource>{source}</SrcDataSource>'
            "</OGRVRTLayer></OGRVRTDataSource>"
        )
        with pytest.raises(FileError, match=r"pipes\.geojson: is no GeoJSON .*'<OGRVRTDataSourc"):
            read_layer(spec("pipes.geojson"), tmp_path)
    assert asked == []


@pytest.mark.usefixtures("unseen")
@pytest.mark.parametrize("kind", ["link", "url", "LINK", "name"])
def test_a_crs_by_link_is_refused(tmp_path: Path, server, kind: str):
    """The library would fetch it, measured; a name that is an address is refused too."""
    address, asked = server
    crs = {"type": kind, "properties": {"href": address, "url": address, "name": address}}
    write_geojson(tmp_path / "pipes.geojson", ONE, crs=crs)
    with pytest.raises(FileError, match=r"pipes\.geojson: its crs is .*; wanted a name"):
        read_layer(spec("pipes.geojson"), tmp_path)
    assert asked == []


@pytest.mark.usefixtures("unseen")
def test_a_crs_is_found_under_any_spelling_and_place(tmp_path: Path):
    """An escaped key, or a second one after a good one, is the same key."""
    good = '"crs": {"type": "name", "properties": {"name": "EPSG:25832"}}'
    bad = '"\\u0063rs": {"type": "link", "properties": {"href": "x"}}'
    for members in (f"{good}, {bad}", f"{bad}, {good}", bad):
        text = '{"type": "FeatureCollection", "features": [], ' + members + "}"
        (tmp_path / "pipes.geojson").write_text(text)
        with pytest.raises(FileError, match="its crs is"):
            read_layer(spec("pipes.geojson"), tmp_path)


@pytest.mark.parametrize(
    "where",
    [
        "/vsizip/x.zip/pipes.geojson",
        "/vsicurl/http://127.0.0.1/pipes.geojson",
        "http://127.0.0.1/pipes.geojson",
        "https://127.0.0.1/pipes.gpkg",
        "GPKG:/etc/pipes.gpkg",
        "PG:dbname=town",
        "../pipes.geojson",
        "/etc/passwd",
        "missing.geojson",
        ".",
    ],
)
@pytest.mark.usefixtures("unseen")
def test_only_plain_files_in_the_folder_are_read(tmp_path: Path, where: str):
    """Prefixes, addresses, connection strings and paths out of the folder are refused."""
    folder = tmp_path / "town"
    folder.mkdir()
    write_geojson(tmp_path / "pipes.geojson", ONE)
    with pytest.raises(FileError):
        read_layer(spec(where), folder)


@pytest.mark.usefixtures("unseen")
def test_links_out_of_the_folder_are_refused(tmp_path: Path):
    """A link is judged by where it leads."""
    folder = tmp_path / "town"
    folder.mkdir()
    write_geojson(tmp_path / "pipes.geojson", ONE)
    (folder / "pipes.geojson").symlink_to(tmp_path / "pipes.geojson")
    with pytest.raises(FileError, match="outside the project folder"):
        read_layer(spec("pipes.geojson"), folder)


def test_a_link_inside_the_folder_is_read(tmp_path: Path):
    """It leads to a plain file of the project."""
    write_geojson(tmp_path / "real.geojson", ONE)
    (tmp_path / "pipes.geojson").symlink_to(tmp_path / "real.geojson")
    assert len(read_layer(spec("pipes.geojson"), tmp_path).frame) == 1


@pytest.mark.usefixtures("unseen")
def test_parts_of_a_shapefile_stay_in_the_folder(tmp_path: Path):
    """A table that is a link out of the folder, or missing, stops the layer."""
    folder = tmp_path / "town"
    folder.mkdir()
    write_layer(folder / "pipes.shp", {"id": ["a"]}, [line((0, 0), (1, 0))])
    table = (folder / "pipes.dbf").read_bytes()
    (folder / "pipes.dbf").unlink()
    with pytest.raises(FileError, match=r"pipes\.dbf is missing"):
        read_layer(spec("pipes.shp"), folder)
    (tmp_path / "secret.dbf").write_bytes(table)
    (folder / "pipes.dbf").symlink_to(tmp_path / "secret.dbf")
    with pytest.raises(FileError, match=r"pipes\.dbf is a link out"):
        read_layer(spec("pipes.shp"), folder)


@pytest.mark.usefixtures("unseen")
@pytest.mark.parametrize(
    ("name", "content", "word"),
    [
        ("a.gpkg", b'{"type": "FeatureCollection"}', "is no GPKG file"),
        ("a.geojson", b"SQLite format 3\x00", "is no GeoJSON file"),
        ("a.geojson", b"", "is no GeoJSON file"),
        ("a.shp", b"PK\x03\x04", "is no ESRI Shapefile file"),
        ("a.parquet", b"PK\x03\x04", "is no Parquet file"),
        ("a.js", b"var a = {}", r"'\.js' is not read"),
        ("a.vrt", b"<OGRVRTDataSource/>", r"'\.vrt' is not read"),
        ("a.zip", b"PK\x03\x04", r"'\.zip' is not read"),
        ("a.csv", b"id\n1\n", r"'\.csv' is not read"),
        ("a.geojson", b"{not json", "not valid JSON"),
        ("a.geojson", b"[" * 100, "is no GeoJSON file"),
        ("a.geojson", b'{"a":' * 100_000, "not valid JSON"),
        ("a.geojson", b'{"type": "Topology"}', "must be a FeatureCollection"),
        ("a.geojson", b'{"a": "\xff"}', "not valid JSON"),
        ("a.gpkg", b"SQLite format 3\x00" + b"x" * 200, "cannot be read as a GeoPackage"),
        ("a.parquet", b"PAR1" + b"x" * 200, "cannot be read as Parquet"),
    ],
)
def test_what_is_no_layer_is_refused_in_one_line(tmp_path: Path, name, content, word):
    """Wrong ending, wrong content, cut short: one line, and the library is not asked."""
    (tmp_path / name).write_bytes(content)
    with pytest.raises(FileError, match=word) as caught:
        read_layer(spec(name), tmp_path)
    assert "\n" not in str(caught.value)


def test_a_bom_and_blanks_before_the_brace_are_json(tmp_path: Path):
    """Editors write them."""
    path = tmp_path / "a.geojson"
    write_geojson(path, ONE)
    path.write_bytes(b"\xef\xbb\xbf\r\n  " + path.read_bytes())
    assert driver_of(path, "a.geojson") == "GeoJSON"
    assert read_layer(spec("a.geojson"), tmp_path).frame["id"].tolist() == ["a"]


def test_a_path_that_the_library_would_take_apart_is_refused(tmp_path: Path):
    """What stands before an exclamation mark would be opened as an archive."""
    folder = tmp_path / "a.zip!b"
    folder.mkdir()
    write_geojson(folder / "a.geojson", ONE)
    with pytest.raises(FileError, match="'!'"):
        read_layer(spec("a.geojson"), folder)


def test_sql_that_reaches_out_is_refused(tmp_path: Path, unseen: None):
    """A view that opens other layers, a virtual table over another file: neither is read."""
    for number, sql in enumerate(
        [
            "CREATE VIEW v AS SELECT ogr_datasource_load_layers('/etc/x') AS a",
            "CREATE VIEW v AS SELECT OGR_GEOCODE ('a street') AS a",
            "CREATE VIRTUAL TABLE v USING fts4(a)",
            "CREATE TABLE v (a, b GENERATED ALWAYS AS (gdal_get_pixel_value(a)) VIRTUAL)",
        ]
    ):
        path = tmp_path / f"{number}.gpkg"
        write_layer(path, {"id": ["a"]}, [line((0, 0), (1, 0))])
        base = sqlite3.connect(path)
        try:
            if "gdal_" in sql:
                base.create_function("gdal_get_pixel_value", 1, lambda _: 0, deterministic=True)
            base.execute(sql)
            base.commit()
        finally:
            base.close()
        with pytest.raises(FileError, match=r"which may (reach out|read other)"):
            read_layer(spec(path.name), tmp_path)


def test_a_plain_view_is_no_danger(tmp_path: Path):
    """GIS programs keep views beside layers; triggers of the format stay too."""
    path = tmp_path / "a.gpkg"
    write_layer(path, {"id": ["a"]}, [line((0, 0), (1, 0))], layer="pipes")
    base = sqlite3.connect(path)
    base.execute("CREATE VIEW v AS SELECT upper(id) FROM pipes")
    base.commit()
    base.close()
    assert read_layer(spec("a.gpkg", "pipes"), tmp_path).frame["id"].tolist() == ["a"]


def test_a_database_that_is_no_geopackage_is_refused(tmp_path: Path, unseen: None):
    """SQLite by its first bytes, but without the table of contents."""
    base = sqlite3.connect(tmp_path / "a.gpkg")
    base.execute("CREATE TABLE pipes (id TEXT)")
    base.commit()
    base.close()
    with pytest.raises(FileError, match="no table gpkg_contents"):
        read_layer(spec("a.gpkg"), tmp_path)


def test_a_locked_geopackage_is_said_in_time(tmp_path: Path, unseen: None, monkeypatch):
    """Another program holds it: one line after the wait, which the test shortens."""
    from planner.inputs import file_guard

    monkeypatch.setattr(file_guard, "_LOCK_WAIT_S", 0.1)
    path = tmp_path / "a.gpkg"
    write_layer(path, {"id": ["a"]}, [line((0, 0), (1, 0))])
    base = sqlite3.connect(path)
    try:
        base.execute("PRAGMA locking_mode = EXCLUSIVE")
        base.execute("BEGIN EXCLUSIVE")
        with pytest.raises(FileError, match="database is locked"):
            read_layer(spec("a.gpkg"), tmp_path)
    finally:
        base.close()


def test_a_geopackage_whose_schema_is_no_utf8_ends_in_one_line(tmp_path: Path) -> None:
    """SQLite tells of the damage in words with the damaged byte: Python cannot decode them."""
    write_layer(tmp_path / "pipes.gpkg", {"id": ["a"]}, [ONE[0][1]])
    path = tmp_path / "pipes.gpkg"
    raw = path.read_bytes()
    assert b"CREATE TABLE gpkg_contents" in raw
    path.write_bytes(raw.replace(b"CREATE TABLE gpkg_c", b"CREATE T\x87BLE gpkg_c"))
    with pytest.raises(FileError, match="cannot be read as a GeoPackage") as caught:
        read_layer(spec("pipes.gpkg"), tmp_path)
    assert "\n" not in str(caught.value)
