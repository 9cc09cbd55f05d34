"""One compiled walk over coded rows says what the plain way says of whole columns."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from planner.coded_text import Coded, Columns
from planner.contracts import OBSERVATIONS
from planner.held import Held
from planner.screening.doubts import falls_of
from planner.screening.position import ORIGINS, Walked, place
from planner.screening.row_kernel import NO_DISTANCE, NO_RUN, NOT_USED, TOO_FAR, Runs
from tests import plain_places as plain
from tests.filmed import SETTINGS

TEXTS = {
    "mechanism": ("crack", "joint_gap", "lateral", "lateral_intruding", "node_start", "node_end",
                  "existing_repair", "break", "note"),
    "role": ("damage", "condition", "flag", "place", "record"),
    "detail": ("", "circumferential", "longitudinal", "open"),
    "quantity": ("", "break_mm", "missing_mm", "width_mm"),
}  # fmt: skip
NAN = np.nan
HOURS = [NAN, NAN, 1.0, 3.0, 3.0, 6.5, 11.5, 12.0, 12.0]
ROWS, RUNS = 4_000, 60


def drawn(seed: int) -> tuple[Held, np.ndarray, Runs]:
    """Draw rows by lot, those of each run together, and what their runs say."""
    draw = np.random.default_rng(seed)
    # Eighths and noise below what counts: places on ends, limits and beside them.
    s_m = draw.integers(-20, 440, ROWS) / 8.0 + draw.choice([0.0, 0.0, 1e-7, -1e-7], ROWS)
    s_m[draw.random(ROWS) < 0.05] = NAN
    low = draw.choice([NAN, 0.0, 40.0, 150.0, 2_000.0], ROWS)
    columns: Columns = {
        "observation_id": Coded.by_row([f"r{n}" for n in range(ROWS)]),
        "s_m": s_m,
        "quantity_low": low,
        "quantity_high": np.where(draw.random(ROWS) < 0.6, low, NAN),
        "clock_from_h": draw.choice(HOURS, ROWS),
        "clock_to_h": draw.choice(HOURS, ROWS),
        "at_joint": draw.random(ROWS) < 0.3,
        "row": np.arange(ROWS),
    }
    columns |= {name: Coded.of(draw.choice(words, ROWS)) for name, words in TEXTS.items()}
    of_run = np.sort(draw.integers(-1, RUNS, ROWS))
    runs = Runs(
        used=draw.random(RUNS) < 0.8,
        from_us=draw.random(RUNS) < 0.5,
        part_m=draw.choice([0.0, 0.4], RUNS),
        length_m=draw.choice([40.0, 50.0, 120.0, NAN], RUNS),
        doubt_m=draw.choice([NAN, 0.3, 0.8], RUNS),
        shift_m=draw.choice([0.0, 0.0, 0.25], RUNS),
    )
    return Held(OBSERVATIONS, columns), of_run, runs


def by_column(rows: Held, of_run: np.ndarray, runs: Runs, at: np.ndarray) -> Columns:
    """Put beside each row what its run says, as the plain way wants it."""
    run = of_run[at]
    out: Columns = {name: rows.coded(name)[at] for name in TEXTS}
    for name in ("s_m", "quantity_low", "quantity_high", "clock_from_h", "clock_to_h"):
        out[name] = rows.floats(name)[at]
    out["at_joint"] = rows.marks("at_joint")[at]
    out["us_node"] = Coded.one("U", len(at))
    out["counter_node"] = Coded.of(np.where(runs.from_us[run], "U", "D"))
    return out | {
        "part_m": runs.part_m[run],
        "length_m": runs.length_m[run],
        "length_doubt_m": runs.doubt_m[run],
    }


def same(one: Any, other: Any) -> None:
    """To the bit, but for which nan it is."""
    np.testing.assert_array_equal(one, other)
    there = ~np.isnan(one)
    assert (np.signbit(one) == np.signbit(other))[there].all()


@pytest.mark.parametrize("seed", range(4))
def test_the_walk_and_the_plain_way_agree(seed: int) -> None:
    """Places, extents, doubts, clocks, notes, and who is left out why, of 4,000 rows."""
    rows, of_run, runs = drawn(seed)
    found = place(rows, of_run, runs, SETTINGS)
    used = np.append(runs.used, False)[of_run]
    good = np.flatnonzero(used & ~np.isnan(rows.floats("s_m")))
    columns = by_column(rows, of_run, runs, good)
    spots = plain.place(columns, SETTINGS, runs.shift_m[of_run[good]])
    kept = ~spots.refused
    placed = found.placed
    assert placed.at.tolist() == good[kept].tolist()
    extents = plain.point_extents(columns, spots, SETTINGS)
    clocks = plain.downstream_clocks(columns, spots.from_us)
    same(placed.x_from_m, spots.x_m[kept])
    same(placed.from_m, extents.from_m[kept])
    same(placed.to_m, extents.to_m[kept])
    same(placed.find_m, plain.find_doubt(columns, spots.from_us, SETTINGS)[kept])
    same(placed.clock_h, clocks.clock_h[kept])
    same(placed.arc_h, clocks.arc_h[kept])
    assert ORIGINS[placed.origin].tolist() == extents.origin[kept].tolist()
    count = range(len(placed.at))
    assert [placed.past_note(at) for at in count] == spots.doubts[kept].tolist()
    assert [placed.clock_note(at) for at in count] == clocks.doubts[kept].tolist()
    _left_alike(found, rows, of_run, runs, dict(zip(good.tolist(), spots.past_m, strict=True)))
    assert 100 < len(placed.at) < len(good)


def _left_alike(
    found: Walked, rows: Held, of_run: np.ndarray, runs: Runs, past_m: dict[int, float]
) -> None:
    """Hold the rows without a place, why, and how far out they lie against one by one."""
    wanted = {}
    s_m, placed = rows.floats("s_m"), set(found.placed.at.tolist())
    for at in range(ROWS):
        if of_run[at] < 0:
            wanted[at] = NO_RUN
        elif not runs.used[of_run[at]]:
            wanted[at] = NOT_USED
        elif np.isnan(s_m[at]):
            wanted[at] = NO_DISTANCE
        elif at not in placed:
            wanted[at] = TOO_FAR
    left = found.left
    assert dict(zip(left.at.tolist(), left.why.tolist(), strict=True)) == wanted
    assert set(wanted.values()) == {NO_RUN, NOT_USED, NO_DISTANCE, TOO_FAR}
    far = left.why == TOO_FAR
    same(left.past_m[far], np.array([past_m[at] for at in left.at[far].tolist()]))


@pytest.mark.parametrize("seed", range(4))
def test_falls_are_the_same_whatever_the_order_of_the_rows(seed: int) -> None:
    """Rows by lot, told by the walk where they lie in order and by sorting where they do not."""
    rows, of_run, runs = drawn(seed)
    found = place(rows, of_run, runs, SETTINGS).falls
    assert found is not None
    assert falls_of(rows, of_run, runs.used).tolist() == found.tolist()
    mixed = np.random.default_rng(seed).permutation(ROWS)
    turned = rows.taken(mixed)
    assert place(turned, of_run[mixed], runs, SETTINGS).falls is None
    places = falls_of(turned, of_run[mixed], runs.used)
    numbers = [int(mixed[at]) if at >= 0 else -1 for at in places.tolist()]
    assert numbers == found.tolist()
    assert 0 < (found >= 0).sum() < RUNS
