"""Workers are forked from a process that has loaded what a part needs; none loads it anew."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pyarrow as pa
import pytest
from city_town import write_city

from planner.city import work
from planner.city.filing import CityError
from planner.city.forked import ONE_THREAD, dask_setup
from planner.city.memory import plain_memory

# What is loaded or compiled while parts of a city are worked on, in a process as it is forked.
LOADED = """
import json, os, sys
from pathlib import Path
from numba.core.dispatcher import Dispatcher
import planner.city.work
threads = -len(os.listdir("/proc/self/task"))
import planner.city.ready
threads += len(os.listdir("/proc/self/task"))
import gc
from planner.city.pool import PlainLoop
from planner.city.run import run_city
compile, found, held = Dispatcher.compile, [], gc.get_freeze_count()

def told(self, kinds):
    found.append(self.py_func.__module__ + "." + self.py_func.__name__)
    return compile(self, kinds)

class Loop(PlainLoop):
    def run(self, task, folder, numbers):
        Dispatcher.compile = told
        try:
            yield from list(super().run(task, folder, numbers))
        finally:
            Dispatcher.compile = compile

run_city(Path(sys.argv[1]), Loop(), most=100)
print(json.dumps({"found": found, "held": held, "threads": threads}))
"""


def test_a_part_compiles_and_loads_nothing_once_a_process_is_ready(tmp_path: Path) -> None:
    """Parts of a hundred pipes and some 650 spans, so that all is done by walks.

    Only what sorts a few rows is compiled for each kind of columns by itself, and is read from
    disk in 3 ms.
    """
    town = write_city(tmp_path / "town", 200)
    made = subprocess.run(
        [sys.executable, "-c", LOADED, str(town)], check=True, capture_output=True, text=True
    )
    said = json.loads(made.stdout)
    assert set(said["found"]) <= {"planner.order.sort_small"}
    assert said["threads"] == 0  # what waits for another thread as it is forked waits forever
    assert said["held"] > 100_000  # objects that no search for garbage copies into a worker


@pytest.mark.parametrize("task", [work.part_work, work.count_work, work.number_work])
def test_a_worker_takes_memory_as_the_loop_does(task, monkeypatch: pytest.MonkeyPatch) -> None:
    """Also where it is none of ours: arrow is told with each task, and told back after it."""
    before, seen = pa.default_memory_pool().backend_name, []

    def read_job(_: Path) -> None:
        seen.append(pa.default_memory_pool().backend_name)
        raise CityError

    monkeypatch.setattr(work, "read_job", read_job)
    with pytest.raises(CityError):
        task("nowhere", 0)
    assert seen == ["system"]
    assert pa.default_memory_pool().backend_name == before


class Nanny:
    """As much of a nanny of Dask as is told how its workers start."""

    def __init__(self) -> None:
        self.config: dict[str, object] = {}
        self.pre_spawn_env = {"MALLOC_TRIM_THRESHOLD_": "65536", "OMP_NUM_THREADS": "1"}


@pytest.mark.parametrize("own", ["", "1000000"])
def test_freed_memory_is_kept_for_the_next_part(own: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """What Dask sets is taken back, and not what the user's own environment says."""
    pytest.importorskip("distributed")
    for name in ONE_THREAD:
        monkeypatch.setenv(name, "1")
    monkeypatch.delenv("MALLOC_TRIM_THRESHOLD_", raising=False)
    if own:
        monkeypatch.setenv("MALLOC_TRIM_THRESHOLD_", own)
    nanny = Nanny()
    dask_setup(nanny)
    assert ("MALLOC_TRIM_THRESHOLD_" in nanny.pre_spawn_env) == bool(own)
    assert nanny.pre_spawn_env["OMP_NUM_THREADS"] == "1"


def test_two_tasks_at_once_leave_memory_as_it_was() -> None:
    """The first one to begin ends first, as threads may; it is then taken plainly still."""
    before = pa.default_memory_pool().backend_name
    one, other = plain_memory(), plain_memory()
    one.__enter__()
    other.__enter__()
    one.__exit__(None, None, None)
    assert pa.default_memory_pool().backend_name == "system"
    other.__exit__(None, None, None)
    assert pa.default_memory_pool().backend_name == before
