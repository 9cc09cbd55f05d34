"""What a running process remembers: by the very frame, and nothing outside it."""

from __future__ import annotations

import pandas as pd
import pytest

from planner.errors import TableError
from planner.once import Once, made_once, within
from planner.tables import Table, check, conform, number, text

BOX = Table("box", "", (text("name", "", blank=False), number("side_m", "m", "", low=0)), ("name",))


def box(side_m: float) -> pd.DataFrame:
    return pd.DataFrame({"name": pd.array(["a"], dtype="str"), "side_m": [side_m]})


def test_a_frame_not_seen_yet_is_checked_in_a_running_process() -> None:
    """A side of -1 m is refused inside as outside; so is one that looks like a sound frame."""
    with within(Once()):
        check(box(1.0), BOX)
        with pytest.raises(TableError, match="side_m"):
            check(box(-1.0), BOX)
        with pytest.raises(TableError, match="side_m"):
            conform(box(-1.0), BOX)
        with pytest.raises(TableError, match="side_m"):
            check(conform([{"name": "a", "side_m": 1.0}], BOX).assign(side_m=-1.0), BOX)


def test_outside_a_running_process_a_frame_is_checked_each_time() -> None:
    """A frame spoilt after its check is found out."""
    frame = check(box(1.0), BOX)
    frame["side_m"] = -1.0
    with pytest.raises(TableError, match="side_m"):
        check(frame, BOX)


def test_what_is_made_of_a_frame_is_made_once_for_that_very_frame() -> None:
    """Counted: once inside, each time outside, anew for another frame and once forgotten."""
    made: list[int] = []

    def make() -> int:
        made.append(1)
        return len(made)

    one, other, once = box(1.0), box(1.0), Once()
    assert [made_once((one,), "what", make) for _ in range(2)] == [1, 2]
    with within(once):
        assert [made_once((one,), "what", make) for _ in range(2)] == [3, 3]
        assert made_once((one,), "another", make) == 4
        assert made_once((other,), "what", make) == 5
        once.forget([one])
        assert made_once((one,), "what", make) == 3
        assert made_once((other,), "what", make) == 6
