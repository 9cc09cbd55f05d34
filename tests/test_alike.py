"""Spans that no rule tells apart are judged once; each gets what it would get by itself."""

from __future__ import annotations

import random
from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from planner.coded_text import Coded
from planner.contracts import DEFECTS, PIPES, SPAN_QUANTITIES, SPANS
from planner.held import Held
from planner.screening import alike, coded, column_codes, flips, rule_bits
from planner.screening import screen as step
from planner.screening.beside import OnPipes, beside_pipes, beside_spans
from planner.screening.column_codes import Key
from planner.screening.columns import view_of
from planner.screening.margins import TIED
from planner.screening.parted_texts import Parted
from planner.screening.rulebook import load_rulebook
from planner.screening.scattered import Scattered, WithFigures
from planner.tables import conform
from tests.bench.rules import make_spans
from tests.test_coded import nasty, random_book, same_by_both


def many_alike(seed: int, count: int = 800) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Spans of few kinds, with figures a little apart: most of them in the same bands.

    Shares of the diameter are those of three sizes, and some are not known.
    """
    draw = np.random.default_rng(seed)
    few, pipes = make_spans(90)
    spans = nasty(few, draw).iloc[np.sort(draw.integers(0, 50, count))].reset_index(drop=True)
    more: dict[str, Any] = {"span_id": [f"S{n:04d}" for n in range(count)]}
    for name in spans.columns[spans.columns.str.endswith("_low")]:
        by = draw.choice([1.0, 1.0, 1.0, 1.01, 0.9], count)
        for end in (name, name.removesuffix("_low") + "_high"):
            more[end] = spans[end] * by
    dn, known = draw.choice([150.0, 200.0, 300.0], count), draw.random(count) < 0.8
    for name, ratio in TIED.items():
        for end in ("low", "high"):
            more[f"{ratio}_{end}"] = (more[f"{name}_{end}"] / dn).where(known)
    return conform(spans.assign(**more), SPANS), pipes


@given(st.data())
@settings(max_examples=80, deadline=None)
def test_unlike_rows_are_those_of_a_list_of_all(data: st.DataObject) -> None:
    """As a dictionary finds them: by the set, and the numbers that its spans are told apart by."""
    columns = data.draw(st.integers(1, 6))
    row = st.lists(st.integers(-3, 3), min_size=columns, max_size=columns)
    told = data.draw(st.lists(row, min_size=1, max_size=3))
    rows = data.draw(st.lists(st.tuples(row, st.integers(0, len(told) - 1)), min_size=1))
    width = alike.room_for(columns + 1)
    marks, codes = np.zeros((len(told), width), np.int16), np.zeros((len(rows), width), np.int16)
    for at, one in enumerate(told):
        marks[at, :columns] = np.where(np.array(one) > 0, -1, 0)
        marks[at, columns] = -1
    for at, (numbers, set_) in enumerate(rows):
        codes[at, :columns], codes[at, columns] = numbers, set_
    unlike: dict[tuple[int, ...], int] = {}
    expected = []
    for one, (_, set_) in zip(codes.tolist(), rows, strict=True):
        seen = tuple(n if mark else 0 for n, mark in zip(one, marks[set_], strict=True))
        expected.append(unlike.setdefault(seen, len(unlike)))
    parts = iter([(0, 2, codes[:2]), (2, len(rows), codes[2:])] if len(rows) > 2
                 else [(0, len(rows), codes)])  # fmt: skip
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(alike, "MOST_OF_FIRST", 1.0)
        known = alike.none_known(marks.view(np.uint64))
        found = alike.unlike_rows(parts, len(rows), known, columns)
    assert found is not None
    assert [tuple(one) for one in alike.numbers_in(known).tolist()] == list(unlike)
    assert found.tolist() == expected


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_spans_alike_are_judged_as_each_by_itself(seed: int) -> None:
    """By the packaged book, and by random rules among its own."""
    spans, pipes = many_alike(seed)
    for book in (load_rulebook(), random_book(random.Random(seed))):
        found = coded.screen_coded(spans, pipes, book, None)
        assert found is not None
        assert found.alike is not None
        assert len(found.alike.codes) < 0.5 * len(spans)
        verdicts = same_by_both(spans, pipes, book)
    assert len(verdicts) == 800


def test_what_was_met_before_makes_no_difference(monkeypatch: pytest.MonkeyPatch) -> None:
    """Spans of three towns, one after the other, by one book and by a new one for each.

    The spans of the first town come again at the end: of them nothing is judged again.
    """
    book = replace(load_rulebook())
    for number, seed in enumerate((1, 8, 9, 1)):
        spans, pipes = many_alike(seed)
        new = replace(book)
        alone = coded.screen_coded(spans, pipes, new, None)
        assert alone is not None
        if number == 3:
            monkeypatch.setattr(coded, "judge_rows", None)
        found = coded.screen_coded(spans, pipes, book, None)
        assert found is not None
        for one, other in zip(found.told, alone.told, strict=True):
            np.testing.assert_array_equal(one, other)
        flipped = flips.flips_of(found, book)
        # The second time what was met lies with others, and all is asked anew.
        for again in (flips.flips_of(alone, new), flips.flips_of(found, book)):
            for one, other in zip(flipped, again, strict=True):
                np.testing.assert_array_equal(one, other)


@pytest.mark.parametrize("what", ["materials", "mechanisms"])
def test_of_texts_that_two_threads_meet_at_once_no_number_stands_for_two(
    what: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """While one text is numbered, another thread comes with two of its own.

    What was met of one holds of the other where both were born together: there no number stands
    for two things.
    """
    lines = rule_bits.lines_of(replace(load_rulebook()), ["crack"])
    assert lines is not None
    nothing: Any = None

    def said_by_number(text: str) -> tuple[object, Any]:
        if what == "mechanisms":
            owned, column = lines.owned(parted_of(text))
            return column.born, owned.sets
        materials = lines.numberings[Key("pipe", "material")]
        column = materials.coded(nothing, parted_of(text))
        return column.born, column.said.table.T

    module, name = {
        "materials": (column_codes, "_said_of"), "mechanisms": (rule_bits, "_mechanisms_in")
    }[what]  # fmt: skip
    texts, found, tell = ["roots", "pe"], [], getattr(module, name)

    def meanwhile(*given: Any) -> Any:
        while texts:
            found.append(said_by_number(texts.pop()))
        return tell(*given)

    monkeypatch.setattr(module, name, meanwhile)
    found.append(said_by_number("crack+joint_gap"))
    assert len(found) == 3
    for born in {id(one) for one, _ in found}:
        together = sorted((said for one, said in found if id(one) == born), key=len)
        for one, other in pairwise(together):
            np.testing.assert_array_equal(one, other[: len(one)])


def parted_of(text: str) -> Parted:
    """One row that says this."""
    return Parted([text], ((np.zeros(1, dtype=np.int32), np.zeros(1, dtype=np.intp)),))


@pytest.mark.parametrize("room", [{"_PATHS": 1}, {"_PATHS": 2, "_MOST_KEPT": 0}])
def test_room_for_what_was_asked_makes_no_difference(
    monkeypatch: pytest.MonkeyPatch, room: dict[str, int]
) -> None:
    """Ways that push each other out, and verdicts kept of one unlike span alone."""
    for name, size in room.items():
        monkeypatch.setattr(flips, name, size)
    spans, pipes = many_alike(4)
    verdicts = same_by_both(spans, pipes, load_rulebook())
    assert verdicts["flip_column"].str.endswith("_mm").sum() > 20  # those that go with a share


def test_too_many_unlike_spans_are_judged_by_themselves(monkeypatch: pytest.MonkeyPatch) -> None:
    """More than there is room for, or the most of the first ones."""
    spans, pipes = many_alike(5)
    book = replace(load_rulebook())
    monkeypatch.setattr(alike, "MOST", 5)
    found = coded.screen_coded(spans, pipes, book, None)
    assert found is not None
    assert found.alike is None
    same_by_both(spans, pipes, book)
    monkeypatch.undo()
    monkeypatch.setattr(coded, "_AT_ONCE", 200)
    some, pipes = make_spans(600)
    book = replace(book)  # nothing is met before
    found = coded.screen_coded(nasty(some, np.random.default_rng(6)), pipes, book, None)
    assert found is not None
    assert found.alike is None


ON = st.sampled_from(["P1", "P2", "P3", "P4"])
ENDS = st.tuples(st.integers(0, 9), st.integers(0, 4)).map(lambda ab: (ab[0], ab[0] + ab[1]))
ROWS = st.tuples(
    ON, ENDS, st.sampled_from(["crack", "existing_repair", "size_change", "lining_change"]),
    st.sampled_from(["", "local lining", "patch"]),
)  # fmt: skip


@given(st.lists(st.tuples(ON, ENDS), min_size=1, max_size=8), st.lists(ROWS, max_size=8))
@settings(max_examples=40, deadline=None)
def test_what_lies_beside_is_marked_as_the_view_marks_it(
    spans: list[tuple[str, tuple[int, int]]], rows: list[tuple[Any, ...]]
) -> None:
    """Of four pipes the network has three."""
    first, pipes = make_spans(8)[0].iloc[:1], make_spans(60)[1].head(3)
    pipes = conform(pipes.assign(pipe_id=["P1", "P2", "P3"]), PIPES)
    things = pd.concat([first] * len(spans), ignore_index=True).assign(
        span_id=[f"S{n}" for n in range(len(spans))], pipe_id=[on for on, _ in spans],
        from_m=[float(ends[0]) for _, ends in spans], to_m=[float(ends[1]) for _, ends in spans],
    )  # fmt: skip
    placed = pd.DataFrame({
        "pipe_id": pd.array([one[0] for one in rows], dtype="str"),
        "from_m": [float(one[1][0]) for one in rows], "to_m": [float(one[1][1]) for one in rows],
        "mechanism": pd.array([one[2] for one in rows], dtype="str"),
        "detail": pd.array([one[3] for one in rows], dtype="str"),
    })  # fmt: skip
    found = coded.screen_coded(things, pipes, load_rulebook(), None)
    assert found is not None
    ids = found.on.column("pipe_id")
    defects = Held.sound(placed, DEFECTS)
    view = view_of("span", found.spans.frame, found.on.frame, placed)
    beside = beside_spans(OnPipes(found.spans, ids, found.at), defects)
    for name in ("at_repair", "at_lining"):
        marks = beside[name]
        assert view.flags(name).tolist() == (
            [False] * len(spans) if marks is None else marks.tolist()
        )
    for name, marks in beside_pipes(ids, defects).items():
        on_pipes = view.changes[name].tolist()
        assert on_pipes == ([False] * len(ids) if marks is None else marks.tolist())


def by_column(frame: pd.DataFrame) -> Held:
    """Hold a frame by column; columns without anything known are left out, as steps do."""
    columns: dict[str, Any] = {}
    for column in SPANS.columns:
        values = frame[column.name]
        if column.kind == "text":
            # A word that no row holds, too.
            some = Coded.of(["never met", *values])
            columns[column.name] = some[1:]
        elif not values.isna().all():
            columns[column.name] = values.array if column.kind == "flag" else values.to_numpy()
    return Held(SPANS, columns)


@pytest.mark.parametrize("words", [0, 1_000])
def test_rows_by_column_are_judged_as_their_frame(
    monkeypatch: pytest.MonkeyPatch, words: int
) -> None:
    """Texts by number, many of them or few, and columns that are not there at all."""
    monkeypatch.setattr("planner.screening.parted_texts._FEW_WORDS", words)
    monkeypatch.setattr(step, "LEAST_CODED", 1)
    monkeypatch.setattr(step, "CODED_FROM", 1)
    spans, pipes = many_alike(7)
    blank: dict[str, Any] = {"gap_mm_low": np.nan, "gap_mm_high": np.nan, "at_joint": None}
    spans = conform(spans.assign(**blank, offset_dn_ratio_low=np.nan), SPANS)
    spans = spans.assign(offset_dn_ratio_high=np.nan)
    held, book = by_column(spans), load_rulebook()
    plain, by_number = step.screen(spans, pipes, book), step.screen(held, pipes, book)
    assert "frame" not in held.__dict__  # judged from its columns alone
    pd.testing.assert_frame_equal(plain.verdicts, by_number.verdicts, check_exact=True)
    pd.testing.assert_frame_equal(plain.findings, by_number.findings, check_exact=True)
    on = step.screen(held, Held.of(pipes, PIPES), book)
    pd.testing.assert_frame_equal(plain.verdicts, on.verdicts, check_exact=True)


@pytest.mark.parametrize("most", [alike.MOST, 5])
def test_figures_that_few_spans_have_are_read_as_those_of_all(
    monkeypatch: pytest.MonkeyPatch, most: int
) -> None:
    """Some rows at a time, judged once for those alike, and each by itself."""
    monkeypatch.setattr(coded, "_AT_ONCE", 150)
    monkeypatch.setattr(coded, "_TOGETHER", 400)
    monkeypatch.setattr(alike, "MOST", most)
    spans, pipes = many_alike(11)
    few, figures = np.random.default_rng(11), dict[str, Scattered]()
    for name in SPAN_QUANTITIES:
        ends = [f"{name}_low", f"{name}_high"]
        spans.loc[few.random(len(spans)) < 0.7, ends] = np.nan
        at = np.flatnonzero(spans[ends].notna().any(axis=1)).astype(np.int32)
        both = np.ascontiguousarray(spans[ends].to_numpy().T[:, at])
        figures[name] = Scattered(at, both, len(spans))
    others = {n: v for n, v in by_column(spans)._columns.items() if n[-4:] not in ("_low", "high")}
    held, on = WithFigures(SPANS, others, figures), Held.of(pipes, PIPES)
    pd.testing.assert_frame_equal(held.frame, spans)
    book = replace(load_rulebook())
    some, every = (coded.screen_coded(rows, on, book, None) for rows in (held, spans))
    assert some is not None
    assert every is not None
    assert (some.alike is None) == (most == 5)
    for one, other in zip(some.told, every.told, strict=True):
        np.testing.assert_array_equal(one, other)
    pairs = zip(flips.flips_of(some, book), flips.flips_of(every, book), strict=True)
    for one, other in pairs:
        np.testing.assert_array_equal(one, other)
