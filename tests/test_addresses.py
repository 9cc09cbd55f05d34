"""Addresses: whom a cut connection concerns; a guess of the pipe says that it is one."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest
import shapely
from layer_files import EAST, NORTH, UTM, line, point, spec, write_geojson, write_layer

from planner.contracts import PIPES
from planner.ground.measure import local_crs
from planner.inputs.addresses import read_addresses
from planner.tables import conform

LOCAL = local_crs([[EAST, NORTH]], UTM)
REACH_M = 50.0


def pipes() -> pd.DataFrame:
    """Three pipes along x: foul at y = 0, storm at y = 10, combined at y = 200."""
    from geopandas import GeoSeries

    lines = [line((0, y), (100, y)) for y in (0, 10, 200)]
    local = GeoSeries(lines, crs=UTM).to_crs(LOCAL)
    rows = pd.DataFrame({"pipe_id": ["F1", "S1", "C1"], "use": ["foul", "storm", "combined"]})
    blank = {"shape": "circular", "file": "p", "row": 1, "length_from": "drawn", "placing": "ok"}
    return conform(rows.assign(**blank, geometry=list(local)), PIPES, crs=LOCAL)


def read(folder: Path, rows: list, **more):
    """Write houses as (attributes, shape) and read them."""
    write_geojson(folder / "houses.geojson", rows)
    found = read_addresses(spec("houses.geojson", **more), folder, pipes(), LOCAL, "", REACH_M)
    return found.addresses, found.faults


def house(number: str, pipe: str = "", **more: str) -> dict[str, str]:
    """Give the attributes of one house."""
    return {
        "address_id": f"h{number}",
        "street": "Low Lane",
        "house": number,
        "pipe_id": pipe,
        **more,
    }


def test_a_named_pipe_stands_and_others_take_the_nearest_with_foul_water(tmp_path: Path):
    """12 m off F1, 2 m off a storm pipe: F1, 12 m (x 1/0.9997 of the grid); C1 as named."""
    rows = [(house("1"), point(40, 12)), (house("2", "C1"), point(40, 12))]
    found, faults = read(tmp_path, rows)
    assert faults == []
    assert found["pipe_id"].tolist() == ["F1", "C1"]
    assert found["pipe_from"].tolist() == ["nearest", "named"]
    assert found["away_m"][0] == pytest.approx(12, abs=0.01)
    assert pd.isna(found["away_m"][1])


def test_persons_are_read_where_the_layer_says_how_many(tmp_path: Path):
    """4 stay 4, a blank stays unknown, less than none is a fault and unknown."""
    rows = [
        (house(str(n), population=said), point(40, 12)) for n, said in enumerate(["4", "", "-1"])
    ]
    found, faults = read(tmp_path, rows)
    assert found["population"].tolist() == pytest.approx(
        [4, float("nan"), float("nan")], nan_ok=True
    )
    assert [fault.column for fault in faults] == ["population"]
    assert found["pipe_id"].tolist() == ["F1"] * 3


def test_beyond_reach_no_pipe_is_named(tmp_path: Path):
    """60 m off with a reach of 50: none; the house stays."""
    found, faults = read(tmp_path, [(house("1"), point(40, -60))])
    assert (found["pipe_id"].tolist(), found["pipe_from"].tolist()) == ([""], ["none"])
    assert faults == []


def test_the_nearest_is_that_of_an_exhaustive_search(tmp_path: Path):
    """Against every distance to every pipe, for 60 houses on a grid."""
    spots = [(x * 9.7 - 20, y * 31.3 - 40) for x in range(10) for y in range(6)]
    rows = [(house(str(n)), point(*spot)) for n, spot in enumerate(spots)]
    found, _ = read(tmp_path, rows)
    lines = dict(zip(*[pipes()[c] for c in ("pipe_id", "geometry")], strict=True))
    for row in found.itertuples():
        gaps = {name: row.geometry.distance(lines[name]) for name in ("F1", "C1")}
        best = min(gaps, key=gaps.__getitem__)
        assert row.pipe_id == (best if gaps[best] <= REACH_M else ""), row


def test_a_plot_counts_by_a_point_inside_it(tmp_path: Path):
    """A plot shaped like an L: its centroid lies outside, the point taken lies inside."""
    plot = shapely.Polygon(
        [(EAST + x, NORTH + y) for x, y in ((0, 5), (40, 5), (40, 8), (3, 8), (3, 45), (0, 45))]
    )
    found, _ = read(tmp_path, [(house("1"), plot)])
    from geopandas import GeoSeries

    assert GeoSeries([plot], crs=UTM).to_crs(LOCAL)[0].contains(found.geometry[0])


def test_what_cannot_be_used_says_so_and_costs_nothing_else(tmp_path: Path):
    """An unknown pipe falls back and is told; no place and no pipe, or a second id, is refused."""
    rows = [
        (house("1", "NOPE"), point(40, 12)),
        (house("2"), None),
        (house("3", "F1"), None),
        (house("1"), point(10, 3)),
    ]
    found, faults = read(tmp_path, rows)
    assert found["address_id"].tolist() == ["h1", "h3"]
    assert [(f.row, f.column, f.found, f.lost) for f in faults] == [
        (1, "pipe_id", "NOPE", False),
        (2, "geometry", "no place", True),
        (4, "address_id", "h1", True),
    ]


def test_names_of_persons_are_not_kept(tmp_path: Path):
    """Columns that are not asked for do not reach any table."""
    found, _ = read(tmp_path, [(house("1", owner="A. Person"), point(1, 1))])
    assert "A. Person" not in found.to_csv()


def test_common_names_of_columns_are_taken(tmp_path: Path):
    """Hausnummer and Strasse are what they say."""
    shapes = [point(5, 5)]
    write_layer(tmp_path / "h.gpkg", {"Strasse": ["Am Hang"], "Hausnummer": ["7 b"]}, shapes)
    found = read_addresses(spec("h.gpkg"), tmp_path, pipes(), LOCAL, "", REACH_M).addresses
    assert found.loc[0, ["address_id", "street", "house"]].tolist() == ["1", "Am Hang", "7 b"]
