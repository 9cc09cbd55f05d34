"""What Dask over TCP costs beside the plain loop, and what is left when something is killed.

The city is invented (`city_town`), in eight parts or so. Times are of the clock, from the first
part handed out to the last that is back, all processes warm: on a loaded machine they scatter.
The loop has loaded the compiled walks of the book before it, as workers have that are forked
(`city.ready`): a small town alone would not make it.
So plain loop, Dask and Dask with a kill take turns, and each ratio is the median of those of
the turns. Beside them stands the CPU of all processes that take part. The worker is killed
half a part's time after half of the parts are back: what it had in hand by then is lost.
"""

from __future__ import annotations

import shutil
import statistics
import tempfile
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from unittest.mock import patch

from city_town import write_city
from dask_hosts import DaskHosts

from planner.city.cluster import Cluster
from planner.city.filing import CityError
from planner.city.pool import PlainLoop, Pool
from planner.city.run import HOME, run_city
from planner.screening import screen as screening
from tests.bench.frame import BenchResult

WARM, PARTS, TURNS = 100, 8, 3
GOALS: dict[str, tuple[str, float]] = {
    "one worker over TCP / plain loop": ("<=", 1.1),
    "a worker killed / undisturbed": ("<=", 1.3),
    "files that differ with Dask": ("<=", 0.0),
    "files that differ after a killed worker": ("<=", 0.0),
    "files that differ after a killed scheduler": ("<=", 0.0),
    "finished parts done again": ("<=", 0.0),
}


@dataclass
class Clock:
    """Times a run from its first part to its last, and breaks something in the middle.

    `cpu_s` gives the CPU that processes beside this one took so far [s].
    """

    cpu_s: Callable[[], float] = lambda: 0.0
    breaks: Callable[[], None] | None = None
    in_a_part: bool = False
    done: int = 0
    seconds: float = 0.0
    cpu: float = 0.0
    _from: tuple[float, float] = (0.0, 0.0)
    _timers: list[threading.Timer] = field(default_factory=list)

    def __call__(self, line: str) -> None:
        now = time.perf_counter(), time.process_time() + self.cpu_s()
        if "as an earlier run left them" in line:
            self._from = now
        if line.startswith("proposed: "):
            self.done = int(line.split()[1])
            self.seconds, self.cpu = (b - a for a, b in zip(self._from, now, strict=True))
            if self.breaks and self.done == int(line.split()[3]) // 2:
                self._break(self.breaks)

    def _break(self, breaks: Callable[[], None]) -> None:
        if self.in_a_part:
            self._timers.append(threading.Timer(0.5 * self.seconds / self.done, breaks))
            self._timers[-1].start()
        else:
            breaks()


@dataclass(frozen=True)
class Timed:
    """One run: seconds of the clock and of CPU while parts were proposed, bytes, parts proposed."""

    seconds: float
    cpu: float
    found: dict[str, bytes]
    parts: int


def run(size: int) -> BenchResult:
    """Run a city of `size` pipes by the plain loop, by one worker, and with both kinds of kill."""
    plain, dask, killed = list[Timed](), list[Timed](), list[Timed]()
    with tempfile.TemporaryDirectory() as home:
        warm, town = (write_city(Path(home) / name, count)
                      for name, count in (("warm", WARM), ("town", size)))  # fmt: skip
        most = max(1, size // PARTS)
        with patch.object(screening, "CODED_FROM", 0):
            run_city(warm, PlainLoop())
        begun = time.perf_counter()
        with DaskHosts(Path(home) / "hosts", 1) as hosts:
            with Cluster(hosts.address, answer_s=60) as pool:
                start_s = time.perf_counter() - begun
                _again(warm)
                run_city(warm, pool)
                for _ in range(TURNS):
                    plain.append(_timed(town, PlainLoop(), most, Clock()))
                    dask.append(_timed(town, pool, most, Clock(hosts.cpu_s)))
                    clock = Clock(hosts.cpu_s, hosts.kill_worker, in_a_part=True)
                    killed.append(_timed(town, pool, most, clock))
            done = _lose_scheduler(town, hosts, most)
        resumed = _timed(town, PlainLoop(), most, Clock(), fresh=False)
    parts, expected = plain[0].parts, plain[0].found
    return BenchResult(
        rows=[
            _row("plain loop, this process", plain),
            _row("one worker over TCP", dask),
            _row("one worker, killed in the middle", killed),
            _row("plain loop after the scheduler was killed", [resumed]),
            {"what": "start of scheduler and worker, not counted", "parts": "",
             "seconds": round(start_s, 2), "cpu_s": ""},
        ],
        ratios={
            "one worker over TCP / plain loop": _ratio(dask, plain, "seconds"),
            "CPU of one worker over TCP / plain loop": _ratio(dask, plain, "cpu"),
            "a worker killed / undisturbed": _ratio(killed, dask, "seconds"),
            "CPU of a worker killed / undisturbed": _ratio(killed, dask, "cpu"),
            "files that differ with Dask": _unlike(expected, *dask),
            "files that differ after a killed worker": _unlike(expected, *killed),
            "files that differ after a killed scheduler": _unlike(expected, resumed),
            "finished parts done again": float(max(0, resumed.parts - (parts - done))),
        },
        goals={name: list(goal) for name, goal in GOALS.items()},
    )  # fmt: skip


def _ratio(ones: list[Timed], others: list[Timed], what: str) -> float:
    """Give the median of the ratios of the turns."""
    return statistics.median(
        getattr(a, what) / getattr(b, what) for a, b in zip(ones, others, strict=True)
    )


def _row(what: str, runs: list[Timed]) -> dict[str, object]:
    seconds, cpu = (
        statistics.median(getattr(one, of) for one in runs) for of in ("seconds", "cpu")
    )
    return {
        "what": what,
        "parts": runs[0].parts,
        "seconds": round(seconds, 2),
        "cpu_s": round(cpu, 2),
    }


def _again(folder: Path) -> None:
    """Forget all that was done in a folder."""
    for path in (folder / HOME, folder / "out"):
        shutil.rmtree(path, ignore_errors=True)
    (folder / "project.gpkg").unlink(missing_ok=True)


def _timed(folder: Path, pool: Pool, most: int, clock: Clock, *, fresh: bool = True) -> Timed:
    """Run, and look at the result."""
    if fresh:
        _again(folder)
    made = run_city(folder, pool, most=most, say=clock)
    files = sorted(path for path in made.out.rglob("*") if path.is_file())
    # run.json alone says when.
    found = {str(p.relative_to(made.out)): p.read_bytes() for p in files if p.name != "run.json"}
    return Timed(clock.seconds, clock.cpu, found, made.redone)


def _lose_scheduler(folder: Path, hosts: DaskHosts, most: int) -> int:
    """Kill the scheduler in the middle; give how many parts were back by then."""
    _again(folder)
    clock = Clock(breaks=hosts.kill_scheduler)
    try:
        with Cluster(hosts.address) as pool:
            run_city(folder, pool, most=most, say=clock)
    except CityError:
        return clock.done
    message = "the run did not notice that its scheduler was killed"
    raise RuntimeError(message)


def _unlike(expected: dict[str, bytes], *runs: Timed) -> float:
    """Count the files that are not as expected, over all runs."""
    return float(
        sum(
            expected.get(name) != one.found.get(name)
            for one in runs
            for name in {*expected, *one.found}
        )
    )
