"""Python's search for cycles of garbage, kept rare while a part is worked on."""

from __future__ import annotations

import functools
import gc
from collections.abc import Callable
from typing import ParamSpec, TypeVar

Asked = ParamSpec("Asked")
Found = TypeVar("Found")
_RARE = (100_000, 20, 100)


def rarely(work: Callable[Asked, Found]) -> Callable[Asked, Found]:
    """Let a task look for garbage rarely, and not at all at what was there before it.

    A part makes hundreds of thousands of small rows that live until it ends; looking through
    them over and over took a seventh of its time and found nothing.
    """

    @functools.wraps(work)
    def done(*asked: Asked.args, **named: Asked.kwargs) -> Found:
        before = gc.get_threshold()
        gc.freeze()
        gc.set_threshold(*_RARE)
        try:
            return work(*asked, **named)
        finally:
            gc.set_threshold(*before)
            gc.unfreeze()

    return done
