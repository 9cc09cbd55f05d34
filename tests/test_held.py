"""A table held by column gives what its frame gives, and makes no more than is asked for."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from planner.coded_text import Coded, Joined
from planner.errors import TableError
from planner.held import Held, held, in_order, put
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


@pytest.mark.parametrize("by_frame", [False, True])
def test_columns_set_anew_stand_beside_the_others(by_frame: bool) -> None:
    """Read by column, taken and framed: length is new, the rest is the other's."""
    base = Held.of(conform(ROWS, THINGS), THINGS) if by_frame else Held(THINGS, ROWS)
    new = base.renewed({"long_m": lambda: np.array([4.0, 5.0, 6.0])})
    assert len(new) == 3
    assert new.floats("long_m").tolist() == [4.0, 5.0, 6.0]
    assert new.coded("colour").tolist() == ["red", "", "red"]
    assert new.marks("sound").tolist() == [True, False, False]
    some = new.taken(np.array([2, 0]))
    assert some.floats("long_m").tolist() == [6.0, 4.0]
    assert some.column("thing_id").tolist() == ["c", "a"]
    wanted = conform({**ROWS, "long_m": np.array([4.0, 5.0, 6.0])}, THINGS)
    pd.testing.assert_frame_equal(new.frame, wanted, check_exact=True)
    assert base.floats("long_m")[0] == 1.0
    with pytest.raises(TableError, match="long_m: 1 outside"):
        _ = base.renewed({"long_m": np.array([-4.0, 5.0, 6.0])}).frame


@pytest.mark.parametrize("by_frame", [False, True])
def test_texts_of_some_rows_and_whole_numbers(by_frame: bool) -> None:
    """By hand; ids put together of a word and a number are written for the rows asked for."""
    rows = {
        **ROWS,
        "thing_id": Joined(Coded.of(["a", "b", "b"]), "#", np.array([9, 1, 2])),
        "count": pd.array([3, None, 1], dtype="Int64"),
    }
    one = Held(THINGS, rows)
    one = Held.of(one.frame, THINGS) if by_frame else one
    assert one.texts("thing_id", np.array([2, 0])).tolist() == ["b#2", "a#9"]
    assert one.texts("colour", np.array([1, 2])).tolist() == ["", "red"]
    assert one.coded("thing_id").tolist() == ["a#9", "b#1", "b#2"]
    assert one.wholes("count").tolist() == [3, 0, 1]
    assert one.column("thing_id").tolist() == ["a#9", "b#1", "b#2"]
    assert (one.is_blank("colour"), one.is_blank("thing_id")) == (False, False)
    assert Held(THINGS, {**rows, "colour": Coded.one("", 3)}).is_blank("colour")
    assert one.taken(np.array([1])).is_blank("colour")
    assert one.blanks("colour").tolist() == [False, True, False]
    assert not one.blanks("thing_id").any()


def test_all_columns_may_wait_for_their_reader() -> None:
    """Nothing is made before a column, the frame or the count is asked for; then once."""
    made: list[int] = []

    def columns() -> dict[str, object]:
        made.append(1)
        return ROWS

    waiting = Held(THINGS, columns)
    assert made == []
    assert (len(waiting), waiting.frame["thing_id"].tolist()) == (3, ["a", "b", "c"])
    assert made == [1]


def test_a_frame_is_held_in_the_order_of_its_key() -> None:
    """Turned rows are put back; a frame in order stays as it is."""
    frame = conform(ROWS, THINGS)
    pd.testing.assert_frame_equal(in_order(frame, THINGS).frame, frame, check_exact=True)
    back = in_order(frame.iloc[::-1], THINGS).frame
    pd.testing.assert_frame_equal(back, frame, check_exact=True)
    with pytest.raises(TableError):
        in_order(frame.drop(columns="colour"), THINGS)


NEW = {"colour": Coded.of(["green", "", "red"]), "long_m": np.array([4.0, np.nan, 6.0])}


def test_a_frame_is_held_as_it_is_now() -> None:
    """Written to by whoever gave it, after that: what is held stays what it was."""
    frame = conform(ROWS, THINGS)
    ones = [Held.of(frame, THINGS), in_order(frame, THINGS), held(frame, THINGS)]
    frame["thing_id"] = ["x", "y", "z"]
    frame.loc[:, "colour"] = "green"
    for one in ones:
        assert list(one.column("thing_id")) == ["a", "b", "c"]
        assert one.coded("colour").tolist() == ["red", "", "red"]


def test_columns_put_into_a_frame_give_what_conform_gives() -> None:
    """Other columns stay; the frame that was given does too; rows out of order are sorted."""
    frame = conform(ROWS, THINGS)
    before, wanted = frame.copy(), conform({**ROWS, **NEW}, THINGS)
    pd.testing.assert_frame_equal(put(frame, THINGS, NEW), wanted, check_exact=True)
    pd.testing.assert_frame_equal(frame, before, check_exact=True)
    back = {"colour": NEW["colour"][::-1], "long_m": NEW["long_m"][::-1]}  # type: ignore[index]
    pd.testing.assert_frame_equal(put(frame.iloc[::-1], THINGS, back), wanted, check_exact=True)
    more = put(frame.assign(more=1), THINGS, NEW)
    pd.testing.assert_frame_equal(more, wanted, check_exact=True)
    pd.testing.assert_frame_equal(put(frame, THINGS, {}), frame, check_exact=True)


@pytest.mark.parametrize(
    ("column", "values", "said"),
    [
        ("long_m", np.array([1.0, -1.0, 2.0]), "long_m: 1 outside"),
        (
            "colour",
            Coded.of(["red", "blue", ""]),
            "colour: 1 not red | green, e.g. 'blue' in row 1",
        ),
    ],
)
def test_a_column_put_into_a_frame_is_held_to_the_contract(
    column: str, values: object, said: str
) -> None:
    """One clause of what `check` would say."""
    with pytest.raises(TableError) as error:
        put(conform(ROWS, THINGS), THINGS, {**NEW, column: values})
    assert said in str(error.value)


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
