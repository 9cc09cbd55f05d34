"""Layers out of a real PostGIS, named by service =."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import geopandas as gpd
import geopandas.testing
import pytest
from postgis_server import READER, Server, running
from small_project import write_project

from planner.errors import FileError, SettingsError
from planner.ground.postgis import reading
from planner.inputs.project import read_project
from planner.inputs.specs import LayerSpec
from planner.inputs.vector import read_layer


@pytest.fixture(scope="module")
def server() -> Iterator[Server]:
    """A server of this module's own."""
    with running() as found:
        found.sql(TOWN)
        yield found


@pytest.fixture(autouse=True)
def services(server: Server, monkeypatch: pytest.MonkeyPatch) -> None:
    """Name the services of the server to libpq, and no other."""
    monkeypatch.setenv("PGSERVICEFILE", str(server.services))
    monkeypatch.setenv("PGSYSCONFDIR", str(server.folder))


TOWN = f'''
create schema sewer;
create table sewer.pipes (
  gid serial primary key, "Asset Id" text, "dn ""mm""" numeric(6,1), laid date, big bigint,
  flow double precision, lined boolean, shape geometry(LineString, 28992));
insert into sewer.pipes ("Asset Id", "dn ""mm""", laid, big, flow, lined, shape) values
  ('0417', 300, '1987-05-04', 9007199254740993, 1.0, true,
   'SRID=28992;LINESTRING(121000 487000, 121050 487000)'),
  ('Straße "7"', null, null, null, null, null,
   'SRID=28992;LINESTRING(121050 487000, 121090 487000)'),
  ('0419', 250.5, '2001-01-31', 1, 0.1, false, null);
create table sewer.arcs (name text, shape geometry(CircularString, 28992));
insert into sewer.arcs values
  ('b', 'SRID=28992;CIRCULARSTRING(121000 487000, 121010 487010, 121020 487000)'), ('a', null);
create table sewer.two (name text, shape geometry);
insert into sewer.two values
  ('x', 'SRID=28992;POINT(121000 487000)'), ('y', 'SRID=4326;POINT(5 52)');
create table sewer.bare (name text, shape geometry);
insert into sewer.bare values ('x', 'POINT(1 2)');
create table sewer.world (name text, spot geography(Point));
insert into sewer.world values ('w', 'POINT(5.2 52.1)');
create table sewer.notes (name text);
create view sewer.seen as select gid, "Asset Id", shape from sewer.pipes where gid < 3;
create table public.hidden (name text, shape geometry(Point, 28992));
grant usage on schema sewer to {READER};
grant select on all tables in schema sewer to {READER};
'''


def layer(name: str, service: str = "town", **more):
    """Read one layer."""
    return read_layer(LayerSpec(service=service, layer=name, **more), Path("/nowhere"))


def test_values_come_as_they_are_written(server: Server):
    """Whole numbers beyond 2**53, decimals, days and flags as text; blank is blank."""
    found = layer("sewer.pipes")
    frame = found.frame
    assert found.driver == "PostGIS"
    assert frame.crs.to_epsg() == 28992
    assert frame["Asset Id"].tolist() == ["0417", 'Straße "7"', "0419"]
    assert frame['dn "mm"'].tolist() == ["300.0", "", "250.5"]
    assert frame["big"].tolist() == ["9007199254740993", "", "1"]
    assert frame["flow"].tolist() == ["1", "", "0.1"]
    assert frame["laid"].tolist() == ["1987-05-04", "", "2001-01-31"]
    assert frame["lined"].tolist() == ["true", "", "false"]
    assert found.numbers == {"gid", 'dn "mm"', "big", "flow"}
    assert frame["row"].tolist() == [1, 2, 3]
    assert frame.geometry[0].length == 50
    assert frame.geometry[2] is None


def test_the_shapes_are_those_of_an_independent_reader(server: Server, tmp_path: Path):
    """PostGIS writes GeoJSON itself; GDAL reads it: the same lines."""
    sql = "select ST_AsGeoJSON(p.*) from (select gid, shape from sewer.pipes where gid < 3) p"
    lines = server.sql(sql).splitlines()
    path = tmp_path / "p.geojson"
    path.write_text('{"type": "FeatureCollection", "features": [' + ",".join(lines) + "]}")
    wanted = gpd.read_file(path)
    assert [g.wkt for g in wanted.geometry] == [g.wkt for g in layer("sewer.seen").frame.geometry]


def test_one_name_may_be_enough(server: Server):
    """The table alone, with its schema, or with its column."""
    for name in ("pipes", "sewer.pipes", "sewer.pipes.shape"):
        assert len(layer(name).frame) == 3


def test_curves_become_short_pieces_and_rows_without_a_key_have_an_order(server: Server):
    """A half circle of radius 10: 31.4 m; a before b by its name."""
    found = layer("sewer.arcs")
    assert found.frame["name"].tolist() == ["a", "b"]
    assert found.frame.geometry[1].length == pytest.approx(31.416, abs=0.05)
    assert "curves were read as short straight pieces" in found.notes
    assert any("no primary key" in note for note in found.notes)


def test_degrees_and_no_system(server: Server):
    """A geography is in degrees of WGS 84; SRID 0 is no system."""
    assert layer("sewer.world").frame.crs.to_epsg() == 4326
    assert layer("sewer.bare").frame.crs is None


@pytest.mark.parametrize(
    ("name", "message"),
    [
        (
            "sewer.pipe",
            "service town: no layer 'sewer.pipe' that this user may read; did you mean sewer.pipes",
        ),
        ("", "layers fit .*name one by layer ="),
        ("sewer.two", "shapes of systems 28992, 4326; wanted one"),
        ("sewer.notes", "no layer 'sewer.notes'"),
        ("sewer.pipes'; drop table sewer.pipes; --", "no layer"),
    ],
)
def test_what_cannot_be_read_says_why(server: Server, name: str, message: str):
    """One line, with the layers that are there."""
    with pytest.raises(FileError, match=message):
        layer(name)


def test_a_layer_this_user_may_not_read_is_not_there(server: Server):
    """Neither read nor listed: the role has no right to it."""
    with pytest.raises(FileError, match=r"no layer 'public\.hidden' that this user") as caught:
        layer("public.hidden")
    assert "hidden" not in str(caught.value).split("found", 1)[1]


def test_a_service_that_does_not_answer_or_is_not_known(server: Server):
    """Nobody listens there; nobody named it."""
    with pytest.raises(FileError, match="service absent: "):
        layer("x", "absent")
    with pytest.raises(FileError, match="service elsewhere: "):
        layer("x", "elsewhere")


def test_nothing_can_be_written(server: Server):
    """The transaction is read-only though the role may write."""
    server.sql(f"create table sewer.open (name text); grant all on sewer.open to {READER}")
    sql = "insert into sewer.open values ('x') returning name"
    with reading("town") as snapshot, pytest.raises(FileError, match="read-only transaction"):
        snapshot.table(sql)


def test_a_project_from_a_database_is_that_of_its_file(server: Server, tmp_path: Path):
    """The same pipes and houses by file and by service: the same tables, rows hashed."""
    write_project(tmp_path)
    pipes = gpd.read_file(tmp_path / "pipes.geojson")
    rows = ", ".join(
        f"('{row.pipe_id}', '{row.us_node}', '{row.ds_node}', '{row.dn}', "
        f"{row.len if row.len == row.len else 'null'}, 'SRID=25832;{row.geometry.wkt}')"
        for row in pipes.itertuples()
    )
    server.sql(
        "create table sewer.mains (pipe_id text primary key, us_node text, ds_node text, dn text, "
        f"len float8, geom geometry); insert into sewer.mains values {rows}; "
        f"grant select on sewer.mains to {READER}"
    )
    by_file = read_project(tmp_path)
    path = tmp_path / "planner.toml"
    text = path.read_text().replace(
        'file = "pipes.geojson"', 'service = "town"\nlayer = "mains"', 1
    )
    path.write_text(text)
    by_service = read_project(tmp_path)
    apart = ["file", "row"]
    gpd.testing.assert_geodataframe_equal(
        by_file.pipes.drop(columns=apart), by_service.pipes.drop(columns=apart), check_like=True
    )
    assert set(by_service.pipes["file"]) == {"service town:mains"}
    assert len(by_service.hashes["service town:mains"]) == 64
    server.sql("update sewer.mains set dn = '225' where pipe_id = '0017'")
    changed = read_project(tmp_path)
    assert changed.hashes["service town:mains"] != by_service.hashes["service town:mains"]


@pytest.mark.parametrize(
    "service",
    ["host=x password=hunter2", "postgresql://a:hunter2@x/y", "town&password=hunter2", "a b", ""],
)
def test_only_a_bare_name_is_a_service(tmp_path: Path, service: str):
    """A password would otherwise end in a file that is shared; it is not printed either."""
    write_project(tmp_path)
    path = tmp_path / "planner.toml"
    text = path.read_text().replace("[pipes]", f'[addresses]\nservice = "{service}"\n[pipes]', 1)
    path.write_text(text)
    with pytest.raises(SettingsError) as caught:
        read_project(tmp_path)
    assert "[addresses]" in str(caught.value)
    assert "hunter2" not in str(caught.value)


def test_a_password_has_no_place_in_the_project(tmp_path: Path):
    """The key is refused by name, with the way to do it."""
    write_project(tmp_path)
    path = tmp_path / "planner.toml"
    more = '[laterals]\nservice = "town"\npassword = "hunter2"\n[pipes]'
    path.write_text(path.read_text().replace("[pipes]", more, 1))
    with pytest.raises(SettingsError, match=r"no password here.*pgpass") as caught:
        read_project(tmp_path)
    assert "hunter2" not in str(caught.value)
