"""Columns of texts that come by number are judged and written as plain ones are."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest

from planner.city.columns import array_of
from planner.coded_text import Coded, coded_in
from planner.once import Once, within
from planner.tables import Table, TableError, conform, date, number, text

_ROWS = Table(
    "rows",
    "one",
    (
        text("id", "name", blank=False),
        text("role", "of few", one_of=("a", "b"), blank=False),
        date("day", "day"),
        text("said", "any"),
        number("at_m", "m", "place"),
    ),
    key=("id",),
)
_IDS = ["r1", "r3", "r2"]
_WORDS = ["a", "b", "", "c", "2026-01-31", "31.1.2026"]


def _made(columns: dict[str, list[str]], *, by_number: bool) -> pd.DataFrame | str:
    """Give the table or what it is refused for."""
    given = {name: Coded.of(texts) if by_number else texts for name, texts in columns.items()}
    try:
        return conform({"id": _IDS, **given}, _ROWS)
    except TableError as error:
        return str(error)


def test_texts_by_number_make_the_same_table_or_the_same_fault() -> None:
    """Random rows of fit and unfit words, some columns left out: as with plain texts."""
    draw, refused = np.random.default_rng(4), 0
    for _ in range(300):
        columns = {
            name: draw.choice(_WORDS[: draw.integers(1, 7)], 3).tolist()
            for name in ("role", "day", "said")
            if draw.random() < 0.8
        }
        one, other = (_made(columns, by_number=way) for way in (True, False))
        if isinstance(one, str) or isinstance(other, str):
            refused += 1
            assert one == other
        else:
            pd.testing.assert_frame_equal(one, other)
    assert 0 < refused < 300


def test_a_word_that_no_row_holds_is_no_fault() -> None:
    """The words are a and z, and the rows hold a alone."""
    role = Coded(np.zeros(3, dtype=np.int32), pa.array(["a", "z"], pa.large_string()))
    assert conform({"id": _IDS, "role": role}, _ROWS)["role"].tolist() == ["a"] * 3


def test_a_column_that_must_be_told_is_missed() -> None:
    """A role must not be blank, and none is told."""
    with pytest.raises(TableError, match="role: 3 blank"):
        conform({"id": _IDS}, _ROWS)


def test_held_numbers_are_the_texts() -> None:
    """Two pieces with words of their own; and one that lacks a text is no column by number."""
    held = pa.chunked_array([pa.array(["a", "b"]).dictionary_encode(),
                             pa.array(["c", "a"]).dictionary_encode()])  # fmt: skip
    whole = array_of(pa.table({"said": held}), "said")
    assert whole.tolist() == ["a", "b", "c", "a"]
    assert len(array_of(pa.table({"said": held[:0]}), "said")) == 0
    gap = pa.chunked_array([pa.array(["a", None]).dictionary_encode()])
    assert not isinstance(array_of(pa.table({"said": gap}), "said"), Coded)


def test_numbers_are_kept_while_a_process_runs() -> None:
    """The first are given again; of another table, or outside, they are made of its texts."""
    frame = pd.DataFrame({"said": ["a", "b"]}, dtype="str")
    known = Coded.of(["a", "b"])
    with within(Once()):
        assert coded_in(frame, "said", known) is known
        assert coded_in(frame, "said") is known
        assert coded_in(frame.copy(), "said") is not known
    assert coded_in(frame, "said").tolist() == ["a", "b"]
