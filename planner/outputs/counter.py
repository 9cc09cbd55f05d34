"""What the camera's counter reads at a place of a pipe, and which way the camera looks."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from planner.outputs.clock_face import seen_from
from planner.outputs.wording import metres


@dataclass(frozen=True)
class Counter:
    """The counter of one pipe from one of its manholes; lengths in m."""

    node: str
    upstream: bool
    length_m: float
    units: str

    @classmethod
    def of(cls, node: str, pipe: Mapping[str, Any], units: str) -> Counter:
        """Count from `node`; from any node but us_node the camera looks upstream."""
        return cls(node, node != pipe["us_node"], float(pipe["length_m"]), units)

    def reads_m(self, x_m: float) -> float:
        """Turn a place [m from us_node] into what the counter reads [m]."""
        return self.length_m - x_m if self.upstream else x_m

    def at(self, x_m: float) -> str:
        """Write what the counter reads at a place [m from us_node]."""
        return metres(self.reads_m(x_m), self.units)

    def ends(self, from_m: float, to_m: float) -> tuple[str, str]:
        """Write the readings at both ends of a stretch, the smaller first."""
        low, high = sorted((self.reads_m(from_m), self.reads_m(to_m)))
        return metres(low, self.units), metres(high, self.units)

    def stretch(self, from_m: float, to_m: float) -> str:
        """Write a stretch as the counter reads it."""
        return " to ".join(self.ends(from_m, to_m))

    @property
    def looks(self) -> str:
        """Say which way a camera looks that comes in from `node`."""
        return "upstream" if self.upstream else "downstream"

    def clock(self, clock_h: float) -> str:
        """Write a clock hour as coded, and as a camera from `node` shows it where that differs."""
        if not math.isfinite(clock_h):
            return "clock not known"
        said = f"{clock_h:.0f} o'clock seen downstream"
        if not self.upstream:
            return said
        return (
            f"{said} = {seen_from(clock_h, upstream=True):.0f} o'clock looking in from {self.node}"
        )

    def hour(self, clock_h: float) -> str:
        """Write a clock hour shortly, as a camera from `node` shows it."""
        if not math.isfinite(clock_h):
            return "clock not known"
        return f"{seen_from(clock_h, upstream=self.upstream):.0f} o'clock looking in"
