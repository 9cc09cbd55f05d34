"""A sum of money that lacks a price says so wherever it is shown, and names what lacks it.

That the bill marks it is `tests/test_bill.py`; here each output is given a bill so marked.
"""

from __future__ import annotations

from pathlib import Path

import openpyxl
import pandas as pd
import pytest
from pypdf import PdfReader

from planner.contracts import BILL_SUMS
from planner.outputs.papers import write_all_papers
from planner.outputs.summary import summary_lines
from planner.outputs.workbook import write_workbook
from planner.plan import Plan
from planner.tables import conform

ITEM, MARK = "reopen", "INCOMPLETE: no price for reopen"


def marked(plan: Plan, *, gaps: bool) -> dict[str, pd.DataFrame]:
    """The demo's tables, each of its sums with or without a gap."""
    sums = plan.tables["bill_sums"].assign(
        complete=not gaps, unpriced=ITEM if gaps else "", unpriced_count=int(gaps)
    )
    return {**plan.tables, "bill_sums": conform(sums, BILL_SUMS)}


@pytest.fixture(scope="module", params=[True, False])
def shown(
    request: pytest.FixtureRequest, demo_plan: Plan, tmp_path_factory: pytest.TempPathFactory
) -> tuple[bool, Path, dict[str, pd.DataFrame]]:
    """Workbook and papers of the plan, with a gap in each sum and with none."""
    gaps, folder = request.param, tmp_path_factory.mktemp("shown")
    tables = marked(demo_plan, gaps=gaps)
    write_workbook(tables, demo_plan.facts, 0.1, folder)
    write_all_papers(tables, demo_plan.facts, demo_plan.inputs.settings.week, folder / "papers")
    return gaps, folder, tables


def test_the_summary_says_it_of_week_and_project(shown, demo_plan: Plan) -> None:
    gaps, _, tables = shown
    (bill,) = [one for one in summary_lines(tables, demo_plan.facts) if one.startswith("Bill:")]
    assert bill.count(MARK) == (2 if gaps else 0)


@pytest.mark.parametrize(
    ("page", "first"), [("Bill", "Sum with contingency"), ("Routes", "Week"), ("Read me", None)]
)
def test_the_workbook_says_it_beside_the_sum(shown, page: str, first: str | None) -> None:
    """In the row of the sum itself: who scrolls there, or prints that page, sees it."""
    gaps, folder, _ = shown
    rows = [
        [str(cell) for cell in row if cell is not None]
        for row in openpyxl.load_workbook(folder / "totals.xlsx")[page].values
    ]
    wanted = [row for row in rows if first is None or first in row]
    assert any(MARK in cell for row in wanted for cell in row) is gaps
    if page == "Routes":
        routes = [row for row in rows if row[0].isdigit()]
        assert routes
        assert all((row[-1] == MARK) is gaps for row in routes)


def test_the_weeks_paper_says_it(shown) -> None:
    gaps, folder, _ = shown
    pages = PdfReader(folder / "papers" / "weekly_report.pdf").pages
    text = " ".join(" ".join(page.extract_text().split()) for page in pages)
    assert text.count(MARK) == (2 if gaps else 0)
