"""The planner's desk in a real browser: stops moved by hand, what happened, planning again."""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator

import pytest
from axe_playwright_python.sync_playwright import Axe
from desk_town import keep_tables
from evil_project import write_evil, write_form
from playwright.sync_api import Browser, Page, expect, sync_playwright
from review_town import Served, served
from test_evil_text import CASES

from planner.folder import accept_form, run_project
from planner.store.chosen import STORE
from planner.store.decisions import open_store
from tests.conftest import BROWSER_FLAGS

pytestmark = pytest.mark.browser
DESK, PHONE = (1280, 900), (390, 844)
MONDAY, TUESDAY, WEDNESDAY, FRIDAY = "2026-01-12", "2026-01-13", "2026-01-14", "2026-01-16"
SERIOUS = ("serious", "critical")


@pytest.fixture(scope="module")
def browser(chromium: str) -> Iterator[Browser]:
    with sync_playwright() as play:
        running = play.chromium.launch(executable_path=chromium, args=BROWSER_FLAGS)
        yield running
        running.close()


class Look:
    """Pages of one server; at the end each asked for it alone, in peace."""

    def __init__(self, browser: Browser, town: Served) -> None:
        self.browser, self.town = browser, town
        self.trouble: list[str] = []
        self.expected: list[str] = []
        self.contexts = []

    def open(self, size=DESK, scheme="light", path="/planner") -> Page:
        context = self.browser.new_context(
            viewport={"width": size[0], "height": size[1]}, color_scheme=scheme
        )
        page = context.new_page()
        page.on("console", lambda one: self.trouble.append(f"{one.type}: {one.text}"))
        page.on("pageerror", lambda one: self.trouble.append(str(one)))
        page.on("request", self._asked)
        page.goto(self.town.url + path)
        self.contexts.append(context)
        return page

    def _asked(self, request) -> None:
        if not request.url.startswith((self.town.url, "data:")):
            self.trouble.append(request.url)

    def close(self) -> None:
        for context in self.contexts:
            context.close()
        left = [one for one in self.trouble if not any(word in one for word in self.expected)]
        assert left == []


@pytest.fixture(scope="module")
def town(desk_town, tmp_path_factory) -> Iterator[Served]:
    folder = shutil.copytree(desk_town, tmp_path_factory.mktemp("served") / "town")
    with served(folder) as running:
        yield running


@pytest.fixture
def look(browser, town) -> Iterator[Look]:
    one = Look(browser, town)
    yield one
    one.close()


def edits_of(town: Served):
    return open_store(town.live.folder / STORE).read_week_edits()


def list_of(page: Page, crew: str, date: str):
    return page.locator(f'ol.stops[data-day="{date}|{crew}"]')


def stops_of(page: Page, crew: str, date: str) -> list[str]:
    found = list_of(page, crew, date).locator("li.stop")
    return [one.get_attribute("data-setup") for one in found.all()]


def opened(page: Page, setup_id: str):
    page.locator(f"#open-{setup_id}").click()
    panel = page.locator("#panel.open")
    expect(panel).to_have_attribute("data-setup", setup_id)
    return panel


def said(page: Page, words: str) -> None:
    expect(page.locator("#told")).to_contain_text(words)


def test_a_stop_is_moved_by_drag_and_what_breaks_is_said(look, town):
    """From Tuesday's crew onto North's full Monday: it stands there, broken and marked."""
    page = look.open()
    one = stops_of(page, "South", TUESDAY)[0]
    target = list_of(page, "North", MONDAY).locator("li.stop").first
    page.locator(f"#stop-{one}").drag_to(target, target_position={"x": 40, "y": 5})
    said(page, "more than may be planned of the shift")
    assert stops_of(page, "North", MONDAY)[0] == one
    expect(page.locator("#faults")).to_contain_text("Mon 12.01.")
    row = edits_of(town).iloc[-1]
    assert (row["setup_id"], row["change"], row["after_id"]) == (one, "move", "")
    assert row["reason"] == "moved by hand"
    # Undone from its panel.
    panel = opened(page, one)
    panel.get_by_label("Reason, kept with the change").fill("too much")
    panel.get_by_role("button", name="Back to the plan").click()
    said(page, "let it stand as planned")
    expect(page.get_by_text("No rule is broken.")).to_be_visible()
    assert stops_of(page, "South", TUESDAY)[0] == one


def test_a_stop_is_moved_promised_and_locked_by_keyboard_alone(look, town):
    """Open, tab to the fields, choose, send; the focus is led in and back out."""
    page = look.open()
    one = stops_of(page, "North", MONDAY)[0]
    page.locator(f"#open-{one}").focus()
    page.keyboard.press("Enter")
    expect(page.locator("#panel-head")).to_be_focused()
    page.keyboard.press("Tab")
    page.keyboard.press("Tab")
    expect(page.locator("#reason")).to_be_focused()
    page.keyboard.type("school fair")
    page.locator("#day").focus()
    page.keyboard.type("Fri 16.01. North")
    expect(page.locator("#day")).to_have_value(f"{FRIDAY}|North")
    expect(page.locator("#after option")).to_have_count(2)
    page.get_by_role("button", name="Move", exact=True).focus()
    page.keyboard.press("Enter")
    said(page, "moved it to North on Fri 16.01. (school fair)")
    assert stops_of(page, "North", FRIDAY) == [one]
    panel = page.locator("#panel.open")
    expect(panel).to_contain_text("North, Fri 16.01.")
    page.fill("#reason", "told the school")
    page.fill("#promise_on", FRIDAY)
    page.get_by_role("button", name="Promise", exact=True).press("Enter")
    said(page, "promised Fri 16.01.")
    page.fill("#reason", "key is there")
    page.get_by_role("button", name="Lock to this crew and day").press("Enter")
    said(page, "locked it to North on Fri 16.01.")
    stop = page.locator(f"#stop-{one}")
    for words in ("moved by hand", "promised for Fri 16.01.", "locked"):
        expect(stop).to_contain_text(words)
    page.keyboard.press("Escape")
    expect(page.locator(f"#open-{one}")).to_be_focused()
    assert list(edits_of(town)["change"])[-3:] == ["move", "promise", "lock"]


def test_a_second_person_is_told_and_loses_nothing_typed(look, town):
    """Both look; one puts it off; the other's move is refused with that, then sent again."""
    look.expected.append("409")
    first, second = look.open(), look.open()
    one = stops_of(first, "South", MONDAY)[1]
    panel = opened(second, one)
    second.fill("#reason", "my own reason")
    second.select_option("#day", f"{WEDNESDAY}|North")
    opened(first, one)
    first.fill("#reason", "dry weather")
    first.fill("#not_before", WEDNESDAY)
    first.get_by_role("button", name="Put off").click()
    said(first, "put it off until Wed 14.01.")
    # By itself the other page shows the mark, and leaves the panel as it is.
    expect(second.locator(f"#stop-{one}")).to_contain_text("not before Wed 14.01.", timeout=8000)
    expect(panel).to_contain_text("It was changed meanwhile.")
    expect(second.locator("#reason")).to_have_value("my own reason")
    second.get_by_role("button", name="Move", exact=True).click()
    said(second, "Somebody else was quicker")
    said(second, "put it off until Wed 14.01. (dry weather)")
    expect(second.locator("#reason")).to_have_value("my own reason")
    expect(second.locator("#day")).to_have_value(f"{WEDNESDAY}|North")
    second.get_by_role("button", name="Move", exact=True).click()
    said(second, "moved it to North on Wed 14.01.")
    assert stops_of(second, "North", WEDNESDAY) == [one]


def test_nothing_changes_under_the_hand_that_drags(look, town):
    """While a stop is held another's change does not redraw the week; then it does."""
    first, second = look.open(), look.open()
    one = stops_of(first, "South", TUESDAY)[0]
    first.locator(f"#stop-{one}").scroll_into_view_if_needed()
    box = first.locator(f"#stop-{one}").bounding_box()
    first.evaluate("document.querySelector('#week').dataset.mine = 'yes'")
    first.mouse.move(box["x"] + 60, box["y"] + box["height"] - 12)
    first.mouse.down()
    first.mouse.move(box["x"] + 80, box["y"] + box["height"] + 30, steps=4)
    expect(first.locator(f"#stop-{one}.held")).to_have_count(1)
    other = stops_of(second, "South", TUESDAY)[1]
    opened(second, other)
    second.fill("#reason", "later")
    second.fill("#not_before", TUESDAY)
    second.get_by_role("button", name="Put off").click()
    said(second, "put it off until Tue 13.01.")
    first.wait_for_timeout(2600)
    assert first.evaluate("document.querySelector('#week').dataset.mine") == "yes"
    first.keyboard.press("Escape")
    first.mouse.up()
    expect(first.locator(f"#stop-{other}")).to_contain_text("not before", timeout=8000)


@pytest.mark.parametrize("size", [DESK, PHONE])
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_no_serious_fault_for_those_who_do_not_see_or_use_a_mouse(look, size, scheme):
    """axe finds nothing serious, with the panel and the report open; nothing runs over the side."""
    page = look.open(size, scheme)
    opened(page, stops_of(page, "South", TUESDAY)[0])
    page.locator("#report > summary").click()
    found = Axe().run(page).response
    faults = [one for one in found["violations"] if one["impact"] in SERIOUS]
    told = [(one["id"], [n["html"][:160] for n in one["nodes"]][:3]) for one in faults]
    assert told == [], json.dumps(told, indent=1)
    wide = page.evaluate("document.documentElement.scrollWidth - window.innerWidth")
    assert wide <= 0


def test_a_failure_is_reported_and_the_rest_of_the_week_planned_again(look, town):
    """Tuesday's first stop failed: the list shows what planning again changes; it is accepted."""
    look.expected.append("422")
    page = look.open()
    one = stops_of(page, "South", TUESDAY)[0]
    panel = opened(page, one)
    page.locator("#report > summary").click()
    page.select_option("#kind", "failed")
    page.fill("#at", f"{TUESDAY}T09:30")
    panel.get_by_role("button", name="Report", exact=True).click()
    said(page, "wanted a reason code")
    page.select_option("#why", label="a car stands on the manhole")
    panel.get_by_role("button", name="Report", exact=True).click()
    said(page, "Reported")
    expect(page.locator(f"#stop-{one}")).to_contain_text("failed")
    page.fill("#again-at", f"{TUESDAY}T12:00")
    page.get_by_role("button", name="Plan the rest again").click()
    said(page, "It can be cancelled above.")
    expect(page.locator("#status .job")).to_contain_text("plan again from", timeout=8000)
    expect(page.get_by_role("link", name="See what it changes")).to_be_visible(timeout=120_000)
    page.get_by_role("link", name="See what it changes").click()
    expect(page.locator("#desk")).to_contain_text("TO SIGN: plan from 2026-01-13T12:00 on")
    assert page.locator("table.changes-list tbody tr").count() >= 1
    page.get_by_role("button", name="Accept: it stands from now on").click()
    expect(page.get_by_role("heading", name="Week of Mon 12.01.")).to_contain_text("run 0002")
    assert (town.live.folder / "out" / "0002" / "accepted.json").is_file()


@pytest.mark.parametrize("case", ["markup", "path"])
def test_no_text_from_a_file_or_a_person_runs(browser, tmp_path, case):
    """Every name carries markup, quotes, templates; so do reasons; all of it is shown as text."""
    evil = CASES[case]
    folder = write_evil(tmp_path / "evil", evil)
    accept_form(folder, write_form(folder, evil))
    keep_tables(folder, run_project(folder), "0001")
    crew = evil.of("North")
    with served(folder) as town:
        look = Look(browser, town)
        page = look.open()
        (one,) = [item.get_attribute("data-setup") for item in page.locator("li.stop").all()]
        panel = opened(page, one)
        expect(panel).to_contain_text(evil.after.split()[0])
        page.evaluate("document.querySelectorAll('details').forEach((one) => { one.open = true; })")
        page.fill("#reason", evil.of("why"))
        page.fill("#promise_on", WEDNESDAY)
        page.get_by_role("button", name="Promise", exact=True).click()
        said(page, "a promise to residents is broken")
        page.fill("#reason", evil.of("why"))
        page.get_by_role("button", name="Take off the week").click()
        said(page, "took it off the week")
        page.fill("#reason", evil.of("why"))
        page.locator("#day").select_option(index=0)
        page.get_by_role("button", name="Move", exact=True).click()
        said(page, "moved it to")
        assert edits_of(town)["crew"].iloc[-1] == crew
        expect(page.locator(".map-stop")).to_have_count(1)
        page.goto(town.url + "/log")
        expect(page.locator("table.log")).to_contain_text("why")
        assert page.evaluate("window.pwn") is None
        look.close()
