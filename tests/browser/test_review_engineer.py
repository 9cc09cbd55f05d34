"""The engineer's desk in Chromium: sift, read, decide, undo, a stale edit, sign; phone, dark."""

from __future__ import annotations

import re
from urllib.parse import urlsplit

import pytest
from axe_playwright_python.sync_playwright import Axe
from engineer_town import SURVEYS, write_town
from evil_project import Evil, write_evil
from playwright.sync_api import expect, sync_playwright
from review_town import served

from tests.conftest import BROWSER_FLAGS

pytestmark = pytest.mark.browser
DESK, PHONE = (1280, 800), (390, 844)
# Round cracks 0.4 m apart do not join: each is 0.1 m long, and what joins lies within 0.15 m.
MANY = "".join(f"R3,0019,C,2025-05-01,yes,{10 + 0.4 * n:.1f},BAB,B,B,2,,,,\n" for n in range(70))
EVIL = (
    Evil("\"'><b>", "</script><img src=x onerror=\"window.pwn='img'\">"),
    Evil("${window.pwn=1}`+(window.pwn=2)+`", "<svg onload=\"window.pwn='svg'\">{{7*7}}"),
)


@pytest.fixture(scope="module")
def browser(chromium):
    """Debian's chromium without a window."""
    with sync_playwright() as play:
        running = play.chromium.launch(executable_path=chromium, args=BROWSER_FLAGS)
        yield running
        running.close()


@pytest.fixture(scope="module")
def town(tmp_path_factory):
    """The town with 70 further cracks on its last pipe, served."""
    head, tail = SURVEYS.rsplit("R3,0019", 1)
    folder = write_town(tmp_path_factory.mktemp("town") / "town",
                        surveys_csv=f"{head}{MANY}R3,0019{tail}")  # fmt: skip
    with served(folder) as page:
        yield page


@pytest.fixture
def visit(browser):
    """Open the desk; at the end nothing was asked for outside, and nothing was complained of."""
    opened = []

    def make(server, path="/engineer", size=DESK, scheme="light", expected=()):
        context = browser.new_context(
            viewport={"width": size[0], "height": size[1]}, color_scheme=scheme
        )
        page, trouble = context.new_page(), []
        page.on("console", lambda one: trouble.append(one.text))
        page.on("pageerror", lambda one: trouble.append(str(one)))
        page.on("request", lambda one: trouble.append(one.url)
                if urlsplit(one.url).netloc != urlsplit(server.url).netloc else None)  # fmt: skip
        opened.append((context, trouble, expected))
        page.goto(server.url + path)
        if urlsplit(path).path == "/engineer":
            expect(page.locator("#map")).to_have_attribute("data-drawn", "yes")
        return page

    yield make
    for context, trouble, expected in opened:
        context.close()
        assert len(trouble) == len(expected), trouble
        assert all(word in said for word, said in zip(expected, trouble, strict=True)), trouble


@pytest.fixture(autouse=True)
def undone(town):
    """What a test decided is taken back."""
    yield
    live = town.live
    for pipe_id in ("0017", "0018"):
        decide(town, pipe_id, "undo", "a test ended")
        assert live.rows_of(pipe_id)["choices"]["by"].iloc[0] == ""


def decide(town, pipe_id, word, reason, by="B. Ruiz"):
    """Decide as another person does, elsewhere."""
    from planner.review.live import Asked

    seen = town.live.last_version(pipe_id)
    assert town.live.decide(Asked(pipe_id, "", word, "", reason, by, seen, True)) == []


def decisions(town):
    """What stands in memory, as texts."""
    rows = town.live.decisions
    names = ["pipe_id", "decision", "reason", "by", "opened"]
    return [tuple(row) for row in rows[names].itertuples(index=False)]


def rows(page):
    return page.locator("#rows .span-row")


def test_sift_open_read_refuse_undo_and_accept_unopened(visit, town):
    """The main way, by keyboard where there is a key for it; once unopened, once opened."""
    page, before = visit(town), len(decisions(town))
    expect(page.locator("[data-sum=spans]")).to_have_text("75")
    page.locator("#v-sleeve").check()
    expect(rows(page)).to_have_count(3)
    assert "verdict=%3Dsleeve" in page.url
    page.locator("#sift-text").press_sequentially("0018")
    expect(rows(page)).to_have_count(1)
    page.keyboard.press("Tab")  # leaving the box asks for nothing again
    row = rows(page).first
    row.locator(".accept").click()
    expect(page.locator("#list-said")).to_contain_text("accept on pipe 0018")
    expect(row.locator(".c-choice")).to_contain_text("accepted")
    expect(row.locator(".accept")).to_have_count(0)
    handle = row.element_handle()
    page.focus("#sift-text")
    page.keyboard.press("ArrowDown")
    expect(row.locator(".open")).to_be_focused()
    page.keyboard.press("Enter")
    detail = page.locator("#detail")
    expect(detail.locator("h2")).to_contain_text("Pipe 0018")
    expect(detail).to_contain_text("crack 6.0 mm wide")
    expect(detail.get_by_role("region", name="Reasons")).to_contain_text("cited")
    assert detail.locator(".strip svg rect").count() > 2
    assert handle.evaluate("one => one.isConnected")
    page.keyboard.press("r")
    expect(page.locator("#do-refuse")).to_be_focused()
    page.keyboard.press("Enter")  # without a reason the browser itself stops it
    page.wait_for_timeout(100)
    assert len(decisions(town)) == before + 1
    page.fill("#reason", "dug next year")
    page.click("#do-refuse")
    expect(detail).to_contain_text("Taken in: refuse on pipe 0018")
    expect(row.locator(".c-choice")).to_contain_text("refused")
    assert page.evaluate("reviewMap.lookOf('0018')") == "none"
    page.fill("#reason", "not so")
    page.click("#do-undo")
    expect(row.locator(".c-choice")).to_contain_text("proposed")
    assert page.evaluate("reviewMap.lookOf('0018')") == "sleeve"
    seen = page.locator("#decide input[name=seen]").input_value()
    row.locator(".accept").click()
    expect(row.locator(".c-choice")).to_contain_text("accepted")
    # What is open goes along, so that the next decision is not held for a stale one.
    expect(page.locator("#decide input[name=seen]")).to_have_value(str(int(seen) + 1))
    expect(page.locator(".changed-by")).to_have_count(0)
    assert decisions(town)[before:] == [
        ("0018", "accept", "as proposed", "E. Noor", "no"),
        ("0018", "refuse", "dug next year", "E. Noor", "yes"),
        ("0018", "undo", "not so", "E. Noor", "yes"),
        ("0018", "accept", "as proposed", "E. Noor", "yes"),
    ]


def test_a_stale_edit_shows_the_other_and_keeps_the_words(visit, town):
    """Two people have the row open; the second is told, and may then decide in spite of it."""
    one = visit(town, "/engineer?text=0018")
    two = visit(town, "/engineer?text=0018", expected=("409",))
    for page in (one, two):
        rows(page).first.locator(".open").click()
        expect(page.locator("#decide")).to_be_visible()
    # The second has not heard of it yet.
    two.evaluate("() => { window.fetch = () => new Promise(() => {}); }")
    two.fill("#reason", "my own words")
    one.fill("#reason", "asked the owner")
    one.click("#do-hold")
    expect(one.locator("#detail")).to_contain_text("Taken in: hold")
    two.click("#do-accept")
    told = two.locator("#decide [role=alert]")
    expect(told).to_contain_text("was changed by E. Noor since you looked at it")
    expect(told).to_contain_text("asked the owner")
    expect(two.locator("#reason")).to_have_value("my own words")
    expect(two.locator("#reason")).to_be_editable()
    two.click("#do-refuse")
    expect(two.locator("#detail")).to_contain_text("Taken in: refuse on pipe 0018")
    assert [row[1:3] for row in decisions(town)][-2:] == [
        ("hold", "asked the owner"), ("refuse", "my own words"),
    ]  # fmt: skip


def test_what_others_change_is_marked_and_never_put_under_the_hand(visit, town):
    """The opened row and its form stay as they are until they are left or asked for anew."""
    page = visit(town, "/engineer?text=001")
    row = page.locator("#rows .span-row[data-pipe='0018']")
    row.locator(".open").click()
    page.fill("#reason", "half a sentence")
    node = row.element_handle()
    decide(town, "0018", "refuse", "theirs")
    expect(row.locator(".changed-by")).to_have_text("changed by B. Ruiz")
    expect(row.locator(".c-choice")).to_contain_text("proposed")
    expect(page.locator("#changed-by")).to_contain_text("changed by B. Ruiz while you had it open")
    assert node.evaluate("one => one.isConnected")
    assert page.input_value("#reason") == "half a sentence"
    # Another pipe's row, on which no hand is, is put in place.
    decide(town, "0017", "hold", "theirs too")
    other = page.locator("#rows .span-row[data-pipe='0017']").first
    expect(other.locator(".changed-by")).to_have_count(0)
    page.get_by_role("button", name="Show it as it is now").click()
    expect(page.locator("#detail")).to_contain_text("theirs")
    expect(page.locator("#reason")).to_have_value("half a sentence")
    other.locator(".open").click()
    expect(page.locator("#detail h2")).to_contain_text("0017")
    expect(row.locator(".c-choice")).to_contain_text("refused")
    row.locator(".open").click()
    expect(page.locator("#reason")).to_have_value("half a sentence")


def test_ones_own_change_is_never_told_as_anothers(visit, town):
    """Where a question under way brings it before the answer to the decision is there."""
    page = visit(town, "/engineer?text=0018")
    row = rows(page).first
    row.locator(".open").click()
    expect(page.locator("#decide")).to_be_visible()

    def slowly(route):
        answer = route.fetch()
        expect(row.locator(".changed-by")).to_have_count(1)
        route.fulfill(response=answer)

    page.route("**/engineer/decide", slowly)
    page.fill("#reason", "so")
    page.click("#do-refuse")
    expect(page.locator("#detail")).to_contain_text("Taken in: refuse")
    expect(row.locator(".c-choice")).to_contain_text("refused")
    expect(page.locator(".changed-by")).to_have_count(0)
    decide(town, "0018", "hold", "theirs")
    expect(row.locator(".changed-by")).to_have_text("changed by B. Ruiz")


def test_a_click_on_the_map_lists_and_opens_the_pipe(visit, town):
    """The pipe's middle, by the map's own reckoning; its spans alone are then listed."""
    page = visit(town)
    at = page.evaluate(
        """() => { const map = reviewMap.map(), box = map.getContainer().getBoundingClientRect();
          let found; map.eachLayer(one => { if (one.pipe === '0018') found = one; });
          const ends = found.getLatLngs(), middle = L.latLngBounds(ends).getCenter();
          const p = map.latLngToContainerPoint(middle); return [box.x + p.x, box.y + p.y]; }"""
    )
    page.mouse.click(*at)
    expect(page.locator("#only-pipe")).to_have_text("0018")
    expect(page.locator("#detail h2")).to_contain_text("Pipe 0018")
    expect(rows(page)).to_have_count(1)
    page.click("#only-clear")
    expect(rows(page)).to_have_count(60)


def test_more_rows_come_as_one_scrolls_and_by_key(visit, town):
    """75 spans: 60 at first; each stands there once."""
    page = visit(town)
    expect(rows(page)).to_have_count(60)
    page.locator("#list").evaluate("one => { one.scrollTop = one.scrollHeight; }")
    expect(rows(page)).to_have_count(75)
    expect(page.locator("#rows .more")).to_have_count(0)
    ids = page.eval_on_selector_all("#rows .span-row", "all => all.map(one => one.id)")
    assert len(set(ids)) == 75


@pytest.mark.parametrize("size", [DESK, PHONE])
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_nothing_is_wider_than_the_screen_and_axe_finds_no_serious_fault(visit, town, size, scheme):
    """The list, an opened row with its photo, the sign-off."""
    page = visit(town, "/engineer?text=0017", size, scheme)
    rows(page).first.locator(".open").click()
    expect(page.locator("#decide")).to_be_visible()
    photo = page.locator(".photos img").first
    photo.scroll_into_view_if_needed()
    expect(photo).to_have_js_property("naturalWidth", 64)
    assert faults(page) == []
    page.goto(f"{town.url}/engineer/sign")
    assert faults(page) == []


@pytest.mark.parametrize("size", [DESK, PHONE])
def test_the_quick_accept_names_its_method_where_a_finger_sees_it(visit, town, size):
    """In the button's own text, not only in a tooltip; it is what the column of choices says."""
    page = visit(town, size=size)
    row = page.locator("#rows .span-row:has(.accept)").first
    button = row.locator(".accept")
    button.scroll_into_view_if_needed()
    choice = row.locator(".c-choice").inner_text().splitlines()[0]
    assert choice.startswith("sleeve")
    expect(button).to_be_visible()
    assert button.inner_text().split("\n")[0].strip() == f"Accept {choice}"
    box = button.bounding_box()
    assert box["x"] >= 0
    assert box["x"] + box["width"] <= size[0]
    assert button.get_attribute("title") is None


def test_axe_would_tell_of_text_that_does_not_stand_out(visit, town):
    """Without this the test before would pass whatever stands there."""
    page = visit(town)
    page.evaluate("document.querySelector('h1').style.color = '#cccccc'")
    assert any(told.startswith("color-contrast") for told in faults(page))


def faults(page):
    """What axe calls serious or critical, and whether anything is too wide."""
    wide = page.evaluate("document.documentElement.scrollWidth > innerWidth")
    found = Axe().run(page).response["violations"]
    told = [f"{one['id']}: {node['html'][:120]}" for one in found for node in one["nodes"]
            if one["impact"] in ("serious", "critical")]  # fmt: skip
    return [*(["wider than the screen"] if wide else []), *told]


@pytest.mark.parametrize("evil", EVIL)
def test_text_of_files_runs_nothing(visit, tmp_path, evil):
    """Each row opened, each thing decided: no text of the data becomes markup or script."""
    with served(write_evil(tmp_path / "evil", evil)) as server:
        page = visit(server)
        for number in range(rows(page).count()):
            rows(page).nth(number).locator(".open").click()
            expect(page.locator("#detail article")).to_have_attribute(
                "data-span", rows(page).nth(number).get_attribute("data-span")
            )
        page.fill("#reason", evil.of("why"))
        page.click("#do-hold")
        expect(page.locator("#detail")).to_contain_text("Taken in: hold")
        assert page.locator("#detail img:not([src^='/photo'])").count() == 0
        page.goto(f"{server.url}/engineer?text=P1")
        page.goto(f"{server.url}/engineer/sign")
        assert page.evaluate("window.pwn") is None


def test_sign_after_what_changed_was_read(visit, town):
    """It runs beside; its end is told, and then nothing differs any more."""
    decide(town, "0018", "accept", "as proposed", by="E. Noor")
    page = visit(town)
    page.get_by_role("link", name="Changes and sign-off").click()
    expect(page.locator("main")).to_contain_text("0018")
    page.fill("#sign-reason", "tender")
    page.click("#do-sign")
    expect(page.locator("#status .job")).to_contain_text("done", timeout=90_000)
    page.locator("#status summary").click()
    expect(page.locator("#status .job")).to_contain_text(re.compile("revision 1 signed by E. Noor"))
    page.goto(f"{town.url}/engineer/sign")
    expect(page.locator("main")).to_contain_text("Differences: none")
