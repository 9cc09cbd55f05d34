"""Any text a file may hold goes the whole way as text: no output runs it, none is named by it."""

from __future__ import annotations

import csv
import re
from dataclasses import dataclass
from pathlib import Path

import pandas as pd
import pytest
from evil_project import Evil, write_evil, write_form
from pypdf import PdfReader

from planner.contracts import TABLES
from planner.folder import accept_form, check_project, run_project, write_run
from planner.outputs.files import RISKY, plain_text
from tests.conftest import BROWSER_FLAGS

CASES = {
    "markup": Evil(
        before="\u202e",
        after='</script><img src=x onerror="window.pwn=1">\' \u0661\u05d0\u200f \U0001f6bd e\u0301',
    ),
    "formula": Evil(before='=HYPERLINK("http://x")&', after="\t=1"),
    "at": Evil(before="@SUM(1)", after=';" {{7*7}}{% raw %}'),
    "typeset": Evil(before="#", after="$x$ *bold* #let a = 1 `c` // \\ <b>"),
    "path": Evil(before="../../", after="/..\\..\\con:|?*"),
}
NAMES = re.compile(
    r"(map\.html|break_even\.svg|plan\.gpkg|run\.json|totals\.xlsx|sheets|crews|tables|parquet|styles|papers"
    r"|sheets/[\w.-]+\.pdf|tables/\w+\.csv|parquet/\w+\.parquet|styles/\w+\.qml"
    r"|crews/crew_\d+\.html|papers/\w+\.(pdf|csv))"
)


@dataclass(frozen=True)
class Made:
    """What one evil town gave."""

    evil: Evil
    tables: dict[str, pd.DataFrame]
    said: list[str]
    out: Path


@pytest.fixture(scope="module", params=list(CASES))
def made(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Made:
    evil = CASES[request.param]
    folder = write_evil(tmp_path_factory.mktemp("evil"), evil)
    checked = check_project(folder)
    said = accept_form(folder, write_form(folder, evil))
    plan = run_project(folder)
    return Made(evil, plan.tables, checked.lines + said, write_run(plan, folder))


def test_the_town_goes_the_whole_way(made: Made) -> None:
    """The text hinders nothing: both decisions are taken, the sleeve is on the week's list."""
    assert made.said[-1] == "2 decisions taken, 0 refused or known"
    assert made.tables["visits"]["crew"].tolist() == [made.evil.of("North")]
    assert made.tables["sleeves"]["pipe_id"].tolist() == [made.evil.of("P1")]
    assert len(made.tables["audit"]) == 0
    assert all(line.isprintable() for line in made.said)


def test_no_file_is_named_by_data(made: Made) -> None:
    found = [path.relative_to(made.out).as_posix() for path in made.out.rglob("*")]
    assert [name for name in found if not NAMES.fullmatch(name)] == []
    parents = {path.name for path in made.out.parent.iterdir()}
    assert parents == {"0001", "check"}


def test_no_cell_can_run_and_each_comes_back(made: Made) -> None:
    for table in (one for one in TABLES if one.name in made.tables):
        with (made.out / "tables" / f"{table.name}.csv").open(newline="", encoding="utf-8") as file:
            rows = list(csv.DictReader(file))
        frame = made.tables[table.name]
        assert len(rows) == len(frame)
        for column in table.columns:
            if column.kind not in ("text", "date"):
                continue
            cells = [row[column.name] for row in rows]
            assert not [cell for cell in cells if cell.startswith(RISKY[:-1])]
            assert [plain_text(cell) for cell in cells] == frame[column.name].tolist()


def test_the_sheet_shows_the_text_itself(made: Made) -> None:
    """Signs without a glyph and turned text aside: what is typed is what is printed."""
    sheets = sorted((made.out / "sheets").glob("*.pdf"))
    assert len(sheets) == 1
    text = "".join(page.extract_text() for page in PdfReader(sheets[0]).pages)
    bare = re.sub(r"\s", "", text)
    if made.evil.before != "\u202e":
        assert re.sub(r"\s", "", made.evil.of("North")) in bare
        assert re.sub(r"\s", "", made.evil.of("A")) in bare


@pytest.mark.browser
def test_the_crews_page_runs_nothing_of_it(made: Made, chromium: str) -> None:
    """A page without a script: what is typed is what is read, in dark signs too."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=chromium, args=BROWSER_FLAGS)
        page = browser.new_page(viewport={"width": 390, "height": 844})
        asked: list[str] = []
        page.on("request", lambda request: asked.append(request.url))
        page.on("console", lambda message: asked.append(message.text))
        (name,) = (made.out / "crews").iterdir()
        page.goto(name.as_uri())
        assert [one for one in asked if not one.startswith("data:image/svg")] == [name.as_uri()]
        assert page.evaluate("window.pwn") is None
        assert page.locator("script, iframe, svg, img:not([src^='data:image/svg'])").count() == 0
        assert page.locator("a:not([href^='#'])").count() == 0
        if made.evil.before != "\u202e":
            words = "".join((page.locator("h1").text_content() or "").split())
            assert "".join(made.evil.of("North").split()) in words
        browser.close()


@pytest.mark.browser
def test_the_map_runs_nothing_of_it(made: Made, chromium: str) -> None:
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=chromium, args=BROWSER_FLAGS)
        for name in (made.out / "map.html", made.out.parent / "check" / "map.html"):
            page = browser.new_page(viewport={"width": 1300, "height": 850})
            trouble: list[str] = []
            page.on("dialog", lambda dialog, trouble=trouble: trouble.append(dialog.message))
            page.on("console", lambda message, trouble=trouble: trouble.append(message.text))
            page.on("pageerror", lambda error, trouble=trouble: trouble.append(str(error)))
            page.on("request", lambda request, trouble=trouble: trouble.append(request.url))
            page.goto(name.as_uri())
            for click in range(-2, 3):
                page.mouse.click(850 + 60 * click, 425)
            page.wait_for_timeout(200)
            assert trouble == [name.as_uri()]
            assert page.evaluate("window.pwn") is None
            assert page.locator("img, iframe, svg, a[href^=javascript]").count() == 0
            words = "".join((page.locator("h1").text_content() or "").split())
            assert "".join(made.evil.of("Town").split()) in words
            page.close()
        browser.close()
