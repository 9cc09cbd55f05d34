"""The compiled walks that make spans and grades, against plain Python, on towns drawn by lot."""

from __future__ import annotations

from dataclasses import replace
from random import Random
from typing import Any

import numpy as np
import pandas as pd
import pytest
from pandas.testing import assert_frame_equal

from planner.coded_text import Coded
from planner.contracts import DEFECTS, GRADE_STEPS, SPAN_QUANTITIES
from planner.ground.ids import NOTHING_KNOWN, KnownIds, fresh_ids, ids_of
from planner.held import Held
from planner.screening import places
from planner.screening.grade_steps import handbook_steps
from planner.screening.grades import GradeTables, grade_all
from planner.screening.scattered import Scattered
from planner.screening.spans import id_rows
from planner.settings import load_settings
from planner.tables import empty
from tests.filmed import SETTINGS, Town, pipe, row, run, spans_of
from tests.plain_spans import COLUMNS, plain_spans

CODES = ("BAB", "BAC", "BAF", "BAJ", "BAK", "BAO", "BAP", "BBA", "BBA", "BBB", "BBC", "BBE",
         "BBF", "BCA", "BDD", "BXQ")  # fmt: skip
LENGTH_M = 40.0
FIGURES = [f"{name}_{side}" for name in SPAN_QUANTITIES if not name.endswith("_ratio")
           for side in ("low", "high")]  # fmt: skip


def town_of(draw: Random, pipes: int = 6) -> Town:
    """Pipes filmed once or twice on one day, from either end; many rows at the same stations."""
    town = Town()
    for number in range(pipes):
        name = f"P{number}"
        town.pipes.append(pipe(name, "U", "D", stated_m=LENGTH_M,
                               height_mm=draw.choice([250.0, 400.0, np.nan])))  # fmt: skip
        for letter in "ab"[: draw.randrange(3)]:
            head = run(f"{name}{letter}", name, draw.choice("UD"), surveyed_m=LENGTH_M)
            coded = [coded_row(draw) for _ in range(draw.randrange(1, 16))]
            town.runs.append((head, coded))
    return town


def coded_row(draw: Random) -> dict[str, Any]:
    # Eighths of a metre are exact, so that a station from the other end is the same number.
    return row(
        draw.randrange(8 * 12) / 8.0 + draw.choice([0.0, 14.0]), draw.choice(CODES),
        draw.choice(["A", "B", "C", "Z", ""]), draw.choice(["A", "B", ""]),
        q1=draw.choice(["", "2", "10", "<5", ">50", "10-15"]),
        clock=(draw.choice([None, 3.0]), draw.choice([None, 5.0, 9.0])),
        mark=draw.choice(["", "", "", "A1", "B1"]),
        joint=draw.choice([True, False, None]),
    )  # fmt: skip


def records(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Rows as dictionaries, what is unknown as None or NaN."""
    plain = frame.astype({"at_joint": object})
    plain["at_joint"] = plain["at_joint"].where(frame["at_joint"].notna(), None)
    return [{str(name): value for name, value in one.items()} for one in plain.to_dict("records")]


def told(span: dict[str, Any]) -> tuple[Any, ...]:
    """What a span says, to be compared and sorted."""
    return tuple(str(span[name]) for name in (*COLUMNS, *FIGURES))


@pytest.mark.parametrize("seed", range(16))
def test_spans_are_those_of_plain_python(seed: int) -> None:
    """Every pair of rows looked at; defects in any order, held by column or as a frame."""
    draw = Random(seed)
    found = town_of(draw).locate()
    single = found.defects[found.defects["kind"] != "repeated"].reset_index(drop=True)
    given = single.sample(frac=1.0, random_state=seed).reset_index(drop=True)
    rows = single if seed % 2 else given
    spanned = spans_of(replace(found, rows=Held.of(rows, DEFECTS)))
    for name, part in single.groupby("pipe_id"):
        own = spanned.spans[spanned.spans["pipe_id"] == name]
        wanted = plain_spans(records(part), SETTINGS.touch_m)
        assert sorted(map(told, records(own))) == sorted(map(told, wanted))
    assert spanned.spans["pipe_id"].is_monotonic_increasing
    assert spanned.spans["span_id"].is_monotonic_increasing


def test_of_rows_alike_the_first_by_id_says_from_where_a_span_is_counted() -> None:
    """A joint (30 m from D) starts 0.05 m before its station, a crack (10 m from U) on it.

    Both are coded at 10 m of 40 m, and the joint stands first; but the id of the crack is less.
    """
    runs = [
        (run("A", "P", "U", surveyed_m=LENGTH_M), [row(10.0, "BAB", "B", "A", q1="2")]),
        (run("Z", "P", "D", surveyed_m=LENGTH_M), [row(30.0, "BAJ", "A", q1="20", joint=True)]),
    ]
    found = Town([pipe("P", "U", "D", stated_m=LENGTH_M)], runs).locate()
    assert found.defects["inspection_id"].tolist() == ["Z", "A"]
    assert found.defects[["x_from_m", "x_to_m"]].to_numpy().tolist() == [[10.0, 10.0]] * 2
    spans = spans_of(found).spans
    assert spans["mechanisms"].tolist() == ["crack+joint_gap"]
    assert spans["counter_node"].tolist() == ["U"]


@pytest.mark.parametrize("seed", range(6))
def test_each_row_of_a_span_is_its_own_a_flag_or_lent(seed: int) -> None:
    """Own rows carry its mechanisms, lent ones those that are lent; each row once for a span."""
    found = town_of(Random(seed)).locate()
    spanned = spans_of(found)
    links = spanned.span_rows.merge(found.defects, on="observation_id")
    assert not spanned.span_rows.duplicated(["span_id", "observation_id"]).any()
    for part, column in (("own", "mechanisms"), ("lent", "lent")):
        mine = links[links["part"] == part].groupby("span_id")["mechanism"]
        said = mine.agg(lambda names: "+".join(sorted(set(names))))
        spans = spanned.spans.set_index("span_id")[column]
        assert said.reindex(spans.index).fillna("").tolist() == spans.tolist()


@pytest.mark.parametrize("first", [0, 900_000_000, 999_998])
def test_new_ids_rise_with_rows_in_order(first: int) -> None:
    """As `ids_of` has them; where the numbers grow a digit texts would not rise, nor where a
    span is known already.
    """
    spanned = spans_of(town_of(Random(3)).locate())
    rows = id_rows(spanned.spans)
    places = {name: rows[name].to_numpy(float) for name in ("from_m", "to_m")}
    places["find_m"] = spanned.spans["find_m"].to_numpy()
    known = KnownIds(NOTHING_KNOWN.table, {"span": first})
    fresh = fresh_ids(places, known, "span")
    if first == 999_998:
        assert fresh is None
        return
    assert fresh is not None
    wanted, lost = ids_of(
        {**places, "pipe_id": Coded.of(rows["pipe_id"]), "step": Coded.of(rows["step"])},
        known,
        "span",
    )
    assert fresh.written().tolist() == list(wanted)
    assert fresh.lost.equals(lost)


@pytest.mark.parametrize("seed", range(6))
def test_the_worst_class_of_each_run_is_that_of_a_plain_loop(seed: int) -> None:
    """Each row held against each step of the handbook, one by one."""
    found = town_of(Random(seed)).locate()
    none = empty(GRADE_STEPS)
    graded = grade_all(found.rows, found.inspections, found.pipes, GradeTables(none, none, none),
                       load_settings().grades).frame  # fmt: skip
    heights = dict(zip(found.pipes["pipe_id"], found.pipes["height_mm"], strict=True))
    steps = handbook_steps().to_dict("records")
    wanted: dict[str, list[tuple[float, float]]] = {}
    for one in found.defects.to_dict("records"):
        values = [step["value"] for step in steps if holds(one, step, heights[one["pipe_id"]])]
        if values and one["role"] in ("damage", "condition"):
            wanted.setdefault(one["inspection_id"], []).append((min(values), max(values)))
    assert graded["key"].tolist() == sorted(wanted)
    for run_id, value, shown in graded[["key", "value", "shown"]].itertuples(index=False):
        low, high = (min(ends) for ends in zip(*wanted[run_id], strict=True))
        assert value == low
        both = f"{low:g}" if low == high else f"{low:g} to {high:g}"
        assert shown == f"{both} of 1 (worst) to 5"


def holds(one: dict[str, Any], step: dict[str, Any], height_mm: float) -> bool:
    """Tell whether a step can hold for a row; what is unknown rules nothing out."""
    if one["mechanism"] != step["mechanism"]:
        return False
    if height_mm < step["dn_from_mm"] or height_mm >= step["dn_below_mm"]:
        return False
    known = not np.isnan([one["quantity_low"], one["quantity_high"]]).any()
    if step["quantity"] != one["quantity"] or not known:
        return True
    return not (one["quantity_high"] <= step["over"] or one["quantity_low"] > step["up_to"])


@pytest.mark.parametrize("seed", range(3))
def test_where_there_was_too_little_room_the_walk_is_gone_again(
    seed: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """No room for a set of words but the empty one, nor for a figure that is lent: the same."""
    found = town_of(Random(seed)).locate()
    plenty = spans_of(found).spans
    monkeypatch.setattr(places, "_FEW_SETS", 1)
    assert_frame_equal(spans_of(found).spans, plenty)
    monkeypatch.undo()
    monkeypatch.setattr(places, "_OFTEN", 0)
    monkeypatch.setattr(places, "_LENT", 0)
    assert_frame_equal(spans_of(found).spans, plenty)


def test_there_is_room_for_two_sets_of_words_of_each_place(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Three places and five sets: a crack, a deposit, an obstruction, what the crack is lent, none.

    The deposit and the obstruction lie from 2 to 6 m and from 3 to 7 m, the crack at 4 m.
    """
    coded = [
        row(2.0, "BBC", "A", mark="A1"), row(3.0, "BBE", "A", mark="A2"), row(4.0, "BAB", "B", "B"),
        row(6.0, "BBC", "A", mark="B1"), row(7.0, "BBE", "A", mark="B2"),
    ]  # fmt: skip
    head = run("R", "P", "U", surveyed_m=LENGTH_M)
    found = Town([pipe("P", "U", "D", stated_m=LENGTH_M)], [(head, coded)]).locate()
    monkeypatch.setattr(places, "_FEW_SETS", 1)
    spans = spans_of(found).spans.sort_values("mechanisms")
    assert spans["mechanisms"].tolist() == ["crack", "deposit_settled", "obstruction"]
    assert spans["lent"].tolist() == ["deposit_settled+obstruction", "", ""]


def test_figures_that_few_rows_have_are_written_out_and_put_in_another_order() -> None:
    """Rows 1 and 3 of four have one; of a size of 2 and 4 m a half and a quarter of it."""
    some = Scattered(np.array([1, 3], dtype=np.int32), np.array([[4.0, 8.0], [6.0, np.nan]]), 4)
    none = np.nan
    np.testing.assert_array_equal(some.column(0), [none, 4.0, none, 8.0])
    np.testing.assert_array_equal(some.column(1), [none, 6.0, none, none])
    shares = some.over(np.array([2.0, 4.0]))
    np.testing.assert_array_equal(shares.column(0), [none, 2.0, none, 2.0])
    order = np.array([3, 0, 1, 2])
    turned = some.taken(order)
    np.testing.assert_array_equal(turned.column(0), some.column(0)[order])
    np.testing.assert_array_equal(turned.column(1), some.column(1)[order])
    assert turned.at.tolist() == [0, 2]
