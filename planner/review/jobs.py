"""Long work of the page, each in a process of its own, so that it can be cancelled at any time.

What a process writes is written aside and renamed (`folder.write_run`), so that a cancelled
one leaves no half folder.
"""

from __future__ import annotations

import multiprocessing
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from multiprocessing.process import BaseProcess
from multiprocessing.queues import Queue
from queue import Empty
from typing import Any, Protocol

from planner.errors import PlannerError

STATES = ("runs", "done", "failed", "cancelled")
WORDS = {"runs": "at work", "done": "done", "failed": "failed", "cancelled": "cancelled"}
KEPT = 20
_LOOK_S, _END_S = 0.1, 5.0


class Telling(Protocol):
    """Says how far the work is: a sentence, and how much of it is done, 0 to 1 (None = unknown)."""

    def __call__(self, what: str, share: float | None = None) -> None:
        """Say it."""


Work = Callable[..., list[str]]
"""Long work: takes a `Telling` and arguments that can be pickled; gives lines to show."""


@dataclass
class Job:
    """One piece of long work: what it is, who began it, how far it is, what came of it."""

    number: int
    title: str
    by: str
    state: str = "runs"
    what: str = ""
    share: float | None = None
    lines: list[str] = field(default_factory=list)
    seconds: float = 0.0

    @property
    def word(self) -> str:
        """Its state in words."""
        return WORDS[self.state]


class Jobs:
    """All long work of one server; at most one piece runs at a time."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._jobs: list[Job] = []
        self._process: BaseProcess | None = None

    def all(self) -> list[Job]:
        """Give what runs and the last that ended, the newest first."""
        with self._lock:
            return list(reversed(self._jobs))

    def start(
        self, title: str, by: str, work: Work, *args: object, then: Callable[[Job], None]
    ) -> Job | None:
        """Begin long work in a process of its own; None where other work still runs.

        Parameters
        ----------
        title
            What it is, for people.
        by
            Who began it.
        work
            A function of a module, with `args` after its `Telling`.
        then
            Called in this process, by another thread, once it ended well.
        """
        with self._lock:
            if any(job.state == "runs" for job in self._jobs):
                return None
            number = self._jobs[-1].number + 1 if self._jobs else 1
            job = Job(number, title, by)
            self._jobs = [*self._jobs[-(KEPT - 1) :], job]
            told = multiprocessing.get_context("spawn")
            queue = told.Queue()
            self._process = told.Process(target=_work, args=(queue, work, args))
            self._process.start()
        threading.Thread(
            target=self._follow, args=(job, self._process, queue, then), daemon=True
        ).start()
        return job

    def cancel(self, number: int, by: str = "") -> bool:
        """End the work of that number, which says who ended it; False where it runs no more."""
        with self._lock:
            found = [job for job in self._jobs if job.number == number and job.state == "runs"]
            if not found or self._process is None:
                return False
            found[0].lines = [f"cancelled by {by}"] if by else []
            found[0].state, found[0].what = "cancelled", ""
            self._process.terminate()
            return True

    def stop(self) -> None:
        """End what runs, as the server ends."""
        for job in self.all():
            self.cancel(job.number)

    def _follow(
        self, job: Job, process: BaseProcess, queue: Queue[Any], then: Callable[[Job], None]
    ) -> None:
        began = time.monotonic()
        while job.state == "runs":
            job.seconds = time.monotonic() - began
            try:
                kind, said = queue.get(timeout=_LOOK_S)
            except (Empty, EOFError, OSError):
                if process.is_alive() or job.state != "runs":
                    continue
                # What it said last may still be under way.
                kind, said = self._last_word(queue)
            if kind == "tells":
                job.what, job.share = said
                continue
            self._end(job, kind, said, then)
        process.join(_END_S)
        if process.is_alive():
            process.kill()

    def _last_word(self, queue: Queue[Any]) -> tuple[str, Any]:
        try:
            found: tuple[str, Any] = queue.get(timeout=1.0)
        except (Empty, EOFError, OSError):
            return "failed", ["the process ended without a word; it may have run out of memory"]
        return found

    def _end(self, job: Job, kind: str, said: list[str], then: Callable[[Job], None]) -> None:
        with self._lock:
            if job.state != "runs":
                return
        job.lines = said
        if kind == "done":
            job.what = "showing what came of it"
            try:
                then(job)
            except (PlannerError, OSError) as error:
                kind, job.lines = "failed", [*said, str(error)]
            except Exception as error:
                # As in `_work`; were it left at work, no other work could ever begin.
                job.lines = [*said, f"a fault in the tool: {type(error).__name__}"]
                job.what, job.share, job.state = "", None, "failed"
                raise
        job.what, job.share = "", None
        job.state = kind


def _work(queue: Queue[Any], work: Work, args: tuple[Any, ...]) -> None:
    """Do the work in its own process and tell its parent of it."""

    def tell(what: str, share: float | None = None) -> None:
        queue.put(("tells", (what, share)))

    try:
        lines = work(tell, *args)
    except (PlannerError, OSError) as error:
        queue.put(("failed", [str(error)]))
    except Exception as error:
        # A fault of ours: the page says that it failed, the server's log says where.
        queue.put(("failed", [f"a fault in the tool: {type(error).__name__}"]))
        raise
    else:
        queue.put(("done", lines))
