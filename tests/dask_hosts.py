"""A Dask scheduler and workers over TCP on this host, as processes of their own."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
WAIT_S = 60.0
ENV = {"OMP_NUM_THREADS": "1", "NUMBA_NUM_THREADS": "1"}


class DaskHosts:
    """One scheduler and some workers, each under a nanny that starts it again when it dies."""

    def __init__(
        self, folder: Path, workers: int, code: Path = ROOT, pair: tuple[Path, Path] | None = None
    ) -> None:
        """Logs and the scheduler's address go into `folder`; workers import from `code`.

        With a `pair` of certificate and key, its own authority, they speak TLS.
        """
        self._folder, self._code = folder, code
        cert, key = map(str, pair or ("", ""))
        self._tls = ["--tls-ca-file", cert, "--tls-cert", cert, "--tls-key", key] if pair else []
        self._told = folder / "scheduler.json"
        folder.mkdir(parents=True)
        self._all: list[subprocess.Popen[bytes]] = []
        self.scheduler = self._start(
            "scheduler", "--host", "127.0.0.1", "--port", "0", "--no-dashboard",
            "--scheduler-file", str(self._told), *(["--protocol", "tls"] if pair else []),
            *self._tls,
        )  # fmt: skip
        self.address = self._address()
        self.workers = [self._worker() for _ in range(workers)]

    def __enter__(self) -> DaskHosts:
        return self

    def __exit__(self, *_: object) -> None:
        for one in reversed(self._all):
            if one.poll() is None:
                os.killpg(one.pid, signal.SIGTERM)
        for one in self._all:
            try:
                one.wait(10)
            except subprocess.TimeoutExpired:
                os.killpg(one.pid, signal.SIGKILL)
                one.wait()

    def kill_scheduler(self) -> None:
        """Kill it as a power cut would."""
        os.killpg(self.scheduler.pid, signal.SIGKILL)
        self.scheduler.wait()

    def kill_worker(self) -> None:
        """Kill the process that works under the first nanny; the nanny starts another."""
        (forker,) = [p for p in _children(self.workers[0].pid) if _is_forker(p)]
        os.kill(_children(forker)[-1], signal.SIGKILL)

    def cpu_s(self) -> float:
        """Give the CPU that all of them took so far, with processes that have ended [s]."""
        return sum(_cpu_s(one.pid) for one in self._all if one.poll() is None)

    def _worker(self) -> subprocess.Popen[bytes]:
        return self._start(
            "worker", self.address, "--nthreads", "1", "--no-dashboard", "--memory-limit", "0",
            "--local-directory", str(self._folder), "--preload-nanny", "planner.city.forked",
            *self._tls,
        )  # fmt: skip

    def _start(self, what: str, *words: str) -> subprocess.Popen[bytes]:
        log = (self._folder / f"{what}-{len(self._all)}.log").open("wb")
        module = f"distributed.cli.dask_{what}"
        path = os.pathsep.join([str(self._code), os.environ.get("PYTHONPATH", "")])
        started = subprocess.Popen(
            [sys.executable, "-m", module, *words],
            env={**os.environ, **ENV, "PYTHONPATH": path},
            cwd=self._folder,
            stdout=log,
            stderr=log,
            start_new_session=True,
        )
        log.close()
        self._all.append(started)
        return started

    def _address(self) -> str:
        until = time.monotonic() + WAIT_S
        while time.monotonic() < until:
            if self._told.is_file() and (text := self._told.read_text()):
                return str(json.loads(text)["address"])
            if self.scheduler.poll() is not None:
                break
            time.sleep(0.1)
        message = f"the scheduler did not start; see {self._folder}"
        raise RuntimeError(message)


def _children(pid: int) -> list[int]:
    threads = Path(f"/proc/{pid}/task").iterdir()
    return [int(p) for one in threads for p in (one / "children").read_text().split()]


def _is_forker(pid: int) -> bool:
    return b"multiprocessing.forkserver" in Path(f"/proc/{pid}/cmdline").read_bytes()


def _cpu_s(pid: int) -> float:
    """Give the CPU of a process, of its ended children and of those that live."""
    times = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[11:15]
    own = sum(int(ticks) for ticks in times) / os.sysconf("SC_CLK_TCK")
    return own + sum(_cpu_s(child) for child in _children(pid))
