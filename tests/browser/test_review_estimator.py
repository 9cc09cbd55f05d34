"""The estimator's desk in Chromium: totals that move, a price changed by two, files, no fault."""

from __future__ import annotations

import csv
from collections.abc import Iterator
from pathlib import Path

import openpyxl
import pytest
from axe_playwright_python.sync_playwright import Axe
from estimator_town import EVIL_ID, SECOND, decide, write_bare_run, write_town
from playwright.sync_api import Browser, Page, expect, sync_playwright
from review_town import Served, served

from planner.folder import run_project
from planner.review.live import Live
from tests.conftest import BROWSER_FLAGS

pytestmark = pytest.mark.browser
PAGES = ("/estimator", "/estimator/week", "/estimator/prices", "/estimator/drivers")


@pytest.fixture(scope="module")
def browser(chromium: str) -> Iterator[Browser]:
    """Debian's chromium without a window."""
    with sync_playwright() as play:
        running = play.chromium.launch(executable_path=chromium, args=BROWSER_FLAGS)
        yield running
        running.close()


@pytest.fixture(scope="module")
def town(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """The small town with one pipe accepted, a run of it, and its page."""
    folder = write_town(tmp_path_factory.mktemp("estimator") / "town")
    live = Live.open(folder)
    assert decide(live, "0017", "accept") == []
    write_bare_run(run_project(folder), folder)
    with served(folder, live) as page:
        yield page


class Desk:
    """One page with what it asked for and what it complained about."""

    def __init__(self, browser: Browser, url: str, width: int = 1280, *, dark: bool = False):
        scheme = "dark" if dark else "light"
        size = {"width": width, "height": 900}
        self.context = browser.new_context(viewport=size, color_scheme=scheme)  # type: ignore[arg-type]
        self.page: Page = self.context.new_page()
        self.url, self.said, self.asked = url, [], []
        self.page.on("console", lambda message: self.said.append(message.text))
        self.page.on("pageerror", lambda error: self.said.append(str(error)))
        self.page.on("request", lambda request: self.asked.append(request.url))

    def go(self, path: str) -> Page:
        self.page.goto(self.url + path)
        return self.page

    def close(self, *expected: str) -> None:
        """End; nothing outside was asked for, nothing ran, nothing but `expected` was said."""
        assert self.page.evaluate("window.pwn") is None
        self.context.close()
        assert not [one for one in self.asked if not one.startswith((self.url, "data:"))]
        assert [one for one in self.said if not any(e in one for e in expected)] == []


def test_totals_move_without_a_reload_when_another_accepts(browser: Browser, town: Served) -> None:
    """One pipe is 2167.60, with 1000 once and 5 % 3325.98; two are 5601.96. An explanation that is
    open stays open, and no other page load happens."""
    desk = Desk(browser, town.url)
    page = desk.go("/estimator")
    whole = page.locator('[data-k="c-all"]')
    expect(whole).to_contain_text("3\u202f325.98")
    page.get_by_role("button", name="how sleeve length came about").click()
    why = page.locator("#why")
    expect(why).to_contain_text(SECOND)
    assert decide(town.live, SECOND, "accept", by="A. Vance") == []
    expect(whole).to_contain_text("5\u202f601.96", timeout=8000)
    expect(whole).to_have_class("est-moved")
    expect(why).to_be_visible()
    page.keyboard.press("Escape")
    expect(why).to_be_hidden()
    expect(page.get_by_role("button", name="how sleeve length came about")).to_be_focused()
    expect(page.get_by_text(f"pipe {SECOND}, by A. Vance")).to_be_visible()
    assert sum(one == f"{town.url}/estimator" for one in desk.asked) == 1
    desk.close()


def test_two_change_one_price(browser: Browser, town: Served) -> None:
    """The first sees the effect; the second, who had the old price open and typed into it, keeps
    what they typed while news comes in, is refused with the first's change, and may save again."""
    first, second = Desk(browser, town.url), Desk(browser, town.url)
    one, two = first.go("/estimator/prices"), second.go("/estimator/prices")
    change = f"Change sleeve DN 100 to 300, {EVIL_ID}"
    two.get_by_role("button", name=change).click()
    two.get_by_label("Each", exact=True).fill("1500")
    two.get_by_label("Why").fill("my own offer")
    one.get_by_role("button", name=change).click()
    expect(one.get_by_label("Each", exact=True)).to_be_focused()
    one.get_by_label("Each", exact=True).fill("1300")
    one.get_by_role("button", name="Save").click()
    assert town.live.store.read_price_edits().empty  # the browser itself asks for the reason
    one.get_by_label("Why").fill("resin is dearer")
    one.get_by_role("button", name="Save").click()
    expect(one.locator("#effect")).to_contain_text("Which way is chosen may change")
    expect(one.locator("#said")).to_contain_text("each 1200.00 -> 1300.00")
    expect(one.locator(".est-edit")).to_have_count(0)
    expect(one.locator("#price-0")).to_contain_text("1\u202f300.00")
    # News came to the second; the fields were left alone.
    expect(two.locator("#price-0")).to_contain_text("1\u202f300.00", timeout=8000)
    expect(two.get_by_label("Each", exact=True)).to_have_value("1500")
    expect(two.get_by_label("Why")).to_have_value("my own offer")
    two.get_by_role("button", name="Save").click()
    expect(two.locator(".est-edit")).to_contain_text("1\u202f200.00 -> 1\u202f300.00, by E. Noor")
    expect(two.get_by_label("Each", exact=True)).to_have_value("1500")
    two.get_by_role("button", name="Save").click()
    expect(two.locator("#price-0")).to_contain_text("1\u202f500.00")
    expect(one.locator("#price-0")).to_contain_text("1\u202f500.00", timeout=8000)
    first.close()
    second.close("status of 409")


def test_files_open(browser: Browser, town: Served, tmp_path: Path) -> None:
    """The workbook by openpyxl, the bill as CSV: the sleeve's price has an id that would run."""
    desk = Desk(browser, town.url)
    page = desk.go("/estimator")
    page.get_by_text("Export").click()
    for name, link in (("a.xlsx", "Workbook of the plan"), ("b.csv", "Bill by price")):
        with page.expect_download() as found:
            page.get_by_role("link", name=link).click()
        found.value.save_as(tmp_path / name)
    assert "Prices" in openpyxl.load_workbook(tmp_path / "a.xlsx").sheetnames
    with (tmp_path / "b.csv").open(newline="", encoding="utf-8") as file:
        rows = list(csv.reader(file))
    assert f"'{EVIL_ID}" in {row[2] for row in rows}
    desk.close()


@pytest.mark.parametrize("width", [1280, 390])
@pytest.mark.parametrize("dark", [False, True])
def test_no_grave_fault_for_those_who_see_less(
    browser: Browser, town: Served, width: int, dark: bool
) -> None:
    """axe finds nothing serious on any page, nor on a price's form; nothing is wider than it."""
    desk = Desk(browser, town.url, width, dark=dark)
    for path in PAGES:
        page = desk.go(path)
        if path.endswith("prices"):
            page.locator("[data-opens]").first.click()
            page.locator(".est-edit").wait_for()
        if path == "/estimator":
            page.locator(".est-why").first.click()
            page.locator("#why[open]").wait_for()
        found = Axe().run(page).response["violations"]
        grave = [one["id"] for one in found if one["impact"] in ("serious", "critical")]
        assert grave == [], path
        assert page.evaluate("document.documentElement.scrollWidth") <= width, path
    desk.close()
