"""``python -m tests.bench NAME [--size S] [--json]``: run one benchmark, or all."""

from __future__ import annotations

import argparse
import importlib
import sys
from collections.abc import Sequence

from planner.errors import PlannerError
from tests.bench.frame import as_json, machine, report

SIZES = {
    "inputs": 1_000_000,
    "locate": 100_000,
    "rules": 1_000_000,
    "place": 1_000,
    "budget": 10_000,
    "public": 60,
    "week": 200,
    "travel": 3_000,
    "onepipe": 100_000,
    "weeks": 200,
    "replan": 200,
    "sheets": 50,
    "map": 20_000,
    "review": 5_000,
    "store": 100_000,
    "city": 10_000,
    "cluster": 12_000,
}
"""Benchmarks by name, with the size each takes by default."""


def main(words: Sequence[str] | None = None) -> int:
    """Run what is named; 0 whatever the figures are, 2 if a benchmark could not run."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench", description=__doc__)
    parser.add_argument("name", choices=[*SIZES, "all"])
    parser.add_argument("--size", type=_size, help="how much: observations, pipes, seconds, ...")
    parser.add_argument("--json", action="store_true", help="one JSON object a benchmark")
    asked = parser.parse_args(words)
    seen = {} if asked.json else machine()
    failed = False
    for name in SIZES if asked.name == "all" else [asked.name]:
        size = asked.size or SIZES[name]
        try:
            result = importlib.import_module(f"tests.bench.{name}").run(size)
        except (ImportError, MemoryError, OSError, PlannerError, RuntimeError, ValueError) as error:
            print(f"{name} could not run: {error}", file=sys.stderr)
            failed = True
            continue
        print(as_json(name, size, result) if asked.json else report(name, size, result, seen))
    return 2 if failed else 0


def _size(text: str) -> int:
    size = int(text)
    if size < 1:
        message = f"wants 1 or more, not {size}"
        raise argparse.ArgumentTypeError(message)
    return size


if __name__ == "__main__":
    sys.exit(main())
