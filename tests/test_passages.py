"""Whether a packer comes from a manhole to a sleeve, by hand.

DN 200, sleeve about 10 m of 40 m. An offset of 30 mm is 0.15 DN. That packers do not
pass strong offsets and bends in small pipes: BFR Abwasser (formulas.md); the limit is
the user's.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import pandas as pd
import pytest
from one_pipe import node, pipe, span, town, verdict
from sleeve_supply import SUPPLY, packer, place, supply

from planner.contracts import DEFECTS
from planner.repairs.passages import (
    NO_WAY,
    asked,
    find_passages,
    passage_findings,
    unreached,
    unreached_findings,
)
from planner.repairs.place import Placed, drop_barred
from planner.repairs.way import Bar, Passer, shut_stretch
from planner.screening.explain_way import passage_lines
from planner.tables import conform

CRACK, MEND = span("D-1", 9.95, 10.05), verdict("D-1")


def defect(x_m: float, mechanism: str = "joint_offset", **more: Any) -> dict[str, Any]:
    figure = {"quantity": "offset_mm", "quantity_low": 30.0, "quantity_high": 30.0}
    name = f"o{x_m:g}"
    row = {"observation_id": name, "inspection_id": "i1", "pipe_id": "p1", "role": "damage"}
    row |= {"mechanism": mechanism, "kind": "point", "extent_from": "coded", "code": "BAJ"}
    row |= {"x_from_m": x_m, "x_to_m": x_m, "from_m": x_m - 0.05, "to_m": x_m + 0.05}
    row |= {"counter_node": "p1-a", "counter_m": x_m, "find_m": 0.3, "s_m": x_m, "row": 1}
    return {**row, "file": "f", **figure, **more}


def limited(offset: float | None = 0.10, bend: float | None = 11.0, **more: Any) -> dict[str, Any]:
    return packer(pass_offset_ratio=offset, pass_bend_deg=bend, **more)


def placed_with(
    *rows: dict[str, Any], packers: list[dict[str, Any]] | None = None
) -> tuple[Placed, pd.DataFrame]:
    given = supply(packers=packers or [limited()])
    defects = conform(rows, DEFECTS)
    placed = place([CRACK], [MEND], given=given, defects=defects)
    tables = {"sleeves": placed.sleeves, "pipes": town([CRACK], [MEND])["pipes"]}
    tables |= {"systems": given.systems, "packers": given.packers, "defects": defects}
    return placed, find_passages(tables)


def answers(passages: pd.DataFrame) -> dict[str, str]:
    return dict(zip(passages["node_id"], passages["answer"], strict=True))


def test_an_offset_on_one_side_bars_that_side_only():
    """0.15 DN against 0.10 at 5 m: not from the manhole at 0 m, from the other yes."""
    placed, passages = placed_with(defect(5.0))
    assert len(placed.sleeves) == 1
    assert answers(passages) == {"p1-a": "no", "p1-b": "yes"}
    row = passages.iloc[0]
    assert (row["observation_id"], row["mechanism"], row["unit"]) == ("o5", "joint_offset", "-")
    assert (row["low"], row["high"], row["limit"]) == (pytest.approx(0.15), row["low"], 0.10)
    assert row["at_m"] == pytest.approx(4.95)
    assert unreached(passages).empty
    assert asked(passages).empty


def test_between_two_offsets_no_sleeve_is_placed():
    """5 and 15 m: the crack at 10 m keeps its span, with figure, limit and place."""
    placed, _ = placed_with(defect(5.0), defect(15.0))
    assert placed.sleeves.empty
    why = placed.left_over.iloc[0]["reason"]
    assert "no packer for felt at DN 200 comes to it from either manhole" in why
    assert "joint_offset at 4.95 m (o5): 0.15 DN, limit 0.1 DN" in why
    assert "joint_offset at 14.95 m (o15)" in why


def findings_of(placed: Placed, *rows: dict[str, Any], **given: Any) -> pd.DataFrame:
    stock = supply(packers=given.get("packers", [limited()]))
    tables = town([CRACK], [MEND]) | {"systems": stock.systems, "packers": stock.packers}
    tables["defects"] = conform(rows, DEFECTS)
    return unreached_findings(tables, placed.left_over, placed.unreached)


def test_a_span_that_no_packer_reaches_has_a_finding_of_no_rule():
    """Offsets of 0.15 DN at 5 and 15 m, limit 0.10: the finding names figure, limit and why."""
    rows = (defect(5.0), defect(15.0))
    placed, _ = placed_with(*rows)
    (found,) = findings_of(placed, *rows).to_dict("records")
    assert (found["about"], found["key"], found["rule_id"]) == ("span", "D-1", "")
    assert (found["effect"], found["subject"], found["state"]) == ("rules_out", "sleeve", "yes")
    assert (found["low"], found["limit"], found["unit"]) == (pytest.approx(0.15), 0.10, "-")
    assert "no packer for felt at DN 200 comes to it" in found["why"]
    reached, _ = placed_with(defect(5.0))
    assert findings_of(reached, defect(5.0)).empty


def test_a_span_whose_sleeve_no_packer_brings_has_one_too():
    """The slim packer passes but does not carry 1.0 m: the sleeve goes, the finding stays."""
    both = [limited(), limited(0.20, name="slim", usable_m=0.5)]
    rows = (defect(5.0), defect(15.0))
    placed, passages = placed_with(*rows, packers=both)
    dropped = drop_barred(placed, unreached(passages), why=NO_WAY, unreached=True)
    (found,) = findings_of(dropped, *rows, packers=both).to_dict("records")
    assert (found["key"], found["limit"]) == ("D-1", 0.10)
    assert "no packer that carries S-000001" in found["why"]


def test_the_finding_does_not_hang_on_the_words_of_the_reason():
    """Said in other words it stays; the same words about another bound make none."""
    rows = (defect(5.0), defect(15.0))
    placed, _ = placed_with(*rows)
    told = placed.left_over.assign(reason="cannot be driven to")
    (found,) = findings_of(replace(placed, left_over=told), *rows).to_dict("records")
    assert (found["key"], found["why"]) == ("D-1", "cannot be driven to")
    other, _ = placed_with(packers=[limited(usable_m=0.5)])
    told = other.left_over.assign(reason="its wall was not seen from either manhole")
    assert findings_of(replace(other, left_over=told)).empty


def test_a_span_left_over_for_another_reason_has_none():
    """A packer of 0.5 m carries no sleeve of this system: that is no matter of the way."""
    placed, _ = placed_with(packers=[limited(usable_m=0.5)])
    assert list(placed.left_over["key"]) == ["D-1"]
    assert findings_of(placed).empty


def test_one_packer_of_two_that_passes_is_enough():
    """A slimmer packer passes 0.20 DN."""
    both = [limited(), limited(0.20, name="slim")]
    placed, passages = placed_with(defect(5.0), defect(15.0), packers=both)
    assert len(placed.sleeves) == 1
    assert set(passages["answer"]) == {"yes"}
    assert set(passages["packer"]) == {"slim"}


def test_a_slim_packer_that_does_not_carry_the_sleeve_does_not_help():
    """It passes but holds 0.5 m: the 1.0 m sleeve is reached by none and is told so."""
    both = [limited(), limited(0.20, name="slim", usable_m=0.5)]
    _, passages = placed_with(defect(5.0), defect(15.0), packers=both)
    assert answers(passages) == {"p1-a": "no", "p1-b": "no"}
    assert list(unreached(passages)["sleeve_id"]) == ["S-000001"]


@pytest.mark.parametrize(
    ("figure", "answer"),
    [
        ({"quantity_low": 20.0, "quantity_high": 20.0}, "yes"),  # 0.10 DN, on the limit
        ({"quantity_low": 10.0, "quantity_high": 30.0}, "undecided"),
        ({"quantity_low": None, "quantity_high": None}, "undecided"),
        ({"quantity_low": 21.0, "quantity_high": None}, "no"),
        ({"quantity_low": 5.0, "quantity_high": None}, "undecided"),
    ],
)
def test_answers_are_three_valued(figure, answer):
    """Up to the limit yes, above for certain no, else undecided; blank is never small."""
    _, passages = placed_with(defect(5.0, **figure))
    assert answers(passages)["p1-a"] == answer


@pytest.mark.parametrize(
    ("mechanism", "quantity", "figure", "answer"),
    [
        ("joint_angle", "angle_deg", 12.0, "no"),
        ("joint_angle", "angle_deg", 11.0, "yes"),
        ("line_deviation", "angle_deg", 15.0, "no"),
        ("deformation", "deformation_pct", 12.0, "no"),
        ("deformation", "deformation_pct", 8.0, "yes"),
        ("sag", "sag_pct", 30.0, "no"),
        ("lining_defect", "", None, "undecided"),
        ("existing_repair", "", None, "undecided"),
        ("lining_change", "", None, "undecided"),
        ("crack", "crack_mm", 30.0, "yes"),
    ],
)
def test_each_kind_of_place_by_its_own_figure(mechanism, quantity, figure, answer):
    """Packer: 0.10 DN and 11 degrees; a crack bars nothing."""
    row = defect(
        5.0, mechanism, quantity=quantity, quantity_low=figure, quantity_high=figure, role="place"
    )
    _, passages = placed_with(row)
    assert answers(passages)["p1-a"] == answer


@pytest.mark.parametrize(
    ("q1", "answer"), [("100", "no"), ("150", "yes"), ("", "undecided"), ("small", "undecided")]
)
def test_a_smaller_pipe_on_the_way(q1, answer):
    """The packer fits DN 150 to 300."""
    nothing = {"quantity": "", "quantity_low": None, "quantity_high": None}
    _, passages = placed_with(defect(5.0, "size_change", q1=q1, role="place", **nothing))
    assert answers(passages)["p1-a"] == answer


def test_a_packer_that_states_no_limit_is_not_judged_and_bars_nothing():
    """As before such limits were known; and it is told."""
    placed, passages = placed_with(defect(5.0), defect(15.0), packers=[packer()])
    assert len(placed.sleeves) == 1
    assert set(passages["answer"]) == {"not judged"}
    assert passages["why"].str.contains("no limit stated").all()
    assert unreached(passages).empty
    assert asked(passages).empty


def test_what_lies_under_the_sleeve_is_not_on_the_way():
    """The rules judge it; the sleeve lies from 9.5 to 10.5 m."""
    _, passages = placed_with(defect(10.0))
    assert set(passages["answer"]) == {"yes"}


def test_a_sleeve_that_may_be_reached_is_for_a_person():
    """Undecided from both: a finding that refers; from one side yes: none."""
    open_ = {"quantity_low": 10.0, "quantity_high": 30.0}
    _, passages = placed_with(defect(5.0, **open_), defect(15.0, **open_))
    assert list(asked(passages)["sleeve_id"]) == ["S-000001"]
    rows = passage_findings(passages)
    assert list(rows["effect"]) == ["refer"]
    row = rows.iloc[0]
    assert (row["key"], row["state"], row["limit"], row["unit"]) == (
        "S-000001",
        "undecided",
        0.1,
        "-",
    )
    assert "may not pass joint_offset at 4.95 m" in row["why"]
    _, passages = placed_with(defect(5.0, **open_))
    assert passage_findings(passages).empty


def test_the_way_is_explained():
    """A line for each manhole, with what bars."""
    _, passages = placed_with(defect(5.0))
    lines = passage_lines("S-000001", {"passages": passages})
    assert lines[0].startswith("packer from p1-a: no; P from p1-a: does not pass joint offset")
    assert lines[1] == "packer from p1-b: yes; P: nothing lies on the way"
    assert passage_lines("S-000001", {}) == []


def test_a_pipe_without_named_ends_has_no_passage():
    """Nothing can be said of a manhole that nobody names."""
    ends, nodes = [pipe(us_node="", ds_node="b")], [node("b")]
    placed = place([CRACK], [MEND], pipes=ends, nodes=nodes)
    pipes = town([CRACK], [MEND], pipes=ends, nodes=nodes)["pipes"]
    tables = {"sleeves": placed.sleeves, "pipes": pipes, "systems": SUPPLY.systems}
    found = find_passages({**tables, "packers": SUPPLY.packers})
    assert list(found["node_id"]) == ["b"]


def test_the_shut_stretch_is_where_each_packer_is_stopped_from_both_sides():
    """A is stopped at 5 and 20, B at 8 and 30: beyond 8 and before 20 by both."""
    bars = [
        Bar("1", "joint_offset", "offset_ratio", 5.0, 5.1, 0.15, 0.15),
        Bar("2", "joint_angle", "bend_deg", 8.0, 8.1, 20.0, 20.0),
        Bar("3", "joint_offset", "offset_ratio", 19.9, 20.0, 0.15, 0.15),
        Bar("4", "joint_angle", "bend_deg", 29.9, 30.0, 20.0, 20.0),
    ]
    a = Passer("A", 3.0, 150.0, 0.1, 45.0)
    b = Passer("B", 3.0, 150.0, 0.2, 11.0)
    assert shut_stretch(bars, [a, b]) == (8.0, 20.0)
    assert shut_stretch(bars, [a, b, Passer("C", 3.0, 150.0, math.nan, math.nan)]) is None
    # One offset alone shuts but itself: no sleeve fits into 0.1 m.
    assert shut_stretch(bars[:1], [a]) == (5.0, 5.1)
    assert shut_stretch(bars, []) is None
