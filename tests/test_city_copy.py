"""What comes from a city's working copy is what reading anew gives, whatever changed or broke.

The reference is `read_project` without a copy, field by field.
"""

from __future__ import annotations

import os
import random
import shutil
from dataclasses import fields
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
import pytest
import shapely
from geopandas.testing import assert_geodataframe_equal
from small_project import PROJECT, SURVEYS, write_project

from planner.city import copy as copies
from planner.city.copy import FOLDER, WorkingCopy
from planner.city.pool import PlainLoop
from planner.city.run import HOME, run_city
from planner.errors import FileError
from planner.held import Held
from planner.inputs import network_layers, observations, side_tables
from planner.inputs.inputs import Inputs
from planner.inputs.observations import Surveys, read_observations
from planner.inputs.project import read_project
from planner.inputs.specs import InspectionSpec

DEMO = Path(__file__).parent.parent / "data_demo"
MORE = """
[laterals]
file = "laterals.csv"
[addresses]
file = "houses.geojson"
"""
LATERALS = "pipe_id,x_m,clock_h,state\n0017,10,3,open\n0017,12,9,\nnobody,1,3,open\n0018,x,3,open\n"
HOUSES = """{"type": "FeatureCollection",
"crs": {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::25832"}}, "features": [
{"type": "Feature", "properties": {"street": "Long Street", "house": "1"},
 "geometry": {"type": "Point", "coordinates": [400010, 5900005]}},
{"type": "Feature", "properties": {"street": "Long Street", "house": "2", "pipe_id": "nobody"},
 "geometry": {"type": "Point", "coordinates": [400050, 5900005]}},
{"type": "Feature", "properties": {"street": "Far", "house": "3"}, "geometry": null}]}"""
SECOND = SURVEYS.replace("R3,0018", "R4,0019").replace("5.2,BAB", "6.1,BAF")
UNITS = """inspection_id,pipe_id,start_node,date,length_unit
R7,0018,B,2025-05-02,ft
R8,0019,C,2025-05-02,m
"""
BARE = "inspection_id,s_m,code,char1,q1\nR7,0,BCD,,\nR7,30,BAB,B,2\nR8,10,BAB,B,3\n"
COMMAS = (SURVEYS.replace(",", ";").replace("5.2", "5,2").replace("8.8", "8,8")
          .replace("8.0", "8,0").replace("nobody", "stra\u00dfe"))  # fmt: skip
UNNAMED = SURVEYS.replace("pipe_id", "Kolom")
FILES = '\n[[inspections]]\nfiles = ["surveys.csv", "second.csv", "third.csv", "gone.csv"]\n'
WITH_LIST = '\n[[inspections]]\nfile = "rows.csv"\nheads = "runs.csv"\n'


def _without_surveys(text: str = PROJECT) -> str:
    return text[: text.index("[[inspections]]")]


def _case(name: str, folder: Path) -> Path:
    """Write one of the awkward projects."""
    if name == "several files":
        write_project(folder, planner_toml=_without_surveys() + FILES, second_csv=SECOND,
                      third_csv=SURVEYS)  # fmt: skip
    elif name == "list of runs":
        text = PROJECT + WITH_LIST
        write_project(folder, planner_toml=text, rows_csv=BARE, runs_csv=UNITS)
    elif name == "commas":
        write_project(folder)
        (folder / "surveys.csv").write_bytes(COMMAS.encode("cp1252"))
    elif name == "no column of pipes":
        write_project(folder, surveys_csv=UNNAMED)
    elif name == "broken nodes":
        write_project(folder, nodes_geojson='{"type": "FeatureCollection"')
    elif name == "laterals and houses":
        write_project(folder, planner_toml=PROJECT + MORE, laterals_csv=LATERALS,
                      houses_geojson=HOUSES)  # fmt: skip
    elif name == "an empty point":
        write_project(folder)
        nodes = gpd.read_file(folder / "nodes.geojson")
        nodes.loc[1, "geometry"] = shapely.Point()
        nodes.to_file(folder / "nodes.gpkg")
        text = PROJECT.replace("nodes.geojson", "nodes.gpkg")
        (folder / "planner.toml").write_text(text, "utf-8")
    else:
        write_project(folder)
    return folder


CASES = ("plain", "several files", "list of runs", "commas", "no column of pipes", "broken nodes",
         "laterals and houses", "an empty point")  # fmt: skip
KEPT_WHOLE = ("plain", "commas", "no column of pipes", "laterals and houses", "demo")


def assert_same(one: Inputs, other: Inputs) -> None:
    """Hold all fields of two readings against each other: values, kinds, order, systems."""
    for each in fields(Inputs):
        a, b = getattr(one, each.name), getattr(other, each.name)
        assert type(a) is type(b), each.name
        frames = a if isinstance(a, dict) else {"": a}
        for name, frame in frames.items():
            _assert_alike(frame, b[name] if isinstance(a, dict) else b, f"{each.name} {name}")
        if isinstance(a, dict):
            assert list(a) == list(b), each.name


def _assert_alike(a: Any, b: Any, name: str) -> None:
    if isinstance(a, Held):
        a, b = a.frame, b.frame
    if isinstance(a, gpd.GeoDataFrame):
        assert_geodataframe_equal(a, b)
        assert a.geometry.to_wkb().equals(b.geometry.to_wkb()), name
        assert (a.crs is None) == (b.crs is None), name
        assert a.crs is None or (a.crs.srs, a.crs.to_wkt()) == (b.crs.srs, b.crs.to_wkt()), name
        a, b = (pd.DataFrame(one.drop(columns="geometry")) for one in (a, b))
    if isinstance(a, pd.DataFrame):
        pd.testing.assert_frame_equal(a, b, check_exact=True, obj=name)
    else:
        assert a == b, name


def again(folder: Path, home: Path) -> Inputs:
    """Read with the copy of an earlier run, and keep what is read; hold it against reading anew."""
    copy = WorkingCopy(home)
    found = read_project(folder, copy=copy)
    copy.sweep()
    assert_same(found, read_project(folder))
    return found


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A project whose files are all in the copy beside it; to be copied, not changed."""
    folder = write_project(tmp_path_factory.mktemp("kept") / "town")
    read_project(folder, copy=WorkingCopy(folder.parent / HOME))
    return folder.parent


def _no_reading(monkeypatch: pytest.MonkeyPatch) -> None:
    def read(*_: object, **__: object) -> None:
        message = "a file was read again"
        raise AssertionError(message)

    monkeypatch.setattr(network_layers, "read_network", read)
    monkeypatch.setattr(side_tables, "read_streets", read)
    monkeypatch.setattr(side_tables, "read_addresses", read)
    monkeypatch.setattr(observations, "_open", read)


@pytest.mark.parametrize("name", [*CASES, "demo"])
def test_the_copy_gives_what_reading_gives(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """All fields, faults and flags among them; and nothing is read twice that can be kept."""
    folder = DEMO if name == "demo" else _case(name, tmp_path / "town")
    anew = again(folder, tmp_path / HOME)
    if name in KEPT_WHOLE:
        _no_reading(monkeypatch)
    assert_same(read_project(folder, copy=WorkingCopy(tmp_path / HOME)), anew)


def _read(
    folder: Path, spec: InspectionSpec, home: Path | None, ids: tuple[str, ...] = ()
) -> Surveys:
    """Read the files of one spec, with a copy or without."""
    return read_observations([spec], folder, ids, None if home is None else WorkingCopy(home))


def _assert_alike_surveys(one: Surveys, other: Surveys) -> None:
    for each in fields(Surveys):
        _assert_alike(getattr(one, each.name), getattr(other, each.name), each.name)


def test_one_more_file_is_read_and_no_other(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    spec = InspectionSpec(files=(Path("one.csv"), Path("two.csv"), Path("three.csv")))
    (tmp_path / "one.csv").write_text(SURVEYS, "utf-8")
    (tmp_path / "two.csv").write_text(SURVEYS.replace("\nR", "\nQ"), "utf-8")
    _read(tmp_path, spec, tmp_path / HOME)
    (tmp_path / "three.csv").write_text(SURVEYS.replace("\nR", "\nP"), "utf-8")
    opened: list[str] = []
    plain = observations._open

    def noted(path: Path, name: str, spec: InspectionSpec) -> Any:
        opened.append(name)
        return plain(path, name, spec)

    monkeypatch.setattr(observations, "_open", noted)
    found = _read(tmp_path, spec, tmp_path / HOME)
    assert opened == ["three.csv"]
    assert sorted(found.inspections["inspection_id"]) == [
        f"{letter}{n}" for letter in "PQR" for n in (1, 2, 3)
    ]
    _assert_alike_surveys(found, _read(tmp_path, spec, None))


def test_a_change_of_one_letter_counts_whatever_the_date_says(tmp_path: Path) -> None:
    """Size and date stay; what stands in the file decides."""
    folder, home = _case("laterals and houses", tmp_path / "town"), tmp_path / HOME
    before = read_project(folder, copy=WorkingCopy(home))
    for name in ("pipes", "laterals", "surveys"):
        path = next(folder.glob(f"{name}.*"))
        text, dates = path.read_text("utf-8"), path.stat()
        at = max(text.rfind(digit) for digit in "1239")
        path.write_text(f"{text[:at]}4{text[at + 1 :]}", "utf-8")
        os.utime(path, ns=(dates.st_atime_ns, dates.st_mtime_ns))
        found = again(folder, home)
        assert found.hashes[path.name] != before.hashes[path.name]
        before = found


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('zero_at = "wall"', 'zero_at = "centre"'),
        ('zero_at = "wall"', 'units = {s_m = "ft"}'),
        ('stated_m = "len"', 'material = "dn"'),
        ("[nodes]", "[survey]\nsnap_m = 0.001\n[nodes]"),
        ("[nodes]", '[nodes]\ncolumns = {street = "access"}'),
        ('file = "streets.geojson"', 'file = "pipes.geojson"'),
    ],
)
def test_what_the_project_says_of_a_file_counts(
    old: str, new: str, plain: Path, tmp_path: Path
) -> None:
    town = Path(shutil.copytree(plain, tmp_path / "kept"))
    assert old in PROJECT
    (town / "town" / "planner.toml").write_text(PROJECT.replace(old, new, 1), "utf-8")
    again(town / "town", town / HOME)


def test_pipes_count_where_they_tell_the_column_of_pipes(tmp_path: Path) -> None:
    """A file without a column of that name is told by the ids of the network which one it is."""
    text = SURVEYS.replace("pipe_id", "Kolom")
    (tmp_path / "surveys.csv").write_text(text, "utf-8")
    spec, home = InspectionSpec(file=Path("surveys.csv")), tmp_path / HOME
    for ids, proposed in (
        (("0017", "0018"), True),
        (("1", "2"), False),
        (("0017", "0018", "9"), True),
    ):
        found = _read(tmp_path, spec, home, ids)
        assert any('pipe_id = "Kolom"' in what for what in found.flags["what"]) == proposed
        _assert_alike_surveys(found, _read(tmp_path, spec, None, ids))


def test_what_lies_beside_a_layer_counts(tmp_path: Path) -> None:
    """Its system and the letters of its texts: each in a file of its own."""
    folder, other = write_project(tmp_path / "town"), tmp_path / "other"
    pipes = gpd.read_file(folder / "pipes.geojson")
    pipes.to_file(folder / "pipes.shp", encoding="utf-8")
    text = PROJECT.replace("pipes.geojson", "pipes.shp")
    (folder / "planner.toml").write_text(text, "utf-8")
    other.mkdir()
    pipes["dn"] = ["300", "\u00fc", "200"]
    odd = pipes.set_crs("EPSG:25833", allow_override=True)
    odd.to_file(other / "pipes.shp", encoding="cp1252")
    read_project(folder, copy=WorkingCopy(tmp_path / HOME))
    for ending in (".cpg", ".prj"):
        shutil.copy(other / f"pipes{ending}", folder / f"pipes{ending}")
        again(folder, tmp_path / HOME)


def test_a_part_of_a_layer_that_becomes_a_link_out_is_refused(tmp_path: Path) -> None:
    """As without a copy, though what it leads to holds the same."""
    folder = write_project(tmp_path / "town")
    gpd.read_file(folder / "pipes.geojson").to_file(folder / "pipes.shp")
    text = PROJECT.replace("pipes.geojson", "pipes.shp")
    (folder / "planner.toml").write_text(text, "utf-8")
    read_project(folder, copy=WorkingCopy(tmp_path / HOME))
    (folder / "pipes.prj").rename(tmp_path / "pipes.prj")
    (folder / "pipes.prj").symlink_to(tmp_path / "pipes.prj")
    with pytest.raises(FileError, match=r"pipes\.prj is a link out of the project folder"):
        read_project(folder, copy=WorkingCopy(tmp_path / HOME))


def test_any_changes_one_after_the_other(tmp_path: Path) -> None:
    """Files come, go, change and come back by lot: each reading is as one without a copy."""
    draw = random.Random(4)
    names = ("a.csv", "b.csv", "c.csv", "d.csv")
    spec, home = InspectionSpec(files=tuple(map(Path, names))), tmp_path / HOME
    texts = (SURVEYS, SECOND, COMMAS, BARE, UNITS, UNNAMED)
    met = 0
    for _ in range(25):
        path = tmp_path / draw.choice(names)
        if draw.random() < 0.2:
            path.unlink(missing_ok=True)
        else:
            text = draw.choice(texts).replace(f"R{draw.randint(1, 3)}", f"Q{draw.randint(1, 3)}")
            path.write_text(text, draw.choice(["utf-8", "cp1252"]))
            os.utime(path, ns=(0, 0))
        copy = WorkingCopy(home)
        anew = _read(tmp_path, spec, None, ("0017",))
        _assert_alike_surveys(read_observations([spec], tmp_path, ("0017",), copy), anew)
        met += len(copy.used)
    assert met > 20  # the copy was of use


def test_what_is_damaged_is_read_again(tmp_path: Path) -> None:
    """One byte anywhere, an end cut off, nothing at all: as if it had never been kept."""
    folder, home = _case("laterals and houses", tmp_path / "town"), tmp_path / HOME
    noting = Noting(home)
    anew = read_project(folder, copy=noting)
    assert len(noting.kept) == 4
    for mark, (path, kind) in noting.kept.items():
        whole = path.read_bytes()
        assert WorkingCopy(home).find(mark, kind) is not None
        damaged = [whole[:-1], whole[: len(whole) // 2], b"", b"nonsense", whole + b"x"]
        damaged += [
            whole[:at] + bytes([whole[at] ^ 4]) + whole[at + 1 :]
            for at in range(0, len(whole), len(whole) // 40)
        ]
        for data in damaged:
            path.write_bytes(data)
            assert WorkingCopy(home).find(mark, kind) is None
    assert_same(read_project(folder, copy=WorkingCopy(home)), anew)
    assert all(
        WorkingCopy(home).find(mark, kind) is not None for mark, (_, kind) in noting.kept.items()
    )


class Noting(WorkingCopy):
    """Notes under which mark what was kept where."""

    def __init__(self, home: Path) -> None:
        super().__init__(home)
        self.kept: dict[str, tuple[Path, type]] = {}

    def keep(self, mark: str, found: object) -> None:
        super().keep(mark, found)
        self.kept[mark] = self.path_of(mark), type(found)


def test_another_code_reads_anew(plain: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    _no_reading(monkeypatch)
    read_project(plain / "town", copy=WorkingCopy(plain / HOME))
    monkeypatch.setattr(copies, "code_mark", lambda: "another")
    with pytest.raises(AssertionError, match="read again"):
        read_project(plain / "town", copy=WorkingCopy(plain / HOME))


def test_a_file_that_changes_while_it_is_read_is_not_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Else what was read of the new rows would be taken for the old ones once they are back."""
    path, spec = tmp_path / "surveys.csv", InspectionSpec(file=Path("surveys.csv"))
    path.write_text(SURVEYS, "utf-8")
    plain = observations._open

    def late(path: Path, name: str, spec: InspectionSpec) -> Any:
        path.write_text(SECOND, "utf-8")
        return plain(path, name, spec)

    monkeypatch.setattr(observations, "_open", late)
    assert "R4" in set(_read(tmp_path, spec, tmp_path / HOME).inspections["inspection_id"])
    monkeypatch.undo()
    path.write_text(SURVEYS, "utf-8")
    assert "R4" not in set(_read(tmp_path, spec, tmp_path / HOME).inspections["inspection_id"])


def test_a_run_keeps_what_it_read_and_deletes_the_rest(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = write_project(tmp_path / "town")
    run_city(folder, PlainLoop())
    first = sorted(path.name for path in (folder / HOME / FOLDER).iterdir())
    assert len(first) == 3  # network, streets, surveys
    (folder / "surveys.csv").write_text(SURVEYS.replace("5.2", "5.3"), "utf-8")
    run_city(folder, PlainLoop())
    second = sorted(path.name for path in (folder / HOME / FOLDER).iterdir())
    assert len(second) == 3
    assert len(set(first) & set(second)) == 2
    _no_reading(monkeypatch)
    assert run_city(folder, PlainLoop()).redone == 0


@pytest.mark.parametrize("which", [HOME, f"{HOME}/{FOLDER}"])
def test_no_copy_is_kept_behind_a_link(which: str, tmp_path: Path) -> None:
    folder, elsewhere = write_project(tmp_path / "town"), tmp_path / "elsewhere"
    elsewhere.mkdir()
    (folder / which).parent.mkdir(exist_ok=True)
    (folder / which).symlink_to(elsewhere)
    copy = WorkingCopy(folder / HOME)
    assert_same(read_project(folder, copy=copy), read_project(folder))
    copy.sweep()
    assert not list(elsewhere.iterdir())


def test_what_cannot_be_deleted_stops_no_run(tmp_path: Path) -> None:
    """A folder among the copies, and one in the place of a copy."""
    folder = write_project(tmp_path / "town")
    run_city(folder, PlainLoop())
    kept = folder / HOME / FOLDER
    (kept / "folder").mkdir()
    one = min(kept.glob("*.arrow"))
    one.unlink()
    one.mkdir()
    assert run_city(folder, PlainLoop()).redone == 0
    assert one.is_dir()


def test_a_folder_that_cannot_be_written_is_no_matter(tmp_path: Path) -> None:
    folder = write_project(tmp_path / "town")
    (folder / HOME).write_text("a file in its place")
    assert_same(read_project(folder, copy=WorkingCopy(folder / HOME)), read_project(folder))
