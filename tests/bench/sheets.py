"""How fast run sheets are written, and whether each sleeve's place can be read from them."""

from __future__ import annotations

import re
import subprocess
import tempfile
import time
from pathlib import Path

import pandas as pd

from planner.contracts.facts import RunFacts
from planner.outputs.sheets import write_sheets
from planner.outputs.wording import metres
from planner.units import factor
from tests.bench.frame import BenchResult, timed
from tests.sheet_town import STOPS, sheet_week

FACTS = RunFacts("Bench Town", "2026-01-12", "EUR", "metric", "EPSG:25832", "EPSG:25832",
                 False, False, True, "0")  # fmt: skip
GOALS: dict[str, tuple[str, float]] = {
    "seconds for 50 days": ("<=", 2.0),
    "files that differ on repeat": ("<=", 0.0),
    "sleeves not found in the text": ("<=", 0.0),
}


def run(size: int) -> BenchResult:
    """Write the sheets of `size` crew-days of eight stops, each with its strip, twice.

    Three stops of each day set a sleeve, three clean, two film; no two days are alike. The
    text of each sheet is read by pdftotext. The processor's time says something on a machine
    that others use too.

    Raises
    ------
    OSError
        If pdftotext is not installed.
    """
    tables = sheet_week(size)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        factor("psi", "bar")  # the table of units is loaded by then, as in any plan
        before_s = time.process_time()
        first_s, one = timed(lambda: write_sheets(tables, FACTS, folder / "one"))
        cpu_s = time.process_time() - before_s
        again_s, two = timed(lambda: write_sheets(tables, FACTS, folder / "two"))
        differ = sum(a.read_bytes() != b.read_bytes() for a, b in zip(one, two, strict=True))
        lost = sum(_lost(path, number, tables) for number, path in enumerate(one))
        weight = sum(path.stat().st_size for path in one)
    strips = len(tables["visits"])
    rows = [
        {"what": "first run", "days": size, "strips": strips, "seconds": round(first_s, 3)},
        {"what": "same again", "days": size, "strips": strips, "seconds": round(again_s, 3)},
    ]
    ratios = {
        "seconds for 50 days": first_s * 50 / size,
        "processor seconds for 50 days": cpu_s * 50 / size,
        "seconds a strip": first_s / strips,
        "files that differ on repeat": float(differ),
        "sleeves not found in the text": float(lost),
        "sleeves": float(len(tables["sleeves"])),
        "kB a day": weight / size / 1000,
    }
    return BenchResult(rows, ratios, {name: list(goal) for name, goal in GOALS.items()})


def _lost(path: Path, number: int, tables: dict[str, pd.DataFrame]) -> int:
    """Count the sleeves of one day whose counter and manhole its text does not hold."""
    done = subprocess.run(
        ["pdftotext", "-layout", str(path), "-"], capture_output=True, text=True, check=True
    )
    text = re.sub(r"\s+", " ", done.stdout)
    pipes = {f"P{number * STOPS + stop}" for stop in range(STOPS)}
    sleeves = tables["sleeves"][tables["sleeves"]["pipe_id"].isin(pipes)]
    lost = 0
    for row in sleeves.itertuples():
        length = 50.0  # of every pipe; the counter runs from its lower end
        near, far = metres(length - float(row.to_m)), metres(length - float(row.from_m))  # type: ignore[arg-type]
        place = rf"Counter from {row.counter_node}, .{{0,80}}?{near} to {far}"
        lost += re.search(place, text) is None
    return lost
