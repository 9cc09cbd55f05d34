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
from planner.screening.rulebook import load_rulebook
from planner.screening.screen import screen
from planner.tables import conform
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


def run(size: int) -> BenchResult:
    """Screen `size` spans; the row-by-row list takes a thousandth of them, 200 at least."""
    spans, pipes = make_spans(size)
    book = load_rulebook()
    few = min(size, max(200, size // 1000))
    ours_s, found = timed(lambda: screen(spans, pipes, book))
    rows = rows_of(spans, pipes, few)
    plain_s, plain = timed(lambda: [judge(row, book) for row in rows])
    verdicts = found.verdicts.set_index("span_id").loc[spans["span_id"].iloc[:few]]
    columns = ["needs", "urgency", *METHODS, "verdict"]
    differ = (verdicts[columns].to_numpy() != pd.DataFrame(plain)[columns].to_numpy()).any(axis=1)
    return BenchResult(
        rows=[
            line("ours: verdicts, findings, margins", size, ours_s, f"{len(found.findings)} rows"),
            line("naive: each rule on each row", few, plain_s, "verdicts alone"),
        ],
        ratios={
            "row-by-row rule list / ours, per span": (plain_s / few) / (ours_s / size),
            "verdicts that differ from the row-by-row list": float(differ.sum()),
            "verdicts without a reason": float((found.verdicts["why"] == "").sum()),
        },
        goals={name: list(goal) for name, goal in GOALS.items()},
    )


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
