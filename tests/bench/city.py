"""What a whole city costs part by part, beside the decoding of what it is read from.

The city is invented (`city_town`): every pipe filmed with ten coded rows, the demo's faults
among them. Times are CPU seconds of this process, one thread, compiling not counted; decoding and
what is held against it take turns, and of each the least counts. Above
`CHAIN_MOST` pipes the run ends once all is screened, unless `--steps` asks for the rest.
"""

from __future__ import annotations

import ctypes
import os
import resource
import shutil
import tempfile
import threading
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from time import process_time
from typing import Any
from unittest.mock import patch

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
from city_town import ROWS, write_city

from planner.city.pool import Done, PlainLoop, Task
from planner.city.run import HOME, Job, propose_parts, run_city, set_prices
from planner.city.run import lay_out as lay
from planner.city.split import split_town
from planner.city.whole import read_whole
from planner.city.work import (
    _told_book,
    _told_prices,
    number_work,
    part_work,
    read_job,
    rule_part,
)
from planner.collecting import rarely
from planner.contracts import PRICE_QUANTITIES
from planner.inputs.project import read_project
from planner.screening import screen as screening
from planner.store.chosen import store_of
from planner.tables import empty
from tests.bench.budget import clocked
from tests.bench.frame import BenchResult

STEPS = ("read", "screen", "chain", "change")
"""How far a run goes: the first two always, the chain, and one changed row after it."""
CHAIN_MOST = 100_000
SMALL = 10_000
"""Pipes of the smaller city; a quarter of the size where that is less."""
WARM = 1_000
TURNS = 3
"""So often decoding and ours take turns; of each the least counts."""
NEEDED = {
    "pipes": ["pipe_id", "us_node", "ds_node", "shape", "dn_mm", "height_mm", "material", "lined",
              "stated_m", "drawn_m", "us_invert_m", "ds_invert_m", "geometry"],
    "inspections": ["inspection_id", "pipe_id", "counter_node", "date", "zero_at",
                    "surveyed_m", "complete", "laterals_coded", "size_mm", "material", "scheme"],
    "observations": ["run", "row", "s_m",
                     "mechanism", "role", "detail", "quantity", "quantity_low", "quantity_high",
                     "clock_from_h", "clock_to_h", "stretch", "at_joint"],
}  # fmt: skip
"""Columns that locating and screening cannot do without; those that they could are not decoded."""
GOALS: dict[str, tuple[str, float]] = {
    "read, locate, screen / decoding": ("<=", 3.0),
    "memory beyond the start / decoded bytes": ("<=", 3.0),
    "CPU s of the whole chain with its reading for 100,000 pipes at this rate": ("<=", 90.0),
    "read, locate, screen per pipe / in a smaller city": ("<=", 1.2),
    "the whole chain per pipe / in a smaller city": ("<=", 1.2),
    "parts redone for one changed row": ("<=", 1.0),
}


def run(size: int, steps: Sequence[str] = ()) -> BenchResult:
    """Take a city of `size` pipes, and a smaller one, through the steps of its parts.

    Raises
    ------
    ValueError
        If `steps`, of `STEPS`, leave one out before the last.
    """
    steps = tuple(steps) or (STEPS if size <= CHAIN_MOST else STEPS[:2])
    if len(steps) < 2 or steps != STEPS[: len(steps)]:
        message = f"--steps wants {' or '.join(','.join(STEPS[:n]) for n in (2, 3, 4))}"
        raise ValueError(message)
    few = min(SMALL, max(1, size // 4))
    with tempfile.TemporaryDirectory() as home:
        started = process_time()
        # The compiled walks of many spans are got ready too; one part may be too small for them.
        with patch.object(screening, "CODED_FROM", 0):
            run_city(write_city(Path(home) / "warm", WARM), PlainLoop())
        warm_s = process_time() - started
        small = _chain(Path(home) / "small", few, steps)
        shutil.rmtree(Path(home) / "small")
        large = _chain(Path(home) / "large", size, steps)
        again_s, redone = _changed(Path(home) / "large") if "change" in steps else (0.0, 0)
    rows = [
        _row("compile and warm up", WARM, warm_s, ""),
        _row("write the city's files", size, large["make"], f"{size * ROWS} coded rows"),
        _row("read the project", size, large["read"], "text and layers into tables"),
        _row("lay out in parts", size, large["lay"], f"{large['parts']} parts"),
        _row("floor: decode what is needed", size, large["decode"],
             f"{large['bytes'] / 1e6:.0f} MB decoded"),
        _row("ours: read, locate, screen", size, large["screen"], "spans and grades too"),
        _row("ours: the whole chain", size, large["chain"],
             f"placement, choice, ids, written; {large['sleeves']} sleeves"),
        _row("  of it: propose the parts", size, large["propose"], "screening again in it"),
        _row("  of it: the city's ids", size, large["number"], "into all tables, written"),
        _row("ours: one changed row", size, again_s, f"{redone} parts redone, its file read"),
    ]  # fmt: skip
    ratios = _ratios(small, large, few, size) | {"parts redone for one changed row": float(redone)}
    left = {name for step, names in OF_STEP.items() if step not in steps for name in names}
    return BenchResult(
        rows=[row for row in rows if row["cpu_s"]],  # a step left out took none
        ratios={name: value for name, value in ratios.items() if name not in left},
        goals={name: list(goal) for name, goal in GOALS.items() if name not in left},
    )


OF_STEP = {
    "chain": ("CPU s of the whole chain with its reading for 100,000 pipes at this rate",
              "the whole chain per pipe / in a smaller city"),
    "change": ("parts redone for one changed row",),
}  # fmt: skip
"""Figures of the steps that may be left out."""


def _ratios(small: dict[str, Any], large: dict[str, Any], few: int, size: int) -> dict[str, float]:
    """Give the figures of both cities side by side."""
    per_pipe = {name: large[name] / size for name in ("screen", "chain")}
    grown = {name: per_pipe[name] / (small[name] / few) if small[name] else 0.0
             for name in per_pipe}  # fmt: skip
    return {
        "read, locate, screen / decoding": large["screen"] / large["decode"],
        "memory beyond the start / decoded bytes": large["memory"] / large["bytes"],
        "memory of one part at most [MB]": large["memory"] / 1e6,
        "memory of reading the project [MB]": large["reading"] / 1e6,
        "memory of the process at most [MB]":
            resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3,
        "CPU s of reading, locating, screening 100,000 pipes at this rate":
            per_pipe["screen"] * 100_000,
        "CPU s of the whole chain with its reading for 100,000 pipes at this rate":
            (large["read"] + large["lay"] + large["chain"]) / size * 100_000,
        "read, locate, screen per pipe / in a smaller city": grown["screen"],
        "the whole chain per pipe / in a smaller city": grown["chain"],
        "pipes of the smaller city": float(few),
    }  # fmt: skip


def _row(what: str, pipes: int, seconds: float, note: str) -> dict[str, object]:
    return {"what": what, "pipes": pipes, "cpu_s": round(seconds, 3), "note": note}


def _chain(folder: Path, size: int, steps: Sequence[str]) -> dict[str, Any]:
    """Take one city through the steps; give the CPU seconds of each [s]."""
    make_s, _ = clocked(lambda: write_city(folder, size))
    with Highest() as reading:
        read_s, inputs = clocked(lambda: read_project(folder))
    known, decisions = store_of(folder).read_known(), store_of(folder).read_decisions()
    home = folder / HOME
    home.mkdir()
    loop = Timed()

    def laid() -> Job:
        job = Job(home, inputs, split_town(inputs, known, decisions), loop, _nothing)
        job.job = lay(job)
        set_prices(job, empty(PRICE_QUANTITIES))
        # The ids known on each part are laid beside its rows before anybody works on it.
        job.run("laid out", lambda *_: {}, list(range(len(job.folders))))
        return job

    lay_s, job = clocked(laid)
    numbers = list(range(len(job.folders)))
    paths = [(place / "rows" / f"{name}.parquet", columns)
             for place in job.folders for name, columns in NEEDED.items()]  # fmt: skip
    decoded = sum(pq.read_table(path, columns=columns).nbytes for path, columns in paths)
    decode_s, screen_s = np.min([_in_turn(job, paths) for _ in range(TURNS)], axis=0)
    with Highest() as seen:  # once more: who watches memory takes time
        job.run("screened", screen, numbers)
    chain_s, summaries = (
        clocked(lambda: propose_parts(job, known)) if "chain" in steps else (0.0, [])
    )
    spent = loop.spent
    return {
        "make": make_s, "read": read_s, "lay": lay_s, "decode": decode_s, "screen": screen_s,
        "chain": chain_s, "bytes": decoded, "memory": seen.grown, "reading": reading.grown,
        "propose": spent[part_work.__name__], "number": spent[number_work.__name__],
        "parts": len(numbers), "sleeves": sum(one["sleeves"] for one in summaries),
    }  # fmt: skip


def _in_turn(job: Job, paths: Sequence[tuple[Path, list[str]]]) -> tuple[float, float]:
    """Decode, then read, locate and screen, as a process does that begins; give both times [s]."""
    decode_s, _ = clocked(lambda: _decode(paths))
    for told in (_told_book, _told_prices, read_whole):
        told.cache_clear()
    screen_s, _ = clocked(lambda: job.run("screened", screen, list(range(len(job.folders)))))
    return decode_s, screen_s


def _decode(paths: Sequence[tuple[Path, list[str]]]) -> None:
    """Decode columns of files as anybody would, and let go of each table as parts do."""
    for path, columns in paths:
        pq.read_table(path, columns=columns, use_threads=False)


class Timed(PlainLoop):
    """A plain loop that adds up what each kind of task takes [s of CPU]."""

    def __init__(self) -> None:
        self.spent: Counter[str] = Counter()

    def run(self, task: Task, folder: str, numbers: Sequence[int]) -> Done:
        for number in numbers:
            took_s, found = clocked(lambda number=number: task(folder, number))  # type: ignore[misc]
            self.spent[task.__name__] += took_s
            yield number, found


@rarely
def screen(folder: str, number: int) -> dict[str, Any]:
    """Read one part, put its rows on pipes, join and judge spans; write nothing.

    Garbage is looked for as in the steps of a run.
    """
    rule_part(Path(folder), read_job(Path(folder)), number)
    return {}


def _nothing(_: str) -> None:
    pass


def _changed(folder: Path) -> tuple[float, int]:
    """Finish the city, change one figure of one row, and run it again."""
    run_city(folder, PlainLoop())
    surveys = folder / "surveys.csv"
    rows = pd.read_csv(surveys, dtype="str", keep_default_na=False)
    at = rows.index[rows["code"] == "BAB"][0]
    rows.loc[at, "q1"] = "9"
    rows.to_csv(surveys, index=False)
    again_s, made = clocked(lambda: run_city(folder, PlainLoop()))
    return again_s, made.redone


class Highest:
    """By how much the memory of this process grows at most while something is done [bytes]."""

    def __init__(self) -> None:
        self.grown = 0
        self._over = threading.Event()
        self._watch = threading.Thread(target=self._look, daemon=True)

    def __enter__(self) -> Highest:
        # What was freed before would hide what grows now.
        pa.default_memory_pool().release_unused()
        ctypes.CDLL("libc.so.6").malloc_trim(0)
        self._start = _resident()
        self._watch.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._over.set()
        self._watch.join()

    def _look(self) -> None:
        while not self._over.wait(0.02):
            self.grown = max(self.grown, _resident() - self._start)


def _resident() -> int:
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGESIZE")
