"""Garbage in long steps: Python searches for cycles rarely, and freed memory is kept for reuse."""

from __future__ import annotations

import ctypes
import functools
import gc
import os
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import ParamSpec, TypeVar

Asked = ParamSpec("Asked")
Found = TypeVar("Found")
_RARE = (100_000, 20, 100)
# Of glibc's mallopt, by the variable that says the same: up to how much free memory at its end the
# heap keeps, and from which size on a block lies outside of it [bytes]. To these it comes by itself
# where large blocks were freed.
_KEPT = {"MALLOC_TRIM_THRESHOLD_": (-1, 64 << 20), "MALLOC_MMAP_THRESHOLD_": (-3, 32 << 20)}


class _Steps:
    """How many steps run now, and what was set before the first of them."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._count = 0
        self._before: tuple[int, int, int] = (0, 0, 0)
        self._held = self._still = False

    @contextmanager
    def one(self) -> Iterator[None]:
        """Keep the search rare for a step; the last one to end sets all as it was."""
        with self._lock:
            if self._count == 0:
                keep_freed()
                self._before = gc.get_threshold()
                # Counting what is held walks through all of it: 20 ms where a worker has
                # loaded its libraries, again for every part.
                self._held = self._still or gc.get_freeze_count() > 0
                if not self._held:
                    gc.freeze()
                gc.set_threshold(*_RARE)
            self._count += 1
        try:
            yield
        finally:
            with self._lock:
                self._count -= 1
                if self._count == 0:
                    gc.set_threshold(*self._before)
                    if not self._held:
                        gc.unfreeze()

    def hold_still(self) -> None:
        """See `hold_still`."""
        with self._lock:
            gc.unfreeze()
            gc.collect()
            gc.freeze()
            self._held = self._still = True


@functools.lru_cache(maxsize=1)
def keep_freed() -> bool:
    """Let this process keep memory that it freed, for what it makes next; tell whether it does.

    Columns of a few ten thousand rows are made and freed over and over: to get fresh memory for
    each of them took a tenth of the time of reading, placing and judging rows. Other allocators
    than that of glibc are left as they are, and so is what the environment sets.
    """
    try:
        setting = ctypes.CDLL(None).mallopt
    except (AttributeError, OSError, TypeError):  # another allocator, or another system
        return False
    return all(setting(*kept) == 1 for name, kept in _KEPT.items() if name not in os.environ)


_STEPS = _Steps()


def hold_still() -> None:
    """Take what lives now out of the search for garbage, once it was searched.

    It is for what stays as long as the process does: a town that a page serves, libraries that
    workers are forked with. A full search through a town of 3,000 pipes stops every answer of
    the page for 0.15 s, and through libraries it copies their memory into each worker.
    """
    _STEPS.hold_still()


def rarely(work: Callable[Asked, Found]) -> Callable[Asked, Found]:
    """Let a step look for garbage rarely, and not at all at what was there before it.

    Reading and proposing make hundreds of thousands of small rows that live until the step
    ends; looking through them over and over took a seventh of its time and found nothing.
    Where something holds objects out of the search already, that is left as it is.
    """

    @functools.wraps(work)
    def done(*asked: Asked.args, **named: Asked.kwargs) -> Found:
        with _STEPS.one():
            return work(*asked, **named)

    return done
