"""A crew's page for the field: each visit once, text as text, no script, the same twice."""

from __future__ import annotations

import re
from html import unescape

import map_town
import pytest
from sheet_town import sheet_week

from planner.outputs.crew_pages import write_crew_pages
from planner.outputs.map import plan_data
from planner.outputs.wording import metres

FACTS = map_town.facts()


@pytest.fixture(scope="module")
def tables():
    """Two crew-days of eight stops: three set a sleeve, three clean, two film."""
    return sheet_week(2)


@pytest.fixture(scope="module")
def pages(tables, tmp_path_factory):
    """The page of each crew, by its file's name."""
    folder = tmp_path_factory.mktemp("crews")
    return {path.name: path.read_text("utf-8") for path in write_crew_pages(tables, FACTS, folder)}


def words(page):
    """What a reader sees, in one line."""
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", page)).split())


def test_one_page_per_crew_numbered_in_the_order_of_names(tables, pages):
    """The names of files hold nothing of the data."""
    crews = sorted(set(tables["visits"]["crew"]))
    assert list(pages) == [f"crew_{n}.html" for n in range(1, len(crews) + 1)]
    for crew, page in zip(crews, pages.values(), strict=True):
        assert f"<h1>{crew}</h1>" in page


def test_each_visit_stands_once_with_its_manhole_and_pipe(tables, pages):
    """As many articles as visits, and each set-up's manhole and pipe among them."""
    assert sum(page.count("<article") for page in pages.values()) == len(tables["visits"])
    said = " ".join(words(page) for page in pages.values())
    for row in tables["setups"].itertuples():
        assert str(row.node_id) in said
        assert str(row.pipe_id) in said


def test_each_sleeve_says_its_counter_and_from_where(tables, pages):
    """Of a pipe of 50 m counted from its lower end: 50 less the places, as on the sheets."""
    said = " ".join(words(page) for page in pages.values())
    assert len(tables["sleeves"])
    for row in tables["sleeves"].itertuples():
        near, far = metres(50.0 - row.to_m), metres(50.0 - row.from_m)
        assert f"Counter {near} to {far} from manhole {row.counter_node}" in said


def test_a_page_has_no_script_and_no_outside_address(pages):
    """Its policy allows styles and pictures within, nothing else."""
    for page in pages.values():
        assert "<script" not in page
        assert "script-src" not in page
        assert "default-src 'none'" in page
        found = re.findall(r"(?:src|href)=\"((?!#|data:image/svg)[^\"]*)", page)
        assert found == ["../map.html"]


def test_each_day_has_its_drawing_where_stops_have_a_place(tmp_path):
    """Four days of the map's town are four pictures; its pages are those that the map names."""
    town = map_town.town()
    paths = write_crew_pages(town, FACTS, tmp_path)
    text = [path.read_text("utf-8") for path in paths]
    days = len(town["visits"].groupby(["crew", "date"]))
    assert days > 0
    assert sum(page.count('<div class="route"') for page in text) == days
    named = [route["page"] for route in plan_data(town, FACTS)["routes"]]
    assert sorted(set(named)) == [f"crews/{path.name}" for path in paths]


def test_cautions_are_open_from_the_start(pages):
    """Nobody need unfold what keeps him alive."""
    for page in pages.values():
        assert "<details open><summary>Cautions" in page
        assert "<details>" not in page


def test_the_same_tables_give_the_same_bytes(tables, pages, tmp_path):
    """Also from copies."""
    again = write_crew_pages({name: one.copy() for name, one in tables.items()}, FACTS, tmp_path)
    assert {path.name: path.read_text("utf-8") for path in again} == pages


def test_without_a_week_there_is_no_folder(tmp_path):
    """An empty folder would look like something lost."""
    assert write_crew_pages(map_town.no_tables(), FACTS, tmp_path / "crews") == []
    assert not (tmp_path / "crews").exists()


def test_a_plan_that_nobody_signed_says_so(tables, tmp_path):
    """At the top of each page."""
    paths = write_crew_pages(tables, map_town.facts(not_accepted=True), tmp_path)
    assert all("NOT ACCEPTED" in path.read_text("utf-8") for path in paths)
