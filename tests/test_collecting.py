"""What long steps leave of garbage: freed memory is used again by the next one."""

from __future__ import annotations

import subprocess
import sys

import pytest

from planner.collecting import keep_freed

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
