"""What every benchmark shares: its result, the machine it ran on, how it is printed."""

from __future__ import annotations

import json
import multiprocessing
import os
import platform
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, TypeVar

SPINS = 3_000_000
_MEETS: dict[str, Callable[[float, float], bool]] = {
    "<=": lambda value, limit: value <= limit,
    ">=": lambda value, limit: value >= limit,
}
Found = TypeVar("Found")


@dataclass(frozen=True)
class BenchResult:
    """Rows to print (ours, the naive way, a floor), ratios by name, and what they are held to.

    `goals` gives for the name of a ratio ``[op, limit]``, op ``<=`` or ``>=``.
    """

    rows: Sequence[Mapping[str, object]]
    ratios: Mapping[str, float]
    goals: Mapping[str, Sequence[Any]] = field(default_factory=dict)

    @property
    def unmet(self) -> list[str]:
        """Names of the goals that the ratios do not meet; a missing ratio meets none."""
        return [
            name
            for name, (op, limit) in self.goals.items()
            if not _MEETS[op](self.ratios.get(name, float("nan")), limit)
        ]


def timed(work: Callable[[], Found], *, tries: int = 1) -> tuple[float, Found]:
    """Give the least time of `tries` runs [s], and what the last one found."""
    best = float("inf")
    for _ in range(tries):
        start = time.perf_counter()
        found = work()
        best = min(best, time.perf_counter() - start)
    return best, found


def _spin(count: int) -> int:
    total = 0
    for number in range(count):
        total ^= number
    return total


def machine() -> dict[str, object]:
    """Say what the figures were taken on.

    `two_processes` is the throughput of two spinning processes over that of one: near 2
    on two idle cores. Where it is near 1, no gain by more processes can be measured here.
    """
    one_s, _ = timed(lambda: _spin(SPINS))
    with multiprocessing.get_context("spawn").Pool(2) as pool:
        pool.map(_spin, [1, 1])  # both are up before the clock starts
        two_s, _ = timed(lambda: pool.map(_spin, [SPINS, SPINS], chunksize=1))
    return {
        "cores": os.cpu_count() or 1,
        "python": platform.python_version(),
        "spin_s": round(one_s, 3),
        "two_processes": round(2.0 * one_s / two_s, 2),
    }


def report(name: str, size: int, result: BenchResult, seen: Mapping[str, object]) -> str:
    """Lay out one result for a person."""
    lines = [
        f"{name}, size {size}",
        f"  machine: {seen['cores']} cores, Python {seen['python']}; two processes do "
        f"{seen['two_processes']} times the work of one",
        *(f"  {line}" for line in _table(result.rows)),
    ]
    unmet = set(result.unmet)
    for ratio, value in result.ratios.items():
        goal = ""
        if ratio in result.goals:
            op, limit = result.goals[ratio]
            goal = f"   goal {op} {limit:g}: {'not met' if ratio in unmet else 'met'}"
        lines.append(f"  {ratio}: {value:.4g}{goal}")
    return "\n".join(lines)


def _table(rows: Sequence[Mapping[str, object]]) -> list[str]:
    if not rows:
        return ["no rows"]
    head = list(rows[0])
    cells = [head, *([str(row[key]) for key in head] for row in rows)]
    widths = [max(len(line[i]) for line in cells) for i in range(len(head))]
    padded = (zip(line, widths, strict=True) for line in cells)
    return ["  ".join(cell.ljust(width) for cell, width in line).rstrip() for line in padded]


def as_json(name: str, size: int, result: BenchResult) -> str:
    """Give one result as one JSON object."""
    return json.dumps(
        {
            "bench": name,
            "size": size,
            "rows": [dict(row) for row in result.rows],
            "ratios": dict(result.ratios),
            "goals": {key: list(goal) for key, goal in result.goals.items()},
            "unmet": result.unmet,
        }
    )
