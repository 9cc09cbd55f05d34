"""Whatever is coded, nothing vanishes, order does not matter, and the far end is a mirror.

A town holds many pipes, so that few examples try many of them: most of the time goes into
checking contracts, once for each table.
"""

from __future__ import annotations

from dataclasses import fields
from typing import Any

import pandas as pd
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.filmed import SETTINGS, Located, Row, Spanned, Town, pipe, row, run, spans_of

LENGTH_M = 40.0
# Eighths of a metre are exact, so that a mirrored station is the same number.
STATIONS = st.one_of(st.none(), st.integers(-16, 8 * 44).map(lambda eighths: eighths / 8.0))
INSIDE = st.integers(0, 8 * 40).map(lambda eighths: eighths / 8.0)
CODES = st.sampled_from(
    ["BAB", "BAC", "BAJ", "BBA", "BBC", "BBF", "BDD", "BCA", "BAG", "BAO", "BCB", "BDB", "BXQ"]
)
MARKS = st.sampled_from(["", "", "", "A1", "B1", "A2", "B2", "C1", "B3", "S9"])
CLOCKS = st.one_of(st.none(), st.integers(1, 12).map(float))
COMMON: Any = {"deadline": None, "suppress_health_check": list(HealthCheck)}


@st.composite
def coded_rows(draw: st.DrawFn, stations: st.SearchStrategy[Any] = STATIONS) -> Row:
    return row(
        draw(stations),
        draw(CODES),
        draw(st.sampled_from(["A", "B", "C", "Y", ""])),
        draw(st.sampled_from(["A", "B", ""])),
        q1=draw(st.sampled_from(["", "2", "10", "<5", ">50", "10-15", "x"])),
        clock=(draw(CLOCKS), draw(CLOCKS)),
        mark=draw(MARKS),
        joint=draw(st.sampled_from([True, False, None])),
    )


RUNS = st.lists(st.lists(coded_rows(INSIDE), min_size=1, max_size=6), min_size=4, max_size=8)


@st.composite
def towns(draw: st.DrawFn) -> Town:
    """Pipes with up to three runs each, some from nowhere or of another length."""
    town = Town()
    for number in range(draw(st.integers(1, 6))):
        lengths = [{"drawn_m": LENGTH_M + 0.8, "joint_every_m": 2.5}, {"stated_m": LENGTH_M}]
        town.pipes.append(pipe(f"P{number}", "U", "D", **draw(st.sampled_from(lengths))))
        for letter in "abc"[: draw(st.integers(0, 3))]:
            ref = draw(st.sampled_from([f"P{number}", f"P{number}", "X"]))
            whole = draw(st.booleans())
            length = draw(st.sampled_from([LENGTH_M, LENGTH_M + 1.75, 60.0])) if whole else 15.0
            head = run(
                f"{number}{letter}", ref, draw(st.sampled_from(["U", "D", ""])),
                surveyed_m=length, complete=whole,
                date=draw(st.sampled_from(["", "2015-05-05", "2025-05-05"])),
                zero_at=draw(st.sampled_from(["wall", "centre", "unknown"])),
                laterals_coded=draw(st.sampled_from(["yes", "unknown"])),
            )  # fmt: skip
            town.runs.append((head, draw(st.lists(coded_rows(), max_size=6))))
    return town


def filmed(runs: list[list[Row]], start: str = "U") -> Town:
    """One pipe of its own for each run."""
    return Town(
        [pipe(f"P{i}", "U", "D", stated_m=LENGTH_M) for i in range(len(runs))],
        [
            (run(f"I{i}", f"P{i}", start, surveyed_m=LENGTH_M), coded)
            for i, coded in enumerate(runs)
        ],
    )


def bare(table: pd.DataFrame) -> pd.DataFrame:
    return pd.DataFrame(table.drop(columns="geometry", errors="ignore"))


@settings(max_examples=12, **COMMON)
@given(towns())
def test_every_row_is_found_again_within_its_pipe(town: Town) -> None:
    """Each row is a defect, the end of one, or left over; each damage is in a span or left over."""
    rows = town.row_table()
    found = town.locate()
    placed = set(found.defects["observation_id"])
    closed = set(found.defects["close_id"]) - {""}
    left = set(found.left_over["key"]) - set(town.run_table()["inspection_id"])
    assert placed | closed | left == set(rows["observation_id"])
    assert not (placed | closed) & left
    again = found.defects["observation_id"]
    assert again.is_unique
    spanned = spans_of(found)
    wanted = set(again[found.defects["role"].isin(["damage", "condition", "flag"])])
    in_spans, overtaken = set(spanned.span_rows["observation_id"]), set(spanned.left_over["key"])
    assert in_spans | overtaken == wanted
    assert not in_spans & overtaken
    own = spanned.span_rows[spanned.span_rows["part"] != "lent"]
    assert set(own["observation_id"]) == in_spans
    _inside(found, spanned)


def _inside(found: Located, spanned: Spanned) -> None:
    """0 <= from <= x_from <= x_to <= to <= length, for rows, spans and laterals."""
    lengths = dict(zip(found.pipes["pipe_id"], found.pipes["length_m"], strict=True))
    for table in (found.defects, spanned.spans):
        for one in table.itertuples():
            assert 0.0 <= one.from_m <= one.to_m <= lengths[one.pipe_id] + 1e-9
    for one in found.defects.itertuples():
        assert one.from_m <= one.x_from_m <= one.x_to_m <= one.to_m
    for one in found.laterals.itertuples():
        assert 0.0 <= one.x_m <= lengths[one.pipe_id] + 1e-9


HELD = ("rows", "say_rows")


def _tables(found: Located | Spanned) -> list[str]:
    """Name the tables, those too that are made for whoever reads them."""
    if isinstance(found, Located):
        return ["pipes", "inspections", "defects", "laterals", "growth", "flags", "left_over"]
    return ["spans", "span_rows", *(one.name for one in fields(found) if one.name not in HELD)]


def tables_of(found: Located) -> dict[str, pd.DataFrame]:
    spanned = spans_of(found)
    return {
        **{name: bare(getattr(found, name)) for name in _tables(found)},
        **{f"span {name}": bare(getattr(spanned, name)) for name in _tables(spanned)},
    }


@settings(max_examples=5, **COMMON)
@given(towns(), st.randoms(use_true_random=False))
def test_order_of_rows_does_not_matter(town: Town, shuffle: Any) -> None:
    """Every table is the same when all tables come in another order."""
    before = tables_of(town.locate())
    for name in ("pipe_table", "run_table", "row_table"):
        table = getattr(town, name)()
        order = list(range(len(table)))
        shuffle.shuffle(order)
        setattr(town, name, lambda mixed=table.iloc[order]: mixed)
    for name, table in tables_of(town.locate()).items():
        pd.testing.assert_frame_equal(table, before[name], obj=name)


@settings(max_examples=6, **COMMON)
@given(RUNS)
def test_a_survey_from_the_far_end_is_a_mirror(runs: list[list[Row]]) -> None:
    """The same defects coded from D: stations L - s, the dial mirrored, ends changing places."""
    columns = ["code", "x_from_m", "x_to_m", "clock_h", "arc_h", "kind", "mechanism", "role"]
    frames = []
    for town in (filmed(runs), filmed([[_mirrored(r) for r in rows] for rows in runs], "D")):
        shown = town.locate().defects
        # Which row of a stretch starts it depends on the end it is filmed from.
        shown = shown[(shown["stretch"] == "").to_numpy()]
        frames.append(shown.sort_values("observation_id")[columns].reset_index(drop=True))
    pd.testing.assert_frame_equal(frames[0], frames[1])


def _mirrored(coded: Row) -> Row:
    first, last = coded["clock_from_h"], coded["clock_to_h"]
    if first is not None and last is not None:
        first, last = last, first
    turned = [None if h is None else (12.0 - h) % 12.0 or 12.0 for h in (first, last)]
    clock = {"clock_from_h": turned[0], "clock_to_h": turned[1]}
    return {**coded, "s_m": LENGTH_M - coded["s_m"], **clock}


@settings(max_examples=4, **COMMON)
@given(
    st.lists(
        st.tuples(INSIDE, INSIDE, st.sampled_from(["BAB", "BBC", "BAJ", "BAF"])),
        min_size=6,
        max_size=12,
    )
)
def test_a_stretch_from_the_far_end_is_the_same(drawn: list[tuple[float, float, str]]) -> None:
    """A stretch has no direction: both ends, extents and kind are equal from U and from D."""
    seen = []
    for start in ("U", "D"):
        runs = []
        for one, other, code in drawn:
            ends = sorted((one, other) if start == "U" else (LENGTH_M - one, LENGTH_M - other))
            marks = zip(ends, ("A1", "B1"), strict=True)
            runs.append([row(s, code, "B", "A", q1="3", mark=mark) for s, mark in marks])
        shown = filmed(runs, start).locate().defects
        seen.append(shown[["pipe_id", "x_from_m", "x_to_m", "from_m", "to_m", "kind"]])
    pd.testing.assert_frame_equal(*seen)


@settings(max_examples=4, **COMMON)
@given(towns(), coded_rows(INSIDE), st.floats(0.92, 1.08))
def test_a_stretched_drawing_moves_nothing(town: Town, more: Row, factor: float) -> None:
    """Where the length is surveyed and the mismatch stays under the stop, x stays."""
    for number in range(len(town.pipes)):
        head = run(f"{number}z", f"P{number}", surveyed_m=LENGTH_M, date="2025-06-06")
        town.runs.append((head, [more]))
    before = town.locate().defects
    for one in town.pipes:
        one["drawn_m"] = one.get("drawn_m", LENGTH_M + 0.8) * factor
    after = town.locate()
    assert (after.pipes["placing"] != "stopped").all()
    same = ["observation_id", "x_from_m", "x_to_m", "from_m", "to_m"]
    pd.testing.assert_frame_equal(before[same], after.defects[same])


@settings(max_examples=5, **COMMON)
@given(RUNS, st.floats(0.0, 0.5))
def test_joining_more_widely_only_joins(runs: list[list[Row]], more_m: float) -> None:
    """A larger touch makes no more spans, and what a span covered stays covered."""
    found = filmed(runs).locate()
    wide = SETTINGS.model_copy(update={"touch_m": SETTINGS.touch_m + more_m})
    tight, loose = spans_of(found).spans, spans_of(found, wide).spans
    assert len(loose) <= len(tight)
    for span in tight.itertuples():
        on_pipe = loose[loose["pipe_id"] == span.pipe_id]
        assert ((on_pipe["from_m"] <= span.from_m) & (on_pipe["to_m"] >= span.to_m)).any()
