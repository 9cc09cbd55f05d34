"""Which places lie at a connection, and of which nobody knows, compiled."""

from __future__ import annotations

import zlib
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import numpy as np

from planner.screening import bands, span_kernel
from planner.screening.bands import compiled, nth
from planner.screening.span_kernel import SAME_M, Found, Marks, Means, Numbers


class Known(NamedTuple):
    """Of each pipe its length, and from where to where its connections are known [m]."""

    length_m: Numbers
    from_m: Numbers
    to_m: Numbers


class Taps(NamedTuple):
    """Connections by the number of their pipe, from edge to edge [m]."""

    pipe: Means
    from_m: Numbers
    to_m: Numbers


def _connect_of(parts: int) -> Callable[[Taps, Known, Found, Numbers, Marks, Marks], None]:
    @compiled
    def connect(
        taps: Taps, known: Known, found: Found, find_m: Numbers, near: Marks, open_: Marks
    ) -> None:
        """Mark places within whose doubt a connection lies, and those of which none knows."""
        for tap in range(len(taps.pipe) if parts >= 0 else 0):
            pipe = taps.pipe[tap]
            for place in range(found.of_pipe[pipe], found.of_pipe[pipe + 1]):
                q = nth(place)
                start, end = found.from_m[q] - find_m[q], found.to_m[q] + find_m[q]
                if taps.from_m[tap] <= end + SAME_M and taps.to_m[tap] >= start - SAME_M:
                    near[q] = True
        for q in range(len(near)):
            on = nth(found.pipe[q])
            start, end = found.from_m[q] - find_m[q], found.to_m[q] + find_m[q]
            told = known.from_m[on] <= max(start, 0.0) + SAME_M
            told &= known.to_m[on] >= min(end, known.length_m[on]) - SAME_M
            told &= not np.isnan(known.length_m[on])
            open_[q] = not near[q] and not told

    return connect


_MADE_OF = (bands, span_kernel)
_PARTS = zlib.crc32(b"".join(Path(str(one.__file__)).read_bytes() for one in _MADE_OF))
connect = _connect_of(_PARTS)
