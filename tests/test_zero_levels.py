"""Inverts of 0: at the datum, or nobody knows. Expected: worked out by hand beside each case."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from layer_files import line, point, spec, survey, write_geojson

from planner.inputs.network import Network, read_network


def network(folder: Path, *ends: tuple[float | None, float | None], **nodes: float) -> Network:
    """Pipes p0, p1, ... one after the other, each with the levels of its two ends."""
    rows = []
    for n, (us, ds) in enumerate(ends):
        levels = {"us_invert_m": us, "ds_invert_m": ds}
        row = {"pipe_id": f"p{n}", "us_node": f"n{n}", "ds_node": f"n{n + 1}", **levels}
        rows.append((row, line((50 * n, 0), (50 * n + 50, 0))))
    write_geojson(folder / "p.geojson", rows)
    spots = [
        ({"node_id": f"n{n}", "invert_m": nodes.get(f"n{n}")}, point(50 * n, 0))
        for n in range(len(ends) + 1)
    ]
    write_geojson(folder / "n.geojson", spots)
    return read_network(spec("p.geojson"), spec("n.geojson"), None, folder, survey(), "")


def levels(found: Network) -> list[tuple[float | None, float | None]]:
    ends = found.pipes[["us_invert_m", "ds_invert_m"]].to_numpy(dtype=float)
    return [tuple(None if np.isnan(x) else x for x in row) for row in ends]


def told(found: Network) -> list[str]:
    flags = found.flags[found.flags["what"].str.contains("_m: 0 in ")]
    return flags["what"].tolist()


def test_where_all_levels_are_0_none_is_stated(tmp_path: Path) -> None:
    """Also of nodes; and no pipe is said to lie level, as 0 beside 0 would."""
    found = network(tmp_path, (0.0, 0.0), (0.0, 0.0), n0=0.0)
    assert levels(found) == [(None, None), (None, None)]
    assert found.nodes["invert_m"].isna().all()
    assert sorted(told(found)) == [
        f"{name}: 0 in {count} of {count} {kind}: taken as not stated, for no level of the "
        "network is anything else; where 0 is meant, write 0.001"
        for name, count, kind in (
            ("ds_invert_m", 2, "pipes (p0, p1)"),
            ("invert_m", 1, "manholes (n0)"),
            ("us_invert_m", 2, "pipes (p0, p1)"),
        )
    ]
    assert not found.flags["what"].str.contains("lies level").any()


@pytest.mark.parametrize(("low", "kept"), [(10.0, False), (9.9, True)])
def test_far_from_all_other_levels_a_0_is_none(tmp_path: Path, low: float, kept: bool) -> None:
    """31.2 at the other end is far by itself; with none there the nearest, `low`, decides."""
    found = network(tmp_path, (31.2, 31.0), (0.0, None), (low + 0.2, low))
    assert levels(found)[1] == (0.0 if kept else None, None)
    assert len(told(found)) == (0 if kept else 1)


def test_a_fall_of_ten_metres_to_0_in_one_pipe_is_none(tmp_path: Path) -> None:
    """A town on a slope down to the sea: 2.0 to 0 m at the outfall is a level, 40.0 to 0 none."""
    found = network(tmp_path, (40.0, 0.0), (6.0, 2.0), (2.0, 0.0))
    assert levels(found) == [(40.0, None), (6.0, 2.0), (2.0, 0.0)]
    (line,) = told(found)
    assert line.startswith("ds_invert_m: 0 in 2 of 3 pipes (p0, p2): taken as not stated in 1 of")
    assert not found.flags["what"].str.contains("rises").any()


def test_a_column_of_zeros_alone_is_none(tmp_path: Path) -> None:
    """Levels of 1 to 3 m at the upper ends, 0 at all three lower ones; of two it stays open."""
    three = network(tmp_path, (3.0, 0.0), (2.0, 0.0), (1.0, 0.0))
    assert levels(three) == [(3.0, None), (2.0, None), (1.0, None)]
    assert "the column holds nothing else" in told(three)[0]
    two = network(tmp_path, (3.0, 0.0), (2.0, 0.0))
    assert levels(two) == [(3.0, 0.0), (2.0, 0.0)]


def test_many_zeros_among_low_levels_stay_and_are_told(tmp_path: Path) -> None:
    """Three of four at 0, the fourth at 1.5 m: the sea may be near. Nothing is changed."""
    ends = [(2.0, 0.0), (2.0, 0.0), (2.0, 0.0), (2.0, 1.5)]
    found = network(tmp_path, *ends)
    assert levels(found) == ends
    assert told(found) == [
        "ds_invert_m: 0 in 3 of 4 pipes (p0, p1, p2): kept as levels, but may mean that nobody "
        "knows them"
    ]


def test_levels_without_a_0_are_as_they_are(tmp_path: Path) -> None:
    """Blank and negative ones too."""
    found = network(tmp_path, (12.0, 11.5), (None, -0.4), n1=11.6)
    assert levels(found) == [(12.0, 11.5), (None, -0.4)]
    assert told(found) == []
