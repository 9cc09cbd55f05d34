"""Papers handed to somebody else: each names its reader, holds its rows, runs nothing."""

from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path

import pytest
from pypdf import PdfReader

from planner.contracts.repairs import SIGNED
from planner.outputs.files import plain_text
from planner.outputs.paper_words import Desk, days_before
from planner.outputs.papers import papers_of, write_all_papers
from planner.outputs.papers_planner import residents
from planner.plan import Plan

FILES = ["survey_queries", "repair_list", "dig_requests", "design_basis", "weekly_report",
         "streets", "residents", "inspector", "loads"]  # fmt: skip


@pytest.fixture(scope="module")
def folder(demo_plan: Plan, tmp_path_factory: pytest.TempPathFactory) -> Path:
    home = tmp_path_factory.mktemp("papers")
    write_all_papers(demo_plan.tables, demo_plan.facts, demo_plan.inputs.settings.week, home)
    return home


def table(folder: Path, name: str) -> list[dict[str, str]]:
    with (folder / f"{name}.csv").open(encoding="utf-8", newline="") as file:
        return [{k: plain_text(v) for k, v in row.items()} for row in csv.DictReader(file)]


def text_of(path: Path) -> str:
    return " ".join(" ".join(p.extract_text().split()) for p in PdfReader(path).pages)


def test_each_paper_names_its_reader_and_what_is_asked(folder: Path) -> None:
    listed = table(folder, "papers")
    assert [row["file"] for row in listed] == [f"{name}.pdf" for name in FILES]
    for row in listed:
        text = text_of(folder / row["file"])
        assert row["reader"] in text
        assert row["title"] in text
        assert "licensed practice" in text
        assert "Invented data" in text


def test_papers_hold_all_their_rows(folder: Path, demo_plan: Plan) -> None:
    """As many sleeves, stops, pipes and digs as the tables hold."""
    tables = demo_plan.tables
    sleeves = int(
        tables["quantity_sums"].query("level == 'week' and kind == 'sleeve'")["net"].sum()
    )
    assert len(table(folder, "inspector")) == sleeves
    assert len(table(folder, "streets")) == len(tables["visits"])
    assert len(table(folder, "repair_list")) == len(tables["choices"])
    dug = tables["choices"]["method"].isin(["dig", "dig_liner"])
    assert [row["Pipe"] for row in table(folder, "dig_requests")] == sorted(
        tables["choices"].loc[dug, "pipe_id"]
    )
    signed = tables["choices"].loc[tables["choices"]["state"].isin(SIGNED), "pipe_id"]
    pairs = tables["choice_sleeves"]
    own = set(pairs.loc[pairs["pipe_id"].isin(signed), "sleeve_id"])
    assert {row["Sleeve"] for row in table(folder, "design_basis")} == own


def test_notices_are_sent_so_many_working_days_before(demo_plan: Plan) -> None:
    """Monday 12 January 2026, one day before: Friday 9 January; houses of the pipe by name."""
    assert days_before("2026-01-12", 1) == "2026-01-09"
    assert days_before("2026-01-14", 2) == "2026-01-12"
    paper = residents(Desk(demo_plan.tables, demo_plan.facts), 1)
    setups = demo_plan.tables["setups"].query("sleeves_count > 0")["setup_id"]
    assert len(paper.rows) == int(setups.isin(demo_plan.tables["visits"]["setup_id"]).sum())
    monday = [row for row in paper.rows if row[2] == "Mon 2026-01-12"]
    assert {row[4] for row in monday} == {"Fri 2026-01-09"}


def test_the_report_says_the_bills_sums(folder: Path, demo_plan: Plan) -> None:
    sums = demo_plan.tables["bill_sums"].set_index("level")["sum_cents"]
    text = text_of(folder / "weekly_report.pdf")
    assert f"This week: {sums['week'] / 100:,.2f}" in text
    assert f"All accepted: {sums['project'] / 100:,.2f}" in text
    assert "Hours of each day" in text


def test_the_same_tables_give_the_same_bytes(folder: Path, demo_plan: Plan, tmp_path: Path) -> None:
    write_all_papers(demo_plan.tables, demo_plan.facts, demo_plan.inputs.settings.week, tmp_path)
    for path in sorted(folder.iterdir()):
        assert (tmp_path / path.name).read_bytes() == path.read_bytes(), path.name


def test_nobody_signed_stands_on_every_paper(demo_plan: Plan, tmp_path: Path) -> None:
    facts = replace(demo_plan.facts, not_accepted=True)
    write_all_papers(demo_plan.tables, facts, demo_plan.inputs.settings.week, tmp_path)
    for name in FILES:
        assert "NOT ACCEPTED" in text_of(tmp_path / f"{name}.pdf")


def test_an_empty_plan_says_so_on_every_paper(demo_plan: Plan, tmp_path: Path) -> None:
    tables = {name: frame.iloc[:0] for name, frame in demo_plan.tables.items()}
    papers = papers_of(tables, demo_plan.facts, demo_plan.inputs.settings.week)
    assert all(not paper.rows for paper in papers)
    write_all_papers(tables, demo_plan.facts, demo_plan.inputs.settings.week, tmp_path)
    for paper in papers:
        assert paper.empty in text_of(tmp_path / f"{paper.file}.pdf")


EVIL = ["<script>window.pwn=1</script>", '=HYPERLINK("http://x")', "#set page(width: 1pt)",
        "$x$ *b* @a", "line\nbreak\ttab", "\u202eevil", "😀 emoji", "x" * 10_000]  # fmt: skip


def test_text_of_any_kind_is_text(demo_plan: Plan, tmp_path: Path) -> None:
    """Names of streets, reasons and lots that hold markup, formulas and the like are printed."""
    tables = dict(demo_plan.tables)
    for name, column in (("nodes", "street"), ("choices", "reason"), ("picks", "lot")):
        frame = tables[name].copy()
        frame[column] = [EVIL[at % len(EVIL)] for at in range(len(frame))]
        tables[name] = frame
    write_all_papers(tables, demo_plan.facts, demo_plan.inputs.settings.week, tmp_path)
    bare = "".join(text_of(tmp_path / "repair_list.pdf").split())
    assert "<script>window.pwn=1</script>" in bare
    assert "#setpage(width:1pt)" in bare
    with (tmp_path / "repair_list.csv").open(encoding="utf-8", newline="") as file:
        cells = [cell for row in csv.reader(file) for cell in row]
    assert not [cell for cell in cells if cell.startswith(("=", "+", "@"))]
