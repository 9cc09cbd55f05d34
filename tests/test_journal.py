"""What the journal comes to: done steps, sleeves as built, measured figures, stock."""

from __future__ import annotations

from typing import Any

import pandas as pd
import pytest
from one_pipe import done
from reported import events

from planner.contracts import DONE, STOCK, SYSTEM_SIZES
from planner.inputs.journal import Journal, take_in
from planner.tables import conform, empty

SIZES = conform(
    [{"system": "felt", "dn_from_mm": 100, "dn_to_mm": 300, "wall_mm": 4, "plies": 3,
      "resin_kg_per_l": 1.05}],
    SYSTEM_SIZES,
)  # fmt: skip
SLEEVE = {"kind": "done", "step": "sleeve", "from_m": 4.0, "to_m": 5.0, "works": "W-000005"}
SIZE = {"system": "felt", "dn_mm": 200.0, "length_m": 1.0}
PIECES = {"item": "sleeve", **SIZE, "pieces_count": 3}
RESIN = {"item": "resin", "system": "felt", "mass_kg": 20.0}


def at(day: int, hour: int = 10) -> str:
    return f"2026-03-{day:02d}T{hour:02d}:00"


def journal(*rows: dict[str, Any], form: pd.DataFrame | None = None, stock: Any = ()) -> Journal:
    given = empty(DONE) if form is None else form
    return take_in(events(*rows), given, conform(stock, STOCK), SIZES)


def test_without_events_nothing_is_touched():
    """The very tables that were read come back."""
    form, stock = done({"step": "clean"}), conform([PIECES], STOCK)
    out = take_in(events(), form, stock, SIZES)
    assert out.done is form
    assert out.stock is stock
    assert out.as_built.empty
    assert out.flags.empty


def test_a_done_event_counts_as_a_row_of_the_form():
    """Step, place, day, crew; the number of the event stands where the row's does."""
    out = journal({**SLEEVE, "at": at(3)}, form=done({"step": "clean"}))
    rows = out.done.set_index("done_id")
    assert rows["step"].to_dict() == {"r1": "clean", "E-000001": "sleeve"}
    one = rows.loc["E-000001"]
    assert (one["pipe_id"], one["from_m"], one["to_m"], one["done_on"], one["by"]) == (
        "p1", 4.0, 5.0, "2026-03-03", "north",
    )  # fmt: skip


@pytest.mark.parametrize(
    ("failure", "stands"),
    [
        ({"at": at(4)}, []),
        ({"at": at(2)}, ["E-000001"]),  # failed first, done then
        ({"at": at(4), "pipe_id": "p2"}, ["E-000001"]),
        ({"at": at(4), "from_m": 4.6, "to_m": 6.0}, ["E-000001"]),  # 0.4 of 1.0 m is less than half
        ({"at": at(4), "from_m": 4.5, "to_m": 6.0}, []),
        ({"at": at(4), "step": "verify"}, ["E-000001"]),
    ],
)
def test_a_failure_undoes_what_was_done_at_its_place_before_it(failure, stands):
    bad = {**SLEEVE, "kind": "failed", "reason": "leaks", "spent": True, "in_pipe": True, **failure}
    out = journal({**SLEEVE, "at": at(3)}, bad)
    assert out.done["done_id"].tolist() == stands


def test_a_failed_sleeve_takes_its_film_and_openings_with_it():
    """Flow control, reopening and film there are of the sleeve that failed; cleaning is not."""
    steps = ["flow_control", "reopen", "verify", "clean"]
    rows = [{**SLEEVE, "step": step, "at": at(3)} for step in steps]
    bad = {**SLEEVE, "kind": "failed", "reason": "fold", "in_pipe": True, "at": at(4)}
    assert journal(*rows, bad).done["step"].tolist() == ["clean"]


def test_rows_of_the_form_are_undone_as_well():
    """done.csv says sleeve on 2 March; the journal says it failed that day."""
    form = done({"step": "sleeve", "from_m": 4, "to_m": 5, "done_on": "2026-03-02"})
    bad = {**SLEEVE, "kind": "failed", "reason": "leaks", "in_pipe": True, "at": at(2, 9)}
    out = journal(bad, form=form)
    assert out.done.empty
    assert out.as_built[["event_id", "failed"]].to_numpy().tolist() == [["r1", True]]


def test_what_is_taken_back_never_happened():
    back = {"kind": "taken_back", "about": "E-000001", "at": at(5), "pipe_id": ""}
    out = journal({**SLEEVE, **SIZE, "at": at(3)}, back, stock=[PIECES])
    assert out.done.empty
    assert out.as_built.empty
    assert out.stock["pieces_count"].tolist() == [3]
    assert len(out.events) == 2


def test_a_sleeve_as_built_from_its_first_day_to_its_last():
    """Set on 3 March, opened and filmed on the 4th, charged on the 5th, leaks on the 6th, cut out
    on the 7th, a new one on the 8th; each stands apart."""
    rows = [
        {**SLEEVE, **SIZE, "lot": "L7", "at": at(3)},
        {**SLEEVE, "step": "reopen", "at": at(4)},
        {**SLEEVE, "step": "verify", "at": at(4, 11)},
        {**SLEEVE, "kind": "chargeable", "at": at(5)},
        {**SLEEVE, "kind": "failed", "reason": "leaks", "in_pipe": True, "at": at(6)},
        {**SLEEVE, "step": "cut_out", "at": at(7)},
        {**SLEEVE, **SIZE, "lot": "L8", "at": at(8)},
    ]  # fmt: skip

    def shown(count: int) -> list[dict[str, Any]]:
        columns = ["lot", "verified_at", "reopened_at", "failed", "removed_at", "chargeable"]
        return journal(*rows[:count]).as_built[columns].to_dict("records")

    def one(**more: object) -> dict[str, Any]:
        base = {"lot": "L7", "verified_at": "", "reopened_at": "", "failed": False}
        return {**base, "removed_at": "", "chargeable": False, **more}

    seen = {"reopened_at": at(4), "verified_at": at(4, 11)}
    assert shown(1) == [one()]
    assert shown(3) == [one(**seen)]
    assert shown(4) == [one(**seen, chargeable=True)]
    assert shown(5) == [one(**seen, chargeable=True, failed=True)]
    gone = one(**seen, chargeable=True, failed=True, removed_at=at(7))
    assert shown(6) == [gone]
    assert shown(7) == [gone, one(lot="L8")]


def test_a_sleeve_that_failed_in_the_pipe_lies_there_though_nobody_said_done():
    bad = {
        **SLEEVE,
        **SIZE,
        "kind": "failed",
        "reason": "cure_failed",
        "spent": True,
        "in_pipe": True,
    }
    out = journal(bad)
    assert out.as_built["failed"].tolist() == [True]
    assert out.done.empty
    off = journal({**bad, "in_pipe": False})
    assert off.as_built.empty


def test_a_row_of_the_form_without_a_place_is_no_sleeve_as_built():
    """Nobody can say where it lies; as a done step it counts as it did."""
    out = journal(form=done({"step": "sleeve"}))
    assert out.as_built.empty
    assert len(out.done) == 1


def test_looks_of_the_form_are_measurements():
    form = done({"step": "look", "inside_mm": 198}, {"step": "look"})
    rows = [{"kind": "measured", "void_visible": False}, {**SLEEVE, "at": at(3)}]
    out = journal(*rows, form=form).measured
    assert out["event_id"].tolist() == ["E-000001", "r1"]
    assert out["inside_mm"].tolist()[1] == 198
    assert out["void_visible"].tolist()[0] is False


def test_stock_is_what_was_there_and_came_less_what_went():
    """3 pieces + 2 received - 1 set - 1 spoilt = 3; resin 20 - 2.6 kg stated - 2.586 reckoned.

    Resin of the spoilt one: pi (200 - 4) 4 1.0 / 1000 = 2.4630 l, times 1.05 = 2.586 kg.
    A set sleeve that fails was counted when it was set.
    """
    spoilt = {**SLEEVE, **SIZE, "from_m": 9.0, "to_m": 10.0, "kind": "failed",
              "reason": "resin_warm", "spent": True, "in_pipe": False, "at": at(4)}  # fmt: skip
    rows = [
        {**PIECES, "kind": "received", "pieces_count": 2, "at": at(2), "pipe_id": ""},
        {**SLEEVE, **SIZE, "mass_kg": 2.6, "at": at(3)},
        spoilt,
        {
            **SLEEVE,
            "kind": "failed",
            "reason": "leaks",
            "spent": True,
            "in_pipe": True,
            "at": at(6),
        },
    ]
    out = journal(*rows, stock=[PIECES, RESIN])
    assert out.stock["pieces_count"].tolist()[0] == 3
    assert out.stock["mass_kg"].tolist()[1] == pytest.approx(20 - 2.6 - 2.586, abs=1e-9)
    assert out.stock_moves["event_id"].tolist() == [
        "E-000001", "E-000002", "E-000002", "E-000003", "E-000003",
    ]  # fmt: skip
    assert out.flags.empty


def test_stock_below_nothing_is_one_line_and_counts_as_none():
    """3 pieces less 5 used; an item that is not on the list has no limit and no line."""
    rows = [
        {**PIECES, "kind": "used", "pieces_count": 2},
        {**PIECES, "kind": "used", "pieces_count": 3, "at": at(4)},
        {**PIECES, "kind": "used", "system": "glass"},
    ]
    out = journal(*rows, stock=[PIECES])
    assert out.stock["pieces_count"].tolist() == [0]
    assert out.flags["key"].tolist() == ["E-000002"]
    assert "would be 2 pieces below nothing" in out.flags["what"].iloc[0]
    later = {**PIECES, "kind": "received", "pieces_count": 4, "at": at(5)}
    again = journal(*rows, later, stock=[PIECES])
    assert again.stock["pieces_count"].tolist() == [2]
    assert again.flags.empty


def test_a_counted_shelf_holds_what_moved_until_that_day():
    rows = [{**PIECES, "kind": "used", "pieces_count": 1, "at": at(day)} for day in (2, 3, 4)]
    out = journal(*rows, stock=[{**PIECES, "counted_on": "2026-03-03"}])
    assert out.stock["pieces_count"].tolist() == [2]


def test_what_is_received_is_on_the_list_from_then_on():
    rows = [{**RESIN, "kind": "received", "system": "glass", "pipe_id": ""}]
    out = journal(*rows, stock=[PIECES])
    assert out.stock[["item", "system", "mass_kg"]].iloc[1].tolist() == ["resin", "glass", 20.0]


def test_a_set_sleeve_that_nobody_names_is_told_and_takes_nothing():
    out = journal({**SLEEVE, "system": "felt"}, stock=[PIECES])
    assert out.stock["pieces_count"].tolist() == [3]
    assert "dn_mm, length_m of the sleeve not reported" in out.flags["what"].iloc[0]


def test_the_order_of_rows_in_the_table_decides_nothing():
    """All by time, then by number."""
    rows = [
        {**SLEEVE, **SIZE, "at": at(3)},
        {**SLEEVE, "step": "verify", "at": at(3, 12)},
        {**SLEEVE, "kind": "failed", "reason": "leaks", "in_pipe": True, "at": at(4)},
        {**SLEEVE, "step": "cut_out", "at": at(5)},
        {**SLEEVE, **SIZE, "at": at(6)},
    ]
    table = events(*rows)
    one = take_in(table, empty(DONE), conform([PIECES], STOCK), SIZES)
    two = take_in(table.iloc[::-1], empty(DONE), conform([PIECES], STOCK), SIZES)
    for name in ("done", "as_built", "stock_moves", "stock"):
        pd.testing.assert_frame_equal(getattr(one, name), getattr(two, name))
    assert one.as_built["failed"].tolist() == [True, False]
    assert one.done["done_id"].tolist() == ["E-000004", "E-000005"]
