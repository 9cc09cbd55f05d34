"""Working files of a city hold what was written, for other readers too, and tell what is damaged.

The references are pandas and geopandas: what they write and read of the same tables.
"""

from __future__ import annotations

import json
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
import shapely
from geopandas.testing import assert_geodataframe_equal

from planner.city.columns import arrow_table, frame_of
from planner.city.filing import CityError, read_frame, read_held, write_frame, write_held
from planner.contracts import LEFT_OVER
from planner.errors import TableError
from planner.tables import Column, Table, conform

MIXED = Table(
    "mixed",
    "one thing",
    (
        Column("name", "text", "its name"),
        Column("from_m", "number", "where", "m", low=0.0),
        Column("turns_count", "whole", "how often", "-"),
        Column("open", "flag", "whether"),
    ),
    key=("name",),
    geometry="point",
)
ROWS = {
    "name": ["a", "b", "\u4e2d \u00e9", ""],
    "from_m": [1.5, np.nan, 0.0, 1e300],
    "turns_count": [1, None, 2**62, -3],
    "open": [True, None, False, True],
}
SHAPES = [shapely.Point(1, 2), None, shapely.Point(3, 4, 5), shapely.Point()]
CRS = "+proj=tmerc +lat_0=48.1 +lon_0=11.5 +k=1 +x_0=0 +y_0=0 +ellps=GRS80 +units=m"


def mixed(crs: str | None = CRS) -> gpd.GeoDataFrame:
    rows = {name: pd.Series(values, dtype=object) for name, values in ROWS.items()}
    return conform(gpd.GeoDataFrame(rows, geometry=SHAPES, crs=crs), MIXED)


@pytest.mark.parametrize("crs", [CRS, "EPSG:25832", None])
@pytest.mark.parametrize("rows", [slice(None), slice(0), slice(1, 3)])
def test_geopandas_reads_what_is_written_and_writes_what_is_read(
    tmp_path: Path, crs: str | None, rows: slice
) -> None:
    """Values, kinds, system, and every word that GeoParquet and pandas say of the columns."""
    frame = mixed(crs).iloc[rows].reset_index(drop=True)
    ours, theirs = tmp_path / "ours.parquet", tmp_path / "theirs.parquet"
    write_frame(ours, frame)
    frame.to_parquet(theirs, index=False)
    assert_geodataframe_equal(gpd.read_parquet(ours), gpd.read_parquet(theirs))
    shapes = [pq.read_table(path)["geometry"].to_pylist() for path in (ours, theirs)]
    assert shapes[0] == shapes[1]
    said, wanted = (pq.read_schema(path).metadata for path in (ours, theirs))
    assert json.loads(said[b"geo"]) == json.loads(wanted[b"geo"])
    kinds = [
        {one["name"]: one["numpy_type"] for one in json.loads(words[b"pandas"])["columns"]}
        for words in (said, wanted)
    ]
    assert kinds[0] == kinds[1]
    for path in (ours, theirs):
        for back in (read_frame(path, MIXED), read_frame(path)):
            assert_geodataframe_equal(gpd.GeoDataFrame(back), frame)
            assert back.crs == frame.crs


def test_a_table_without_shapes_is_that_of_pandas(tmp_path: Path) -> None:
    """Small whole numbers, plain flags, objects: kinds that no contract has."""
    frame = pd.DataFrame({
        "text": ["b", "a", ""], "place": np.array([3, 1, 2], dtype=np.int32),
        "sure": [True, False, True], "much": [1.0, np.nan, 3.0],
        "some": pd.Series(["x", None, "y"], dtype=object),
    })  # fmt: skip
    ours, theirs = tmp_path / "ours.parquet", tmp_path / "theirs.parquet"
    write_frame(ours, frame.iloc[::-1])
    frame.iloc[::-1].to_parquet(theirs, index=False)
    expected = pd.read_parquet(theirs)
    for back in (pd.read_parquet(ours), read_frame(ours), frame_of(arrow_table(frame.iloc[::-1]))):
        pd.testing.assert_frame_equal(back, expected)


def test_a_file_of_somebody_else_has_to_obey_the_contract(tmp_path: Path) -> None:
    """A figure out of bounds, a name that stands twice, no shapes where some belong."""
    path = tmp_path / "x.parquet"
    write_frame(path, mixed().assign(from_m=[1.0, -2.0, 3.0, 4.0]))
    with pytest.raises(TableError, match=r"from_m: 1 outside"):
        read_frame(path, MIXED)
    write_frame(path, mixed().assign(name=["a", "b", "a", "c"]))
    with pytest.raises(TableError, match=r"name: repeated, e\.g\. a"):
        read_frame(path, MIXED)
    write_frame(path, pd.DataFrame(mixed()[MIXED.names]))
    with pytest.raises(CityError, match=r"x\.parquet: no table as a city's run wrote it"):
        read_frame(path, MIXED)
    # Without a word about shapes they are bytes to whoever reads them.
    pq.write_table(pq.read_table(path).append_column("geometry", pa.array([b""] * 4)), path)
    with pytest.raises(CityError, match=r"no table as a city's run wrote it"):
        read_frame(path, MIXED)


def test_what_waits_comes_back_and_each_damaged_byte_is_told(tmp_path: Path) -> None:
    """Every 13th byte of the file flipped, and the file cut anywhere: one line each time."""
    path = tmp_path / "waiting.arrow"
    left = conform(
        [{"step": "x", "key": f"{n}", "reason": "why" * (n + 1)} for n in range(50)], LEFT_OVER
    )
    shapes = mixed()
    frames = {
        "left_over": (left, LEFT_OVER),
        "shapes": (shapes, MIXED),
        "none": (shapes.iloc[:0], MIXED),
    }
    write_held(path, {name: arrow_table(frame) for name, (frame, _) in frames.items()})
    held = dict(read_held(path))
    assert list(held) == list(frames)
    for name, (frame, table) in frames.items():
        pd.testing.assert_frame_equal(
            pd.DataFrame(frame_of(held[name], table)), pd.DataFrame(frame)
        )
    assert frame_of(held["none"], MIXED).crs == shapes.crs
    whole = path.read_bytes()
    for at in range(0, len(whole), 13):
        path.write_bytes(whole[:at] + bytes([whole[at] ^ 0x40]) + whole[at + 1 :])
        with pytest.raises(CityError, match=f"delete the folder {tmp_path} and run again"):
            list(read_held(path))
    for size in (0, 3, len(whole) // 2, len(whole) - 1):
        path.write_bytes(whole[:size])
        with pytest.raises(CityError, match="no table as a city's run wrote it"):
            list(read_held(path))
