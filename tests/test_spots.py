"""Spots of many pipes as columns give back the spots that went in, each only once."""

from __future__ import annotations

import numpy as np

from planner.repairs.spots import SpotColumns, Spots
from planner.repairs.zones import Spot


def spot(number: int) -> Spot:
    at = float(number)
    return Spot(f"D-{number}", at, at + 0.5, 0.3, number % 2 == 0, True, number > 3, at, at, "a")


SPOTS = [spot(number) for number in range(6)]


def columns() -> SpotColumns:
    """Lay them out as `ground_of.gather` does, without the spots themselves."""
    made = SpotColumns.of(SPOTS)
    return SpotColumns(made.span_ids, made.metres, made.flags, made.counter_nodes)


def test_a_row_is_one_spot():
    some = Spots(columns(), range(1, 4))
    assert list(some) == SPOTS[1:4]
    assert some[0] is some[0]
    assert some[-1] == SPOTS[3]
    assert list(some[1:]) == SPOTS[2:4]
    assert (some.span_ids, some.counter_nodes) == (["D-1", "D-2", "D-3"], ["a"] * 3)


def test_those_of_one_layout_stay_the_same_spots_together():
    laid = columns()
    one, other = Spots(laid, range(2)), Spots(laid, range(4, 6))
    both = Spots.together([one, other])
    assert list(both) == [*SPOTS[:2], *SPOTS[4:]]
    assert both[3] is other[1]
    np.testing.assert_array_equal(both.metres[:, 0], [0.0, 1.0, 4.0, 5.0])
    np.testing.assert_array_equal(both.flags[:, 2], [False, False, True, True])


def test_those_of_several_layouts_are_laid_out_anew():
    one, other = Spots(columns(), range(2)), tuple(SPOTS[4:])
    both = Spots.together([one, other])
    assert list(both) == [*SPOTS[:2], *SPOTS[4:]]
    assert both[0] is one[0]
    assert both[2] is other[0]
    assert len(Spots.together([])) == 0


def test_more_rows_lie_below_in_the_order_asked():
    laid = SpotColumns.of(SPOTS[:3]).under(SpotColumns.of(SPOTS[3:]), np.array([0, 3, 1, 2, 5, 4]))
    assert list(Spots(laid, range(6))) == [SPOTS[at] for at in (0, 3, 1, 2, 5, 4)]
