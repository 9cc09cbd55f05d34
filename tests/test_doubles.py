"""A survey that stands twice counts once; one that saw more is another survey."""

from __future__ import annotations

from filmed import Town, pipe, row, run

ROWS = [row(5.0, "BAB", "C", q1="6"), row(9.0, "BAC", "B", q1="80")]


def town(*more: dict, date: str = "2025-06-01") -> Town:
    first, second = run("I", surveyed_m=40.0), run("J", surveyed_m=40.0, date=date)
    return Town([pipe(stated_m=40.0)], [(first, ROWS), (second, [*ROWS, *more])])


def test_the_same_rows_of_the_same_day_are_left_over_with_the_reason() -> None:
    found = town().locate()
    assert set(found.defects["inspection_id"]) == {"I"}
    told = found.left_over["reason"].tolist()
    assert all("the same rows as I, of the same day" in reason for reason in told)
    assert len(told) == 3  # the run and its two rows


def test_one_row_more_or_another_day_is_another_survey() -> None:
    for other in (town(row(20.0, "BAB", "C", q1="6")), town(date="2024-05-01")):
        assert set(other.locate().defects["inspection_id"]) == {"I", "J"}
