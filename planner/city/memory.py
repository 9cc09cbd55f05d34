"""Where arrow takes its memory from while a city is worked on.

Its own way to take and give back memory costs a city's columns, which come and go by the
hundred megabytes, about a second of the system's time for each million coded rows.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

import pyarrow as pa


@contextmanager
def plain_memory() -> Iterator[None]:
    """Let arrow take its memory as all else here does; what it holds already stays."""
    before = pa.default_memory_pool()
    pa.set_memory_pool(pa.system_memory_pool())
    try:
        yield
    finally:
        pa.set_memory_pool(before)
