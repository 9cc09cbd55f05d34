"""What a running process finds out once: which tables are sound, and what follows from them.

Only within `within` is anything remembered. There the tables that stay (prices, systems,
process tables) are the same objects from one changed pipe to the next, and no step changes
what it is given; outside it every check is made and every list is made anew.
"""

from __future__ import annotations

import weakref
from collections.abc import Callable, Hashable, Iterable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from typing import Any, TypeVar

import pandas as pd

Made = TypeVar("Made")


class Once:
    """Tables found sound, and what was made of some, each for as long as the table lives."""

    def __init__(self) -> None:
        """Start with nothing known."""
        self._sound: dict[tuple[int, str], weakref.ref[pd.DataFrame]] = {}
        self._made: dict[tuple[int, Hashable], tuple[tuple[pd.DataFrame, ...], Any]] = {}

    def is_sound(self, frame: pd.DataFrame, name: str) -> bool:
        """Tell whether this very frame was found to obey the contract `name`."""
        known = self._sound.get((id(frame), name))
        return known is not None and known() is frame

    def note_sound(self, frame: pd.DataFrame, name: str) -> None:
        """Note that this very frame obeys the contract `name`."""
        self._sound[id(frame), name] = weakref.ref(frame)

    def made(
        self, frames: tuple[pd.DataFrame, ...], what: Hashable, make: Callable[[], Made]
    ) -> Made:
        """Give what `make` gives of these very frames, made the first time only."""
        key = (id(frames[0]), what)
        known = self._made.get(key)
        if known is None or any(a is not b for a, b in zip(known[0], frames, strict=True)):
            known = self._made[key] = (frames, make())
        found: Made = known[1]
        return found

    def forget(self, staying: Iterable[pd.DataFrame]) -> None:
        """Forget all but what is known of the frames that stay."""
        stay = {id(frame) for frame in staying}
        self._sound = {key: known for key, known in self._sound.items() if key[0] in stay}
        self._made = {
            key: known
            for key, known in self._made.items()
            if all(id(frame) in stay for frame in known[0])
        }


_ONCE: ContextVar[Once | None] = ContextVar("once", default=None)


@contextmanager
def within(once: Once) -> Iterator[None]:
    """Remember in `once` what is found out in here."""
    token = _ONCE.set(once)
    try:
        yield
    finally:
        _ONCE.reset(token)


def is_sound(frame: pd.DataFrame, name: str) -> bool:
    """Tell whether a running process found this very frame to obey the contract `name`."""
    once = _ONCE.get()
    return once is not None and once.is_sound(frame, name)


def note_sound(frame: pd.DataFrame, name: str) -> None:
    """Note that this very frame obeys the contract `name`."""
    once = _ONCE.get()
    if once is not None:
        once.note_sound(frame, name)


def made_once(frames: tuple[pd.DataFrame, ...], what: Hashable, make: Callable[[], Made]) -> Made:
    """Give what `make` gives; in a running process it is made once of these very frames.

    Parameters
    ----------
    frames
        All tables that `make` reads.
    what
        Tells apart what is made of the same tables.
    make
        Gives something that nobody changes afterwards.
    """
    once = _ONCE.get()
    return make() if once is None else once.made(frames, what, make)
