"""Where arrow takes its memory from while a city is worked on.

Its own way to take and give back memory costs a city's columns, which come and go by the
hundred megabytes, about a second of the system's time for each million coded rows.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager

import pyarrow as pa

_LOCK = threading.Lock()
# Arrow's memory as it was before the first of those who use it plainly now, one for each of them.
_BEFORE: list[pa.MemoryPool] = []


@contextmanager
def plain_memory() -> Iterator[None]:
    """Let arrow take its memory as all else here does; what it holds already stays.

    The last of several threads to end sets it as it was.
    """
    with _LOCK:
        _BEFORE.append(_BEFORE[0] if _BEFORE else pa.default_memory_pool())
        pa.set_memory_pool(pa.system_memory_pool())
    try:
        yield
    finally:
        with _LOCK:
            before = _BEFORE.pop()
            if not _BEFORE:
                pa.set_memory_pool(before)
