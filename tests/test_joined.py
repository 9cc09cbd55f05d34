"""Tables of one contract under each other: what two of them say stands once."""

from __future__ import annotations

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from planner.contracts import FLAGS
from planner.rule_spans import joined
from planner.tables import Table, conform, text, whole

LINES = Table("lines", "a line of a thing", (text("key", ""), whole("seq", "", "")), ("key", "seq"))
ROW = st.tuples(st.sampled_from("PQR"), st.integers(1, 3))


def lines_of(rows: set[tuple[str, int]]) -> pd.DataFrame:
    return conform([{"key": key, "seq": seq} for key, seq in rows], LINES)


@given(st.lists(st.sets(ROW), max_size=4))
@settings(max_examples=60, deadline=None)
def test_lines_of_several_tables_stand_once(tables: list[set[tuple[str, int]]]) -> None:
    """As a set of them has it."""
    found = joined([lines_of(rows) for rows in tables], LINES)
    every = set[tuple[str, int]]().union(*tables)
    assert list(zip(found["key"], found["seq"], strict=True)) == sorted(every)


@pytest.mark.parametrize("key", ["S-000000", "T"])
def test_one_line_under_many(key: str) -> None:
    """A last part with one line of one thing, behind 300 things: its number is no text."""
    many = lines_of({(f"S-{n:06d}", 1) for n in range(300)})
    assert len(joined([many, lines_of({(key, 1)})], LINES)) == 300 + (key == "T")


def test_flags_that_two_steps_raise_stand_once() -> None:
    """Told by their words alone, unless these stand twice."""
    one, other = ({"step": "a", "key": "P", "what": what} for what in ("odd", "even"))
    tables = [conform(rows, FLAGS) for rows in ([one], [one, other], [{**other, "key": "Q"}])]
    found = joined(tables, FLAGS)
    assert list(zip(found["key"], found["what"], strict=True)) == [
        ("P", "even"), ("P", "odd"), ("Q", "even")
    ]  # fmt: skip
