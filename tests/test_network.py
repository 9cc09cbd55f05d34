"""A network read whole: every pipe with an id is kept, every doubt is said."""

import math
import struct
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet
import pyproj
import pytest
import shapely
from layer_files import UTM, line, point, spec, survey, write_geojson, write_layer

from planner.errors import FileError
from planner.inputs.network import read_network
from planner.inputs.network_doubts import TURNED, UNPROVED
from planner.inputs.nodes import ADDED, MOVED

PIPE = {"pipe_id": "pipe", "us_node": "from", "ds_node": "to"}


def pipe(pipe_id, us="", ds="", **more):
    """Give the attributes of one pipe."""
    return {"pipe": pipe_id, "from": us, "to": ds, **more}


def read(folder: Path, pipes, nodes=None, *, settings=None, **columns):
    """Write pipes and nodes as (attributes, shape) and read them as a network."""
    units = columns.pop("units", {})
    crs = columns.pop("crs", "EPSG:25832")
    write_geojson(folder / "pipes.geojson", pipes, crs=crs)
    layer = None
    if nodes is not None:
        write_geojson(folder / "nodes.geojson", nodes, crs=crs)
        layer = spec("nodes.geojson", columns={"node_id": "node"})
    pipe_spec = spec("pipes.geojson", columns={**PIPE, **columns}, units=units)
    return read_network(pipe_spec, layer, None, folder, settings or survey(), "")


def flags_of(network, key: str) -> list[str]:
    """Give the flags of one thing."""
    return network.flags.loc[network.flags["key"] == key, "what"].tolist()


AT = {"U": (0, 0), "M": (30, 40), "D": (30, 100)}
NODES = [({"node": name}, point(*xy)) for name, xy in AT.items()]
UM = line((0, 0), (30, 40))  # 3-4-5: 50 m
MD = line((30, 40), (30, 100))  # 60 m


def test_a_plain_network(tmp_path: Path):
    """Two pipes, three nodes: lengths on the ground, names, rows, no doubt."""
    found = read(tmp_path, [(pipe("b", "M", "D"), MD), (pipe("a", "U", "M"), UM)], NODES)
    assert found.pipes["pipe_id"].tolist() == ["a", "b"]
    assert found.pipes["row"].tolist() == [2, 1]
    assert found.pipes["file"].tolist() == ["pipes.geojson"] * 2
    # UTM is 0.99972 here, 100 km east of its middle: 0.9996 x (1 + (100 / 6378)^2 / 2).
    assert found.pipes["drawn_m"].tolist() == pytest.approx(
        [50 / 0.999723, 60 / 0.999723], abs=5e-4
    )
    assert found.nodes["node_id"].tolist() == ["D", "M", "U"]
    assert found.nodes["access"].tolist() == ["unknown"] * 3
    assert found.faults == []
    assert found.flags.empty
    assert found.laterals.empty
    assert found.source_crs == UTM
    assert found.read_count == {"pipes.geojson": 2, "nodes.geojson": 3}
    assert pyproj.CRS.from_wkt(found.local_crs) == found.pipes.crs == found.nodes.crs


def test_the_way_back_to_the_source_is_exact(tmp_path: Path):
    """Turned back into the source's system, a line lies where it was drawn."""
    found = read(tmp_path, [(pipe("a", "U", "M"), UM)], NODES)
    back = found.pipes.to_crs(found.source_crs).geometry[0]
    assert shapely.get_coordinates(back) == pytest.approx(shapely.get_coordinates(UM), abs=1e-6)


def test_a_line_drawn_against_its_nodes_is_turned_and_flagged(tmp_path: Path):
    """Reversed on the drawing or not, the same geometry comes out."""
    plain = read(tmp_path, [(pipe("a", "U", "M"), UM), (pipe("b", "M", "D"), MD)], NODES)
    turned = read(
        tmp_path,
        [(pipe("a", "U", "M"), shapely.reverse(UM)), (pipe("b", "M", "D"), MD)],
        NODES,
    )
    assert flags_of(turned, "a") == [TURNED]
    assert flags_of(turned, "b") == []
    assert turned.pipes.geometry.tolist() == plain.pipes.geometry.tolist()


def test_nodes_that_the_layer_lacks_are_added(tmp_path: Path):
    """M and D at the ends of their pipes, access unknown, each with a flag."""
    found = read(tmp_path, [(pipe("a", "U", "M"), UM), (pipe("b", "M", "D"), MD)], NODES[:1])
    assert found.nodes["node_id"].tolist() == ["D", "M", "U"]
    assert found.nodes["access"].tolist() == ["unknown"] * 3
    assert flags_of(found, "M") == flags_of(found, "D") == [ADDED]
    back = found.nodes.to_crs(UTM).geometry
    for name, place in zip(found.nodes["node_id"], back, strict=True):
        assert place.distance(point(*AT[name])) < 1e-6


def test_without_a_node_layer_ends_that_meet_are_the_nodes(tmp_path: Path):
    """No layer, no flag for each node; the middle one proves both pipes."""
    rows = [(pipe("a", "U", "M"), shapely.reverse(UM)), (pipe("b", "M", "D"), MD)]
    found = read(tmp_path, rows)
    assert found.nodes["node_id"].tolist() == ["D", "M", "U"]
    assert flags_of(found, "a") == [TURNED]
    assert len(found.flags) == 1
    assert found.read_count == {"pipes.geojson": 2}


def test_what_proves_nothing_is_flagged(tmp_path: Path):
    """A pipe far from its nodes, one without names, one to itself, one with a single name."""
    rows = [
        (pipe("far", "U", "M"), line((500, 0), (550, 0))),
        (pipe("bare"), line((0, 300), (50, 300))),
        (pipe("loop", "U", "U"), line((0, 0), (50, 0))),
        (pipe("half", "U", ""), line((0, 0), (0, 50))),
    ]
    found = read(tmp_path, rows, NODES)
    why = "no node is known within 1 m of one end alone"
    assert flags_of(found, "far") == [f"{UNPROVED}: {why}"]
    assert flags_of(found, "bare") == [f"{UNPROVED}: {why}", "names no node at either end"]
    assert "runs from node U to itself" in flags_of(found, "loop")
    assert f"{UNPROVED}: its two nodes ask for opposite directions" in flags_of(found, "loop")
    assert flags_of(found, "half") == ["names no node at its lower end"]


def test_pipes_without_a_usable_line_are_kept(tmp_path: Path):
    """Null, empty, zero-length, ring, point, gap: kept without geometry, each with a fault."""
    odd = {
        "nothing": None,
        "empty": shapely.LineString(),
        "zero": line((0, 0), (0, 0)),
        "ring": line((0, 0), (5, 0), (5, 5), (0, 0)),
        "point": point(1, 1),
        "gap": shapely.MultiLineString([line((0, 0), (9, 0)), line((15, 0), (20, 0))]),
    }
    rows = [(pipe(name), shape) for name, shape in odd.items()] + [(pipe("good", "U", "M"), UM)]
    found = read(tmp_path, rows, NODES)
    assert len(found.pipes) == 7
    lost = found.pipes[found.pipes["pipe_id"] != "good"]
    assert lost.geometry.isna().all()
    assert lost["drawn_m"].isna().all()
    assert {fault.row for fault in found.faults} == {1, 2, 3, 4, 5, 6}
    assert all(f.column == "geometry" and not f.lost for f in found.faults)
    assert found.read_count["pipes.geojson"] == 7


def test_ids_that_are_missing_or_come_again_are_refused(tmp_path: Path):
    """A copy of a pipe is refused and changes nothing; so does a feature without an id."""
    rows = [
        (pipe("a", "U", "M"), UM),
        (pipe(None, "U", "M"), UM),
        (pipe("a", "U", "M"), shapely.reverse(UM)),
        (pipe("-", "U", "M"), UM),
    ]
    found = read(tmp_path, rows, NODES)
    assert found.pipes["pipe_id"].tolist() == ["a"]
    assert found.pipes.geometry.notna().all()
    assert [(f.row, f.column, f.lost) for f in found.faults] == [
        (2, "pipe_id", True),
        (3, "pipe_id", True),
        (4, "pipe_id", True),
    ]
    assert [fault.found for fault in found.faults] == ["", "a", "-"]


def test_a_layer_of_which_every_pipe_is_refused_is_empty_and_told(tmp_path: Path):
    """No id anywhere, beside a column that nobody asked for: two faults, and no pipe."""
    rows = [(pipe(None, "U", "M", other="x"), UM), (pipe("-", "M", "D", other="y"), MD)]
    found = read(tmp_path, rows, NODES)
    assert found.pipes.empty
    assert [(f.row, f.column, f.lost) for f in found.faults] == [
        (1, "pipe_id", True),
        (2, "pipe_id", True),
    ]


def test_two_lines_under_one_id_leave_no_line(tmp_path: Path):
    """It is not known which of the two is the pipe: nothing is placed on either."""
    found = read(tmp_path, [(pipe("a", "U", "M"), UM), (pipe("a", "M", "D"), MD)], NODES)
    assert found.pipes["pipe_id"].tolist() == ["a"]
    assert found.pipes.geometry.isna().all()
    assert [(f.row, f.column, f.lost) for f in found.faults] == [
        (1, "geometry", False),
        (2, "pipe_id", True),
    ]


def test_two_pipes_on_one_line_are_both_kept_and_flagged(tmp_path: Path):
    """Another id on the same line."""
    found = read(tmp_path, [(pipe("a", "U", "M"), UM), (pipe("b", "U", "M"), UM)], NODES)
    assert flags_of(found, "a") == ["drawn on the same line as b"]
    assert flags_of(found, "b") == ["drawn on the same line as a"]


def test_parts_joined_are_said(tmp_path: Path):
    """The parts are turned, then joined, then the whole is turned to its nodes."""
    parts = shapely.MultiLineString([line((30, 100), (30, 70)), line((30, 40), (30, 70))])
    found = read(tmp_path, [(pipe("b", "M", "D"), parts)], NODES)
    assert "its line was joined from 2 parts" in flags_of(found, "b")
    start = found.pipes.to_crs(UTM).geometry[0].coords[0]
    assert start == pytest.approx(point(*AT["M"]).coords[0], abs=1e-6)


def test_a_pipe_outside_the_area_of_use_loses_its_line_only(tmp_path: Path):
    """Drawn at (0, 0) by mistake: kept, and the projection is not spoiled by it."""
    astray = shapely.LineString([(0, 0), (50, 0)])
    rows = [(pipe("a", "U", "M"), UM), (pipe("b", "M", "D"), MD), (pipe("c", "x", "y"), astray)]
    found = read(tmp_path, rows, NODES)
    assert found.pipes.geometry.isna().tolist() == [False, False, True]
    (fault,) = found.faults
    assert (fault.row, fault.found) == (3, "coordinates outside the area of use")
    bounds = found.pipes.total_bounds
    assert abs(bounds).max() < 100  # the middle of the two pipes is the origin


def test_coordinates_that_are_no_numbers_lose_their_line_only(tmp_path: Path):
    """Infinity and NaN in a file of numbers: two lines less, their neighbours are right."""
    path = tmp_path / "p.parquet"
    write_layer(path, {"pipe_id": list("abcd")}, [UM, UM, MD, line((0, 0), (0, 7))])
    table = pyarrow.parquet.read_table(path)
    binary = table.column("geometry").to_pylist()
    for place, bad in ((1, math.inf), (2, math.nan)):
        # Standard binary of a line of two points.
        binary[place] = struct.pack("<BII4d", 1, 2, 2, 600_000, 5_800_000, bad, 5_800_000)
    table = table.set_column(1, "geometry", pa.array(binary))
    pyarrow.parquet.write_table(table, path)
    found = read_network(spec("p.parquet"), None, None, tmp_path, survey(), UTM)
    assert found.pipes.geometry.isna().tolist() == [False, True, True, False]
    assert [(f.row, f.column, f.lost) for f in found.faults] == [
        (2, "geometry", False),
        (3, "geometry", False),
    ]
    assert found.pipes["drawn_m"][3] == pytest.approx(7 / 0.999723, abs=1e-3)


def test_attributes_and_sizes(tmp_path: Path):
    """Numbers in the file's unit, sizes as text, words of ours; what is odd is named."""
    rows = [
        (pipe("a", "U", "M", d='8"', l=164.042, use="Sanitary", laid=1967), UM),
        (pipe("b", "M", "D", d='8/10"', l=None, use="sludge", laid=None), MD),
        (pipe("c", "M", "D", d=None, l=None, use=None, laid=None), None),
    ]
    columns = {"size": "d", "stated_m": "l", "use": "use", "year": "laid"}
    found = read(tmp_path, rows, NODES, units={"stated_m": "ft"}, **columns)
    a, b, c = (found.pipes.iloc[place] for place in range(3))
    assert (a["dn_mm"], a["shape"], a["use"], a["year"]) == (203.2, "circular", "foul", 1967)
    assert a["stated_m"] == pytest.approx(50.0, abs=1e-4)  # 164.042 x 0.3048
    assert (b["shape"], b["use"]) == ("unknown", "")
    assert c["shape"] == "unknown"
    named = {(f.row, f.column): f for f in found.faults}
    assert named[2, "size"].found == '8/10"'
    assert named[2, "use"].found == "sludge"
    assert named[3, "size"].found == ""
    assert all(not fault.lost for fault in found.faults)


def test_nodes_with_attributes(tmp_path: Path):
    """Access in our words, flags, a node without a place, a doubled and a nameless one."""
    nodes = [
        ({"node": "U", "how": "key", "turn": "yes", "lid": 600}, point(0, 0)),
        ({"node": "M", "how": "behind the barn", "turn": None, "lid": -5}, None),
        ({"node": "U", "how": "open", "turn": None, "lid": None}, point(9, 9)),
        ({"node": "", "how": "open", "turn": None, "lid": None}, point(9, 9)),
        ({"node": "lone", "how": None, "turn": "no", "lid": None}, None),
    ]
    write_geojson(tmp_path / "nodes.geojson", nodes)
    write_geojson(tmp_path / "pipes.geojson", [(pipe("a", "U", "M"), UM)])
    columns = {"node_id": "node", "access": "how", "turn_ok": "turn", "lid_mm": "lid"}
    both = (spec("pipes.geojson", columns=PIPE), spec("nodes.geojson", columns=columns))
    found = read_network(*both, None, tmp_path, survey(), "")
    frame = found.nodes.set_index("node_id")
    assert sorted(frame.index) == ["M", "U", "lone"]
    assert frame["access"].to_dict() == {"M": "unknown", "U": "key", "lone": "unknown"}
    assert frame["turn_ok"]["U"]
    assert not frame["turn_ok"]["lone"]
    assert flags_of(found, "M") == [MOVED]
    assert frame.to_crs(UTM).geometry["M"].distance(point(30, 40)) < 1e-6
    assert frame.geometry["lone"] is None
    assert [(f.row, f.column, f.lost) for f in found.faults] == [
        (2, "lid_mm", False),
        (2, "access", False),
        (3, "node_id", True),
        (4, "node_id", True),
    ]
    assert found.read_count["nodes.geojson"] == 5


def test_one_file_may_hold_both_layers(tmp_path: Path):
    """Layers of one GeoPackage are told apart in faults and counts."""
    path = tmp_path / "town.gpkg"
    write_layer(path, {"pipe_id": ["a", ""], "us_node": "U", "ds_node": "M"}, [UM, UM], layer="p")
    write_layer(path, {"node_id": ["U", ""]}, [point(0, 0), point(1, 1)], layer="n")
    found = read_network(
        spec("town.gpkg", "p"), spec("town.gpkg", "n"), None, tmp_path, survey(), ""
    )
    assert found.read_count == {"town.gpkg:p": 2, "town.gpkg:n": 2}
    assert [(f.file, f.row) for f in found.faults] == [("town.gpkg:p", 2), ("town.gpkg:n", 2)]
    assert found.pipes["file"].tolist() == ["town.gpkg:p"]


def test_what_stops_is_one_line(tmp_path: Path):
    """No id column, no geometry at all, no system: nothing sensible could follow."""
    write_geojson(tmp_path / "pipes.geojson", [({"id": "a"}, UM)])
    with pytest.raises(FileError, match="which column holds pipe_id"):
        read_network(spec("pipes.geojson"), None, None, tmp_path, survey(), "")
    with pytest.raises(FileError, match="no geometry with coordinates"):
        read(tmp_path, [(pipe("a"), None)])
    with pytest.raises(FileError, match="names no coordinate system"):
        read(tmp_path, [(pipe("a"), UM)], crs=None)
    write_layer(tmp_path / "none.gpkg", {"pipe_id": []}, [])
    with pytest.raises(FileError, match="no geometry with coordinates"):
        read_network(spec("none.gpkg"), None, None, tmp_path, survey(), UTM)


def test_rows_in_any_order_give_the_same_network(tmp_path: Path):
    """Only the row numbers differ."""
    rows = [(pipe("a", "U", "M"), shapely.reverse(UM)), (pipe("b", "M", "D"), MD),
            (pipe("c", "U", "D"), line((0, 0), (-20, 50), (30, 100)))]  # fmt: skip
    one = read(tmp_path, rows, NODES[1:])
    other = read(tmp_path, rows[::-1], NODES[:0:-1])
    assert one.pipes.drop(columns="row").equals(other.pipes.drop(columns="row"))
    assert one.nodes.equals(other.nodes)
    assert one.flags.equals(other.flags)
    assert one.local_crs == other.local_crs


def falls(tmp_path: Path, *, on_nodes: bool):
    """Three pipes: one falls by 0.2 m, one rises by 0.1 m, one lies level."""
    levels = {"A": 10.0, "B": 9.8, "C": 9.9, "D": 9.9}
    rows = []
    for n, (pipe, us, ds) in enumerate(
        (("falls", "A", "B"), ("rises", "B", "C"), ("level", "C", "D"))
    ):
        row = {"pipe_id": pipe, "us_node": us, "ds_node": ds}
        if not on_nodes:
            row |= {"us_invert_m": levels[us], "ds_invert_m": levels[ds]}
        rows.append((row, line((50 * n, 0), (50 * n + 50, 0))))
    write_geojson(tmp_path / "p.geojson", rows)
    spots = [
        ({"node_id": name, **({"invert_m": levels[name]} if on_nodes else {})}, point(50 * n, 0))
        for n, name in enumerate("ABCD")
    ]
    write_geojson(tmp_path / "n.geojson", spots)
    return read_network(spec("p.geojson"), spec("n.geojson"), None, tmp_path, survey(), "")


@pytest.mark.parametrize("on_nodes", [True, False])
def test_pipes_that_rise_or_lie_level_by_their_inverts_are_told(tmp_path: Path, on_nodes: bool):
    """9.8 to 9.9 m is a rise of 0.10 m; inverts of the nodes stand for missing ones."""
    found = falls(tmp_path, on_nodes=on_nodes)
    assert flags_of(found, "falls") == []
    assert flags_of(found, "rises") == [
        "rises by 0.10 m from B to C, by the inverts: direction in doubt"
    ]
    assert flags_of(found, "level") == ["lies level from C to D, by the inverts"]


def test_what_a_layer_does_not_say_is_counted_and_where_it_may_stand(tmp_path: Path):
    """No column of sizes, but a scope of works that speaks of them: named, not read."""
    rows = [
        ({"pipe_id": str(n), "scope": "renew, DN 250 clay"}, line((50 * n, 0), (50 * n + 50, 0)))
        for n in range(3)
    ]
    write_geojson(tmp_path / "p.geojson", rows)
    found = read_network(spec("p.geojson"), None, None, tmp_path, survey(), "")
    told = " | ".join(found.said)
    assert "of 3 pipes 3 without a size, 3 without a material" in told
    assert "sizes stand in the words of scope, as 'renew, DN 250 clay': not read" in told
    assert found.pipes["height_mm"].isna().all()


def test_where_no_manhole_names_its_street_it_is_said_how(tmp_path: Path):
    """Without a layer of manholes, with one that has no column of ours, with one that has it."""
    write_geojson(tmp_path / "p.geojson", [(pipe("a", "U", "M"), UM)])
    told = []
    for row in (None, {"road": "Low Lane"}, {"street": "Low Lane"}):
        spots = [({"node": "U", **(row or {})}, point(0, 0))]
        write_geojson(tmp_path / "n.geojson", spots)
        nodes = spec("n.geojson", columns={"node_id": "node"}) if row else None
        pipes = spec("p.geojson", columns=PIPE)
        found = read_network(pipes, nodes, None, tmp_path, survey(), "")
        told.append([text for text in found.said if "street" in text])
    none, unnamed, named = told
    assert 'give one as [nodes], with columns = {node_id = "...", street = "..."}' in none[0]
    assert 'write street = "..." among the columns of [nodes]; columns not used: road' in unnamed[0]
    assert named == []


def test_columns_that_could_hold_ids_are_proposed_by_their_values(tmp_path: Path):
    """`code` tells all features apart and `kind` does not."""
    rows = [
        ({"code": f"x{n}", "kind": "main"}, line((50 * n, 0), (50 * n + 50, 0))) for n in (1, 2)
    ]
    write_geojson(tmp_path / "p.geojson", rows)
    with pytest.raises(FileError, match=r'code could: write columns = \{pipe_id = "code"\}'):
        read_network(spec("p.geojson"), None, None, tmp_path, survey(), "")
