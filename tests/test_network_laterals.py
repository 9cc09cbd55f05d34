"""Connections from a list, and from a layer of points."""

from pathlib import Path

import pytest
import shapely
from layer_files import line, point, spec, survey, write_geojson

from planner.errors import FileError
from planner.inputs.network import Network, read_network

# Drawn from D to U: turned by its nodes, so x counts from U at (0, 0).
PIPES = [
    ({"pipe_id": "a", "us_node": "U", "ds_node": "D"}, line((60, 0), (0, 0))),
    ({"pipe_id": "b", "us_node": "D", "ds_node": "E"}, None),
]
NODES = [({"node_id": "U"}, point(0, 0)), ({"node_id": "D"}, point(60, 0))]
SCALE = 0.999723  # of the grid here


def read(folder: Path, laterals) -> Network:
    """Read the network with these laterals."""
    write_geojson(folder / "pipes.geojson", PIPES)
    write_geojson(folder / "nodes.geojson", NODES)
    return read_network(
        spec("pipes.geojson"), spec("nodes.geojson"), laterals, folder, survey(), ""
    )


def test_a_list_counts_on_the_pipes_own_axis(tmp_path: Path):
    """x_m as written, feet turned; a blank state is unknown; ids by pipe and place."""
    (tmp_path / "l.csv").write_text(
        "pipe,at,o'clock,mm,state\na,100,2,150,open\na,100,10,,\na,32.81,,,closed\nb,10,,,\n"
    )
    columns = {"pipe_id": "pipe", "x_m": "at", "clock_h": "o'clock", "size_mm": "mm"}
    found = read(tmp_path, spec("l.csv", columns=columns, units={"x_m": "ft"}))
    assert found.faults[1:] == []  # the first is pipe b without a line
    rows = found.laterals
    assert rows["lateral_id"].tolist() == ["a@10.00", "a@30.48", "a@30.48#2", "b@3.05"]
    assert rows["x_m"].tolist() == pytest.approx([10.0005, 30.48, 30.48, 3.048], abs=1e-4)
    assert rows["state"].tolist() == ["closed", "open", "unknown", "unknown"]
    assert rows["source"].unique().tolist() == ["list"]
    assert found.read_count["l.csv"] == 4


def test_rows_of_a_list_that_cannot_be_placed_are_refused(tmp_path: Path):
    """No such pipe, no place, a place that is no number, a clock of 15."""
    (tmp_path / "l.csv").write_text(
        "pipe_id,x_m,clock_h\nz,10,\na,,\na,near,\na,5,15\n,5,\na,7,12\n"
    )
    found = read(tmp_path, spec("l.csv"))
    assert found.laterals["lateral_id"].tolist() == ["a@7.00"]
    faults = [fault for fault in found.faults if fault.file == "l.csv"]
    assert sorted((f.row, f.column) for f in faults if f.lost) == [
        (2, "pipe_id"), (3, "x_m"), (4, "x_m"), (5, "clock_h"), (6, "pipe_id"),
    ]  # fmt: skip
    assert found.read_count["l.csv"] == 6


def test_points_count_along_the_turned_line(tmp_path: Path):
    """12 m from U, though the line was drawn from D; half a metre beside it."""
    rows = [({"pipe_id": "a", "state": "capped", "size_mm": 125}, point(12, 0.5))]
    write_geojson(tmp_path / "l.geojson", rows)
    found = read(tmp_path, spec("l.geojson"))
    (row,) = found.laterals.to_dict("records")
    assert row["x_m"] == pytest.approx(12 / SCALE, abs=1e-3)
    assert (row["state"], row["source"], row["size_mm"]) == ("closed", "network", 125)
    assert row["lateral_id"] == "a@12.00"
    assert not found.flags["key"].str.startswith("a@").any()
    assert found.read_count["l.geojson"] == 1


def test_a_lateral_drawn_as_a_line_joins_where_it_meets_the_pipe(tmp_path: Path):
    """From the house at (20, 15) to the pipe at (25, 0), or to 3 m short of it."""
    rows = [
        ({"pipe_id": "a"}, line((20, 15), (25, 0))),
        ({"pipe_id": "a"}, line((40, 15), (40, 3))),
    ]
    write_geojson(tmp_path / "l.geojson", rows)
    found = read(tmp_path, spec("l.geojson"))
    assert found.laterals["x_m"].tolist() == pytest.approx([25 / SCALE, 40 / SCALE], abs=1e-3)
    doubts = found.flags[found.flags["key"].str.startswith("a@")]
    assert doubts[["key", "what"]].to_numpy().tolist() == [
        ["a@40.01", "drawn 3.0 m beside its pipe"]
    ]


def test_points_that_cannot_be_placed_are_refused(tmp_path: Path):
    """No such pipe, a pipe without a line, no geometry: named; nothing lands at (0, 0)."""
    rows = [
        ({"pipe_id": "z"}, point(5, 0)),
        ({"pipe_id": "b"}, point(5, 0)),
        ({"pipe_id": "a"}, None),
        ({"pipe_id": "a"}, shapely.Point()),
        ({"pipe_id": None}, point(5, 0)),
        ({"pipe_id": "a", "state": "sleepy"}, point(5, 0)),
    ]
    write_geojson(tmp_path / "l.geojson", rows)
    found = read(tmp_path, spec("l.geojson"))
    assert found.laterals["lateral_id"].tolist() == ["a@5.00"]
    assert found.laterals["state"].tolist() == ["unknown"]
    faults = [fault for fault in found.faults if fault.file == "l.geojson"]
    assert sorted((f.row, f.column, f.lost) for f in faults) == [
        (1, "pipe_id", True), (2, "pipe_id", True), (3, "geometry", True), (4, "geometry", True),
        (5, "pipe_id", True), (6, "state", False),
    ]  # fmt: skip
    assert found.read_count["l.geojson"] == 6


def test_laterals_without_a_column_for_pipes_stop(tmp_path: Path):
    """The nearest pipe is never taken for the right one."""
    write_geojson(tmp_path / "l.geojson", [({"id": "x"}, point(5, 0))])
    with pytest.raises(FileError, match="which column holds pipe_id"):
        read(tmp_path, spec("l.geojson"))
