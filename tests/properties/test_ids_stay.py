"""What must hold of ids whatever the places are."""

from __future__ import annotations

import pandas as pd
from hypothesis import given, settings
from hypothesis import strategies as st

from planner.ground.ids import NOTHING_KNOWN, give_ids, learn

# Whole decimetres make ties, nests and equal extents likely: the hard cases.
PLACE = st.tuples(
    st.sampled_from(["a", "b"]),
    st.integers(0, 120),
    st.integers(0, 60),
    st.sampled_from(["", "condition"]),
)


def frame(rows: list[tuple[str, int, int, str]]) -> pd.DataFrame:
    data = [(pipe, start / 10, (start + size) / 10, step) for pipe, start, size, step in rows]
    return pd.DataFrame(data, columns=["pipe_id", "from_m", "to_m", "step"])


@settings(max_examples=60, deadline=None)
@given(st.lists(PLACE, max_size=8, unique=True), PLACE)
def test_one_thing_more_keeps_every_id(rows, extra):
    """Whatever else turns up, each thing that stays where it was keeps its id."""
    before = frame(rows)
    ids, _ = give_ids(before, NOTHING_KNOWN, "span", 0.3)
    known = learn(NOTHING_KNOWN, "span", before, ids)
    if extra in rows:
        return
    after = frame([extra, *rows])
    again, lost = give_ids(after, known, "span", 0.3)
    assert again.tolist()[1:] == ids.tolist()
    assert again.iloc[0] not in set(ids)
    assert lost.empty


@settings(max_examples=40, deadline=None)
@given(
    st.lists(PLACE, max_size=8, unique=True), st.lists(PLACE, max_size=8, unique=True), st.randoms()
)
def test_order_of_rows_does_not_matter_and_no_id_is_given_twice(old, new, random):
    """A permuted table gets the same ids, each once, and none is both kept and lost."""
    earlier = frame(old)
    known = learn(NOTHING_KNOWN, "span", earlier, give_ids(earlier, NOTHING_KNOWN, "span", 0.3)[0])
    now = frame(new)
    ids, lost = give_ids(now, known, "span", 0.3)
    order = list(range(len(now)))
    random.shuffle(order)
    again, lost_again = give_ids(now.iloc[order], known, "span", 0.3)
    assert again.sort_index().tolist() == ids.tolist()
    pd.testing.assert_frame_equal(lost, lost_again)
    assert ids.is_unique
    assert not set(ids) & set(lost["id"])
    assert set(known.table["id"]) - set(ids) == set(lost["id"])
