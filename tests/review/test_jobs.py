"""Long work in its own process: it tells how far it is, ends, fails in one line, is cancelled."""

from __future__ import annotations

import os
import time
from pathlib import Path

import pytest

from planner.errors import FileError
from planner.review.jobs import Job, Jobs

WAIT_S = 60.0


def counts(tell, path: str, most: int) -> list[str]:
    """Count up; what is written says how far it came."""
    for number in range(most):
        tell(f"step {number}", number / most)
        Path(path).write_text(str(number))
        time.sleep(0.02)
    return [f"counted to {most} in another process: {os.getpid()}"]


def refuses(tell, path: str) -> list[str]:
    raise FileError(f"{path}: not there")


def breaks(tell) -> list[str]:
    raise ZeroDivisionError("secret of the data")


def vanishes(tell) -> list[str]:
    os._exit(9)


def until(job: Job, *states: str) -> Job:
    end = time.monotonic() + WAIT_S
    while job.state not in states and time.monotonic() < end:
        time.sleep(0.02)
    assert job.state in states, job
    return job


@pytest.fixture
def jobs():
    made = Jobs()
    yield made
    made.stop()


def test_work_tells_how_far_it_is_and_what_came_of_it(jobs, tmp_path):
    """One piece at a time; the process is another one; at the end `then` is called here."""
    ended: list[int] = []
    job = jobs.start("count", "E. Noor", counts, str(tmp_path / "n"), 40,
                     then=lambda one: ended.append(one.number))  # fmt: skip
    assert job is not None
    assert jobs.start("count", "B. Holt", counts, str(tmp_path / "m"), 1, then=ended.append) is None
    end = time.monotonic() + WAIT_S
    while not job.what.startswith("step") and time.monotonic() < end:
        time.sleep(0.01)
    assert job.share is not None
    assert 0 <= job.share < 1
    until(job, "done")
    assert ended == [1]
    assert job.lines[0].startswith("counted to 40")
    assert not job.lines[0].endswith(f" {os.getpid()}")
    assert (tmp_path / "n").read_text() == "39"
    assert jobs.start("again", "B. Holt", counts, str(tmp_path / "m"), 1, then=print) is not None


def test_work_that_fails_says_so_in_one_line(jobs, tmp_path):
    """A known error by its own line; a fault of ours without what the data said; a lost process."""
    never = pytest.fail
    job = until(jobs.start("a", "E", refuses, "x.gpkg", then=never), "failed")
    assert job.lines == ["x.gpkg: not there"]
    job = until(jobs.start("b", "E", breaks, then=never), "failed")
    assert job.lines == ["a fault in the tool: ZeroDivisionError"]
    job = until(jobs.start("c", "E", vanishes, then=never), "failed")
    assert "ended without a word" in job.lines[0]


def test_cancelled_work_stops(jobs, tmp_path):
    """Nothing is written after the process is ended, and other work may begin."""
    path = tmp_path / "n"
    job = jobs.start("count", "E", counts, str(path), 100_000, then=pytest.fail)
    end = time.monotonic() + WAIT_S
    while not path.exists() and time.monotonic() < end:
        time.sleep(0.01)
    process = jobs._process
    assert jobs.cancel(job.number)
    assert not jobs.cancel(job.number)
    process.join(10)
    assert not process.is_alive()
    assert job.state == "cancelled"
    assert jobs.start("next", "E", refuses, "y", then=pytest.fail) is not None


def test_what_is_cancelled_says_by_whom(jobs, tmp_path):
    job = jobs.start("count", "A", counts, str(tmp_path / "n"), 9_999, then=lambda _: None)
    assert not jobs.cancel(job.number + 1, "B. Holt")
    assert jobs.cancel(job.number, "B. Holt")
    assert (job.state, job.lines) == ("cancelled", ["cancelled by B. Holt"])


@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")
def test_a_fault_after_the_work_leaves_room_for_other_work(jobs, tmp_path):
    """Else the page would say "at work" for ever, and begin nothing any more."""

    def broken(_: Job) -> None:
        raise ZeroDivisionError("secret of the data")

    job = until(jobs.start("count", "A", counts, str(tmp_path / "n"), 1, then=broken), "failed")
    assert job.lines[-1] == "a fault in the tool: ZeroDivisionError"
    assert jobs.start("count", "A", counts, str(tmp_path / "n"), 1, then=lambda _: None)
