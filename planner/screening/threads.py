"""Work on flat arrays done on all cores, where there is enough of it to pay for the start."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from itertools import pairwise
from typing import TypeVar

One = TypeVar("One")
Found = TypeVar("Found")

# Fewer rows are done sooner than threads are started.
_PAYS_FROM = 50_000


def _cores(rows: int) -> int:
    """Give how many cores are worth while; no more than are left to this process."""
    if rows < _PAYS_FROM:
        return 1
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def each(work: Callable[[One], Found], items: Iterable[One], rows: int) -> list[Found]:
    """Do `work` on each item, of `rows` rows altogether, and give what was found in order.

    The work must let other threads run (compiled walks and numpy do) and share nothing. No
    more threads run than cores are left to this process.
    """
    cores = _cores(rows)
    if cores == 1:
        return [work(one) for one in items]
    with ThreadPoolExecutor(cores) as pool:
        return list(pool.map(work, items))


def pieces(rows: int) -> list[tuple[int, int]]:
    """Cut rows into as many pieces as cores are worth while: from .. to of each."""
    count = _cores(rows)
    ends = [rows * k // count for k in range(count + 1)]
    return list(pairwise(ends))
