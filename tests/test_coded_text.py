"""Columns of texts by number: each against plain lists of the same texts."""

from __future__ import annotations

from random import Random

import numpy as np
import pandas as pd
import pytest

from planner.coded_text import (
    Coded,
    Joined,
    alike,
    beneath,
    columns_of,
    marks_of,
    taken,
    under,
    written,
)

WORDS = ["", "a", "b", "é", "\U0001f600", "￿", "Z", "ab"]
SEEDS = range(4)


def texts(seed: int, count: int = 50) -> list[str]:
    return Random(seed).choices(WORDS, k=count)


@pytest.mark.parametrize("seed", SEEDS)
def test_texts_are_the_same_by_number_and_written_out(seed: int) -> None:
    """A list, a column, an array of objects: all give back what they hold."""
    given = texts(seed)
    for form in (given, pd.Series(given, dtype="str"), np.array(given, dtype=object)):
        coded = Coded.of(form)
        assert (coded.tolist(), len(coded)) == (given, len(given))
        assert coded.column().tolist() == given
        assert len(set(coded.listed())) == len(coded.words) == len(set(given))
    assert Coded.by_row(given).tolist() == given
    assert Coded.of([]).column().tolist() == []


@pytest.mark.parametrize("seed", SEEDS)
def test_rows_are_asked_and_taken_as_of_a_list(seed: int) -> None:
    """By comparing each text; some words are held by no row."""
    given, draw = texts(seed), Random(seed + 100)
    coded = Coded.of([*WORDS, *given])[len(WORDS) :]
    for word in (*WORDS, "nowhere"):
        assert coded.holds(word).tolist() == [text == word for text in given]
    few = draw.sample(WORDS, 3)
    assert coded.among(few).tolist() == [text in few for text in given]
    assert coded.marked(str.isalpha).tolist() == [text.isalpha() for text in given]
    assert coded.mapped(str.upper).tolist() == [text.upper() for text in given]
    assert set(coded.used().tolist()) == set(given)
    at = [draw.randrange(-1, len(given)) for _ in range(20)]
    assert coded.at(np.array(at)).tolist() == [given[i] if i >= 0 else "" for i in at]
    known = draw.sample(WORDS, 4)
    found = [known.index(text) if text in known else -1 for text in given]
    assert coded.places_in(known).tolist() == found
    key = list(dict.fromkeys(known))
    own = coded.words_in(key)
    assert own.tolist() == [key.index(word) if word in key else -1 for word in coded.listed()]
    assert coded.rows_in(key).tolist() == found
    assert coded.words_in(coded.listed()).tolist() == list(range(len(coded.words)))


def test_a_word_among_many_is_found() -> None:
    """More words than are looked up by a dictionary."""
    many = [f"w{number}" for number in range(1000)]
    assert [Coded.of(many).code_of(word) for word in ("w0", "w999", "none")] == [0, 999, -1]


@pytest.mark.parametrize("seed", SEEDS)
def test_numbers_in_order_sort_as_the_texts_do(seed: int) -> None:
    """Python sorts texts by code point."""
    given = texts(seed)
    coded = Coded.of(given).ordered()
    assert coded.tolist() == given
    assert [given[i] for i in np.argsort(coded.codes, kind="stable")] == sorted(given)


@pytest.mark.parametrize("seed", SEEDS)
def test_columns_of_unlike_words_become_alike(seed: int) -> None:
    """Equal numbers where, and only where, the texts are equal."""
    one, other = texts(seed), texts(seed + 10)
    both = alike([Coded.of(one), Coded.of(other)])
    assert [column.tolist() for column in both] == [one, other]
    same = both[0].codes == both[1].codes
    assert same.tolist() == [a == b for a, b in zip(one, other, strict=True)]
    assert under([Coded.of(one), Coded.of(other)]).tolist() == [*one, *other]
    marks = np.array([text < "b" for text in one])
    mixed = Coded.where(marks, "there", Coded.of(other))
    assert mixed.tolist() == ["there" if m else b for m, b in zip(marks, other, strict=True)]


def test_notes_stand_where_there_are_any() -> None:
    """Two rows of four have a note; placed among six rows the others are blank."""
    notes = np.array(["", "x", "", "y"], dtype=object)
    assert Coded.notes(notes).tolist() == ["", "x", "", "y"]
    assert Coded.of(["p", "q"]).placed(np.array([4, 1]), 6).tolist() == ["", "q", "", "", "p", ""]
    assert Coded.one("w", 3).column().tolist() == ["w"] * 3


def test_a_frame_is_laid_out_taken_and_put_beneath() -> None:
    """An unknown flag is no; an unknown whole number is not a number."""
    frame = pd.DataFrame({"name": ["a", "b"], "x_m": [1.0, np.nan]})
    frame["yes"] = pd.array([True, None], dtype="boolean")
    frame["count"] = pd.array([1, None], dtype="Int64")
    rows = columns_of(frame)
    assert rows["yes"].tolist() == [True, False]
    assert rows["count"].tolist()[0] == 1.0
    assert np.isnan([rows["count"][1], rows["x_m"][1]]).all()
    twice = written(taken(beneath([rows, rows]), np.array([2, 1])))
    assert twice["name"].tolist() == ["a", "b"]
    assert twice["x_m"].tolist()[0] == 1.0
    assert marks_of(np.array([True, False])).tolist() == [True, False]


@pytest.mark.parametrize("count", [3, 300])
def test_words_in_order_are_left_as_they_are(count: int) -> None:
    """Numbers that sort as the texts do need no others; of any other words they do."""
    words = [f"{at:04d}" for at in range(count)]
    coded = Coded.listing(words, np.array([2, 0, 2]))
    assert coded.ordered() is coded
    turned = Coded.listing(words[::-1], np.array([2, 0, 2]))
    assert turned.ordered().tolist() == turned.tolist()
    assert turned.ordered().codes.tolist() == [count - 3, count - 1, count - 3]


def test_texts_put_together_are_written_for_some_rows() -> None:
    """By hand: name, sign and number, of all rows and of two of them."""
    joined = Joined(Coded.of(["R1", "R2", "R1"]), "#", np.array([10, 2, -3]))
    assert joined.column().tolist() == ["R1#10", "R2#2", "R1#-3"]
    assert joined[np.array([2, 0])].column().tolist() == ["R1#-3", "R1#10"]
    assert (len(joined), len(joined[:1])) == (3, 1)
