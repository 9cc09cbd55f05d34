"""The map by keyboard, on a phone, in the dark, on paper; its search; a crew's page on a phone."""

from __future__ import annotations

import subprocess
import zlib
from base64 import b64decode

import map_town
import pytest
from PIL import Image
from playwright.sync_api import expect, sync_playwright
from pypdf import PdfReader
from sheet_town import sheet_week

from planner.outputs import figure
from planner.outputs.crew_pages import write_crew_pages
from planner.outputs.map import draw_map
from tests.conftest import BROWSER_FLAGS

pytestmark = pytest.mark.browser
DESK, PHONE = (1280, 800), (390, 844)


@pytest.fixture(scope="module")
def browser(chromium):
    """Debian's chromium without a window."""
    with sync_playwright() as play:
        running = play.chromium.launch(executable_path=chromium, args=BROWSER_FLAGS)
        yield running
        running.close()


@pytest.fixture(scope="module")
def town_file(tmp_path_factory):
    """The grid town's map as a file."""
    path = tmp_path_factory.mktemp("map") / "map.html"
    path.write_text(draw_map(map_town.town(), map_town.facts()), "utf-8")
    return path


@pytest.fixture
def look(browser):
    """Open a file at a size and in a scheme; at the end it asked for itself alone, in peace."""
    opened = []

    def make(path, size=DESK, scheme="light", then=()):
        context = browser.new_context(
            viewport={"width": size[0], "height": size[1]}, color_scheme=scheme
        )
        page, trouble = context.new_page(), []
        for event in ("console", "pageerror"):
            page.on(event, lambda one: trouble.append(str(one)))
        page.on("request", lambda one: trouble.append(one.url))
        page.goto(path.as_uri())
        if path.name == "map.html":
            page.wait_for_function("window.sleeveplan && sleeveplan.current")
        opened.append((context, [one.as_uri() for one in (path, *then)], trouble))
        return page

    yield make
    for context, uris, trouble in opened:
        context.close()
        assert trouble == uris


def found(page, words):
    """Type into the box; give what is listed."""
    page.fill("#find", words)
    return page.locator(".plan-finder .plan-found button").all_inner_texts()


def test_search_reads_pipes_manholes_streets_and_defects(look, town_file):
    """An exact name comes first, then what begins with it; words may stand in any order."""
    page = look(town_file)
    assert found(page, "p0004")[0] == "pipe P0004"
    assert found(page, "n0000")[0].startswith("manhole N0000")
    assert found(page, "heron way")[0] == "street Heron Way"
    # Pipe P0000 has cracks at 9 and 26.3 m, P0001 one: of `map_town._survey`, (3, 1, 2, 0).
    some = found(page, "P0001 crack")
    assert len(some) == 1
    assert some[0].startswith("defect crack, P0001")
    assert found(page, "no such thing") == []
    assert page.locator(".plan-finder [role=status]").inner_text() == "0 found"
    assert found(page, "N0") != []
    assert "of 48 shown" in page.locator(".plan-finder [role=status]").inner_text()


@pytest.mark.parametrize("size", [DESK, PHONE])
def test_search_by_keyboard_opens_and_escape_leads_back(look, town_file, size):
    """Type, arrow down, Enter: the popup has the focus; Escape returns it to the list."""
    page = look(town_file, size)
    page.focus("#find")
    page.keyboard.type("P0004")
    page.keyboard.press("ArrowDown")
    page.keyboard.press("Enter")
    popup = page.locator(".plan-popup")
    expect(popup).to_be_focused()
    assert popup.locator("h2").first.inner_text() == "Pipe P0004"
    box = page.locator(".leaflet-popup-content-wrapper").bounding_box()
    assert box["x"] >= 0
    assert box["x"] + box["width"] <= size[0]
    page.keyboard.press("Escape")
    expect(page.locator(".leaflet-popup")).to_have_count(0)
    assert page.evaluate("document.activeElement.textContent") == "pipe P0004"
    page.keyboard.press("Escape")
    assert page.evaluate("document.activeElement.id") == "find"
    assert page.input_value("#find") == ""


def test_every_control_is_reached_with_the_tab_key_and_shows_it(look, town_file):
    """From the top of the page through the panel into the map, each with an outline."""
    page = look(town_file)
    reached = []
    for _ in range(80):
        page.keyboard.press("Tab")
        reached.append(page.evaluate(
            """() => { const at = document.activeElement, look = getComputedStyle(at);
              const name = at.matches(".folium-map") ? "map" : at.id || at.className || at.tagName;
              return [name, look.outlineStyle !== "none"]; }"""
        ))  # fmt: skip
    names = [name for name, _ in reached]
    assert names[:3] == ["view_repairs", "view_week", "find"]
    assert "map" in names
    assert any("leaflet-control-zoom-in" in name for name in names)
    assert all(shown for name, shown in reached if name != "BODY")


def test_stops_are_listed_and_opened_without_a_mouse(look, town_file):
    """All 30 visits in the week; those of crew B alone after its button; Enter opens one."""
    page = look(town_file)
    page.focus("#view_week")
    page.keyboard.press("Enter")
    stops = page.locator(".plan-stops button")
    expect(stops).to_have_count(30)
    page.get_by_role("button", name="B Otter").press("Enter")
    expect(stops).to_have_count(15)
    assert all(text.startswith("B ") for text in stops.all_inner_texts())
    badges = page.locator("button.plan-badge").all_inner_texts()
    assert {text[0] for text in badges} == {"B"}
    stops.first.press("Enter")
    expect(page.locator(".plan-popup")).to_be_focused()
    assert page.locator(".plan-popup h2").inner_text() == "Stop B 1.01"
    page.keyboard.press("Escape")
    expect(stops.first).to_be_focused()
    page.get_by_role("button", name="all crews and days").press("Enter")
    expect(stops).to_have_count(30)


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_text_stands_out_from_its_ground(look, town_file, scheme):
    """At least 4.5 to 1 (WCAG 2.1, 1.4.3), by its formula, for what the panel says."""
    page = look(town_file, scheme=scheme)
    page.fill("#find", "P0004")
    ratios = page.evaluate(
        """() => { const light = c => { const v = c.match(/[0-9.]+/g).slice(0, 3).map(Number).map(
            x => (x /= 255) <= 0.03928 ? x / 12.92 : ((x + 0.055) / 1.055) ** 2.4);
            return 0.2126 * v[0] + 0.7152 * v[1] + 0.0722 * v[2]; };
          const ground = n => { for (; n; n = n.parentElement) {
            const c = getComputedStyle(n).backgroundColor;
            if (c !== "rgba(0, 0, 0, 0)") return c; } return "rgb(255, 255, 255)"; };
          return [...document.querySelectorAll(
            "#panel h1, #panel p, #panel th, #panel small, #panel td, #panel button")]
            .filter(n => n.textContent.trim() && !n.closest(".plan-empty")).map(n => {
              const a = light(getComputedStyle(n).color), b = light(ground(n));
              return [(Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05), n.textContent]; }); }"""
    )
    assert len(ratios) > 20
    assert min(ratios)[0] >= 4.5, min(ratios)


def test_dark_gives_black_liners_a_light_edge_and_follows_a_change(look, town_file):
    """Decision colours stay; what would sink into the ground is edged; light has no edge."""
    page = look(town_file, scheme="dark")
    liner = (
        "(() => { const l = sleeveplan.current.looks.pipe_liner; return [l.color, l.casing]; })()"
    )
    assert page.evaluate(liner) == ["#000000", "#ffffff"]
    page.emulate_media(color_scheme="light")
    for _ in range(100):  # the change is told a moment later
        if page.evaluate(liner)[1] is None:
            break
        page.wait_for_timeout(20)
    assert page.evaluate(liner) == ["#000000", None]


@pytest.mark.parametrize("size", [DESK, PHONE])
def test_nothing_runs_over_the_edge(look, town_file, size):
    """Map and panel share the screen; neither scrolls sideways."""
    page = look(town_file, size)
    page.click("#view_week")
    wide = page.evaluate(
        "[document.documentElement.scrollWidth - innerWidth, panel.scrollWidth - panel.clientWidth]"
    )
    assert wide == [0, 0]
    shown, panel = (page.locator(one).bounding_box() for one in (".folium-map", "#panel"))
    assert shown["width"] * shown["height"] > 0.5 * size[0] * size[1]
    below = panel["y"] >= shown["y"] + shown["height"] - 1
    beside = panel["x"] + panel["width"] <= shown["x"] + 1
    assert below or beside


def test_paper_is_light_and_holds_the_map_and_the_legend(look, town_file, tmp_path, pdftoppm):
    """Also from a dark screen: pipes in their colours on the first page, words behind."""
    page = look(town_file, scheme="dark")
    before = page.evaluate("sleeveplan.current.map.getZoom()")
    path = tmp_path / "map.pdf"
    page.pdf(path=path, prefer_css_page_size=True)
    pages = PdfReader(path).pages
    assert float(pages[0].mediabox.width) > float(pages[0].mediabox.height)
    assert "an engineer decides" in " ".join(one.extract_text() for one in pages)
    subprocess.run([pdftoppm, "-r", "150", "-l", "1", "-png", path, tmp_path / "page"], check=True)
    with Image.open(next(tmp_path.glob("page*.png"))) as image:
        pixels = {colour: count for count, colour in image.convert("RGB").getcolors(1 << 24)}
    assert {(0x00, 0x72, 0xB2), (0xD5, 0x5E, 0x00), (0xF0, 0xE4, 0x42)} <= set(pixels)
    light = sum(count for colour, count in pixels.items() if min(colour) > 220)
    assert light > 0.8 * sum(pixels.values())
    assert page.evaluate("sleeveplan.theme.now().dark") is True
    assert page.evaluate("sleeveplan.current.map.getZoom()") == before


def test_a_packed_map_holds_and_shows_the_same_data(look, tmp_path, monkeypatch):
    """Deflated or not, the page reads one and the same JSON."""
    tables, about = map_town.town(4, 3), map_town.facts()
    bare = draw_map(tables, about)
    monkeypatch.setattr(figure, "PACKED_FROM", 100)
    packed = draw_map(tables, about)
    mark = 'type="application/json" id="plan">'
    text = bare.split(mark)[1].split("</script>")[0]
    inner = packed.split('type="application/x-deflate" id="plan">')[1].split("</script>")[0]
    assert zlib.decompress(b64decode(inner)).decode("ascii") == text
    path = tmp_path / "map.html"
    path.write_text(packed, "utf-8")
    page = look(path)
    assert page.locator(".plan-nothing").count() == 0
    assert found(page, "P0004")[0] == "pipe P0004"


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_a_crews_page_reads_on_a_phone(look, tmp_path, scheme):
    """Nothing runs over the edge, letters are 15 px and more, links are a thumb high."""
    path = write_crew_pages(sheet_week(2), map_town.facts(), tmp_path)[0]
    page = look(path, PHONE, scheme)
    assert page.evaluate("document.documentElement.scrollWidth") <= PHONE[0]
    sizes = page.evaluate(
        "[...document.querySelectorAll('p, li, dd, dt')]"
        ".map(n => parseFloat(getComputedStyle(n).fontSize))"
    )
    assert min(sizes) >= 15
    assert page.locator("nav a").first.bounding_box()["height"] >= 44
    page.locator("nav a").first.press("Enter")
    assert page.url.endswith("#day_1")
    assert page.locator("article").count() > 0
    assert page.evaluate("[...document.images].every(one => one.complete && one.naturalWidth)")


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_map_and_crews_pages_lead_to_each_other(look, tmp_path, scheme):
    """By relative links, on a phone: a page shows the day's way within its width and goes back."""
    town = map_town.town()
    (tmp_path / "map.html").write_text(draw_map(town, map_town.facts()), "utf-8")
    paths = write_crew_pages(town, map_town.facts(), tmp_path / "crews")
    there = (paths[-1], tmp_path / "map.html")
    page = look(tmp_path / "map.html", PHONE, scheme, then=there)
    links = page.locator(".plan-pages a")
    assert links.count() == len(paths) > 0
    assert links.first.bounding_box()["height"] >= 40
    links.last.press("Enter")
    page.wait_for_url(f"**/{paths[-1].name}")
    drawing = page.locator(".route img").first
    box = drawing.bounding_box()
    assert drawing.evaluate("one => one.complete && one.naturalWidth > 0")
    assert box["x"] >= 0
    assert box["x"] + box["width"] <= PHONE[0]
    assert page.evaluate("document.documentElement.scrollWidth") <= PHONE[0]
    page.locator("nav a").last.press("Enter")
    page.wait_for_url("**/map.html")
