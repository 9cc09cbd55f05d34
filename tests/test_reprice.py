"""Prices changed in the workbook come back by their ids, and nothing else does."""

from __future__ import annotations

from pathlib import Path

import openpyxl
import pytest

from planner.errors import FileError
from planner.inputs.project import read_project
from planner.inputs.repriced import FILE, read_workbook_prices
from planner.outputs.workbook import write_workbook
from planner.plan import Plan
from planner.reprice import take_prices


@pytest.fixture
def typed(demo_plan: Plan, tmp_path: Path):
    """Write the book; set cells of the page of prices by id and head."""
    path = write_workbook(demo_plan.tables, demo_plan.facts, 0.0, tmp_path)

    def write(cells: dict[tuple[str, str], object]) -> Path:
        book = openpyxl.load_workbook(path)
        sheet = book["Prices"]
        heads = {cell.value: at for at, cell in enumerate(sheet[3])}
        for row in sheet.iter_rows(min_row=4):
            for (price_id, head), value in cells.items():
                if row[1].value == price_id:
                    row[heads[head]].value = value
        book.save(path)
        return path

    return write


def prices_of(demo_plan: Plan):
    return demo_plan.tables["prices"]


def test_an_untouched_book_changes_nothing(typed, demo_plan: Plan) -> None:
    found = read_workbook_prices(typed({}), prices_of(demo_plan))
    assert (len(found.changes), found.lines, found.faults) == (0, [], [])


def test_changed_amounts_are_told_and_taken(typed, demo_plan: Plan) -> None:
    """1380.00 became 1425.55; its rate stays; cleaning has none any more."""
    cells = {("sleeve-felt-ambient-150", "Each"): 1425.55, ("clean-0", "Each further metre"): 0}
    found = read_workbook_prices(typed(cells), prices_of(demo_plan))
    assert found.changes.to_dict("records") == [
        {"price_id": "clean-0", "each_cents": 16000, "extra_cents_per_m": 0, "least_cents": 0},
        {"price_id": "sleeve-felt-ambient-150", "each_cents": 142555, "extra_cents_per_m": 26000,
         "least_cents": 0},
    ]  # fmt: skip
    assert found.lines == [
        "clean-0: each metre more 3.20 -> 0.00",
        "sleeve-felt-ambient-150: each 1380.00 -> 1425.55",
    ]


@pytest.mark.parametrize("wrong", ["twelve", -1, 10.005, "=1+1", None, float("1e30"), True])
def test_what_is_no_amount_is_refused_alone(typed, demo_plan: Plan, wrong: object) -> None:
    """One line with page, row and what was wanted; the other change goes on.

    A formula that no program has reckoned yet reads as blank: it is not taken for 0.
    """
    cells = {("clean-0", "Each"): wrong, ("reopen-0", "Each"): 300}
    found = read_workbook_prices(typed(cells), prices_of(demo_plan))
    assert found.changes["price_id"].tolist() == ["reopen-0"]
    assert len(found.faults) == 1
    assert found.faults[0].column == "Each"
    assert "whole cents" in found.faults[0].wanted


def test_ids_that_are_not_known_or_stand_twice_are_refused(typed, demo_plan: Plan) -> None:
    """A row with another id, and a row with the id of another."""
    path = typed({("clean-0", "price_id"): "cleen-0", ("look-0", "price_id"): "reopen-0"})
    found = read_workbook_prices(path, prices_of(demo_plan))
    assert [fault.column for fault in found.faults] == ["price_id", "price_id"]
    assert "clean" in found.faults[0].wanted


def test_what_is_no_book_of_ours_is_refused(demo_plan: Plan, tmp_path: Path) -> None:
    """Text with the ending of a workbook; a workbook with other pages."""
    text = tmp_path / "a.xlsx"
    text.write_text("no")
    with pytest.raises(FileError):
        read_workbook_prices(text, prices_of(demo_plan))
    other = tmp_path / "b.xlsx"
    book = openpyxl.Workbook()
    book.active["A1"] = "x"
    book.save(other)
    with pytest.raises(FileError, match="wanted one named Prices"):
        read_workbook_prices(other, prices_of(demo_plan))


def test_a_folder_plans_by_the_changed_prices(demo_folder: Path, typed, tmp_path: Path) -> None:
    """The change is kept beside prices.toml, which stays as it was; the source says so; a second
    change joins the first, and the workbook's own file is read again by its ids alone."""
    import shutil

    folder = tmp_path / "town"
    shutil.copytree(demo_folder, folder, ignore=shutil.ignore_patterns("out", ".drives"))
    before = (folder / "prices.toml").read_bytes()
    lines = take_prices(folder, typed({("clean-0", "Each"): 170.0}))
    assert lines[-1].startswith("1 prices changed")
    take_prices(folder, typed({("reopen-0", "Each"): 300.0}))
    prices = read_project(folder).prices.set_index("price_id")
    assert (folder / "prices.toml").read_bytes() == before
    assert int(prices.at["clean-0", "each_cents"]) == 17_000
    assert int(prices.at["reopen-0", "each_cents"]) == 30_000
    assert prices.at["clean-0", "source"] == f"{FILE}; before: invented"
    assert prices.at["look-0", "source"] == "invented"


def test_rows_of_the_file_for_other_prices_are_refused(demo_folder: Path, tmp_path: Path) -> None:
    """A price that prices.toml does not hold any more costs its own row only."""
    import shutil

    folder = tmp_path / "town"
    shutil.copytree(demo_folder, folder, ignore=shutil.ignore_patterns("out", ".drives"))
    head = "price_id,each_cents,extra_cents_per_m,least_cents\n"
    (folder / FILE).write_text(f"{head}gone,1,0,0\nclean-0,17000,320,0\n")
    inputs = read_project(folder)
    assert [f for f in inputs.faults["file"] if f == FILE] == [FILE]
    assert inputs.price_changes["price_id"].tolist() == ["clean-0"]
