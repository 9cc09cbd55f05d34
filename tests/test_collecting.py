"""What long steps leave of garbage: what lives is not searched again, what was freed is kept."""

from __future__ import annotations

import gc
import subprocess
import sys
import weakref

import pytest

from planner import collecting
from planner.collecting import hold_still, keep_freed, rarely


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


_ASKED = """
import resource
import numpy as np
from planner.collecting import rarely

def make():
    columns = [np.ones(1 << 17) for _ in range(8)]

def fresh(times):
    before = resource.getrusage(resource.RUSAGE_SELF).ru_minflt
    for _ in range(times):
        make()
    return resource.getrusage(resource.RUSAGE_SELF).ru_minflt - before

without = fresh(20)
rarely(make)()
print(without, fresh(20))
"""


@pytest.mark.skipif(not keep_freed(), reason="the allocator is not that of glibc")
def test_memory_that_a_step_freed_is_not_fetched_again() -> None:
    """Columns of 8 MiB are 2048 pages of 4 KiB: kept, they are not fetched twenty times."""
    told = subprocess.run(
        [sys.executable, "-c", _ASKED], check=True, capture_output=True, text=True
    ).stdout.split()
    without, kept = map(int, told)
    assert without > 2048
    assert kept < 2048


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
