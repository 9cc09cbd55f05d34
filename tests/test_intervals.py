"""Three-valued answers on intervals, and the sentences that print them."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from planner.screening.because import fill, parse
from planner.screening.columns import view_of, visible
from planner.screening.intervals import NO, UNKNOWN, YES, compare, within
from tests.screening_rows import pipes_of, spans_of

INF = float("inf")


@pytest.mark.parametrize(
    ("op", "low", "high", "answer"),
    [
        # against 5, by hand: what holds at both ends and between holds for certain
        ("<", 1, 4, YES), ("<", 1, 5, UNKNOWN), ("<", 5, 9, NO), ("<", 0, INF, UNKNOWN),
        ("<=", 1, 5, YES), ("<=", 5, 6, UNKNOWN), ("<=", 5.1, 6, NO), ("<=", 5, 5, YES),
        (">", 6, INF, YES), (">", 5, INF, UNKNOWN), (">", 1, 5, NO), (">", 5, 5, NO),
        (">=", 5, INF, YES), (">=", 1, 5, UNKNOWN), (">=", 1, 4, NO), (">=", 5, 5, YES),
        ("=", 5, 5, YES), ("=", 4, 6, UNKNOWN), ("=", 6, 7, NO), ("=", 0, INF, UNKNOWN),
    ],
)  # fmt: skip
def test_compare(op: str, low: float, high: float, answer: int) -> None:
    """Each operator at, within and beyond its bound."""
    assert compare(op, np.array([low], float), np.array([high], float), 5.0)[0] == answer


@pytest.mark.parametrize(
    ("low", "high", "answer"),
    [(3, 3, YES), (5, 5, YES), (7, 7, UNKNOWN), (10, 10, UNKNOWN), (10.1, 12, NO),
     (3, 7, UNKNOWN), (3, 12, UNKNOWN), (0, INF, UNKNOWN), (11, INF, NO)],
)  # fmt: skip
def test_limit(low: float, high: float, answer: int) -> None:
    """Open up to 5, asked up to 10, closed above."""
    assert within(np.array([low], float), np.array([high], float), 5.0, 10.0)[0] == answer


@given(
    st.sampled_from(["<", "<=", ">", ">=", "="]),
    st.floats(-100, 100),
    st.floats(-100, 100),
    st.floats(0, 1),
    st.floats(-100, 100),
)
def test_an_answer_on_an_interval_holds_for_each_figure_in_it(
    op: str, one: float, other: float, share: float, value: float
) -> None:
    """Property: yes on a class means yes on any figure of it, and so for no."""
    low, high = sorted((one, other))
    figure = min(max(low + share * (high - low), low), high)
    plain = {"<": figure < value, "<=": figure <= value, ">": figure > value,
             ">=": figure >= value, "=": figure == value}[op]  # fmt: skip
    answer = compare(op, np.array([low]), np.array([high]), value)[0]
    assert answer == UNKNOWN or (answer == YES) == plain


def test_sentences_print_classes_as_classes() -> None:
    """A measured figure, a class, an open end, nothing; text that looks like a field stays."""
    spans = spans_of(
        {"span_id": "a", "crack_mm": 2.0},
        {"span_id": "b", "crack_mm": [0.5, 5.0]},
        {"span_id": "c", "crack_mm": [5.0, "inf"]},
        {"span_id": "d", "crack_mm": [0.0, 0.5]},
        {"span_id": "e", "root_kind": "{dn_mm}"},
    )
    view = view_of("span", spans, pipes_of({}), None)
    sentence = parse("{crack_mm:.1f} mm at DN {dn_mm}, roots {root_kind}, joint {at_joint}",
                     visible("span"))  # fmt: skip
    assert list(fill(sentence, view, np.arange(5))) == [
        "2.0 mm at DN 300, roots not known, joint no",
        "0.5 to 5.0 mm at DN 300, roots not known, joint no",
        "5.0 or more mm at DN 300, roots not known, joint no",
        "up to 0.5 mm at DN 300, roots not known, joint no",
        "not known mm at DN 300, roots {dn_mm}, joint no",
    ]
