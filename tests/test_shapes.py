"""Where shapes begin and end, read from their bytes, is what shapely says of them."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
import pytest
import shapely

from planner.shapes import Shapes, ends_of

WORDS = [
    "POINT (1 2)", "POINT Z (1 2 3)", "POINT EMPTY", "LINESTRING (0 0, 3 4, 5.5 -1e9)",
    "LINESTRING Z (0 1 2, 3 4 5)", "LINESTRING M (0 1 2, 3 4 5)",
    "LINESTRING ZM (1 2 3 4, 5 6 7 8)", "LINESTRING EMPTY",
    "MULTILINESTRING ((0 0, 1 1), (2 2, 3 3))", "POLYGON ((0 0, 1 0, 1 1, 0 0))",
    "GEOMETRYCOLLECTION EMPTY", "MULTIPOINT ((7 8), (9 1))",
]  # fmt: skip


def shapes(count: int, seed: int) -> list[shapely.Geometry | None]:
    """Draw shapes of all kinds, some missing."""
    draw = np.random.default_rng(seed)
    made = [None, *map(shapely.from_wkt, WORDS)]
    made += [shapely.LineString(draw.normal(0, 1e6, (n, 2))) for n in (2, 3, 40)]
    return [made[n] for n in draw.integers(0, len(made), count)]


@pytest.mark.parametrize("byte_order", [0, 1])
@pytest.mark.parametrize("flavor", ["iso", "extended"])
def test_bytes_say_what_shapely_says(byte_order: int, flavor: str) -> None:
    """300 shapes in either order of bytes and both ways to tell heights; shapely reads the same."""
    some = [one for one in shapes(400, 7) if not (one is not None and shapely.has_m(one))]
    wkb = [None if one is None else
           shapely.to_wkb(one, flavor=flavor, byte_order=byte_order, output_dimension=4)
           for one in some]  # fmt: skip
    found = Shapes(pa.array(wkb, pa.binary()), None).ends()
    told = ends_of(shapely.from_wkb(np.array(wkb, dtype=object)))
    for one, other in zip(found, told, strict=True):
        np.testing.assert_array_equal(one, other)
    assert {-1, 0, 1, 3, 4, 5, 7} <= set(found.kind.tolist())


def test_measures_and_slices() -> None:
    """With measures (ISO alone tells them), and taken out of the middle of a column."""
    some = [shapely.from_wkt(one) for one in WORDS if one.partition(" ")[0] != "GEOMETRYCOLLECTION"]
    wkb = pa.array([shapely.to_wkb(one, flavor="iso", output_dimension=4) for one in some])
    told = ends_of(np.array(some, dtype=object))
    whole = Shapes(pa.chunked_array([wkb[:4], wkb[4:]]), None)
    for found, at in ((whole, slice(None)), (whole[3:8], slice(3, 8)), (whole[[2, 6]], [2, 6])):
        for one, other in zip(found.ends(), told, strict=True):
            np.testing.assert_array_equal(one, other[at])
    assert shapely.equals(np.asarray(whole[3:8].column(), dtype=object), some[3:8]).all()


def test_ends_by_hand() -> None:
    """A line of three vertices, an empty point, and nothing."""
    line = shapely.to_wkb(shapely.LineString([(1, 2), (3, 4), (5, 6)]))
    found = Shapes(pa.array([line, shapely.to_wkb(shapely.Point()), None]), None).ends()
    assert found.kind.tolist() == [1, 0, -1]
    assert found.vertices.tolist() == [3, 0, 0]
    assert found.xy[0].tolist() == [1.0, 2.0, 5.0, 6.0]
    assert np.isnan(found.xy[1:]).all()
    none = Shapes(pa.array([], pa.binary()), None).ends()
    assert [len(one) for one in none] == [0, 0, 0]


def test_a_line_that_claims_more_than_its_bytes_is_left_to_shapely() -> None:
    """Its count says 4 vertices, 2 stand there, and those of the next shape are not its own."""
    whole = shapely.to_wkb(shapely.LineString([(1, 2), (3, 4)]))
    torn = whole[:5] + (4).to_bytes(4, "little") + whole[9:]
    with pytest.raises(shapely.errors.GEOSException):
        Shapes(pa.array([torn, whole, whole], pa.binary()), None).ends()
