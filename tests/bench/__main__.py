"""``python -m tests.bench NAME [--size S] [--json]``: run one benchmark, or all.

``python -m tests.bench table`` runs those that the README's table rests on (`tests.bench.table`).
"""

from __future__ import annotations

import argparse
import importlib
import sys
from collections.abc import Sequence

from planner.errors import PlannerError
from tests.bench import table
from tests.bench.frame import as_json, machine, report
from tests.bench.sizes import SIZES


def main(words: Sequence[str] | None = None) -> int:
    """Run what is named; 0 whatever the figures are, 2 if a benchmark could not run."""
    given = list(sys.argv[1:] if words is None else words)
    if given[:1] == ["table"]:
        return table.main(given[1:])
    parser = argparse.ArgumentParser(prog="python -m tests.bench", description=__doc__)
    parser.add_argument("name", choices=[*SIZES, "all", "table"])
    parser.add_argument("--size", type=_size, help="how much: observations, pipes, seconds, ...")
    parser.add_argument("--json", action="store_true", help="one JSON object a benchmark")
    parser.add_argument("--steps", help="of city: read,screen or read,screen,chain or all four")
    asked = parser.parse_args(given)
    if asked.steps and asked.name != "city":
        parser.error("--steps is for city alone")
    more = {"steps": asked.steps.split(",")} if asked.steps else {}
    seen = {} if asked.json else machine()
    failed = False
    for name in SIZES if asked.name == "all" else [asked.name]:
        size = asked.size or SIZES[name]
        try:
            result = importlib.import_module(f"tests.bench.{name}").run(size, **more)
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
