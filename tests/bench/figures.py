"""The figures that were measured, in figures.json, and the README's table made from them."""

from __future__ import annotations

import json
import textwrap
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from tests.bench.sizes import CITIES, PER_PIPE, SIZES, UNITS

FIGURES = Path(__file__).with_name("figures.json")
README = Path(__file__).resolve().parents[2] / "README.md"
FIRST = "<!-- figures: written by `python -m tests.bench table --readme` -->"
LAST = "<!-- end of figures -->"
NOUGHT = ["<=", 0.0]
Entry = Mapping[str, Any]
"""One benchmark at one size: date, machine, versions, command, rows, ratios, goals, met."""


def read_figures(path: Path = FIGURES) -> list[Entry]:
    """Read what was measured so far; nothing where there is no file."""
    return json.loads(path.read_text("utf-8")) if path.is_file() else []


def merged(entries: Sequence[Entry], new: Entry) -> list[Entry]:
    """Put a new entry in the place of the one of its benchmark and size; keep all others."""
    key = (new["bench"], new["size"])
    kept = [one for one in entries if (one["bench"], one["size"]) != key]
    order = list(UNITS)
    return sorted([*kept, new], key=lambda one: (order.index(one["bench"]), one["size"]))


def write_figures(entries: Sequence[Entry], path: Path = FIGURES) -> None:
    """Write all entries, one line for each of their keys."""
    said = ",\n".join(
        "{\n"
        + ",\n".join(f" {json.dumps(key)}: {json.dumps(value)}" for key, value in one.items())
        + "\n}"
        for one in entries
    )
    path.write_text(f"[\n{said}\n]\n", "utf-8")


def sizes_of(bench: str, cities: Sequence[int] = CITIES) -> list[int]:
    """Give the sizes the table wants of a benchmark, in its own unit."""
    return [n * PER_PIPE[bench] for n in cities] if bench in PER_PIPE else [SIZES[bench]]


def table_of(entries: Sequence[Entry]) -> str:
    """Write the table for a reader: each goal, its figure at each size, whether it is met."""
    lines = [_caption(entries), "", "| bench | figure | goal | measured | met |",
             "|---|---|---|---|---|"]  # fmt: skip
    shown = _shown(entries)
    for bench in UNITS:
        own = [one for one in shown if one["bench"] == bench]
        for name in dict.fromkeys(name for one in own for name in one["goals"]):
            told = [one for one in own if name in one["goals"]]
            goal = list(told[-1]["goals"][name])
            if goal != NOUGHT:
                lines.append(_row(bench, name, goal, told))
    below = [_wrapped(text) for text in (_counts(shown), _not_run(entries)) if text]
    return "\n".join([*lines, *(f"\n{text}" for text in below)])


def in_readme(text: str, entries: Sequence[Entry]) -> str:
    """Give the README with the table between its two marks.

    Raises
    ------
    ValueError
        If the marks are not there, once each and in order.
    """
    before, first, rest = text.partition(FIRST)
    _, last, after = rest.partition(LAST)
    if not first or not last or FIRST in after or LAST in after:
        message = f"README.md wants the lines {FIRST} and {LAST}, once each"
        raise ValueError(message)
    return f"{before}{FIRST}\n{table_of(entries)}\n{LAST}{after}"


def _shown(entries: Sequence[Entry]) -> list[Entry]:
    """Give all sizes of what is to be run at several; of any other bench the largest."""
    last = {one["bench"]: one["size"] for one in entries}
    return [one for one in entries if one["bench"] in PER_PIPE or one["size"] == last[one["bench"]]]


def _caption(entries: Sequence[Entry]) -> str:
    if not entries:
        return "Nothing was measured yet: `python -m tests.bench table` does it."
    days = sorted({str(one["date"]) for one in entries})
    cores = sorted({int(one["machine"]["cores"]) for one in entries})
    spins = sorted({float(one["machine"]["two_processes"]) for one in entries})
    return _wrapped(
        f"Measured {_span(days)} on {_span(cores)} virtual cores, each figure within one run; two "
        f"spinning processes did {_span(spins)} times the work of one (2 on idle cores). "
        "`python -m tests.bench table` measures all again, with `--only city:10000` one bench at "
        "one size; with `--readme` it writes this from `tests/bench/figures.json`."
    )


def _wrapped(text: str) -> str:
    return textwrap.fill(text, 100, break_long_words=False, break_on_hyphens=False)


def _span(values: Sequence[object]) -> str:
    return str(values[0]) if len(values) == 1 else f"{values[0]} to {values[-1]}"


def _row(bench: str, name: str, goal: Sequence[Any], told: Sequence[Entry]) -> str:
    figures = ", ".join(
        f"{number(one['ratios'].get(name))} at {short(one['size'])}" for one in told
    )
    missed = [short(one["size"]) for one in told if not one["met"][name]]
    met = f"not at {', '.join(missed)}" if missed and len(missed) < len(told) else ""
    met = met or ("no" if missed else "yes")
    return f"| {bench} | {name} | {goal[0]} {goal[1]:g} | {figures} {UNITS[bench]} | {met} |"


def _counts(entries: Sequence[Entry]) -> str:
    """Say of the counts that must be nought whether they are."""
    asked = [
        (one, name)
        for one in entries
        for name, goal in one["goals"].items()
        if list(goal) == NOUGHT
    ]
    wrong = [
        f"{one['bench']} at {short(one['size'])}: {name} {number(one['ratios'].get(name))}"
        for one, name in asked
        if not one["met"][name]
    ]
    if not asked:
        return ""
    said = f"; not: {'; '.join(wrong)}" if wrong else ""
    return (
        "Counts that must be nought (what differs, is lost or overwritten): "
        f"{len(asked) - len(wrong)} of {len(asked)} are{said}."
    )


def _not_run(entries: Sequence[Entry]) -> str:
    """Name what the table wants and nobody measured yet."""
    done = {(one["bench"], one["size"]) for one in entries}
    left = {
        bench: [short(size) for size in sizes_of(bench) if (bench, size) not in done]
        for bench in UNITS
    }
    said = [
        f"{bench} at {', '.join(sizes)} {UNITS[bench]}" for bench, sizes in left.items() if sizes
    ]
    return f"Not measured yet: {'; '.join(said)}." if said else ""


def short(size: int) -> str:
    """Write a size: 10k, 250k, 1M."""
    for unit, letter in ((1_000_000, "M"), (1_000, "k")):
        if size >= unit and size % (unit // 10) == 0:
            return f"{size / unit:g}{letter}"
    return f"{size:,}"


def number(value: float | None) -> str:
    """Write a figure with three digits or all before the point; one that is missing says so."""
    if value is None:
        return "none"
    return f"{value:,.0f}" if 1000 <= abs(value) < 1e9 else f"{value:.3g}"
