"""The map as Chromium shows it: no request, no error, no text that runs, no covered badge."""

from __future__ import annotations

from pathlib import Path
from urllib.parse import unquote, urlsplit

import map_town
import numpy as np
import pytest
from playwright.sync_api import TimeoutError as Waited
from playwright.sync_api import expect, sync_playwright
from shapely.geometry import LineString
from small_project import PROJECT, write_project

from planner.folder import check_project
from planner.outputs.map import draw_map
from planner.outputs.palette import LOOKS
from tests.conftest import BROWSER_FLAGS

pytestmark = pytest.mark.browser
EVIL = (
    "<img src=x onerror=\"window.pwn='img'\">",
    "</script><script>window.pwn='script'</script>",
    '"><svg onload="window.pwn=\'svg\'">',
    "${window.pwn='dollar'}`+(window.pwn='tick')+`",
    "'-(window.pwn='quote')-'\\\"-(window.pwn='quote')-\"",
    "{{ [].__class__ }}{% raw %}<a href=\"javascript:window.pwn='link'\">x</a>",
)
ZOOMS = (14, 16.5, 18.5)


@pytest.fixture(scope="module")
def browser(chromium):
    """Debian's chromium without a window."""
    with sync_playwright() as play:
        running = play.chromium.launch(executable_path=chromium, args=BROWSER_FLAGS)
        yield running
        running.close()


class Opened:
    """A page from a file, with what it asked for and what it complained about."""

    def __init__(self, browser, folder: Path, html: str) -> None:
        path = folder / "map.html"
        path.write_text(html, "utf-8")
        self.requests: list[str] = []
        self.errors: list[str] = []
        self.page = browser.new_page(viewport={"width": 1300, "height": 850})
        self.page.on("request", lambda request: self.requests.append(request.url))
        self.page.on("console", lambda message: self.errors.append(message.text))
        self.page.on("pageerror", lambda error: self.errors.append(str(error)))
        self.page.goto(path.as_uri())
        # A city's data are unpacked first.
        self.page.wait_for_function("window.sleeveplan && sleeveplan.current")
        self.own = path.as_uri()
        # A popup that fades out catches clicks; here it goes at once.
        self.run("view => { view.map._fadeAnimated = false; }")

    def run(self, script: str):
        """Run a function of ``view`` (the page's own View) and give what it returns."""
        return self.page.evaluate(f"() => ({script})(sleeveplan.current)")

    def zoom(self, level: float) -> None:
        """Go to a zoom level around the middle of the town."""
        self.run(
            f"view => {{ view.map.setView(view.extent.getCenter(), {level}, {{animate: false}}); }}"
        )

    def click_feature(self, layer: str, row: int) -> str:
        """Bring a feature into view, click it with the mouse and give the popup's text."""
        self.close_popup()
        at = self.run(
            f"""view => {{
              const shape = view.data.layers.{layer}.shapes[{row}];
              const a = shape[0], b = shape[shape.length - 1];
              const middle = L.latLng((a.lat + b.lat) / 2, (a.lng + b.lng) / 2);
              view.map.setView(middle, 19, {{animate: false}});
              const p = view.map.latLngToContainerPoint(middle);
              const box = view.map.getContainer().getBoundingClientRect();
              return [p.x + box.left, p.y + box.top];
            }}"""
        )
        self.page.mouse.click(*at)
        return self.popup()

    def close_popup(self) -> None:
        """Close the popup."""
        self.run("view => { view.map.closePopup(); }")
        expect(self.page.locator(".leaflet-popup")).to_have_count(0)

    def popup(self) -> str:
        """Text of the open popup."""
        return self.page.locator(".leaflet-popup-content").last.inner_text(timeout=3000)

    def is_clean(self) -> bool:
        """Say whether it asked for itself alone and complained about nothing."""
        return self.requests == [self.own] and self.errors == []


@pytest.fixture(scope="module")
def tables():
    """The grid town."""
    return map_town.town()


@pytest.fixture(scope="module")
def town_page(tables):
    """Its map, drawn once."""
    return draw_map(tables, map_town.facts())


@pytest.fixture
def open_map(browser, tmp_path):
    """Open tables, or a page drawn before; at the end it must have been clean."""
    opened = []

    def make(tables, **facts):
        html = tables if isinstance(tables, str) else draw_map(tables, map_town.facts(**facts))
        opened.append(Opened(browser, tmp_path, html))
        return opened[-1]

    yield make
    for one in opened:
        complaints = one.requests[1:] + one.errors
        one.page.close()
        assert complaints == []


def test_no_request_and_no_error_at_three_zooms_in_both_views(open_map, tables):
    """The page asks for its own file alone, whatever is shown."""
    shown = open_map(tables, not_accepted=True, by_air=True)
    for view in ("repairs", "week"):
        shown.page.click(f"#view_{view}")
        for level in ZOOMS:
            shown.zoom(level)
            shown.page.mouse.move(700, 400)
    assert shown.is_clean()
    assert shown.page.title() == "Gridwick (invented), Week from 2026-01-12"
    assert "NOT ACCEPTED" in shown.page.locator("#band").inner_text()
    assert "Drives are reckoned by air" in shown.page.locator("#panel").inner_text()


def test_opens_on_the_whole_town(open_map, town_page):
    """Every pipe lies in the first view, and not in a corner of it."""
    shown = open_map(town_page)
    assert shown.run("view => view.map.getBounds().contains(view.extent)")
    share = shown.run(
        """view => { const size = view.map.getSize();
          const a = view.map.latLngToContainerPoint(view.extent.getNorthWest());
          const b = view.map.latLngToContainerPoint(view.extent.getSouthEast());
          return Math.max((b.x - a.x) / size.x, (b.y - a.y) / size.y); }"""
    )
    assert share > 0.6


def test_band_is_there_only_when_nobody_has_accepted(open_map, town_page):
    """An accepted plan carries no band."""
    assert open_map(town_page).page.locator("#band").count() == 0


def test_pixels_of_the_town_hold_the_colours_of_the_legend(open_map, town_page):
    """What the legend promises is on the canvas: blue, black, vermilion, yellow, sky, grey."""
    shown = open_map(town_page)
    colours = shown.run(
        """view => { const canvas = view.canvases.plan._container, seen = new Set();
          const all = canvas.getContext('2d').getImageData(0, 0, canvas.width, canvas.height).data;
          for (let i = 0; i < all.length; i += 4) if (all[i + 3] === 255)
            seen.add([all[i], all[i + 1], all[i + 2]].map(
              v => v.toString(16).padStart(2, '0')).join('').toUpperCase());
          return [...seen]; }"""
    )
    assert {"0072B2", "000000", "D55E00", "F0E442", "56B4E9", "BBBBBB"} <= set(colours)


def test_popups_say_what_lies_under_the_pointer(open_map, tables, town_page):
    """A click on a defect also reads the pipe beneath it."""
    shown = open_map(town_page)
    text = shown.click_feature("defects", 0)
    defect = tables["defects"].iloc[0]
    assert text.startswith("Defect crack")
    assert f"Pipe {defect['pipe_id']}" in text
    assert "BAB B A 3" in text
    assert "surveys.csv, row" in text
    text = shown.click_feature("sleeves", 2)
    assert f"Sleeve {tables['sleeves']['sleeve_id'].iloc[2]}" in text
    assert "DN 200 x 1.40 m, lamp felt" in text
    text = shown.click_feature("nodes", 3)
    assert "Node N0003" in text
    text = shown.click_feature("pipes", 4)
    assert "Pipe P0004" in text
    assert "no survey placed" in text
    # Beside everything nothing opens.
    shown.close_popup()
    shown.page.mouse.click(500, 60)
    assert shown.page.locator(".leaflet-popup-content").count() == 0


@pytest.mark.parametrize("evil", EVIL)
def test_evil_text_in_every_field_stays_text(open_map, evil):
    """Each text of every table, the run's facts too; every popup and badge opened."""
    shown = open_map(
        map_town.town(4, 3, evil=evil),
        name="Town" + evil, currency="EUR" + evil, version="1" + evil, not_accepted=True,
    )  # fmt: skip
    texts = [
        shown.click_feature(layer, 0)
        for layer in ("defects", "sleeves", "nodes", "laterals", "pipes")
    ]
    shown.close_popup()
    shown.page.click("#view_week")
    shown.zoom(18)
    for k in range(shown.page.locator("button.plan-badge").count()):
        shown.page.locator("button.plan-badge").nth(k).click()
        texts.append(shown.popup())
        shown.close_popup()
        shown.zoom(18)
    assert len(texts) > 7
    for text in texts:
        # The words of the field stand there letter by letter.
        assert "".join(evil.split()) in "".join(text.split())
    assert "Town" + evil in shown.page.locator("#panel h1").inner_text()
    assert shown.page.evaluate("window.pwn") is None
    assert shown.page.locator("img, svg, a[href^='javascript']").count() == 0


def test_policy_stops_what_would_get_through(browser, town_page, tmp_path):
    """Markup put into the page by force runs nothing and fetches nothing."""
    shown = Opened(browser, tmp_path, town_page)
    shown.page.evaluate(
        """() => { const box = document.createElement('div');
          box.innerHTML = '<img src="https://a.invalid/x.png" onerror="window.pwn=1">';
          document.body.appendChild(box); }"""
    )
    shown.page.wait_for_timeout(300)
    assert shown.page.evaluate("window.pwn") is None
    assert any("Content Security Policy" in error for error in shown.errors)
    shown.page.close()


def test_switches_show_and_hide(open_map, town_page):
    """A class, the sleeves and the streets go and come back with their boxes."""
    shown = open_map(town_page)
    for label, look in (
        ("show sleeve", "pipe_sleeve"), ("show sleeves", "sleeve"), ("show streets", "street"),
        ("show manholes", "open"), ("show connections", "live"),
    ):  # fmt: skip
        shown.zoom(18.5)
        for wanted in (True, False):
            shown.page.get_by_label(label, exact=True).click()
            assert shown.run(f"view => view.looks.{look}.hidden") is wanted


def test_lines_grow_with_the_zoom_up_to_the_widths_of_the_palette(open_map, town_page):
    """Over a city 2 px at most, and less than 1 for what needs nothing; in a street as listed."""
    shown = open_map(town_page)
    widths = {}
    for zoom in (11, 13, 15, 17):
        shown.zoom(zoom)
        widths[zoom] = {name: shown.run(f"view => view.looks.pipe_{name}.weight") for name in LOOKS}
    for name, look in LOOKS.items():
        row = [widths[zoom][name] for zoom in sorted(widths)]
        assert row == sorted(row)
        assert row[0] <= (1 if name in ("none", "unseen") else 2)
        assert row[-1] == look.width


def test_a_hidden_pipe_answers_no_click(open_map, town_page):
    """What cannot be seen cannot be read by accident."""
    shown = open_map(town_page)
    assert "Pipe P0004" in shown.click_feature("pipes", 4)
    shown.page.get_by_label("show not filmed", exact=True).click()
    with pytest.raises(Waited):
        shown.click_feature("pipes", 4)


def test_week_view_mutes_pipes_and_numbers_stops(open_map, tables, town_page):
    """Decision colours and day colours are never at full strength together."""
    shown = open_map(town_page)
    assert shown.page.locator(".plan-badge").count() == 0
    shown.page.click("#view_week")
    words = shown.run("view => Object.keys(view.data.looks.classes)")
    muted = {shown.run(f"view => view.looks.pipe_{word}.color") for word in words}
    assert muted == {"#c3c8cc"}
    badges = shown.page.locator(".plan-badge").all_inner_texts()
    assert "A 1.01" in badges
    assert "yard A, B" in badges
    # Every stop of the week stands on some badge.
    stops = sum(_stops_of(text) for text in badges if not text.startswith("yard"))
    assert stops == len(tables["visits"])


def _stops_of(badge: str) -> int:
    """Count the stops of a badge, e.g. three of ``A 1.01-03``."""
    count = 0
    for part in badge.split(".")[1].split(","):
        first, _, last = part.partition("-")
        count += int(last or first) - int(first) + 1
    return count


@pytest.mark.parametrize("level", ZOOMS)
def test_badges_never_cover_one_another(open_map, town_page, level):
    """Whatever the zoom: they share a badge, or move aside."""
    shown = open_map(town_page)
    shown.page.click("#view_week")
    shown.zoom(level)
    boxes = shown.page.locator(".plan-badge").evaluate_all(
        "all => all.map(n => { const r = n.getBoundingClientRect();"
        " return [r.left, r.top, r.right, r.bottom]; })"
    )
    assert len(boxes) > 4
    for i, a in enumerate(boxes):
        for b in boxes[i + 1 :]:
            apart = a[2] <= b[0] or b[2] <= a[0] or a[3] <= b[1] or b[3] <= a[1]
            assert apart, (a, b)


def test_a_day_can_be_shown_alone(open_map, town_page):
    """The other routes are switched off, in the boxes too; a click in the table shows the week."""
    shown = open_map(town_page)
    shown.page.locator(".plan-only").nth(1).click()
    badges = shown.page.locator("button.plan-badge").all_inner_texts()
    assert badges
    assert {text.split()[1].split(".")[0] for text in badges} == {"2"}
    assert shown.page.get_by_label("show Heron Mon 12.01.").is_checked() is False
    shown.page.get_by_label("show Heron Mon 12.01.").check()
    assert "A 1.01" in shown.page.locator("button.plan-badge").all_inner_texts()


def test_badge_opens_the_stop(open_map, town_page):
    """A badge of one stop reads as its visit."""
    shown = open_map(town_page)
    shown.page.locator(".plan-only").nth(0).click()
    shown.page.locator("button.plan-badge", has_text="A 1.01").click()
    text = shown.popup()
    assert text.startswith("Stop A 1.01")
    assert "Heron, Mon 12.01." in text
    assert "set the sleeve" in text


@pytest.mark.parametrize(
    ("numbers", "wanted"),
    [
        ([1], "01"),
        ([1, 2, 3], "01-03"),
        ([1, 3], "01,03"),
        ([1, 2, 4, 7, 8, 10], "01-02,04,07-08,.."),
    ],
)
def test_numbers_on_a_shared_badge(open_map, numbers, wanted):
    """Runs are shortened; what does not fit is marked as left out."""
    shown = open_map(map_town.no_tables())
    assert shown.page.evaluate("n => sleeveplan.ranges(n)", numbers) == wanted


def test_map_without_anything_says_so(open_map):
    """No pipe, no week: a sentence instead of an empty sheet."""
    shown = open_map(map_town.no_tables())
    assert "nothing to draw" in shown.page.locator(".plan-nothing").inner_text()
    assert shown.page.locator("#view_week").is_disabled()
    assert "No week is planned" in shown.page.locator("#panel").inner_text()


def test_map_of_verdicts_alone(open_map, tables):
    """Pipes and one inspection are enough for a first map: no sleeves, no choices, no week."""
    first = map_town.no_tables()
    for name in ("pipes", "nodes", "inspections", "defects", "spans", "span_rows", "verdicts"):
        first[name] = tables[name]
    shown = open_map(first)
    assert "Defect crack" in shown.click_feature("defects", 0)
    assert shown.page.locator(".plan-nothing").count() == 0


def test_names_are_written_and_never_over_one_another(open_map, tables, town_page):
    """Close up, each name keeps its own ground."""
    shown = open_map(town_page)
    shown.page.evaluate(
        """() => { window.written = [];
          const old = CanvasRenderingContext2D.prototype.fillText;
          CanvasRenderingContext2D.prototype.fillText = function (text, x, y) {
            const m = this.getTransform(), r = window.devicePixelRatio;
            window.written.push([text, m.e / r, m.f / r, Math.atan2(m.b, m.a),
              this.measureText(text).width]);
            return old.call(this, text, x, y); }; }"""
    )
    shown.zoom(18.5)
    written = shown.page.evaluate("window.written")
    names = {row[0] for row in written}
    assert names & set(tables["streets"]["name"])
    assert names & set(tables["nodes"]["node_id"])
    assert names & set(tables["pipes"]["pipe_id"])
    lines = [_text_line(*row[1:]) for row in written]
    for i, a in enumerate(lines):
        for b in lines[i + 1 :]:
            assert a.distance(b) >= 9  # 11 px letters are about 8 px high


def _text_line(x, y, angle, width):
    along = np.array([np.cos(angle), np.sin(angle)]) * width / 2
    return LineString([np.array([x, y]) - along, np.array([x, y]) + along])


def test_twenty_thousand_pipes_open_and_zoom(open_map):
    """A city's network draws; figures of the reference machine are 1.3 s and 0.2 s."""
    grid = 100
    tables = map_town.no_tables()
    map_town.put(tables, "pipes", [
        {"pipe_id": f"P{k}-{r}-{c}", "us_node": "a", "ds_node": "b", "dn_mm": 200.0,
         "length_m": 60.0, "drawn_m": 60.0, "placing": "ok", "material": "clay",
         "geometry": LineString([(c * 60, r * 60), (c * 60 + 60 * k, r * 60 + 60 * (1 - k))])}
        for k in (0, 1) for r in range(grid) for c in range(grid)
    ])  # fmt: skip
    shown = open_map(tables)
    took = shown.page.evaluate(
        """() => { const map = sleeveplan.current.map, t = performance.now();
          map.setView(sleeveplan.current.extent.getCenter(), 16, {animate: false});
          return performance.now() - t; }"""
    )
    assert took < 5000
    assert shown.run("view => view.paths.length") == 2 * grid * grid
    assert Path(shown.page.url.removeprefix("file://")).stat().st_size < 4_000_000


def test_the_map_of_a_check_opens_without_a_request(browser, tmp_path):
    """What lies where: legend and lists are there, views and routes are not."""
    folder = check_project(write_project(tmp_path / "small")).folder
    opened = Opened(browser, tmp_path, (folder / "map.html").read_text("utf-8"))
    panel = opened.page.locator("#panel")
    expect(panel).to_contain_text("What lies where".lower())
    expect(panel).to_contain_text("Not placed")
    assert opened.page.locator("#view_week").count() == 0
    opened.zoom(17)
    assert opened.requests == [opened.own]
    assert opened.errors == []


def test_photos_are_links_into_the_media_folder_and_nowhere_else(browser, tmp_path):
    """A name with hostile signs leads to its file; one that is not there stays text."""
    name = 'a "b" #?%41.jpg'
    town = tmp_path / "town"
    media = town / "media"
    media.mkdir(parents=True)
    (media / name).write_bytes(b"x")
    quoted = '"' + name.replace('"', '""') + '"'
    rows = "pipe_id,start_node,s_m,code,char1,photo,q1\n"
    rows += f"0017,A,5.0,BAB,B,{quoted},2\n0017,A,25.0,BAB,B,javascript:alert(1),2\n"
    project = PROJECT + '\n[media]\nfolder = "media"\n'
    folder = check_project(write_project(town, planner_toml=project, surveys_csv=rows)).folder
    html = (folder / "map.html").read_text("utf-8")
    assert folder.parents[1] == town
    opened = Opened(browser, folder, html)
    opened.click_feature("defects", 0)
    link = opened.page.locator(".leaflet-popup-content dd a")
    assert link.inner_text() == name
    href = link.evaluate("node => node.href")
    assert Path(unquote(urlsplit(href).path)) == media / name
    assert urlsplit(href).scheme == "file"
    assert "javascript:alert(1)" in opened.click_feature("defects", 1)
    assert opened.page.locator(".leaflet-popup-content dd a").count() == 0
    assert opened.requests == [opened.own]
    assert opened.errors == []
