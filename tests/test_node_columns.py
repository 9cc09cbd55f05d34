"""Columns of nodes by the drawing: pipes that name one node meet in one point."""

from __future__ import annotations

import random

import geopandas as gpd
import pytest
import shapely

from planner.inputs.node_columns import node_columns

# A grid of 3 x 3 manholes 40 m apart, joined along rows and columns.
SPOTS = {f"M{x}{y}": (40.0 * x, 40.0 * y) for x in range(3) for y in range(3)}
JOINS = [(f"M{x}{y}", f"M{x + 1}{y}") for x in range(2) for y in range(3)] + [
    (f"M{x}{y}", f"M{x}{y + 1}") for x in range(3) for y in range(2)
]


def town(**columns: list[str]) -> gpd.GeoDataFrame:
    """Draw the grid, half of its lines against their nodes, in an order of no meaning."""
    draw = random.Random(1)
    lines = [shapely.LineString([SPOTS[a], SPOTS[b]]) for a, b in JOINS]
    turned = [shapely.reverse(line) if draw.random() < 0.5 else line for line in lines]
    ids = [f"P{n}" for n in range(len(JOINS))]
    return gpd.GeoDataFrame({"id": ids, **columns}, geometry=turned)


ONE, OTHER = [a for a, _ in JOINS], [b for _, b in JOINS]


@pytest.mark.parametrize(
    ("names", "found"),
    [
        (("UP_X", "DN_X"), ("UP_X", "DN_X")),
        (("nach", "von"), ("von", "nach")),  # the names say which is the upper
        (("k1", "k2"), ("k1", "k2")),  # they say nothing: the order of the file
    ],
)
def test_the_pair_that_meets_is_found(names: tuple[str, str], found: tuple[str, str]) -> None:
    streets = ["Long Street", "High Street", "Mill Lane"] * 4
    upper, lower = (OTHER, ONE) if names == ("nach", "von") else (ONE, OTHER)
    frame = town(**{names[0]: upper, "street": streets, names[1]: lower})
    assert node_columns(frame, ["id", names[0], "street", names[1]]) == found


def test_names_that_do_not_meet_are_none() -> None:
    """The same names dealt out anew join nothing; so does a town without lines."""
    dealt = ONE.copy()
    random.Random(2).shuffle(dealt)
    assert node_columns(town(a=dealt, b=OTHER), ["id", "a", "b"]) is None
    empty = town(a=ONE, b=OTHER).assign(geometry=None)
    assert node_columns(gpd.GeoDataFrame(empty, geometry="geometry"), ["a", "b"]) is None


def test_two_pairs_that_fit_are_not_chosen_between() -> None:
    """Old and new names of the same manholes both fit: a person must say."""
    old = {"c": [f"X{a}" for a in ONE], "d": [f"X{b}" for b in OTHER]}
    assert node_columns(town(a=ONE, b=OTHER, **old), ["a", "b", "c", "d"]) is None
