"""What stays in memory is not searched for garbage again; what comes later still is."""

from __future__ import annotations

import gc
import weakref

import pytest

from planner import collecting
from planner.collecting import hold_still, rarely


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


def test_a_step_leaves_what_is_held_alone_and_does_not_count_it(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Counting walks through all that is held, for every part of a city and every edit anew."""
    monkeypatch.setattr(collecting, "_STEPS", collecting._Steps())
    asked: list[None] = []
    count = gc.get_freeze_count

    @rarely
    def step() -> int:
        return gc.get_threshold()[0]

    try:
        hold_still()
        held, before = count(), gc.get_threshold()
        monkeypatch.setattr(gc, "get_freeze_count", lambda: asked.append(None) or count())
        assert step() > before[0]
        assert gc.get_threshold() == before
        assert asked == []
        # A frozen object may end by itself, and nothing is frozen beside what was.
        assert 0.9 * held < count() <= held
    finally:
        gc.unfreeze()


def test_what_somebody_else_holds_is_left_alone_too(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(collecting, "_STEPS", collecting._Steps())
    try:
        gc.freeze()
        rarely(list)()
        assert gc.get_freeze_count() > 1_000
        gc.unfreeze()
        rarely(list)()
        assert gc.get_freeze_count() == 0
    finally:
        gc.unfreeze()
