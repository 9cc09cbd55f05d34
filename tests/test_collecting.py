"""A town in memory is not searched for garbage again; what comes later still is."""

from __future__ import annotations

import gc
import weakref

from planner.collecting import hold_still


class Ring:
    """An object that only a search for cycles lets go of."""

    def __init__(self) -> None:
        self.self = self


def test_what_lives_is_left_alone_and_later_cycles_are_found() -> None:
    """Rings that end before and after are both let go of, those that live are not counted."""
    before = weakref.ref(Ring())
    try:
        hold_still()
        assert before() is None
        held = gc.get_freeze_count()
        assert held > 1_000
        assert len(gc.get_objects()) < held
        after = weakref.ref(Ring())
        gc.collect()
        assert after() is None
    finally:
        gc.unfreeze()
