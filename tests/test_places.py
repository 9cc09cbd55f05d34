"""Rows that touch are one place: the compiled walk against every pair looked at."""

from __future__ import annotations

from random import Random

import numpy as np
import pytest

from planner.screening.places import mark_starts

TOUCH_M = 0.25


def places(group: list[int], from_m: list[float], to_m: list[float]) -> list[int]:
    """Join each row with every other of its group that it touches, over and over."""
    place = list(range(len(group)))
    for _ in group:
        for i in range(len(group)):
            for j in range(len(group)):
                near = from_m[i] <= to_m[j] + TOUCH_M and from_m[j] <= to_m[i] + TOUCH_M
                if group[i] == group[j] and near:
                    place[i] = place[j] = min(place[i], place[j])
    return [sorted(set(place)).index(one) for one in place]


@pytest.mark.parametrize("seed", range(8))
def test_a_row_starts_a_place_where_it_touches_none_before_it(seed: int) -> None:
    """Exhaustive over pairs; stations in quarters, so that many just touch."""
    draw = Random(seed)
    rows = sorted((draw.randrange(3), draw.randrange(12) / 4, draw.randrange(3) / 4)
                  for _ in range(draw.randrange(1, 12)))  # fmt: skip
    group = [one for one, _, _ in rows]
    from_m = [start for _, start, _ in rows]
    to_m = [start + size for _, start, size in rows]
    starts = np.empty(len(rows), dtype=bool)
    mark_starts(np.array(group), np.array(from_m), np.array(to_m), TOUCH_M, starts)
    assert (np.cumsum(starts) - 1).tolist() == places(group, from_m, to_m)
