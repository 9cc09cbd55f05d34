"""Text from files in a line of others: no sign steers the line, no word runs over its cell."""

from __future__ import annotations

import pytest

from planner.outputs.plain import BREAK, MOST_LETTERS, Drawing, plain, plain_all


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("Mill Lane", "Mill Lane"),
        ("Stra\u00dfe 5", "Stra\u00dfe 5"),
        ("one\ntwo\tthree\u2028four", "one two three four"),
        ("a\x00b\x1b[31mc\x7f", "a?b?[31mc?"),
        ("12 \u202e34\u202c 56 \u200f", "12 ?34? 56 ?"),
        ("\u2067x\u2069", "?x?"),
        ("\ud800", "?"),
        # What is read from right to left is set apart with the blanks inside it.
        ("\u05d0\u05d1 \u05d2 12", "\u2068\u05d0\u05d1 \u05d2\u2069 12"),
        ("e\u0301 \U0001f6bd", "e\u0301 \U0001f6bd"),
    ],
)
def test_no_sign_steers_the_line(text: str, shown: str) -> None:
    assert plain(text) == shown


def test_a_long_text_is_cut_and_says_so() -> None:
    shown = plain("x" * 10_000)
    assert shown == "x" * MOST_LETTERS + "\u2026 (cut, 10000 letters in all)"


def test_long_words_may_break_and_short_ones_are_left() -> None:
    """21 letters are parted after 8 and 16; 20 letters are not; a drawing is not touched."""
    word = "abcdefghijklmnopqrstu"
    svg = Drawing(f"<svg>{word * 3}\n</svg>")
    found = plain_all({"a": [word, word[:20]], "b": svg, "c": 3, "d": True})
    parted = BREAK.join([word[:8], word[8:16], word[16:]])
    assert found == {"a": [parted, word[:20]], "b": svg, "c": 3, "d": True}
