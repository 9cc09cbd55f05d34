"""The form of events: what a row must say, and one line for each that does not."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from reported import COLUMNS, write_events

from planner.contracts.journal import EVENT_KINDS, REASONS
from planner.errors import FileError
from planner.inputs.events import read_events

GOOD: dict[str, Any] = {"kind": "done", "step": "clean", "pipe_id": "p1", "at": "2026-03-02 10:05",
                        "by": "Ada"}  # fmt: skip
DONE_SLEEVE = {**GOOD, "step": "sleeve", "from_m": 4, "to_m": 5}
FAILED = {**DONE_SLEEVE, "kind": "failed", "reason": "leaks"}
USED = {"kind": "used", "at": "2026-03-02T10:05", "by": "Ada", "item": "sleeve", "system": "felt",
        "dn_mm": 200, "length_m": 1, "pieces_count": 2}  # fmt: skip


@pytest.mark.parametrize(
    ("row", "column", "wanted"),
    [
        ({**GOOD, "kind": "cleaned"}, "kind", "done | started"),
        ({**GOOD, "at": "2026-03-02"}, "at", "YYYY-MM-DDTHH:MM"),
        ({**GOOD, "at": "2026-02-30T10:00"}, "at", "YYYY-MM-DDTHH:MM"),
        ({**GOOD, "at": "2026-03-02T25:00"}, "at", "YYYY-MM-DDTHH:MM"),
        ({**GOOD, "at": "2026-03-07T10:00"}, "at", "no later than 2026-03-06"),
        ({**GOOD, "by": ""}, "by", "text"),
        ({**GOOD, "step": ""}, "step", "a step, or a work_id"),
        ({**GOOD, "step": "scrub"}, "step", "check_access | clean"),
        ({**GOOD, "pipe_id": ""}, "pipe_id", "a pipe_id"),
        ({**GOOD, "pipe_id": "", "node_id": "N"}, "pipe_id", "for check_access a node_id"),
        ({**GOOD, "from_m": 3}, "from_m", "from_m and to_m, or neither"),
        ({**GOOD, "from_m": 3, "to_m": 2}, "from_m", "no larger than to_m"),
        ({**GOOD, "from_m": -1, "to_m": 2}, "from_m", "of at least 0"),
        ({**GOOD, "step": "sleeve"}, "from_m", "of the sleeve, or its work_id"),
        ({**GOOD, "reason": "leaks"}, "reason", "blank: only for failed, deferred"),
        ({**FAILED, "reason": ""}, "reason", "a reason code"),
        ({**FAILED, "reason": "bad luck"}, "reason", "wrong_packer"),
        ({**FAILED, "reason": "other"}, "note", "what it was"),
        ({**FAILED, "kind": "deferred", "until": "2026-03-02"}, "until", "a day after"),
        ({**GOOD, "until": "2026-03-09"}, "until", "only for deferred"),
        ({**GOOD, "kind": "measured"}, "inside_mm", "one of find_from_m"),
        ({**GOOD, "kind": "measured", "inside_mm": 0}, "inside_mm", "more than 0"),
        ({**GOOD, "kind": "started", "inside_mm": 198}, "inside_mm", "only for done, measured"),
        ({**USED, "item": ""}, "item", "sleeve or resin"),
        ({**USED, "system": ""}, "system", "a sleeve system"),
        ({**USED, "length_m": ""}, "length_m", "a figure, for sleeve"),
        ({**USED, "pieces_count": 0}, "pieces_count", "at least 1"),
        ({**USED, "pieces_count": -2}, "pieces_count", "of at least 0"),
        ({**USED, "item": "resin", "mass_kg": ""}, "mass_kg", "more than 0"),
        ({**GOOD, "kind": "agreed"}, "about", "E-000001"),
        ({**GOOD, "kind": "agreed", "about": "E-000001", "step": ""}, "step", "agreed to"),
        ({**GOOD, "kind": "taken_back"}, "about", "the event that is meant"),
    ],
)
def test_a_row_that_lacks_something_is_one_line_and_costs_nothing_else(
    tmp_path: Path, row: dict[str, Any], column: str, wanted: str
):
    """Between two good rows: file, row, column, found, wanted; both good rows are read."""
    form = write_events(tmp_path / "e.csv", GOOD, row, DONE_SLEEVE)
    frame, faults = read_events(form, today="2026-03-06")
    assert frame["step"].tolist() == ["clean", "sleeve"]
    assert [(fault.row, fault.column) for fault in faults] == [(3, column)]
    assert wanted in faults[0].wanted
    assert str(faults[0]).startswith(f"e.csv, row 3, column {column}: found ")


def test_times_are_read_alike_and_words_are_kept(tmp_path: Path):
    """A blank for T, seconds cut off; a lot called NA is a name."""
    rows = [{**GOOD, "at": at, "lot": "NA"} for at in ("2026-03-02 10:05:59", "2026-03-02T10:05")]
    frame, faults = read_events(write_events(tmp_path / "e.csv", *rows))
    assert faults == []
    assert set(frame["at"]) == {"2026-03-02T10:05"}
    assert set(frame["lot"]) == {"NA"}


def test_a_form_needs_three_columns_and_no_others(tmp_path: Path):
    """A short form of its own columns is enough; without `at` nothing can be read."""
    path = tmp_path / "e.csv"
    path.write_text("kind,work_id,at,by\ndone,W-000001,2026-03-02T10:05,Ada\n", "utf-8")
    frame, faults = read_events(path)
    assert (len(frame), faults) == (1, [])
    path.write_text("kind,work_id,by\ndone,W-000001,Ada\n", "utf-8")
    with pytest.raises(FileError, match="no column 'at'"):
        read_events(path)


def test_an_empty_form_is_no_fault(tmp_path: Path):
    frame, faults = read_events(write_events(tmp_path / "e.csv"))
    assert (len(frame), faults) == (0, [])
    assert set(COLUMNS) <= set(frame.columns)


def test_the_examples_of_the_page_are_read_and_its_lists_are_whole(tmp_path: Path):
    """docs/journal.md: both forms are taken as they stand; every kind and reason is on it."""
    page = (Path(__file__).resolve().parents[1] / "docs" / "journal.md").read_text("utf-8")
    forms = [part.partition("```")[0] for part in page.split("```csv\n")[1:]]
    assert len(forms) == 2
    for number, text in enumerate(forms):
        path = tmp_path / f"{number}.csv"
        path.write_text(text, "utf-8")
        frame, faults = read_events(path, today="2026-01-12")
        assert faults == []
        assert len(frame) == text.count("\n") - 1
    assert [word for word in (*EVENT_KINDS, *REASONS) if f"`{word}`" not in page] == []
