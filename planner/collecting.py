"""Python's search for cycles of garbage, kept rare while a long step makes many small things."""

from __future__ import annotations

import functools
import gc
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import ParamSpec, TypeVar

Asked = ParamSpec("Asked")
Found = TypeVar("Found")
_RARE = (100_000, 20, 100)


class _Steps:
    """How many steps run now, and what was set before the first of them."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._count = 0
        self._before: tuple[int, int, int] = (0, 0, 0)
        self._held = False

    @contextmanager
    def one(self) -> Iterator[None]:
        """Keep the search rare for a step; the last one to end sets all as it was."""
        with self._lock:
            if self._count == 0:
                self._before, self._held = gc.get_threshold(), gc.get_freeze_count() > 0
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


_STEPS = _Steps()


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
