"""Unlike spans that a book was held against before, and what came of it: not judged again."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from planner.screening.alike import Known
from planner.screening.flip_tables import Asked
from planner.screening.rule_kernel import Told


@dataclass
class Met:
    """Unlike spans that were met, what was said of them, and what they were asked.

    All of it hangs on the numbers of a span alone, so that it holds for whatever spans come
    next. One thread has it at a time: it is taken from where it lies and laid back.
    """

    known: Known
    said: Told
    asked: Asked | None = None

    def add(self, said: Told) -> None:
        """Add what is said of the unlike spans that were met last."""
        old = self.said
        self.said = Told(
            np.concatenate([old.codes, said.codes]),
            np.concatenate([old.why, said.why]),
            np.concatenate([old.first, said.first]),
            np.concatenate([old.unsaid, said.unsaid]),
            np.concatenate([old.blamed, said.blamed]),
        )


def taken_from(kept: list[Met]) -> Met | None:
    """Take what was met before; None where there is nothing, or no room for more of it."""
    try:
        met = kept.pop()
    except IndexError:
        return None
    return met if 2 * met.known.found[0] <= len(met.known.rows) else None


def lay_back(met: Met, kept: list[Met]) -> None:
    """Let others have what was met; of several the last one is kept."""
    kept[:] = [met]
