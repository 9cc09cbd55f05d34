"""How far verdicts are from others: held against the whole screening, figure by figure."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from planner.contracts.verdicts import SPAN_QUANTITIES
from planner.screening.rulebook import load_rulebook
from tests.screening_rows import screen_many, verdict_one

BOOK = load_rulebook()
TIED = {"offset_mm": "offset_dn_ratio", "missing_mm": "missing_dn_ratio",
        "break_mm": "break_dn_ratio"}  # fmt: skip
ONE = {
    "crack": ("crack_mm", 12.0), "joint_gap": ("gap_mm", 80.0),
    "deformation": ("deformation_pct", 14.0), "infiltration": ("leak_level", 5.0),
    "joint_offset": ("offset_mm", 70.0),
    "break": ("break_mm", 200.0), "missing_wall": ("missing_mm", 200.0), "sag": ("sag_pct", 60.0),
    "deposit_settled": ("deposit_pct", 60.0), "roots": ("roots_pct", 60.0),
}  # fmt: skip


def span(values: dict[str, float], mechanisms: list[str]) -> dict[str, Any]:
    """A span of DN 300 with these figures; a figure in mm has its share of the diameter."""
    more = {TIED[name]: mm / 300.0 for name, mm in values.items() if name in TIED}
    return {"mechanisms": "+".join(sorted(mechanisms)), **values, **more}


@given(
    st.lists(st.sampled_from(sorted(ONE)), min_size=1, max_size=3, unique=True),
    st.lists(st.floats(0.01, 1.0), min_size=3, max_size=3),
)
@settings(max_examples=20, deadline=None)
def test_the_nearest_flip_is_one_and_no_nearer_step_of_that_figure_flips(
    mechanisms: list[str], shares: list[float]
) -> None:
    """Just past ``flip_at`` the whole screening says ``flip_to``; before it, it says the same."""
    values = {
        ONE[name][0]: round(share * ONE[name][1], 2)
        for name, share in zip(mechanisms, shares, strict=False)
    }
    base = verdict_one(span(values, mechanisms), book=BOOK)
    column = base["flip_column"]
    steps = np.linspace(0.0, 1.0, 25)
    if not column:
        trials = [values | {name: end * s} for name, end in ONE.values() if name in values
                  for s in (steps + 0.001) * 1.4]  # fmt: skip
        found = screen_many([(span(trial, mechanisms), {}) for trial in trials], BOOK)
        assert set(found.verdicts["verdict"]) == {base["verdict"]}
        return
    now, at = values[column], float(base["flip_at"])
    way = 1.0 if at > now or (at == now and base["flip_by"] == 0.0) else -1.0
    assert base["flip_by"] == pytest.approx(abs(at - now), abs=1e-9)
    past = [at, at + way * 1e-6, at - 1e-6, at + 1e-6]
    near = [now + (at - now) * s * 0.999999 for s in steps]
    found = screen_many(
        [(span(values | {column: v}, mechanisms), {}) for v in (*past, *near)], BOOK
    ).verdicts["verdict"]
    assert base["flip_to"] in set(found.iloc[: len(past)])
    if at != now:
        assert set(found.iloc[len(past) :]) == {base["verdict"]}


@pytest.mark.parametrize(
    ("values", "close", "column", "at", "by", "to"),
    [
        # Default book: a gap is open up to 30 mm, asked up to 60, closed above.
        ({"mechanisms": "joint_gap", "gap_mm": 28.0}, False, "gap_mm", 30.0, 2.0, "refer"),
        ({"mechanisms": "joint_gap", "gap_mm": 30.0}, True, "gap_mm", 30.0, 0.0, "refer"),
        ({"mechanisms": "joint_gap", "gap_mm": [25.0, 29.0]}, False, "gap_mm", 30.0, 1.0, "refer"),
        ({"mechanisms": "joint_gap", "gap_mm": [25.0, 35.0]}, True, "gap_mm", 30.0, 0.0, "sleeve"),
        # A crack is mended from 0.5 mm on and watched from 0.2 mm.
        ({"mechanisms": "crack", "crack_mm": 0.45}, False, "crack_mm", 0.5, 0.05, "sleeve"),
        # 26 mm of DN 300: two of 25 and 30 mm (a tenth of the diameter) are nearest below.
        ({"mechanisms": "joint_offset", "offset_mm": 26.0, "offset_dn_ratio": 26.0 / 300.0},
         False, "offset_mm", 25.0, 1.0, "sleeve"),
        ({"mechanisms": "collapse"}, False, "", None, None, ""),
    ],
)  # fmt: skip
def test_margins_by_hand(
    values: dict[str, Any], close: bool, column: str, at: float, by: float, to: str
) -> None:
    """Each against the limits of the default book, by hand."""
    verdict = verdict_one(values, book=BOOK)
    assert (verdict["close_call"], verdict["flip_column"]) == (close, column)
    if column:
        assert verdict["flip_at"] == pytest.approx(at)
        assert verdict["flip_by"] == pytest.approx(by)
        assert verdict["flip_to"] == to
        assert verdict["flip_unit"] == SPAN_QUANTITIES[column]


def test_a_condition_met_only_by_an_assumed_extent_makes_a_close_call() -> None:
    """Deposits of 30 % are lent to a crack whose length is assumed: without them, a sleeve."""
    lent = {"mechanisms": "crack", "crack_mm": 3.0, "deposit_pct": 30.0, "lent": "deposit_settled"}
    assumed = verdict_one(lent | {"extent_from": "assumed"}, book=BOOK)
    coded = verdict_one(lent | {"extent_from": "coded"}, book=BOOK)
    assert assumed["verdict"] == coded["verdict"] == "refer"
    assert (assumed["close_call"], coded["close_call"]) == (True, False)
