"""What Dask over TCP costs beside the plain loop, and what is left when something is killed.

The city is invented (`city_town`), in eight parts or so. Times are of the clock, from the first
part handed out to the last that is back, all processes warm: on a loaded machine they scatter.
"""

from __future__ import annotations

import shutil
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from city_town import write_city
from dask_hosts import DaskHosts

from planner.city.cluster import Cluster
from planner.city.filing import CityError
from planner.city.pool import PlainLoop, Pool
from planner.city.run import HOME, run_city
from tests.bench.frame import BenchResult

WARM, PARTS = 100, 8
GOALS: dict[str, tuple[str, float]] = {
    "one worker over TCP / plain loop": ("<=", 1.1),
    "a worker killed / undisturbed": ("<=", 1.3),
    "files that differ with Dask": ("<=", 0.0),
    "files that differ after a killed worker": ("<=", 0.0),
    "files that differ after a killed scheduler": ("<=", 0.0),
    "finished parts done again": ("<=", 0.0),
}


class Clock:
    """Times a run from its first part to its last, and breaks something in the middle."""

    def __init__(self, breaks: Callable[[], None] | None = None) -> None:
        self._breaks = breaks
        self.done = 0
        self._from = self.seconds = 0.0

    def __call__(self, line: str) -> None:
        now = time.perf_counter()
        if "as an earlier run left them" in line:
            self._from = now
        if line.startswith("proposed: "):
            self.done = int(line.split()[1])
            self.seconds = now - self._from
            if self._breaks and self.done == int(line.split()[3]) // 2:
                self._breaks()


def run(size: int) -> BenchResult:
    """Run a city of `size` pipes by the plain loop, by one worker, and with both kinds of kill."""
    with tempfile.TemporaryDirectory() as home:
        warm, town = (write_city(Path(home) / name, count)
                      for name, count in (("warm", WARM), ("town", size)))  # fmt: skip
        most = max(1, size // PARTS)
        run_city(warm, PlainLoop())
        plain_s, expected, parts = _timed(town, PlainLoop(), most)
        with DaskHosts(Path(home) / "hosts", 1) as hosts:
            with Cluster(hosts.address) as pool:
                _again(warm)
                run_city(warm, pool)
                dask_s, same, _ = _timed(town, pool, most)
                killed_s, broken, _ = _timed(town, pool, most, hosts.kill_worker)
            done = _lose_scheduler(town, hosts, most)
        resumed_s, resumed, left = _timed(town, PlainLoop(), most, fresh=False)
    return BenchResult(
        rows=[
            _row("plain loop, this process", parts, plain_s),
            _row("one worker over TCP", parts, dask_s),
            _row("one worker, killed in the middle", parts, killed_s),
            _row("plain loop after the scheduler was killed", left, resumed_s),
        ],
        ratios={
            "one worker over TCP / plain loop": dask_s / plain_s,
            "a worker killed / undisturbed": killed_s / dask_s,
            "files that differ with Dask": _unlike(expected, same),
            "files that differ after a killed worker": _unlike(expected, broken),
            "files that differ after a killed scheduler": _unlike(expected, resumed),
            "finished parts done again": float(max(0, left - (parts - done))),
        },
        goals={name: list(goal) for name, goal in GOALS.items()},
    )


def _row(what: str, parts: int, seconds: float) -> dict[str, object]:
    return {"what": what, "parts": parts, "seconds": round(seconds, 2)}


def _again(folder: Path) -> None:
    """Forget all that was done in a folder."""
    for path in (folder / HOME, folder / "out"):
        shutil.rmtree(path, ignore_errors=True)
    (folder / "project.gpkg").unlink(missing_ok=True)


def _timed(
    folder: Path,
    pool: Pool,
    most: int,
    breaks: Callable[[], None] | None = None,
    *,
    fresh: bool = True,
) -> tuple[float, dict[str, bytes], int]:
    """Give the seconds of proposing, the bytes of the result, and how many parts were proposed."""
    if fresh:
        _again(folder)
    clock = Clock(breaks)
    made = run_city(folder, pool, most=most, say=clock)
    files = sorted(path for path in made.out.rglob("*") if path.is_file())
    # run.json alone says when.
    found = {str(p.relative_to(made.out)): p.read_bytes() for p in files if p.name != "run.json"}
    return clock.seconds, found, made.redone


def _lose_scheduler(folder: Path, hosts: DaskHosts, most: int) -> int:
    """Kill the scheduler in the middle; give how many parts were back by then."""
    _again(folder)
    clock = Clock(hosts.kill_scheduler)
    try:
        with Cluster(hosts.address) as pool:
            run_city(folder, pool, most=most, say=clock)
    except CityError:
        return clock.done
    message = "the run did not notice that its scheduler was killed"
    raise RuntimeError(message)


def _unlike(one: dict[str, bytes], other: dict[str, bytes]) -> float:
    return float(sum(one.get(name) != other.get(name) for name in {*one, *other}))
