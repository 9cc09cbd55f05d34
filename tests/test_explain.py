"""Explaining: rules with figures, raw rows, and the arithmetic of the place written out."""

from __future__ import annotations

from typing import Any

import pandas as pd
import pytest

from planner.contracts import (
    CHOICES,
    DEFECTS,
    LEFT_OVER,
    OBSERVATIONS,
    OPTIONS,
    SLEEVE_LATERALS,
    SLEEVE_SPANS,
    SLEEVES,
    SPAN_ROWS,
    WAITING,
    WORK_AFTER,
    WORKS,
)
from planner.errors import UnknownIdError
from planner.screening.explain import explain_lines
from planner.screening.rulebook import load_rulebook
from planner.screening.screen import screen
from planner.tables import conform
from tests.screening_rows import pipes_of, spans_of

ROW = {
    "inspection_id": "run 1", "code": "BAJ", "char1": "B", "q1": "24", "mechanism": "joint_offset",
    "role": "damage", "quantity": "offset_mm", "quantity_low": 24.0, "quantity_high": 24.0,
    "file": "rows.csv", "at_joint": True, "clock_from_h": 6.0,
}  # fmt: skip
PLACE = {
    "pipe_id": "P1", "kind": "point", "extent_from": "assumed", "counter_node": "N2",
    "find_m": 0.4, "flags": "",
}  # fmt: skip


@pytest.fixture(scope="module")
def tables() -> dict[str, pd.DataFrame]:
    """One pipe, L = 40.00 m, drawn 40.80 m, filmed from its far end N2."""
    pipes = pipes_of({"length_doubt_m": 0.1})
    spans = spans_of(
        {"from_m": 27.55, "to_m": 27.65, "mechanisms": "joint_offset", "offset_mm": 24.0,
         "offset_dn_ratio": 0.08, "counter_node": "N2", "at_joint": True},
        {"span_id": "D-000002", "from_m": 5.0, "to_m": 9.0, "mechanisms": "deformation",
         "deformation_pct": 8.0},
    )  # fmt: skip
    screened = screen(spans, pipes, load_rulebook())
    rows: list[dict[str, Any]] = [
        ROW | {"observation_id": "run 1:7", "row": 7, "s_m": 12.4, "remark": "evil \x1b[2J <b>"},
        ROW | {"observation_id": "run 1:8", "row": 8, "s_m": 31.0, "stretch": "A1"},
        ROW | {"observation_id": "run 1:9", "row": 9, "s_m": 35.0, "stretch": "B1"},
        ROW | {"observation_id": "run 1:10", "row": 10, "s_m": 99.0},
    ]
    placed: list[dict[str, Any]] = [
        rows[0] | PLACE | {"x_from_m": 27.6, "x_to_m": 27.6, "from_m": 27.55, "to_m": 27.65,
                           "counter_m": 12.4},
        rows[1] | PLACE | {"x_from_m": 5.0, "x_to_m": 9.0, "from_m": 5.0, "to_m": 9.0,
                           "counter_m": 31.0, "kind": "stretch", "extent_from": "coded",
                           "close_id": "run 1:9", "flags": "ends differ"},
    ]  # fmt: skip
    sleeve = {"sleeve_id": "S-000001", "pipe_id": "P1", "from_m": 27.1, "to_m": 28.1,
              "length_m": 1.0, "end": "pipe", "dn_mm": 300.0, "system": "felt", "allowance_m": 0.2,
              "overlap_us_m": 0.35, "overlap_ds_m": 0.35, "counter_node": "N2",
              "counter_m": 11.9, "laterals_count": 1, "laterals_unknown": False}  # fmt: skip
    work = {"pipe_id": "P1", "from_m": 27.1, "to_m": 28.1, "urgency": "programme", "state": "todo"}
    return {
        "pipes": pipes,
        "spans": spans,
        "verdicts": screened.verdicts,
        "findings": screened.findings,
        "observations": conform(rows, OBSERVATIONS),
        "defects": conform(placed, DEFECTS),
        "span_rows": conform(
            [{"span_id": "D-000001", "observation_id": "run 1:7", "part": "own"},
             {"span_id": "D-000002", "observation_id": "run 1:8", "part": "own"}], SPAN_ROWS),
        "sleeves": conform([sleeve], SLEEVES),
        "sleeve_spans": conform([{"sleeve_id": "S-000001", "span_id": "D-000001"}], SLEEVE_SPANS),
        "sleeve_laterals": conform(
            [{"sleeve_id": "S-000001", "lateral_id": "P1@27.9"}], SLEEVE_LATERALS),
        "works": conform(
            [work | {"work_id": "W-000001", "step": "clean", "reason": "before any sleeve"},
             work | {"work_id": "W-000002", "step": "sleeve", "sleeve_id": "S-000001",
                     "reason": "serves D-000001"}], WORKS),
        "work_after": conform([{"work_id": "W-000002", "after_id": "W-000001"}], WORK_AFTER),
        "waiting": conform([{"work_id": "W-000002", "pipe_id": "P1", "step": "sleeve",
                             "reason": "waits for clean"}], WAITING),
        "options": conform(
            [{"pipe_id": "P1", "method": "liner", "possible": True, "why": "serves both"},
             {"pipe_id": "P1", "method": "sleeve", "system": "felt", "possible": False,
              "why": "D-000002 waits for a person"}], OPTIONS),
        "choices": conform(
            [{"pipe_id": "P1", "method": "sleeve", "system": "felt", "state": "held",
              "reason": "span D-000002 is undecided", "fingerprint": "x",
              "assumed_accepted": False}], CHOICES),
        "left_over": conform([{"step": "locate", "key": "run 1:10", "file": "rows.csv",
                               "row": 10, "reason": "59.00 m past the end"}], LEFT_OVER),
    }  # fmt: skip


def test_a_span_from_the_far_end(tables: dict[str, pd.DataFrame]) -> None:
    """x = L - s = 40.00 - 12.40 = 27.60 m; on the drawing 27.60 * 40.80 / 40.00 = 28.15 m."""
    text = "\n".join(explain_lines("D-000001", tables))
    assert "Span D-000001 on pipe P1: joint_offset" in text
    assert "verdict: sleeve; needs mend (programme); sleeve open, liner open, dig open" in text
    # The rule says "{mechanisms} can be dug up"; the table keeps the key.
    assert "[allow-dig] allows dig: joint offset can be dug up" in text
    assert "joint_offset can be dug up" in tables["findings"]["why"].tolist()
    assert "[offset-mend-medium] needs mend: joint moved by 24 mm at DN 300 |" in text
    assert "offset_mm 24 against 20 mm | Stein: DN 300-600, classes 2 and 3 (cited)" in text
    assert "rows.csv, row 7: at 12.40 m: BAJ B, q1 24, clock 6, at a joint" in text
    assert "length L = 40.00 m from survey (drawn 40.80 m)" in text
    assert "counter from node N2: x = L - s = 40.00 - 12.40 = 27.60 m\n" in text
    assert "extent 27.55 to 27.65 m, point, lengthened by the assumed extent" in text
    assert "within 0.40 m of the counter, 0.10 m of it because L is in doubt" in text
    assert "27.60 * 40.80 / 40.00 = 28.15 m" in text
    assert "Served by sleeve S-000001" in text
    assert "liner: possible: serves both" in text
    assert "Choice for pipe P1: sleeve felt, held: span D-000002 is undecided" in text


def test_a_stretch_and_an_open_question(tables: dict[str, pd.DataFrame]) -> None:
    """Both ends of a stretch are reckoned; an undecided limit prints figure and limit."""
    text = "\n".join(explain_lines("D-000002", tables))
    assert "x = L - s = 40.00 - 31.00 = 9.00, 40.00 - 35.00 = 5.00 m\n" in text
    assert "doubtful: ends differ" in text
    assert "verdict: decide; needs mend (programme); sleeve asked, liner open" in text
    assert "decide because of: allow-deformation-sleeve" in text
    assert "[allow-deformation-sleeve] allows sleeve (undecided): deformed by 8 %" in text
    assert "deformation_pct 8 against 5 %" in text


def test_a_sleeve_a_work_a_row_and_a_pipe(tables: dict[str, pd.DataFrame]) -> None:
    """Each kind of id is told with what belongs to it."""
    sleeve = "\n".join(explain_lines("S-000001", tables))
    assert "counter 11.90 m from node N2" in sleeve
    assert "covers connection P1@27.9: to be opened again" in sleeve
    assert "Span D-000001" in sleeve
    work = "\n".join(explain_lines("W-000002", tables))
    assert "after W-000001: clean, todo" in work
    assert "not this week: waits for clean" in work
    assert "Sleeve S-000001" in work
    lost = "\n".join(explain_lines("run 1:10", tables))
    assert "Left over at locate: 59.00 m past the end" in lost
    assert "it ends the stretch that run 1:8 begins" in "\n".join(explain_lines("run 1:9", tables))
    pipe = explain_lines("P1", tables)
    assert pipe[0] == "Pipe P1 from node N1 to N2: DN 300, vitrified clay"
    assert any(line.startswith("Span D-000002, 5.00 to 9.00 m") for line in pipe)


def test_an_unknown_id_names_the_nearest(tables: dict[str, pd.DataFrame]) -> None:
    """One line, with what might be meant."""
    with pytest.raises(UnknownIdError, match=r"did you mean .*D-000001"):
        explain_lines("D-00001", tables)


def test_text_from_a_file_cannot_steer_the_terminal(tables: dict[str, pd.DataFrame]) -> None:
    """Escape characters in a remark are printed as question marks."""
    text = "\n".join(explain_lines("run 1:7", tables))
    assert "evil ?[2J <b>" in text
    assert "\x1b" not in text


def test_missing_tables_are_passed_over(tables: dict[str, pd.DataFrame]) -> None:
    """What a run did not make is not told, and nothing breaks."""
    few = {name: tables[name] for name in ("pipes", "spans", "verdicts")}
    assert explain_lines("D-000001", few)[0].startswith("Span D-000001")
    assert explain_lines("P1", {"pipes": tables["pipes"]})[0].startswith("Pipe P1")
    with pytest.raises(UnknownIdError, match="no span"):
        explain_lines("P1", {})
