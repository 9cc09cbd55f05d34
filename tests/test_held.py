"""Tables held by column: what is late is made for who reads it, and once."""

from __future__ import annotations

import numpy as np

from planner.coded_text import Coded
from planner.held import Held, Late
from planner.tables import Table, number, text

THINGS = Table("things", "a thing", (text("name", "", blank=False), number("size_m", "m", "")),
               ("name",))  # fmt: skip


def test_a_late_column_is_made_once_and_only_if_it_is_read() -> None:
    """By counting; rows taken before it is made have the same values."""
    made = list[str]()

    def names() -> Coded:
        made.append("names")
        return Coded.of(["a", "b", "c"])

    held = Held(THINGS, {"name": Late(names, 3), "size_m": np.array([1.0, 2.0, 3.0])})
    some = held.taken(np.array([2, 0]))
    assert (len(held), len(some)) == (3, 2)
    assert held.floats("size_m").tolist() == [1.0, 2.0, 3.0]
    assert not made
    assert held.coded("name").tolist() == ["a", "b", "c"]
    assert some.column("name").tolist() == ["c", "a"]
    assert held.frame["name"].tolist() == ["a", "b", "c"]
    assert some.frame.to_numpy().tolist() == [["a", 1.0], ["c", 3.0]]
    assert made == ["names"]
