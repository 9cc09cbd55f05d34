"""What must hold of any journal, whatever was reported in which order."""

from __future__ import annotations

from collections import Counter
from typing import Any

import pandas as pd
from hypothesis import given, settings
from hypothesis import strategies as st

from planner.contracts import DONE, STOCK, SYSTEM_SIZES
from planner.inputs.journal import Journal, take_in
from planner.tables import conform, empty
from tests.reported import events

SIZE = {"system": "felt", "dn_mm": 200.0, "length_m": 1.0}
STEPS = st.sampled_from(["sleeve", "verify", "reopen", "clean", "cut_out"])
TIMES = st.integers(1, 28).map(lambda day: f"2026-02-{day:02d}T10:00")


@st.composite
def happened(draw: st.DrawFn) -> dict[str, Any]:
    """One event at one of four places a metre apart, or one move of sleeves."""
    kind = draw(st.sampled_from(["done", "done", "failed", "used", "received", "returned"]))
    if kind in ("used", "received", "returned"):
        count = draw(st.integers(1, 3))
        return {"kind": kind, "at": draw(TIMES), "item": "sleeve", **SIZE, "pieces_count": count,
                "pipe_id": ""}  # fmt: skip
    start = float(draw(st.integers(0, 3)))
    row = {"kind": kind, "at": draw(TIMES), "step": draw(STEPS), "from_m": start, "to_m": start + 1}
    if kind == "failed":
        in_pipe = draw(st.booleans())
        row |= {"reason": "other", "step": "sleeve", "in_pipe": in_pipe, "spent": True}
    return row | SIZE


def taken(table: pd.DataFrame) -> Journal:
    stock = conform([{"item": "sleeve", **SIZE, "pieces_count": 500}], STOCK)
    return take_in(table, empty(DONE), stock, empty(SYSTEM_SIZES))


@given(st.lists(happened(), max_size=12))
@settings(max_examples=60, deadline=None)
def test_the_shelf_is_what_was_there_and_came_less_what_went(rows: list[dict[str, Any]]) -> None:
    """Every move counts once; a set sleeve and its failure are one piece."""
    out = taken(events(*rows))
    sign = {"used": -1, "received": 1, "returned": 1}
    pieces = out.stock_moves[["move", "pieces_count"]].itertuples(index=False)
    moved = sum(sign[move] * int(count) for move, count in pieces)
    assert out.stock["pieces_count"].tolist() == [500 + moved]
    counts = Counter(row["kind"] for row in rows if row["kind"] in ("used", "received", "returned"))
    stated = out.stock_moves[out.stock_moves["why"] == "reported"]["move"].value_counts()
    assert dict(stated) == dict(counts)


@given(st.lists(happened(), max_size=12))
@settings(max_examples=60, deadline=None)
def test_nothing_set_vanishes_and_what_failed_is_not_done(rows: list[dict[str, Any]]) -> None:
    """Each sleeve set is as built; a done row stands unless something later undid it."""
    table = events(*rows)
    out = taken(table)
    sets = table[(table["kind"] == "done") & (table["step"] == "sleeve")]["event_id"]
    assert set(sets) <= set(out.as_built["event_id"])
    failed = table[table["kind"] == "failed"]
    bad_days = {(start, at) for start, at in failed[["from_m", "at"]].itertuples(index=False)}
    for step, start, day in out.done[["step", "from_m", "done_on"]].itertuples(index=False):
        if step == "sleeve":
            later = [at for place, at in bad_days if place == start and at[:10] >= day]
            assert not later
    # A place holds at most one sleeve that neither failed nor was cut out before the next.
    gone = out.as_built[out.as_built["failed"]]
    assert (gone["failed_at"] >= gone["installed_at"]).all()
    assert set(out.done["done_id"]) <= set(table["event_id"])


@given(st.lists(happened(), max_size=10), st.randoms(use_true_random=False))
@settings(max_examples=40, deadline=None)
def test_the_order_of_rows_decides_nothing(rows: list[dict[str, Any]], random: Any) -> None:
    table = events(*rows)
    order = list(range(len(table)))
    random.shuffle(order)
    one, two = taken(table), taken(table.iloc[order])
    for name in ("done", "as_built", "stock_moves", "stock", "measured"):
        pd.testing.assert_frame_equal(getattr(one, name), getattr(two, name))


@given(st.lists(happened(), min_size=1, max_size=8), st.integers(0, 7))
@settings(max_examples=40, deadline=None)
def test_taken_back_is_as_if_it_had_never_been(rows: list[dict[str, Any]], which: int) -> None:
    """The journal with one event taken back, and the journal without it, come to the same."""
    which %= len(rows)
    table = events(*rows)
    back = {"kind": "taken_back", "about": f"E-{which + 1:06d}", "pipe_id": "", "at": rows[0]["at"]}
    one, two = taken(events(*rows, back)), taken(table.drop(index=which))
    for name in ("done", "as_built", "stock_moves", "stock"):
        pd.testing.assert_frame_equal(getattr(one, name), getattr(two, name))
