"""How fast a rulebook is held against a city's spans, beside a list of rules row by row.

The spans are invented: every mechanism, figures measured, given as a class or not known, on
pipes of which something is unknown now and then.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from planner.contracts import PIPES, SPANS
from planner.contracts.verdicts import SPAN_QUANTITIES
from planner.ground.codes import mechanisms_of
from planner.screening.cases import PIPE, SPAN
from planner.screening.coded import Coded, screen_coded
from planner.screening.flips import flips_of, margins_in_words
from planner.screening.rulebook import Rulebook, load_rulebook
from planner.screening.screen import screen
from planner.screening.spoken import verdicts_of
from planner.tables import check, conform
from tests.bench.frame import BenchResult, timed
from tests.bench.locate import line
from tests.plain_rules import METHODS, judge

GOALS: dict[str, tuple[str, float]] = {
    "row-by-row rule list / ours, per span": (">=", 500.0),
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
    sentence; the sample is compared word by word.
    """
    spans, pipes = make_spans(size)
    book = load_rulebook()
    few = min(size, FEW)
    first_s, _ = timed(lambda: flips_of(_coded(spans.head(few), pipes, book), book))
    check_s, _ = timed(lambda: (check(spans, SPANS), check(pipes, PIPES)), tries=3)
    ours_s, coded = timed(lambda: _coded(spans, pipes, book), tries=5)
    floor_s = read_s(bytes_of(coded))
    flips_s, flips = timed(lambda: flips_of(coded, book))
    words_s, verdicts = timed(lambda: verdicts_of(coded, margins_in_words(flips)))
    some = spans.head(min(size, MIDDLE))
    whole_s, found = timed(lambda: screen(some, pipes, book))
    rows = rows_of(spans, pipes, few)
    plain_s, plain = timed(lambda: [judge(row, book) for row in rows], tries=3)
    sample = verdicts.set_index("span_id").loc[spans["span_id"].iloc[:few], SAID]
    differ = sample.astype(object).to_numpy() != pd.DataFrame(plain)[SAID].astype(object).to_numpy()
    per_span = ours_s / size
    return BenchResult(
        rows=[
            line("ours: verdict and reason, in numbers", size, ours_s, ""),
            line("ours: check of both tables", size, check_s, "the list checks nothing"),
            line("ours: margins, in numbers", size, flips_s, ""),
            line("ours: verdicts and margins in words", size, words_s, ""),
            line("ours: first run of all in this process", few, first_s, "compiled or from disk"),
            line("ours: whole step in readable steps", len(some), whole_s,
                 f"{len(found.findings)} findings"),
            line("naive: each rule on each row", few, plain_s, "verdict and sentence"),
            line("floor: what is read and written, once", size, floor_s, ""),
        ],
        ratios={
            "row-by-row rule list / ours, per span": (plain_s / few) / per_span,
            "row-by-row rule list / ours with the check": (plain_s / few)
            / ((ours_s + check_s) / size),
            "row-by-row rule list / ours with check, margins and words": (plain_s / few)
            / ((ours_s + check_s + flips_s + words_s) / size),
            "ours / memory floor": ours_s / floor_s,
            "verdicts that differ from the row-by-row list": float(differ.any(axis=1).sum()),
            "verdicts without a reason": float((verdicts["why"] == "").sum()),
        },
        goals={name: list(goal) for name, goal in GOALS.items()},
    )  # fmt: skip


def _coded(spans: pd.DataFrame, pipes: pd.DataFrame, book: Rulebook) -> Coded:
    coded = screen_coded(spans, pipes, book, None)
    if coded is None:
        message = "the book cannot be put into numbers"
        raise RuntimeError(message)
    return coded


def bytes_of(coded: Coded) -> int:
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
