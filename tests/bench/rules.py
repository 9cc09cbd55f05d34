"""How fast a rulebook is held against a city's spans, beside a list of rules row by row.

The spans are invented: every mechanism, figures measured, given as a class or not known, on
pipes of which something is unknown now and then.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd

from planner.contracts import PIPES, SPANS
from planner.contracts.verdicts import SPAN_QUANTITIES
from planner.ground.codes import mechanisms_of
from planner.screening.cases import PIPE, SPAN
from planner.screening.coded import JudgedSpans, screen_coded
from planner.screening.flips import flips_of, margins_in_words
from planner.screening.rulebook import Rulebook, load_rulebook
from planner.screening.screen import screen
from planner.screening.spoken import verdicts_of
from planner.tables import check, conform
from tests.bench.budget import clocked
from tests.bench.frame import BenchResult, Found, timed
from tests.plain_rules import METHODS, judge

GOALS: dict[str, tuple[str, float]] = {
    "row-by-row rule list / ours, per span": (">=", 1_000.0),
    "ours / memory floor": ("<=", 10.0),
    "verdicts that differ from the row-by-row list": ("<=", 0.0),
    "verdicts without a reason": ("<=", 0.0),
}
SPANS_PER_PIPE = 3
MOST: dict[str, float] = {"%": 70.0, "mm": 90.0, "-": 0.7, "deg": 12.0, "level 1-5": 5.0}
FEW, MIDDLE = 2_000, 20_000
SAID = ["needs", "urgency", *METHODS, "verdict", "first", "rules", "assumed", "why"]


def run(size: int) -> BenchResult:
    """Screen `size` spans; the row-by-row list takes `FEW` of them, the findings `MIDDLE`.

    Both sides begin at what they want to read: ours at the contract tables, the row-by-row
    list at rows as dicts, whose making is not counted. Both end at a verdict with its reason:
    ours at the number of the rule that `sentences` words for any row, the list at the
    sentence; the sample is compared word by word. Ours takes all cores by the clock; CPU
    seconds, which neither cores nor other work on the machine change much, stand beside.
    """
    spans, pipes = make_spans(size)
    book = load_rulebook()
    few = min(size, FEW)
    first, _ = _both(lambda: flips_of(_coded(spans.head(few), pipes, book), book))
    check_, _ = _both(lambda: (check(spans, SPANS), check(pipes, PIPES)), tries=3)
    ours, coded = _both(lambda: _coded(spans, pipes, book), tries=5)
    floor_s = read_s(bytes_of(coded))
    moved, flips = _both(lambda: flips_of(coded, book))
    words, verdicts = _both(lambda: verdicts_of(coded, margins_in_words(flips)))
    some = spans.head(min(size, MIDDLE))
    whole, findings = _both(lambda: _all_said(some, pipes, book))
    rows = rows_of(spans, pipes, few)
    plain, told = _both(lambda: [judge(row, book) for row in rows], tries=3)
    sample = verdicts.set_index("span_id").loc[spans["span_id"].iloc[:few], SAID]
    differ = sample.astype(object).to_numpy() != pd.DataFrame(told)[SAID].astype(object).to_numpy()
    row_s, row_cpu_s = plain[0] / few, plain[1] / few
    return BenchResult(
        rows=[
            _line("ours: verdict and reason, in numbers", size, ours, ""),
            _line("ours: check of both tables", size, check_, "the list checks nothing"),
            _line("ours: margins, in numbers", size, moved, ""),
            _line("ours: verdicts and margins in words", size, words, ""),
            _line("ours: first run of all in this process", few, first, "compiled or from disk"),
            _line("ours: whole step, in words", len(some), whole,
                  f"{len(findings)} findings"),
            _line("naive: each rule on each row", few, plain, "verdict and sentence"),
            _line("floor: what is read and written, once", size, (floor_s, floor_s), ""),
        ],
        ratios={
            "row-by-row rule list / ours, per span": row_s / (ours[0] / size),
            "the same by CPU seconds": row_cpu_s / (ours[1] / size),
            "with the check, by CPU seconds": row_cpu_s / ((ours[1] + check_[1]) / size),
            "with check, margins and words, by CPU seconds": row_cpu_s
            / ((ours[1] + check_[1] + moved[1] + words[1]) / size),
            "ours / memory floor": ours[0] / floor_s,
            "verdicts that differ from the row-by-row list": float(differ.any(axis=1).sum()),
            "verdicts without a reason": float((verdicts["why"] == "").sum()),
        },
        goals={name: list(goal) for name, goal in GOALS.items()},
    )  # fmt: skip


def _both(work: Callable[[], Found], *, tries: int = 1) -> tuple[tuple[float, float], Found]:
    """Give the least time by the clock and the least CPU time of some tries [s]; what was found."""
    best_s, best_cpu_s = float("inf"), float("inf")
    for _ in range(tries):
        cpu_s, (clock_s, found) = clocked(lambda: timed(work))
        best_s, best_cpu_s = min(best_s, clock_s), min(best_cpu_s, cpu_s)
    return (best_s, best_cpu_s), found


def _line(what: str, count: int, took: tuple[float, float], note: str) -> dict[str, object]:
    return {
        "what": what,
        "rows": count,
        "seconds": round(took[0], 4),
        "cpu_s": round(took[1], 4),
        "note": note,
    }


def _coded(spans: pd.DataFrame, pipes: pd.DataFrame, book: Rulebook) -> JudgedSpans:
    coded = screen_coded(spans, pipes, book, None)
    if coded is None:
        message = "the book cannot be put into numbers"
        raise RuntimeError(message)
    return coded


def _all_said(spans: pd.DataFrame, pipes: pd.DataFrame, book: Rulebook) -> pd.DataFrame:
    screened = screen(spans, pipes, book)
    screened.verdicts  # noqa: B018 - it is said when asked for
    return screened.findings


def bytes_of(coded: JudgedSpans) -> int:
    """Bytes of the columns that the book names, of the ids that join them, and of the result."""
    tables = {"span": coded.view.things, "pipe": coded.pipes.reset_index()}
    total = sum(values.nbytes for values in coded.told)
    total += sum(table["pipe_id"].array.nbytes for table in tables.values())
    for key in coded.book.columns:
        table = tables[key.table]
        halves = [f"{key.name}_low", f"{key.name}_high"]
        for name in [key.name] if key.name in table.columns else halves:
            total += table[name].array.nbytes
    return total


def read_s(count: int) -> float:
    """Time that so many bytes take to be read from memory, once [s]."""
    values = np.ones(count // 8)
    return timed(values.sum, tries=5)[0]


def make_spans(size: int) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Invent spans and their pipes, the same ones each time."""
    draw = np.random.default_rng(3)
    names = np.array(mechanisms_of("damage", "condition", "flag"), dtype=object)
    first = draw.choice(names, size)
    second = draw.choice(names, size)
    pairs = [f"{a}+{b}" if a < b else a for a, b in zip(first, second, strict=True)]
    alone = draw.random(size) < 0.7
    count = max(1, size // SPANS_PER_PIPE)
    on = draw.integers(0, count, size)
    start = draw.random(size) * 30.0
    spans: dict[str, Any] = dict(SPAN)
    spans |= {
        "span_id": [f"D-{n:07d}" for n in range(size)],
        "pipe_id": np.char.add("P", np.char.zfill(on.astype(str), 7)).astype(object),
        "mechanisms": np.where(alone, first, np.array(pairs, dtype=object)),
        "from_m": start, "to_m": start + 1.0,
        "survey_age_months": draw.integers(0, 40, size).astype(float),
        "at_joint": draw.random(size) < 0.3, "at_lateral": draw.random(size) < 0.2,
        "soil_visible": draw.random(size) < 0.05, "void_visible": draw.random(size) < 0.02,
        "root_kind": draw.choice(np.array(["", "fine", "tap", "mass"], dtype=object), size),
    }  # fmt: skip
    for name, unit in SPAN_QUANTITIES.items():
        low = np.round(draw.random(size) * MOST[unit], 1 if unit != "-" else 2)
        how = draw.random(size)
        spans[f"{name}_low"] = np.where(how < 0.5, np.nan, low)
        high = np.where(how < 0.8, low, low * 1.5)
        spans[f"{name}_high"] = np.where((how < 0.5) | (how > 0.95), np.nan, high)
    pipes: dict[str, Any] = dict(PIPE)
    sizes = np.array([100.0, 150.0, 200.0, 300.0, 400.0, 600.0, 800.0])
    stuff = np.array(["vitrified clay", "concrete", "pvc", "polyethylene", ""], dtype=object)
    pipes |= {
        "pipe_id": [f"P{n:07d}" for n in range(count)],
        "dn_mm": draw.choice(sizes, count),
        "material": draw.choice(stuff, count),
        "water_over_crown_m": np.where(draw.random(count) < 0.5, -1.0, np.nan),
        "lined": draw.choice(np.array([True, False, False, False, None], dtype=object), count),
        "size_estimated": draw.random(count) < 0.1,
    }  # fmt: skip
    return conform(pd.DataFrame(spans), SPANS), conform(pd.DataFrame(pipes), PIPES)


def rows_of(spans: pd.DataFrame, pipes: pd.DataFrame, count: int) -> list[dict[str, Any]]:
    """Give spans with their pipes as plain rows, as a list of rules would get them."""
    own = pd.DataFrame(pipes.drop(columns="geometry")).astype(object)
    more = [name for name in own.columns if name not in spans.columns or name == "pipe_id"]
    both = spans.head(count).astype(object).merge(own[more], on="pipe_id", how="left")
    both = both.assign(at_repair=False, at_lining=False, size_changes=False, lining_changes=False)
    return [{str(k): v for k, v in row.items()} for row in both.to_dict("records")]
