"""One cell into one value: what is read, and what is left unread rather than guessed."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from planner.inputs.cells import (
    decimal_style,
    is_empty,
    read_clock_time,
    read_date,
    read_flag,
    read_number,
    read_seconds,
    read_whole,
)


@pytest.mark.parametrize(
    ("text", "style", "value"),
    [
        ("12.5", "point", 12.5),
        ("12,5", "comma", 12.5),
        ("1.204,75", "comma", 1204.75),
        ("1,204.75", "point", 1204.75),
        ("1.250", "comma", 1250.0),  # the other sign parts thousands
        ("1.250", "point", 1.25),
        ("1,250", "comma", 1.25),
        ("1 204,75", "comma", 1204.75),
        ("1\u00a0204,75", "comma", 1204.75),
        ("-0.5", "point", -0.5),
        ("\u22120.5", "point", -0.5),  # a typographic minus
        ("2E-3", "point", 0.002),
        ("7", "mixed", 7.0),
        ("12,5", "mixed", 12.5),
        ("7.25", "mixed", 7.25),
        ("0,500", "open", 0.5),  # nobody writes thousands as 0,500
    ],
)
def test_a_number_is_read_by_the_files_decimal_sign(text: str, style: str, value: float) -> None:
    """Expected values: the number that a person reads, given the file's sign."""
    assert read_number(text, style) == value  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("text", "style"),
    [
        ("1.250", "mixed"),
        ("1,250", "mixed"),
        ("1.250", "open"),
        ("12,5", "point"),
        ("12.5", "comma"),
        ("12.5 m", "point"),
        ("(m)", "point"),
        ("1.2.3", "point"),
        ("12,50,1", "comma"),
        ("inf", "point"),
        ("1e999", "point"),
        ("--1", "point"),
        ("12px", "point"),
    ],
)
def test_what_leaves_two_readings_or_none_is_not_a_number(text: str, style: str) -> None:
    """A cell that could be two numbers, or that is none, gives None."""
    assert read_number(text, style) is None  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("texts", "separator", "style"),
    [
        (["12,5", "1.204,75", "3"], ";", "comma"),
        (["12.5", "1,204.75"], ",", "point"),
        (["12,5", "7.25"], ";", "mixed"),
        (["1.250", "1,250"], ";", "open"),
        (["1.250"], ",", "point"),
        (["1.250"], "\t", "open"),
        (["1.234.567"], ";", "comma"),  # two groups can only be thousands
        (["pipe", "12"], ";", "open"),
    ],
)
def test_the_decimal_sign_is_proved_by_cells_without_doubt(
    texts: list[str], separator: str, style: str
) -> None:
    """One proof decides for the file, proofs of both signs make it mixed."""
    assert decimal_style(texts, separator) == style


@given(st.integers(-(10**9), 10**9), st.integers(1, 99))
def test_a_written_number_is_read_back(whole: int, cents: int) -> None:
    """Property: two decimals leave no doubt, in either style and with thousands marks."""
    value = whole + math.copysign(cents / 100, whole)
    plain = f"{value:,.2f}"
    turned = plain.replace(",", " ").replace(".", ",").replace(" ", ".")
    assert read_number(plain, "point") == float(f"{value:.2f}")
    assert read_number(turned, "comma") == float(f"{value:.2f}")


@pytest.mark.parametrize(
    ("text", "day"),
    [
        ("2025-04-25", "2025-04-25"),
        ("2025-04-25T09:05:00", "2025-04-25"),
        ("2025-04-25 09:05", "2025-04-25"),
        ("2025/4/5", "2025-04-05"),
        ("5.4.2025", "2025-04-05"),
        ("03/04/2025", None),
        ("2025-02-30", None),
        ("45385", None),
        ("yesterday", None),
    ],
)
def test_a_day_is_read_where_day_and_month_are_not_in_doubt(text: str, day: str | None) -> None:
    """A day that the calendar lacks, a serial number and 03/04 are not read."""
    assert read_date(text) == day


def test_whole_numbers_flags_and_times() -> None:
    """3.0 is whole and 3.5 is not; yes and no in their usual spellings; times of day."""
    assert [read_whole(t) for t in ("3", "3.0", "3.5", "x")] == [3, 3, None, None]
    assert [read_whole(t) for t in ("9223372036854775808", "-1e30", "9" * 400)] == [None] * 3
    assert [read_flag(t) for t in ("Yes", "TRUE", "1", "no", "0", "maybe")] == [
        True, True, True, False, False, None,
    ]  # fmt: skip
    # 7 x 3600 + 30 x 60 = 27000
    assert [read_clock_time(t) for t in ("07:30", "24:00", "24:01", "7", "08:60")] == [
        27000, 86400, None, None, None,
    ]  # fmt: skip
    # 1 h 2 min 3.5 s = 3600 + 120 + 3.5
    assert [read_seconds(t) for t in ("01:02:03.5", "2:03", "95")] == [3723.5, 123.0, 95.0]


def test_words_for_nothing() -> None:
    """Lists from databases and spreadsheets write nothing in several ways; 0 is not nothing."""
    assert all(is_empty(t) for t in ("", " ", "-", "NaN", "N/A", "NULL", r"\N", "none"))
    assert not any(is_empty(t) for t in ("0", "no", "--", "unknown"))
