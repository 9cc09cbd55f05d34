"""Python's search for cycles of garbage, kept rare while a long step makes many small things."""

from __future__ import annotations

import functools
import gc
from collections.abc import Callable
from typing import ParamSpec, TypeVar

Asked = ParamSpec("Asked")
Found = TypeVar("Found")
_RARE = (100_000, 20, 100)


def rarely(work: Callable[Asked, Found]) -> Callable[Asked, Found]:
    """Let a step look for garbage rarely, and not at all at what was there before it.

    Reading and proposing make hundreds of thousands of small rows that live until the step
    ends; looking through them over and over took a seventh of its time and found nothing.
    Where something holds objects out of the search already, that is left as it is.
    """

    @functools.wraps(work)
    def done(*asked: Asked.args, **named: Asked.kwargs) -> Found:
        before, held = gc.get_threshold(), gc.get_freeze_count() > 0
        if not held:
            gc.freeze()
        gc.set_threshold(*_RARE)
        try:
            return work(*asked, **named)
        finally:
            gc.set_threshold(*before)
            if not held:
                gc.unfreeze()

    return done
