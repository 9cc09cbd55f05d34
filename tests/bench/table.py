"""``python -m tests.bench table``: measure what the README's table says, and write the table.

Each benchmark runs in a process of its own, so that neither memory nor what is warm is
another's, with the spin test just before it. Its figures go into figures.json as soon as it is
done, in the place of what stood there of the same benchmark and size.

    python -m tests.bench table                          all, at all sizes: hours
    python -m tests.bench table --sizes 10000,100000     smaller cities
    python -m tests.bench table --only city:250000,map   some; a size is in the bench's own unit
    python -m tests.bench table --only city:250000 --steps read,screen,chain
    python -m tests.bench table --readme                 measure nothing, write the README's table
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import shutil
import subprocess
import sys
import time
from collections.abc import Sequence
from datetime import UTC, datetime
from importlib import metadata
from typing import Any

from tests.bench.figures import (
    FIGURES,
    README,
    in_readme,
    merged,
    read_figures,
    sizes_of,
    write_figures,
)
from tests.bench.frame import BenchResult, machine, report
from tests.bench.sizes import CITIES, PER_PIPE, UNITS

LIBRARIES = ("numpy", "numba", "pandas", "geopandas", "shapely", "pyarrow", "pyogrio")


def main(words: Sequence[str]) -> int:
    """Measure and write figures.json, or write the table; 2 if a benchmark could not run."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.bench table",
        description=__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--sizes", type=_sizes, default=CITIES, help="pipes of the cities")
    parser.add_argument("--only", help="NAME[:SIZE],...: some of " + ", ".join(UNITS))
    parser.add_argument("--steps", help="how far city goes at all sizes, as tests.bench.city says")
    parser.add_argument("--readme", action="store_true", help="write the README's table and end")
    asked = parser.parse_args(words)
    if asked.readme:
        README.write_text(in_readme(README.read_text("utf-8"), read_figures()), "utf-8")
        return 0
    try:
        todo = list_todo(asked.only or "", asked.sizes)
    except ValueError as error:
        parser.error(str(error))
    failed = [name for name, size in todo if not _measure(name, size, asked.steps or "")]
    return 2 if failed else 0


def _sizes(text: str) -> tuple[int, ...]:
    sizes = tuple(int(one) for one in text.split(","))
    if min(sizes) < 1:
        message = f"wants 1 or more, not {text}"
        raise argparse.ArgumentTypeError(message)
    return sizes


def list_todo(only: str, cities: Sequence[int]) -> list[tuple[str, int]]:
    """List benchmarks with their sizes, small ones first: a city of 1M comes last.

    Raises
    ------
    ValueError
        For a name that is not of the table, or a size that is none.
    """
    found: list[tuple[str, int]] = []
    for word in only.split(",") if only else UNITS:
        name, _, size = word.partition(":")
        if name not in UNITS:
            message = f"--only: {name!r} is none of {', '.join(UNITS)}"
            raise ValueError(message)
        if size and (not size.isdigit() or int(size) < 1):
            message = f"--only: {word!r} wants a size of 1 or more after the colon"
            raise ValueError(message)
        found += [(name, one) for one in ([int(size)] if size else sizes_of(name, cities))]
    return sorted(found, key=lambda one: one[1] / PER_PIPE[one[0]] if one[0] in PER_PIPE else 0)


def _measure(name: str, size: int, steps: str) -> bool:
    """Run one benchmark and keep its figures; False, told in one line, if it could not run."""
    words = ["-m", "tests.bench", name, "--size", str(size), "--json"]
    words += ["--steps", steps] if steps and name == "city" else []
    print(f"{name}, size {size} ...", file=sys.stderr, flush=True)
    seen = machine() | {"memory_gb": _memory_gb(), "load": round(os.getloadavg()[0], 1)}
    try:
        told, spent = run_alone([sys.executable, *words])
    except (OSError, RuntimeError, ValueError) as error:
        print(f"{name}, size {size}: {error}", file=sys.stderr)
        return False
    entry = entry_of(told, seen, {"command": " ".join(["python", *words]), **spent})
    write_figures(merged(read_figures(FIGURES), entry), FIGURES)
    result = BenchResult(told["rows"], told["ratios"], told["goals"])
    print(report(name, size, result, seen), flush=True)
    return True


def run_alone(command: Sequence[str]) -> tuple[dict[str, Any], dict[str, float]]:
    """Run a command; give the JSON object it prints last, and what it took.

    Returns
    -------
    told, spent
        `spent`: seconds of the clock and of CPU and the most memory [MB], of the process and
        those it started and waited for.

    Raises
    ------
    RuntimeError
        If it ends otherwise than by 0, or is killed.
    ValueError
        If it prints no object.
    """
    start = time.perf_counter()
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as child:
        said = child.stdout.read() if child.stdout else ""
        _, status, usage = os.wait4(child.pid, 0)
        child.returncode = os.waitstatus_to_exitcode(status)
    if child.returncode:
        how = f"was killed by signal {-child.returncode}" if child.returncode < 0 else (
            f"ended with {child.returncode}")  # fmt: skip
        message = f"{how}; nothing is kept of it"
        raise RuntimeError(message)
    lines = [line for line in said.splitlines() if line.startswith("{")]
    if not lines:
        message = "printed no figures"
        raise ValueError(message)
    return json.loads(lines[-1]), {
        "wall_s": round(time.perf_counter() - start, 1),
        "cpu_s": round(usage.ru_utime + usage.ru_stime, 1),
        "memory_mb": round(usage.ru_maxrss / 1e3),
    }


def entry_of(
    told: dict[str, Any], seen: dict[str, object], more: dict[str, object]
) -> dict[str, Any]:
    """Give what figures.json holds of one run."""
    return {
        "bench": told["bench"],
        "size": told["size"],
        "date": datetime.now(UTC).date().isoformat(),
        **more,
        "machine": seen,
        "versions": {"python": platform.python_version(), "code": _commit()}
        | {name: metadata.version(name) for name in LIBRARIES},
        "rows": told["rows"],
        "ratios": told["ratios"],
        "goals": told["goals"],
        "met": {name: name not in told["unmet"] for name in told["goals"]},
    }


def _memory_gb() -> float:
    return round(os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGESIZE") / 1e9, 1)


def _commit() -> str:
    """Name the commit that was measured, + where files were changed since; '' without git."""
    git = shutil.which("git")
    return (
        ""
        if git is None
        else _git(git, "rev-parse", "--short", "HEAD")
        + ("+" if _git(git, "status", "--porcelain", "--untracked-files=no", "--", "*.py") else "")
    )


def _git(git: str, *words: str) -> str:
    done = subprocess.run(
        [git, *words], cwd=README.parent, capture_output=True, text=True, check=False
    )
    return done.stdout.strip()


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
