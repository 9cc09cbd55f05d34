"""What a whole city costs part by part, beside the decoding of what it is read from.

The city is invented (`city_town`): every pipe filmed with ten coded rows, the demo's faults
among them. Times are CPU seconds of this process, one thread, compiling not counted.
"""

from __future__ import annotations

import os
import shutil
import tempfile
import threading
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from time import process_time
from typing import Any

import pandas as pd
import pyarrow.parquet as pq
from city_town import ROWS, write_city

from planner.city.pool import Done, PlainLoop, Task
from planner.city.run import HOME, Job, propose_parts, run_city, set_prices
from planner.city.run import lay_out as lay
from planner.city.split import split_town
from planner.city.work import number_work, part_work, read_job, rule_part
from planner.contracts import PRICE_QUANTITIES
from planner.inputs.project import read_project
from planner.store.chosen import store_of
from planner.tables import empty
from tests.bench.budget import clocked
from tests.bench.frame import BenchResult

SIZES = (10_000, 100_000, 250_000, 1_000_000)
"""Sizes that the issue names, in pipes; run the larger ones with --size."""
WARM = 300
NEEDED = {
    "pipes": ["pipe_id", "us_node", "ds_node", "shape", "dn_mm", "height_mm", "material", "lined",
              "stated_m", "drawn_m", "us_invert_m", "ds_invert_m", "geometry"],
    "inspections": ["inspection_id", "pipe_id", "counter_node", "direction", "date", "zero_at",
                    "surveyed_m", "complete", "laterals_coded", "size_mm", "material", "scheme"],
    "observations": ["run", "row", "s_m", "code", "char1", "char2",
                     "mechanism", "role", "detail", "quantity", "quantity_low", "quantity_high",
                     "clock_from_h", "clock_to_h", "stretch", "at_joint"],
}  # fmt: skip
"""Columns that locating and screening cannot do without."""
GOALS: dict[str, tuple[str, float]] = {
    "read, locate, screen / decoding": ("<=", 3.0),
    "memory beyond the start / decoded bytes": ("<=", 3.0),
    "CPU s of the whole chain for 100,000 pipes at this rate": ("<=", 90.0),
    "time per pipe / that of a quarter of the size": ("<=", 1.2),
    "parts redone for one changed row": ("<=", 1.0),
}


def run(size: int) -> BenchResult:
    """Take a city of `size` pipes, and one of a quarter, through all steps of its parts."""
    with tempfile.TemporaryDirectory() as home:
        started = process_time()
        run_city(write_city(Path(home) / "warm", WARM), PlainLoop())
        warm_s = process_time() - started
        small = _chain(Path(home) / "small", max(1, size // 4))
        shutil.rmtree(Path(home) / "small")
        large = _chain(Path(home) / "large", size)
        again_s, redone = _changed(Path(home) / "large")
    per_pipe = large["chain"] / size
    return BenchResult(
        rows=[
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
            _row("ours: one changed row", size, again_s, f"{redone} parts redone, all read"),
        ],
        ratios={
            "read, locate, screen / decoding": large["screen"] / large["decode"],
            "memory beyond the start / decoded bytes": large["memory"] / large["bytes"],
            "memory of one part at most [MB]": large["memory"] / 1e6,
            "memory of reading the project [MB]": large["reading"] / 1e6,
            "CPU s of the whole chain for 100,000 pipes at this rate": per_pipe * 100_000,
            "time per pipe / that of a quarter of the size":
                per_pipe / (small["chain"] / max(1, size // 4)),
            "parts redone for one changed row": float(redone),
        },
        goals={name: list(goal) for name, goal in GOALS.items()},
    )  # fmt: skip


def _row(what: str, pipes: int, seconds: float, note: str) -> dict[str, object]:
    return {"what": what, "pipes": pipes, "cpu_s": round(seconds, 3), "note": note}


def _chain(folder: Path, size: int) -> dict[str, Any]:
    """Take one city through all steps; give the CPU seconds of each [s]."""
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
        return job

    lay_s, job = clocked(laid)
    numbers = list(range(len(job.folders)))
    paths = [(place / "rows" / f"{name}.parquet", columns)
             for place in job.folders for name, columns in NEEDED.items()]  # fmt: skip
    decoded = sum(pq.read_table(path, columns=columns).nbytes for path, columns in paths)
    decode_s = min(
        clocked(lambda: [pq.read_table(path, columns=cols, use_threads=False)
                         for path, cols in paths])[0]
        for _ in range(3)
    )  # fmt: skip
    with Highest() as seen:
        screen_s, _ = clocked(lambda: job.run("screened", screen, numbers))
    chain_s, summaries = clocked(lambda: propose_parts(job, known))
    spent = loop.spent
    return {
        "make": make_s, "read": read_s, "lay": lay_s, "decode": decode_s, "screen": screen_s,
        "chain": chain_s, "bytes": decoded, "memory": seen.grown, "reading": reading.grown,
        "propose": spent[part_work.__name__], "number": spent[number_work.__name__],
        "parts": len(numbers), "sleeves": sum(one["sleeves"] for one in summaries),
    }  # fmt: skip


class Timed(PlainLoop):
    """A plain loop that adds up what each kind of task takes [s of CPU]."""

    def __init__(self) -> None:
        self.spent: Counter[str] = Counter()

    def run(self, task: Task, folder: str, numbers: Sequence[int]) -> Done:
        for number in numbers:
            took_s, found = clocked(lambda number=number: task(folder, number))  # type: ignore[misc]
            self.spent[task.__name__] += took_s
            yield number, found


def screen(folder: str, number: int) -> dict[str, Any]:
    """Read one part, put its rows on pipes, join and judge spans; write nothing."""
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
