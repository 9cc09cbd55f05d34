"""Prices changed in the workbook come back by their ids, and nothing else does."""

from __future__ import annotations

from pathlib import Path

import openpyxl
import pytest
from small_project import write_project

from planner.contracts import PRICE_EDITS, PRICES
from planner.errors import FileError, StaleError
from planner.folder import run_project
from planner.inputs.price_edits import with_edits
from planner.inputs.project import read_project
from planner.inputs.repriced import FILE, read_workbook_prices
from planner.outputs.workbook import write_workbook
from planner.plan import Plan
from planner.reprice import Said, change_price, take_prices
from planner.store.chosen import STORE
from planner.store.decisions import open_store
from planner.tables import conform

SAID = Said("Ada", "2026-03-02", "new contract")


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
    lines = take_prices(folder, typed({("clean-0", "Each"): 170.0}), SAID)
    assert lines[-1].startswith("1 prices changed")
    take_prices(folder, typed({("reopen-0", "Each"): 300.0}), SAID)
    assert not (folder / FILE).exists()
    edits = open_store(folder / STORE).read_price_edits()
    assert edits[
        ["price_id", "amount", "old_cents", "new_cents", "by", "on", "reason"]
    ].to_numpy().tolist() == [
        ["clean-0", "each_cents", 16_000, 17_000, "Ada", "2026-03-02", "new contract"],
        ["reopen-0", "each_cents", 29_000, 30_000, "Ada", "2026-03-02", "new contract"],
    ]
    prices = read_project(folder, {}, None, edits).prices.set_index("price_id")
    assert (folder / "prices.toml").read_bytes() == before
    assert int(prices.at["clean-0", "each_cents"]) == 17_000
    assert int(prices.at["reopen-0", "each_cents"]) == 30_000
    assert prices.at["clean-0", "source"] == (
        "changed by Ada on 2026-03-02: new contract; before: invented"
    )
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


PRICE = {"price_id": "p", "item": "dig", "dn_from_mm": 0, "dn_to_mm": 300, "each_cents": 100_00,
         "included_m": 1.0, "extra_cents_per_m": 50_00, "source": "quote"}  # fmt: skip
NOTHING = {"each_cents": "100", "extra_cents_per_m": "50", "least_cents": "0"}


def edit(version, amount="each_cents", old=100_00, new=120_00, price_id="p"):
    row = {"version": version, "price_id": price_id, "amount": amount, "old_cents": old}
    return {**row, "new_cents": new, "by": "Ada", "on": "2026-03-02", "reason": "steel", "at": ""}


def test_the_last_amount_of_a_person_stands_and_no_edit_changes_nothing():
    """100 became 120, then 125; the rate stays as it was. Without edits it is the same frame."""
    prices = conform([PRICE], PRICES)
    assert with_edits(prices, conform([], PRICE_EDITS))[0] is prices
    edits = conform([edit(1), edit(2, old=120_00, new=125_00)], PRICE_EDITS)
    found, told = with_edits(prices, edits)
    assert int(found["each_cents"].iloc[0]) == 125_00
    assert int(found["extra_cents_per_m"].iloc[0]) == 50_00
    assert found["source"].iloc[0] == "changed by Ada on 2026-03-02: steel; before: quote"
    assert told == []


def test_a_file_that_changed_under_a_persons_amount_is_said():
    """The file says 130 where it said 100 when Ada made it 120: 120 stands, and it is told."""
    prices = conform([{**PRICE, "each_cents": 130_00}], PRICES)
    found, told = with_edits(prices, conform([edit(1)], PRICE_EDITS))
    assert int(found["each_cents"].iloc[0]) == 120_00
    assert told[0][0] == "p"
    assert "130.00 each" in told[0][1]
    found, told = with_edits(prices, conform([edit(1, price_id="gone")], PRICE_EDITS))
    assert int(found["each_cents"].iloc[0]) == 130_00
    assert "no such price" in told[0][1]


@pytest.mark.parametrize("wrong", ["", "twelve", "-1", "10.005", "=1+1", "nan", "1e30"])
def test_a_page_passes_the_checks_of_the_workbook(tmp_path: Path, wrong: str):
    """What is no amount is refused; so is a change without a reason, and one of nothing."""
    store, prices = open_store(tmp_path / STORE), conform([PRICE], PRICES)
    made = change_price(store, prices, "p", {**NOTHING, "each_cents": wrong}, SAID, 0)
    assert len(made.refused) == 1
    assert "whole cents" in made.refused[0]
    assert not (tmp_path / STORE).exists()


def test_a_stale_change_of_a_price_is_refused(tmp_path: Path):
    """B saw the price before A changed it."""
    store, prices = open_store(tmp_path / STORE), conform([PRICE], PRICES)
    typed = {**NOTHING, "each_cents": "110.50", "least_cents": "60"}
    made = change_price(store, prices, "p", typed, SAID, 0)
    assert made.taken["version"].tolist() == [1, 2]
    assert made.lines == ["p: each 100.00 -> 110.50, least 0.00 -> 60.00"]
    with pytest.raises(StaleError, match="p: changed meanwhile by Ada"):
        change_price(store, prices, "p", {**NOTHING, "each_cents": "90"}, SAID, 1)
    now, _ = with_edits(prices, store.read_price_edits())
    assert change_price(store, now, "p", typed, SAID, 2).refused
    for said in (Said("Ada", "2026-03-02", " "), Said("", "2026-03-02", "x")):
        assert change_price(store, now, "p", NOTHING, said, 2).refused
    assert change_price(store, now, "q", NOTHING, SAID, 0).refused
    assert len(store.read_price_edits()) == 2


def test_a_plan_has_the_prices_of_the_store(tmp_path: Path):
    """A sleeve of 1200 in the file is 1300 in the store, and so in the plan."""
    folder = write_project(tmp_path / "town")
    store = open_store(folder / STORE)
    rows = [edit(0, old=1200_00, new=1300_00, price_id="a")]
    store.append_price_edits(conform(rows, PRICE_EDITS))
    made = run_project(folder)
    assert made.tables["prices"]["each_cents"].tolist() == [1300_00]
