"""The review page under load: its first view, an edit until totals show it, many hands at once.

The server runs in a process of its own over the invented town of `tests.bench.onepipe`; clients
are threads of this one, the browser is Debian's chromium.
"""

from __future__ import annotations

import http.client
import multiprocessing
import re
import shutil
import socket
import statistics
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from multiprocessing.connection import Connection
from pathlib import Path
from urllib.parse import urlencode, urlsplit

import numpy as np
import uvicorn

from planner.review.app import make_app
from planner.review.guard import guarded
from planner.review.listen import listen_at
from planner.review.live import Live
from planner.store.chosen import STORE
from planner.store.decisions import open_store
from tests.bench.frame import BenchResult
from tests.bench.onepipe import make_town
from tests.conftest import BROWSER_FLAGS

SPANS_PER_PIPE = 4942 / 3000  # of the invented town, counted
CLIENTS, EDITS, TIMED_EDITS, FEW = 8, 500, 40, 5
THINK_S = 0.7
WORDS = ("accept", "hold", "refuse", "undo")
GOALS: dict[str, tuple[str, float]] = {
    "first usable view over an empty page [s]": ("<=", 1.0),
    "edit to updated totals, p95 of 8 clients [s]": ("<=", 0.3),
    "edits lost": ("<=", 0.0),
    "answers to stale edits that are not 409": ("<=", 0.0),
}


@dataclass
class Told:
    """What the clients saw: seconds of each edit, versions taken, answers that were no 200."""

    seconds: list[float] = field(default_factory=list)
    taken: list[tuple[str, str]] = field(default_factory=list)
    stale: int = 0
    strange: list[str] = field(default_factory=list)


def run(size: int) -> BenchResult:
    """Serve a town of about `size` spans and use it as people would, and worse.

    Raises
    ------
    OSError
        If chromium is not installed.
    """
    chromium = shutil.which("chromium")
    if chromium is None:
        message = "chromium is not installed"
        raise OSError(message)
    with tempfile.TemporaryDirectory() as folder, served(folder, size) as at:
        empty_s, first_s = views(chromium, at.url)
        filter_s = statistics.median(timed_get(at.url, "/engineer/list?verdict=%3Drefer"))
        alone = edits(at, 1, TIMED_EDITS, think_s=0.0)
        calm = edits(at, CLIENTS, TIMED_EDITS, think_s=THINK_S)
        racing = edits(at, CLIENTS, EDITS, think_s=0.0, few=True)
        stored = open_store(Path(folder) / STORE).read_decisions()
        told = [*alone.taken, *calm.taken, *racing.taken]
        lost = len(set(told) - set(zip(stored["by"], stored["reason"], strict=True)))
        lost += abs(len(told) - len(stored))
    p95 = float(np.quantile(calm.seconds, 0.95))
    strange = [*alone.strange, *calm.strange, *racing.strange]
    return BenchResult(
        rows=[
            line("server: read, propose, lay out", at.spans, at.opened_s, f"{at.pipes} pipes"),
            line("browser: an empty page", 1, empty_s, "the log without a row"),
            line("browser: first usable view", at.spans, first_s, "rows and map there"),
            line("list filtered", at.spans, filter_s, "median of 20"),
            line("one client: edit to totals", TIMED_EDITS, _median(alone), "median"),
            line("8 clients: edit to totals", len(calm.seconds), _median(calm),
                 f"median; {THINK_S} s of thought between edits; p95 {p95:.3f} s"),
            line("8 clients without a pause", len(racing.taken) + racing.stale, _median(racing),
                 f"on {FEW} pipes: {len(racing.taken)} taken, {racing.stale} refused as stale"),
        ],
        ratios={
            "first usable view over an empty page [s]": first_s - empty_s,
            "edit to updated totals, p95 of 8 clients [s]": p95,
            "edits lost": float(lost),
            "answers to stale edits that are not 409": float(len(strange)),
        },
        goals={name: list(goal) for name, goal in GOALS.items()},
    )  # fmt: skip


def _median(told: Told) -> float:
    return statistics.median(told.seconds)


def line(what: str, count: int, seconds: float, note: str) -> dict[str, object]:
    return {"what": what, "count": count, "seconds": round(seconds, 4), "note": note}


@dataclass(frozen=True)
class At:
    """Where the server is and what it serves."""

    url: str
    pipe_ids: list[str]
    span_of: dict[str, str]
    spans: int
    pipes: int
    opened_s: float


@contextmanager
def served(folder: str, size: int) -> Iterator[At]:
    """Serve the town from a process of its own until the block ends."""
    ours, theirs = multiprocessing.Pipe()
    process = multiprocessing.get_context("spawn").Process(
        target=_serve, args=(theirs, folder, size)
    )
    process.start()
    theirs.close()
    try:
        yield ours.recv()
    finally:
        process.terminate()
        process.join(20)


def _serve(told: Connection, folder: str, size: int) -> None:
    inputs = make_town(max(10, round(size / SPANS_PER_PIPE)))
    began = time.perf_counter()
    live = Live.over(inputs, Path(folder))
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    at = listen_at(f"127.0.0.1:{port}", folder=Path(folder))
    page = make_app(live)
    page.state.make_ready()
    app = guarded(page, at, None, user="Bench")
    server = uvicorn.Server(uvicorn.Config(app, **at.uvicorn_settings()))
    opened_s = time.perf_counter() - began
    tables = live.made.tables
    choices = tables["choices"]
    open_ = choices.loc[(choices["state"] == "proposed").to_numpy(bool), "pipe_id"].tolist()
    span_of = dict(zip(tables["verdicts"]["pipe_id"], tables["verdicts"]["span_id"], strict=True))

    def tell() -> None:
        while not server.started:
            time.sleep(0.01)
        spans = len(tables["spans"])
        told.send(At(at.url.rstrip("/"), open_, span_of, spans, len(inputs.pipes), opened_s))

    threading.Thread(target=tell, daemon=True).start()
    server.run()


def views(chromium: str, url: str) -> tuple[float, float]:
    """Give the median seconds of an empty page and of the desk until rows and map are there."""
    from playwright.sync_api import sync_playwright

    found: dict[str, list[float]] = {"/log": [], "/engineer": []}
    ready = {
        "/log": "() => document.querySelector('main h1')",
        "/engineer": "() => document.querySelector('.span-row') "
        "&& document.querySelector('#map canvas')",
    }
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=chromium, args=list(BROWSER_FLAGS))
        for _ in range(5):
            for path, words in ready.items():
                page = browser.new_context(viewport={"width": 1280, "height": 800}).new_page()
                began = time.perf_counter()
                page.goto(url + path)
                page.wait_for_function(words)
                found[path].append(time.perf_counter() - began)
                page.context.close()
        browser.close()
    return statistics.median(found["/log"]), statistics.median(found["/engineer"])


class Client:
    """One person's connection, with the token that the page gave."""

    def __init__(self, url: str) -> None:
        self._host = urlsplit(url).netloc
        self._url = url
        self._line = http.client.HTTPConnection(self._host, timeout=120)
        page = self.get("/log")
        found = re.search(r"X-Token[^A-Za-z0-9]+([A-Za-z0-9_-]{20,})", page)
        if found is None:
            message = "the page has no token"
            raise RuntimeError(message)
        self._token = found[1]

    def get(self, path: str) -> str:
        self._line.request("GET", path)
        return self._line.getresponse().read().decode()

    def post(self, path: str, fields: dict[str, str]) -> tuple[int, str]:
        kind = "application/x-www-form-urlencoded"
        heads = {"Content-Type": kind, "X-Token": self._token, "Origin": self._url}
        self._line.request("POST", path, urlencode(fields), heads)
        answer = self._line.getresponse()
        return answer.status, answer.read().decode()


def timed_get(url: str, path: str, times: int = 20) -> list[float]:
    """Give the seconds of each of some answers."""
    client, found = Client(url), []
    for _ in range(times):
        began = time.perf_counter()
        client.get(path)
        found.append(time.perf_counter() - began)
    return found


def edits(at: At, clients: int, each: int, *, think_s: float, few: bool = False) -> Told:
    """Let clients edit at once; each asks the totals after an edit, and both times count."""
    told, versions, lock = Told(), dict.fromkeys(at.pipe_ids, 0), threading.Lock()
    phase = f"{clients}/{each}/{think_s}"
    versions |= _seen_now(at, at.pipe_ids[:FEW] if few else at.pipe_ids[: clients * 3])

    def work(number: int) -> None:
        client, draw = Client(at.url), np.random.default_rng(number)
        # Without `few` each client has pipes of its own, as people who share a town would.
        mine = at.pipe_ids[:FEW] if few else at.pipe_ids[number * 3 : number * 3 + 3]
        for turn in range(each):
            pipe = str(draw.choice(mine))
            fields = {
                "row": at.span_of[pipe],
                "decision": WORDS[turn % 4],
                "opened": "no",
                "reason": f"{phase} {number}.{turn}",
                "seen": str(versions[pipe]),
            }
            began = time.perf_counter()
            status, text = client.post("/engineer/decide", fields)
            totals = client.get("/estimator/totals") if status == 200 and not few else ""
            seconds = time.perf_counter() - began
            with lock:
                told.seconds.append(seconds)
                if status == 200:
                    told.taken.append(("Bench", fields["reason"]))
                elif status == 409:
                    told.stale += 1
                else:
                    told.strange.append(f"{status} {text[:200]}")
            versions[pipe] = max(versions[pipe], _version_in(client, at, pipe))
            if think_s:
                time.sleep(think_s * (0.5 + draw.random()))
            del totals

    run_all(work, clients)
    return told


def _version_in(client: Client, at: At, pipe: str) -> int:
    """Read from the row, as a person would see it, which decision on the pipe is the last."""
    page = client.get(f"/engineer/span/{at.span_of[pipe]}")
    found = re.search(r'name="seen" value="(\d+)"', page)
    return int(found[1]) if found else 0


def _seen_now(at: At, pipes: list[str]) -> dict[str, int]:
    client = Client(at.url)
    return {pipe: _version_in(client, at, pipe) for pipe in pipes}


def run_all(work: Callable[[int], None], count: int) -> None:
    threads = [threading.Thread(target=work, args=(number,)) for number in range(count)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
