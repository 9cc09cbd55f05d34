"""What long steps leave of garbage: what lives is not searched again, what was freed is kept."""

from __future__ import annotations

import gc
import subprocess
import sys
import weakref

import pytest

from planner.collecting import hold_still, keep_freed


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
