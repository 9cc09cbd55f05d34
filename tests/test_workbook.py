"""The workbook: stored results are the tables', text stays text, a changed price is followed."""

from __future__ import annotations

import subprocess
from fractions import Fraction
from pathlib import Path

import openpyxl
import pandas as pd
import pytest
from openpyxl.worksheet.worksheet import Worksheet

from planner.contracts import PRICES
from planner.outputs.workbook import write_workbook
from planner.plan import Plan
from planner.tables import conform
from planner.takeoff.bill import make_bill

RATIO = 0.05
PAGES = ["Read me", "Prices", "Bill", "Routes", "Orders", "Quantities", "Methods", "Lines"]


def cells(path: Path, page: str, *, results: bool = True) -> Worksheet:
    return openpyxl.load_workbook(path, data_only=results)[page]


def last_figure(sheet: Worksheet, column: int) -> float:
    """The last figure of a column."""
    found = [row[column].value for row in sheet.iter_rows() if len(row) > column]
    return [value for value in found if isinstance(value, int | float)][-1]


def billed(tables: dict[str, pd.DataFrame], level: str) -> float:
    sums = tables["bill_sums"]
    return int(sums.loc[sums["level"] == level, "sum_cents"].sum()) / 100


@pytest.fixture(scope="module")
def book(demo_plan: Plan, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("book")
    return write_workbook(demo_plan.tables, demo_plan.facts, RATIO, folder)


def test_its_pages_stand_in_reading_order(book: Path) -> None:
    assert openpyxl.load_workbook(book).sheetnames == PAGES


def test_stored_results_are_the_planners_sums(book: Path, demo_plan: Plan) -> None:
    """Nothing was reckoned yet: what a reader sees is what the tables say."""
    tables = demo_plan.tables
    bill = cells(book, "Bill")
    week, rest, project = (last_figure(bill, column) for column in (7, 8, 9))
    assert week == pytest.approx(billed(tables, "week"), abs=1e-9)
    assert rest == pytest.approx(billed(tables, "rest"), abs=1e-9)
    assert project == pytest.approx(billed(tables, "project"), abs=1e-9)
    routes = cells(book, "Routes")
    assert last_figure(routes, 13) == pytest.approx(week, abs=1e-9)
    named = {f"{r[1].value}|{r[2].value}": r[13].value for r in routes.iter_rows(min_row=4)}
    for row in tables["bill_sums"].query("level == 'route'").itertuples():
        assert named[row.key] == pytest.approx(row.sum_cents / 100, abs=1e-9)


LINK = '=HYPERLINK("http://x","y")'
EVIL = [LINK, "+1", "-2", "@SUM(A1)", "<b>", "\x0bx", "\u202ex", "x" * 40_000]


@pytest.fixture(scope="module")
def evil_book(demo_plan: Plan, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Names of pipes and sources of prices that would run where text is taken for more."""
    tables = dict(demo_plan.tables)
    lines, prices = tables["bill_lines"].copy(), tables["prices"].copy()
    lines["pipe_id"] = [EVIL[at % len(EVIL)] + str(at) for at in range(len(lines))]
    prices["source"] = [EVIL[at % len(EVIL)] for at in range(len(prices))]
    tables |= {"bill_lines": lines, "prices": prices}
    folder = tmp_path_factory.mktemp("evil")
    return write_workbook(tables, demo_plan.facts, RATIO, folder)


def test_nothing_from_data_is_a_formula(evil_book: Path) -> None:
    """Formulas are our own: every one begins as ours do, and evil names stay text."""
    workbook = openpyxl.load_workbook(evil_book)
    for page, column in (("Lines", 0), ("Prices", 13)):
        assert {row[column].data_type for row in workbook[page].iter_rows(min_row=4)} == {"s"}
    assert not any(sheet._hyperlinks for sheet in workbook.worksheets)
    ours = ("=ROUND(", "=SUM", "=Prices!", "=MAX(", "=H", "=I", "=J", "=L")
    for sheet in workbook.worksheets:
        for row in sheet.iter_rows():
            for cell in row:
                if cell.data_type == "f":
                    assert str(cell.value).startswith(ours), cell.value


@pytest.mark.office
def test_libreoffice_runs_nothing_of_it(evil_book: Path, tmp_path: Path, soffice: str) -> None:
    """Opened and saved there, each text is still that text."""
    again = openpyxl.load_workbook(recalculated(soffice, evil_book, tmp_path / "evil"))
    for page, column in (("Lines", 0), ("Prices", 13)):
        cells_of = [row[column] for row in again[page].iter_rows(min_row=4)]
        assert {cell.data_type for cell in cells_of} == {"s"}
    found = {str(row[13].value) for row in again["Prices"].iter_rows(min_row=4)}
    assert {LINK, "+1", "-2", "@SUM(A1)", "<b>"} <= found


def test_the_same_tables_give_the_same_bytes(book: Path, demo_plan: Plan, tmp_path: Path) -> None:
    again = write_workbook(demo_plan.tables, demo_plan.facts, RATIO, tmp_path)
    assert again.read_bytes() == book.read_bytes()


def test_an_empty_plan_has_an_empty_book(demo_plan: Plan, tmp_path: Path) -> None:
    """Nothing accepted, nothing priced: pages with heads, sums of nothing."""
    tables = {name: frame.iloc[:0] for name, frame in demo_plan.tables.items()}
    path = write_workbook(tables, demo_plan.facts, RATIO, tmp_path)
    assert last_figure(cells(path, "Bill"), 9) == 0


def recalculated(soffice: str, path: Path, folder: Path) -> Path:
    """Let LibreOffice reckon every formula anew and write the book again."""
    folder.mkdir()
    home = folder / "profile"
    command = [soffice, f"-env:UserInstallation=file://{home}", "--headless", "--convert-to",
               "xlsx:Calc MS Excel 2007 XML", "--outdir", str(folder), str(path)]  # fmt: skip
    subprocess.run(command, check=True, capture_output=True, timeout=240)
    return folder / path.name


@pytest.mark.office
def test_libreoffice_comes_to_the_planners_sums(
    book: Path, demo_plan: Plan, tmp_path: Path, soffice: str
) -> None:
    """Before and after prices are changed; stored results are taken away first, so that every
    figure read back is LibreOffice's own. The expected sums come from `make_bill` on options
    priced anew by the changed prices, line by line in exact fractions."""
    bare = openpyxl.load_workbook(book)
    first = tmp_path / "first.xlsx"
    bare.save(first)
    done = recalculated(soffice, first, tmp_path / "a")
    tables = demo_plan.tables
    assert last_figure(cells(done, "Bill"), 9) == pytest.approx(billed(tables, "project"), abs=1e-6)
    assert last_figure(cells(done, "Routes"), 13) == pytest.approx(billed(tables, "week"), abs=1e-6)
    changed, prices = repriced(bare, tables, tmp_path)
    again = recalculated(soffice, changed, tmp_path / "b")
    after = make_bill(
        {**tables, "option_lines": by_fractions(tables, prices), "prices": prices},
        demo_plan.inputs.settings.takeoff,
        first_day=demo_plan.facts.first_day,
    ).sums
    assert billed({"bill_sums": after}, "project") != billed(tables, "project")
    bill = cells(again, "Bill")
    for column, level in ((7, "week"), (8, "rest"), (9, "project")):
        assert last_figure(bill, column) == pytest.approx(
            billed({"bill_sums": after}, level), abs=1e-6
        )


def repriced(bare, tables, folder: Path):
    """Type three other prices into the book; give the book and the same prices as a table."""
    new = {"sleeve-felt-ambient-150": (1_425.55, 271.33), "liner-150": (4_100.00, 99.99),
           "reopen-0": (312.40, 0.0)}  # fmt: skip
    sheet = bare["Prices"]
    prices = tables["prices"].copy()
    for row in sheet.iter_rows(min_row=4):
        if row[1].value in new:
            row[6].value, row[8].value = new[row[1].value]
    for price_id, (each, rate) in new.items():
        own = prices["price_id"] == price_id
        prices.loc[own, "each_cents"] = round(each * 100)
        prices.loc[own, "extra_cents_per_m"] = round(rate * 100)
    path = folder / "changed.xlsx"
    bare.save(path)
    return path, conform(prices, PRICES)


def by_fractions(tables, prices: pd.DataFrame) -> pd.DataFrame:
    """Price each line anew: each + metres beyond x rate, in whole cents, a half to the even one."""
    by_id = prices.set_index("price_id")
    lines = tables["option_lines"].copy()
    for at, row in lines.iterrows():
        if row["price_id"] == "":
            continue
        price = by_id.loc[row["price_id"]]
        least_m = 0.0 if pd.isna(price["least_m"]) else price["least_m"]
        beyond = max(row["length_m"], least_m) - float(price["included_m"])
        metres = Fraction(round(max(0.0, beyond) * 10**6), 10**6)
        one = int(price["each_cents"]) + round(metres * int(price["extra_cents_per_m"]))
        one = max(one, 0 if pd.isna(price["least_cents"]) else int(price["least_cents"]))
        lines.loc[at, ["one_cents", "sum_cents"]] = [one, one * row["times_count"]]
    return lines
