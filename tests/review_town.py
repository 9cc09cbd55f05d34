"""A review page that runs: a small town or the demo's, its guard, a server of its own."""

from __future__ import annotations

import shutil
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import uvicorn

from planner.review.app import make_app
from planner.review.guard import guarded
from planner.review.listen import listen_at
from planner.review.live import Live

USER = "E. Noor"


@dataclass(frozen=True)
class Served:
    """Where the page is, and what it shows."""

    url: str
    live: Live


@contextmanager
def served(folder: Path, live: Live | None = None, user: str = USER) -> Iterator[Served]:
    """Serve a project on a free port of this machine until the block ends."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    at = listen_at(f"127.0.0.1:{port}", folder=folder)
    live = live or Live.open(folder)
    app = guarded(make_app(live), at, None, user=user)
    server = uvicorn.Server(uvicorn.Config(app, **at.uvicorn_settings()))
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    deadline = time.monotonic() + 30
    while not server.started and thread.is_alive() and time.monotonic() < deadline:
        time.sleep(0.01)
    assert server.started
    try:
        yield Served(at.url.rstrip("/"), live)
    finally:
        server.should_exit = True
        thread.join(20)


def copy_of(folder: Path, to: Path) -> Path:
    """Copy a project that a test may change."""
    shutil.copytree(folder, to)
    return to
