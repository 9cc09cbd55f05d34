"""Who does the parts: this process, processes of this host; see `cluster` for other hosts."""

from __future__ import annotations

import multiprocessing
import os
import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from typing import Any, Protocol

from planner.city.filing import CityError
from planner.city.forked import ONE_THREAD, forking

Task = Callable[[str, int], dict[str, Any]]
Done = Iterator[tuple[int, dict[str, Any]]]
Say = Callable[[str], None]
_TIMES_BROKEN = 3


class Pool(Protocol):
    """Does a task for parts by number; gives each summary as it comes. Used within ``with``."""

    def __enter__(self) -> Pool:
        """Get ready."""

    def __exit__(self, *_: object) -> None:
        """Let go of workers."""

    def run(self, task: Task, folder: str, numbers: Sequence[int]) -> Done:
        """Do `task` for each of `numbers`, in any order."""


class PlainLoop:
    """One part after the other, in this process."""

    def __enter__(self) -> PlainLoop:
        """Get ready: there is nothing to do."""
        return self

    def __exit__(self, *_: object) -> None:
        """Let go of nothing."""

    def run(self, task: Task, folder: str, numbers: Sequence[int]) -> Done:
        """Do `task` for each of `numbers`, in their order."""
        for number in numbers:
            yield number, task(folder, number)


class Processes:
    """Some processes of this host, each kept to one thread."""

    def __init__(self, workers: int) -> None:
        """Start nothing yet; `workers` processes at most."""
        self._workers = workers
        self._pool: ProcessPoolExecutor | None = None

    def __enter__(self) -> Processes:
        """Get ready: processes start with the first part."""
        return self

    def __exit__(self, *_: object) -> None:
        """End the processes; what they have in hand is not waited for."""
        if self._pool is not None:
            self._pool.shutdown(wait=False, cancel_futures=True)
            self._pool = None

    def run(self, task: Task, folder: str, numbers: Sequence[int]) -> Done:
        """Do `task` for each of `numbers`; what a killed process had in hand is done again.

        Raises
        ------
        CityError
            If processes die again and again, as where memory is short.
        """
        left = list(numbers)
        for _ in range(_TIMES_BROKEN):
            try:
                for number, found in self._once(task, folder, left):
                    left.remove(number)
                    yield number, found
            except BrokenProcessPool:
                self.__exit__()
            if not left:
                return
        message = (
            f"worker processes were killed {_TIMES_BROKEN} times, {len(left)} parts are left; if "
            "memory is short, use fewer --workers; run again to go on"
        )
        raise CityError(message)

    def _once(self, task: Task, folder: str, numbers: Sequence[int]) -> Done:
        if not numbers:
            return
        if self._pool is None:
            self._pool = ProcessPoolExecutor(
                self._workers, mp_context=forking(), initializer=_end_with_parent
            )
        with _one_thread():  # a process is started when there is work for it
            futures: dict[Future[dict[str, Any]], int] = {
                self._pool.submit(task, folder, number): number for number in numbers
            }
            for future in as_completed(futures):
                yield futures[future], future.result()


def _end_with_parent() -> None:
    """Let a worker end with the process that started it, even where that was killed."""
    parent = multiprocessing.parent_process()
    if parent is None:
        return

    def wait() -> None:
        parent.join()
        os._exit(1)

    threading.Thread(target=wait, daemon=True).start()


@contextmanager
def _one_thread() -> Iterator[None]:
    """Let processes that start in here have one thread each."""
    before = {name: os.environ.get(name) for name in ONE_THREAD}
    os.environ.update(dict.fromkeys(ONE_THREAD, "1"))
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value
