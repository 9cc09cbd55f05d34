"""A table held by column gives what its frame gives, and makes no more than is asked for."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from planner.coded_text import Coded
from planner.errors import TableError
from planner.held import Held, held
from planner.tables import Table, conform, flag, number, text, whole

THINGS = Table(
    "things",
    "Invented.",
    (
        text("thing_id", "Name.", blank=False),
        text("colour", "Colour.", one_of=("red", "green")),
        number("long_m", "m", "Length.", low=0.0),
        whole("count", "", "How many."),
        flag("sound", "Whether it is sound."),
    ),
    ("thing_id",),
)
ROWS = {
    "thing_id": Coded.of(["a", "b", "c"]),
    "colour": Coded.of(["red", "", "red"]),
    "long_m": np.array([1.0, np.nan, 2.5]),
    "sound": pd.array([True, None, False], dtype="boolean"),
}


def read(one: Held) -> list[list[object]]:
    """Read every column in every way; blanks told by repr, as nan is like nothing."""
    return [
        one.coded("colour").tolist(),
        [repr(float(value)) for value in one.floats("long_m")],
        [repr(float(value)) for value in one.floats("count")],
        one.marks("sound").tolist(),
        [str(value) for value in one.column("sound")],
        [str(value) for value in one.column("thing_id")],
    ]


def test_columns_and_frame_say_the_same() -> None:
    """By hand: the third of three columns is missing, so unknown; unknown is no yes."""
    by_column = Held(THINGS, ROWS)
    by_frame = Held.of(conform(ROWS, THINGS), THINGS)
    wanted = [
        ["red", "", "red"],
        ["1.0", "nan", "2.5"],
        ["nan", "nan", "nan"],
        [True, False, False],
        ["True", "<NA>", "False"],
        ["a", "b", "c"],
    ]
    assert len(by_column) == len(by_frame) == 3
    assert read(by_column) == read(by_frame) == wanted
    pd.testing.assert_frame_equal(by_column.frame, by_frame.frame, check_exact=True)
    assert read(by_column) == wanted  # the frame is there by now


@pytest.mark.parametrize("by_frame", [False, True])
def test_some_rows_are_taken_in_their_order(by_frame: bool) -> None:
    """Rows 2 and 0: c before a by column; each is what the whole has there."""
    whole = Held.of(conform(ROWS, THINGS), THINGS) if by_frame else Held(THINGS, ROWS)
    some = whole.taken(np.array([0, 2]))
    assert some.column("thing_id").tolist() == ["a", "c"]
    assert some.floats("long_m").tolist() == [1.0, 2.5]
    assert some.frame["colour"].tolist() == ["red", "red"]
    assert whole.taken(np.array([False, True, False])).column("thing_id").tolist() == ["b"]


def test_a_column_that_waits_is_made_once_and_only_if_asked_for() -> None:
    """Asked for twice, taken and framed: made once; never asked for: not at all."""
    made: list[str] = []

    def colour() -> Coded:
        made.append("colour")
        return ROWS["colour"]  # type: ignore[return-value]

    waiting = Held(THINGS, {**ROWS, "colour": colour})
    some = waiting.taken(np.array([0, 1]))
    assert len(waiting) == 3
    assert waiting.floats("long_m")[0] == 1.0
    assert made == []
    assert some.coded("colour").tolist() == ["red", ""]
    assert waiting.coded("colour").tolist() == waiting.frame["colour"].tolist()
    assert made == ["colour"]


def test_a_broken_contract_is_told_where_the_frame_is_made() -> None:
    """A length below 0 and a colour that is none of both."""
    broken = Held(THINGS, {**ROWS, "long_m": np.array([-1.0, 0.0, 0.0])})
    with pytest.raises(TableError, match="long_m: 1 outside"):
        _ = broken.frame
    frame = conform(ROWS, THINGS).assign(colour=["red", "blue", ""]).astype({"colour": "str"})
    with pytest.raises(TableError, match=r"colour: 1 not red \| green"):
        held(frame, THINGS)
    assert held(broken, THINGS) is broken


def test_what_is_known_of_a_column_is_told_without_reading_it() -> None:
    """By what was given; of a frame every column is there."""
    by_column = Held(THINGS, {**ROWS, "count": lambda: pytest.fail("read")})
    assert [by_column.has(name) for name in ("colour", "count", "long_m")] == [True] * 3
    assert not Held(THINGS, ROWS).has("count")
    assert Held.of(conform(ROWS, THINGS), THINGS).has("count")


def test_columns_are_read_as_they_were_given_once_a_frame_is_made() -> None:
    """A frame is for whoever reads it; numbers of texts stay, with words that no row holds."""
    one = Held(THINGS, {**ROWS, "colour": Coded.of(["green", "red", "", "red"])[1:]})
    assert one.by_column
    assert one.frame["colour"].tolist() == ["red", "", "red"]
    assert one.by_column
    assert one.coded("colour").listed() == ["green", "red", ""]
    assert not Held.of(one.frame, THINGS).by_column


def test_a_frame_known_to_be_sound_is_not_looked_at() -> None:
    """Whoever checked it may say so; `of` looks."""
    wrong = conform(ROWS, THINGS).assign(long_m=-1.0)
    assert Held.sound(wrong, THINGS).frame is wrong
    with pytest.raises(TableError, match="long_m"):
        Held.of(wrong, THINGS)
