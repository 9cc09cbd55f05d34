"""The map's page: vendored, closed, the same twice; and what its data say."""

from __future__ import annotations

import base64
import hashlib
import json
import re
from pathlib import Path

import folium
import map_town
import numpy as np
import pandas as pd
import pytest
import shapely
from branca.element import Element
from hypothesis import given, settings
from hypothesis import strategies as st
from one_pipe import span
from shapely.geometry import LineString, Point

import planner
from planner.contracts.repairs import NO_METHOD, NO_SYSTEM
from planner.errors import PlannerError
from planner.outputs import ground_layers, layers, packing
from planner.outputs.figure import OfflineFigure, safe_json
from planner.outputs.layers import Sheet, pipe_classes, pipes_layer
from planner.outputs.map import draw_map, plan_data
from planner.outputs.packing import DEGREE, Axis, Layer, lon_lat, pack_shapes, pack_text
from planner.outputs.routes import day_numbers, route_totals, week_totals

WEB = Path(planner.__file__).parent / "data" / "web"


@pytest.fixture(scope="module")
def tables():
    """The grid town."""
    return map_town.town()


@pytest.fixture(scope="module")
def page(tables):
    """Its page."""
    return draw_map(tables, map_town.facts(not_accepted=True))


def one_pipe(**pipe):
    """Tables with one pipe of 100 m along x, drawn 50 m long, and nothing else."""
    tables = map_town.no_tables()
    row = {"pipe_id": "P", "us_node": "A", "ds_node": "B", "length_m": 100.0, "drawn_m": 50.0,
           "placing": "ok", "geometry": LineString([(0, 0), (50, 0)])}  # fmt: skip
    map_town.put(tables, "pipes", [{**row, **pipe}])
    return tables


def decoded(packed):
    """Longitudes and latitudes of a packed layer [deg]."""
    return np.cumsum(np.array(packed["xy"]).reshape(-1, 2), axis=0) / DEGREE


def texts(column):
    """All texts of a packed column."""
    return column["all"] if "all" in column else [column["words"][at] for at in column["at"]]


# The page


def test_vendored_files_are_the_listed_ones_and_their_licences_lie_beside_them():
    """Each file of another project has its sum in the list, and its folder a LICENSE."""
    listed = dict(
        reversed(line.split("  ")) for line in (WEB / "SHA256SUMS").read_text().splitlines()
    )
    own = [path for folder in ("plan", "review") for path in (WEB / folder).iterdir()]
    ours = {"SHA256SUMS"} | {path.relative_to(WEB).as_posix() for path in own}
    found = {p.relative_to(WEB).as_posix(): p for p in WEB.rglob("*") if p.is_file()}
    assert set(found) == set(listed) | ours
    for name, wanted in listed.items():
        assert hashlib.sha256(found[name].read_bytes()).hexdigest() == wanted, name
        assert (WEB / name.split("/")[0] / "LICENSE").is_file()


def test_page_holds_the_licence_of_what_it_carries(page):
    """The notice of the map library must go wherever its code goes."""
    assert (WEB / "leaflet" / "LICENSE").read_text().strip() in page


def test_page_names_no_outside_address(page):
    """No element outside the scripts fetches anything."""
    bare = re.sub(r"<script.*?</script>|<style.*?</style>", "", page, flags=re.DOTALL)
    assert not re.findall(r"(?:https?:)?//|@import|<link", bare)
    assert not re.findall(r"<script[^>]+src", page)


def test_policy_allows_exactly_the_scripts_of_the_page(page):
    """Each script's hash is in the policy, and no script may be added to the page."""
    policy = re.search(r'Content-Security-Policy" content="([^"]+)"', page).group(1)
    bodies = re.findall(r"<script>(.*?)</script>", page, re.DOTALL)
    hashes = {
        "'sha256-" + base64.b64encode(hashlib.sha256(b.encode()).digest()).decode() + "'"
        for b in bodies
    }
    allowed = dict(part.strip().split(" ", 1) for part in policy.split(";"))
    assert set(allowed["script-src"].split()) == hashes
    assert allowed["default-src"] == "'none'"
    assert page.index("Content-Security") < page.index("<script")


def test_same_tables_give_the_same_bytes(tables, page):
    """Also after another map took random ids in between."""
    folium.Map().add_child(folium.Marker([1, 2]))
    again = draw_map({name: frame.copy() for name, frame in tables.items()},
                     map_town.facts(not_accepted=True))  # fmt: skip
    assert again == page


def test_figure_renders_twice_alike():
    """A second render of one figure adds nothing."""
    figure = OfflineFigure("t")
    page = folium.Map(tiles=None)
    page.default_js, page.default_css = [("leaflet", "")], [("leaflet_css", "")]
    figure.add_child(page)
    assert figure.render() == figure.render()


def test_folium_keeps_its_own_lists():
    """The lists that all maps of a process share are not changed by ours."""
    before = [list(folium.Map.default_js), list(folium.Map.default_css)]
    draw_map(map_town.no_tables(), map_town.facts())
    assert [folium.Map.default_js, folium.Map.default_css] == before
    assert len(before[0]) > 1


def test_a_link_that_is_not_vendored_is_refused():
    """folium's plain map brings links that we do not ship."""
    figure = OfflineFigure("t")
    figure.add_child(folium.Map(tiles=None))
    with pytest.raises(PlannerError, match="'jquery', which is not vendored"):
        figure.render()


@pytest.mark.parametrize(
    "markup",
    [
        '<img src="https://a.invalid/x.png">',
        "<iframe src=//a.invalid></iframe>",
        '<link rel="stylesheet" href="http://a.invalid/x.css">',
        "<style>@import 'x.css';</style>",
        "<style>p { background: url(x.png) }</style>",
        '<script src="x.js"></script>',
    ],
)
def test_an_outside_address_is_refused(markup):
    """Whatever element asks for it."""
    figure = OfflineFigure("t")
    figure.html.add_child(Element(markup))
    with pytest.raises(PlannerError, match="would call out"):
        figure.render()


def test_title_and_data_are_never_read_as_template_or_markup():
    """A text with template signs, a slot's own name or tags comes out as it went in."""
    evil = "{{ 6 * 7 }}{% for x in y %}@@sleeveplan:policy@@</script><script>"
    figure = OfflineFigure("<b>{{ 6 * 7 }}</b>")
    figure.add_data("plan", {"name": evil})
    page = figure.render()
    block = re.search(r'<script type="application/json" id="plan">(.*?)</script>', page).group(1)
    assert json.loads(block) == {"name": evil}
    assert "<title>&lt;b&gt;{{ 6 * 7 }}&lt;/b&gt;</title>" in page
    assert page.count("Content-Security-Policy") == 1
    with pytest.raises(ValueError, match="lower-case"):
        figure.add_data('x"', 1)


@given(st.recursive(st.text() | st.integers() | st.booleans() | st.none(),
                    lambda inner: st.lists(inner) | st.dictionaries(st.text(), inner)))  # fmt: skip
def test_json_comes_back_and_holds_no_markup(value):
    """For any nesting of texts and numbers."""
    text = safe_json(value)
    assert json.loads(text) == value
    assert not set("<>&") & set(text)
    assert text.isascii()


# Packing


@given(st.lists(st.lists(st.tuples(*[st.floats(-20_000, 20_000)] * 2), min_size=2, max_size=5),
                max_size=5))  # fmt: skip
@settings(deadline=None)
def test_points_come_back_within_a_centimetre(lines):
    """Steps of 1e-7 degrees: half a step is 0.6 cm at most, whatever number came before."""
    shapes = np.array([LineString(points) for points in lines], dtype=object)
    packed = pack_shapes(shapes, map_town.LOCAL)
    assert packed["n"] == [len(points) for points in lines]
    if lines:
        wanted = lon_lat(shapely.get_coordinates(shapes), map_town.LOCAL)
        assert np.abs(decoded(packed) - wanted).max() <= 0.51 / DEGREE


@given(st.lists(st.sampled_from(["", "clay", "concrete", "evil</script>"]) | st.text()))
def test_texts_come_back(values):
    """Numbered or not."""
    assert texts(pack_text(values)) == values


def test_a_layer_whose_columns_differ_in_length_is_refused():
    """Rather than shown with the wrong text."""
    layer = Layer(np.array([Point(0, 0)]), 4326, ["a"], {"Name": []})
    with pytest.raises(ValueError, match="Name: 0 values for 1 features"):
        layer.pack()


# What is drawn, and where


def defect_row(**more):
    """A damage from 24 to 26 m."""
    return {"observation_id": "O", "inspection_id": "I", "code": "BAB", "mechanism": "crack",
            "role": "damage", "pipe_id": "P", "x_from_m": 25.0, "x_to_m": 25.0, "from_m": 24.0,
            "to_m": 26.0, "kind": "point", "extent_from": "assumed", "counter_node": "A",
            "counter_m": 25.0, "find_m": 0.3, **more}  # fmt: skip


def test_a_place_lies_at_the_same_share_of_the_drawing():
    """25 m of a pipe of 100 m that is drawn 50 m long lie 12.5 m along the drawing."""
    tables = one_pipe()
    map_town.put(tables, "defects", [defect_row()])
    layer = layers.defects_layer(Sheet(tables, map_town.facts()))
    assert [(p.x, p.y) for p in layer.geometry] == [(12.5, 0.0)]
    assert layer.angles == [0]


def test_a_place_at_or_past_the_end_stays_at_the_end():
    """It never wraps round to the other end."""
    tables = one_pipe()
    rows = [
        defect_row(observation_id="1", from_m=100.0, to_m=100.0),
        defect_row(observation_id="2", from_m=100.4, to_m=100.6),
        defect_row(observation_id="3", from_m=0.0, to_m=0.0),
    ]
    map_town.put(tables, "defects", rows)
    layer = layers.defects_layer(Sheet(tables, map_town.facts()))
    places = dict(zip(layer.fields["Defect"], layer.geometry, strict=True))
    assert len(places) == 1
    assert [p.x for p in layer.geometry] == [0.0, 50.0, 50.0]


def test_sleeves_are_cut_from_the_line():
    """10 to 12 m of 100 m are 5 to 6 m of 50 m; a sleeve that no choice holds is not drawn."""
    tables = one_pipe()
    row = {"pipe_id": "P", "from_m": 10.0, "to_m": 12.0, "length_m": 2.0, "end": "pipe",
           "dn_mm": 200.0, "system": "s", "counter_node": "A", "counter_m": 10.0,
           "laterals_count": 0, "laterals_unknown": False}  # fmt: skip
    map_town.put(tables, "sleeves", [{**row, "sleeve_id": "S1"}, {**row, "sleeve_id": "S2"}])
    map_town.put(tables, "choice_sleeves", [{"pipe_id": "P", "sleeve_id": "S1"}])
    layer = layers.sleeves_layer(Sheet(tables, map_town.facts()))
    assert layer.fields["Sleeve"] == ["S1"]
    assert layer.geometry[0].equals(LineString([(5, 0), (6, 0)]))
    assert layer.fields["Cost"] == ["not costed"]


@pytest.mark.parametrize(
    ("row", "said"),
    [
        # 400 + 2 100 n against 5 400: 2 sleeves 4 600, 3 sleeves 6 700; at 12 and 50 years
        # 33.33 + 175 n against 108: one sleeve is more.
        (
            {"liner_cents": 5_400_00, "liner_from_count": 3, "annual_from_count": 1},
            "liner costs less from 3 sleeves on (by the cost a year from 1 sleeve on); 2 placed",
        ),
        (
            {"liner_cents": 5_400_00},
            "liner costs less at no number of sleeves (by the cost a year at no number of"
            " sleeves); 2 placed",
        ),
        ({"liner_cents": None}, ""),
    ],
)
def test_a_pipe_says_from_how_many_sleeves_a_liner_costs_less(row, said):
    """One short sentence; nothing where the two were not compared."""
    tables = one_pipe()
    base = {"pipe_id": "P", "sleeves_count": 2, "sleeve_base_cents": 400_00, "why": "w"}
    one = {**base, "sleeve_each_cents": 2_100_00, "liner_method": "liner", **row}
    map_town.put(tables, "break_even", [one])
    layer = layers.pipes_layer(Sheet(tables, map_town.facts()))
    assert layer.fields["Break-even"] == [said]


def test_connections_stand_on_the_side_their_clock_says():
    """Looking downstream along +x, 3 o'clock is to the right, which is down on the screen."""
    tables = one_pipe()
    map_town.put(tables, "laterals", [
        {"lateral_id": str(k), "pipe_id": "P", "x_m": 10.0, "clock_h": hour, "state": "unknown"}
        for k, hour in enumerate((3.0, 9.0, 12.0, None))
    ])  # fmt: skip
    layer = ground_layers.laterals_layer(Sheet(tables, map_town.facts()))
    assert layer.angles == [90, -90, None, None]
    assert layer.fields["State"][0] == "not known, counts as live"


@pytest.mark.parametrize(
    ("choice", "placing", "verdict", "seen", "wanted"),
    [
        (("sleeve", "accepted"), "ok", "sleeve", True, "sleeve"),
        (("liner", "proposed"), "ok", "sleeve", True, "liner"),
        (("sleeve", "held"), "ok", "refer", True, "refer"),
        (("dig", "refused"), "ok", "dig", True, "none"),
        (("nothing", "accepted"), "ok", "none", True, "none"),
        (("sleeve", "accepted"), "stopped", "sleeve", True, "refer"),
        (None, "ok", "refer", True, "refer"),
        (None, "ok", "watch", True, "watch"),
        (None, "ok", None, True, "none"),
        (None, "ok", None, False, "unseen"),
    ],
)
def test_class_of_a_pipe(choice, placing, verdict, seen, wanted):
    """Choice before verdict before survey; a held choice or a stopped length is for a person."""
    tables = one_pipe(placing=placing)
    if choice:
        map_town.put(tables, "choices", [
            {"pipe_id": "P", "method": choice[0], "state": choice[1], "reason": "r",
             "fingerprint": "f", "assumed_accepted": False}
        ])  # fmt: skip
    if verdict:
        map_town.put(tables, "verdicts", [
            {"span_id": "D", "pipe_id": "P", "needs": "mend", "sleeve": "open", "liner": "open",
             "dig": "open", "verdict": verdict, "assumed": False, "why": "w"}
        ])  # fmt: skip
    if seen:
        map_town.put(tables, "inspections", [
            {"inspection_id": "I", "pipe_id": "P", "scheme": "EN 13508-2"}
        ])  # fmt: skip
    assert pipe_classes(tables) == [wanted]


@pytest.mark.parametrize(
    ("by", "reason", "wanted"),
    [
        ("", NO_METHOD + NO_SYSTEM, "dig"),
        ("E. Noor", f"{NO_METHOD}{NO_SYSTEM}; changed since accepted", "refer"),
        ("", "no method mends this pipe: sleeve: closed", "refer"),
    ],
)
def test_a_pipe_without_a_method_to_choose_is_drawn_by_its_verdicts(by, reason, wanted):
    """The verdict that is drawn highest; what a person signed, or no method mends, is for one."""
    tables = one_pipe()
    map_town.put(tables, "choices", [
        {"pipe_id": "P", "method": "nothing", "state": "held", "reason": reason, "by": by,
         "fingerprint": "f", "assumed_accepted": False}
    ])  # fmt: skip
    map_town.put(tables, "verdicts", [
        {"span_id": word, "pipe_id": "P", "needs": "mend", "sleeve": "open", "liner": "open",
         "dig": "open", "verdict": word, "assumed": False, "why": "w"}
        for word in ("sleeve", "dig")
    ])  # fmt: skip
    assert pipe_classes(tables) == [wanted]
    told = pipes_layer(Sheet(tables, map_town.facts())).fields["Proposal"][0]
    assert told.startswith("no method is chosen; ")


def test_the_legend_says_what_its_defects_count():
    """Two rows in one place, one of an older survey in none: three are counted, not one."""
    tables = one_pipe()
    rows = [defect_row(observation_id=name) for name in ("a", "b", "old")]
    map_town.put(tables, "defects", rows)
    map_town.put(tables, "span_rows", [
        {"span_id": "D1", "observation_id": name, "part": "own"} for name in ("a", "b")
    ])  # fmt: skip
    map_town.put(tables, "spans", [span("D1", 24.0, 26.0, "P")])
    panel = plan_data(tables, map_town.facts())["panel"]
    assert sum(row["defects"] for row in panel["legend"]) == 3
    said = "2 in the 1 place of the summary, 1 in none, as of an older survey."
    assert panel["counted"] == f"Counted are coded rows: {said}"


def test_a_defect_shows_its_own_span_before_one_it_lends_to():
    """Also where the lent span comes first by id; a defect in no span says so."""
    tables = one_pipe()
    map_town.put(tables, "defects", [defect_row(), defect_row(observation_id="old")])
    map_town.put(tables, "span_rows", [
        {"span_id": "D1", "observation_id": "O", "part": "lent"},
        {"span_id": "D2", "observation_id": "O", "part": "own"},
    ])  # fmt: skip
    map_town.put(tables, "verdicts", [
        {"span_id": span, "pipe_id": "P", "needs": "mend", "sleeve": "open", "liner": "open",
         "dig": "open", "verdict": verdict, "assumed": False, "why": f"why {span}"}
        for span, verdict in (("D1", "liner"), ("D2", "sleeve"))
    ])  # fmt: skip
    layer = layers.defects_layer(Sheet(tables, map_town.facts()))
    assert layer.classes == ["sleeve", "none"]
    assert layer.fields["Why"] == ["why D2", ""]
    assert layer.fields["Verdict"] == ["sleeve", "not screened"]


def test_streets_of_one_name_become_one_line():
    """Pieces that meet are joined, so that the name finds room; others stay as they are."""
    tables = map_town.no_tables()
    pieces = {"a": ("Long Row", 0, 50), "b": ("Long Row", 50, 90), "c": ("Long Row", 200, 220),
              "d": ("", 0, 10), "e": ("Short Row", 90, 95)}  # fmt: skip
    map_town.put(tables, "streets", [
        {"street_id": key, "name": name, "geometry": LineString([(start, 0), (end, 0)])}
        for key, (name, start, end) in pieces.items()
    ])  # fmt: skip
    layer = ground_layers.streets_layer(Sheet(tables, map_town.facts()))
    found = sorted(zip(layer.fields["Street"], shapely.length(layer.geometry), strict=True))
    assert found == [("", 10), ("Long Row", 20), ("Long Row", 90), ("Short Row", 5)]


def test_what_cannot_be_drawn_is_counted():
    """Nothing vanishes without a line in the panel."""
    tables = one_pipe(geometry=None)
    map_town.put(tables, "defects", [defect_row()])
    map_town.put(tables, "nodes", [{"node_id": "A", "access": "open", "geometry": None}])
    panel = plan_data(tables, map_town.facts())["panel"]
    assert panel["lists"][1][1] == [
        "1 pipes without a line", "1 nodes without a point", "1 defects on such pipes"
    ]  # fmt: skip


def test_every_drawable_row_is_drawn(tables):
    """One feature per row, and the legend's counts add up to the tables."""
    data = plan_data(tables, map_town.facts())
    count = {name: len(layer["n"]) for name, layer in data["layers"].items()}
    assert count == {
        "streets": len(tables["streets"]), "pipes": len(tables["pipes"]),
        "laterals": len(tables["laterals"]), "nodes": len(tables["nodes"]),
        "sleeves": len(tables["choice_sleeves"]), "defects": len(tables["defects"]),
    }  # fmt: skip
    legend = data["panel"]["legend"]
    assert sum(line["pipes"] for line in legend) == count["pipes"]
    assert sum(line["defects"] for line in legend) == count["defects"]
    assert sum(len(route["stops"]) for route in data["routes"]) == len(tables["visits"])


# Totals and notes


def test_totals_of_a_route_by_hand(tables):
    """Three stops of 9,600 s from 8:00: leaves 7:50, back 16:00; 4 drives of 1.5 km.

    28,800 - 600 = 28,200 s out; 28,800 + 2 * 9,600 + 9,000 + 600 = 57,600 s home;
    29,400 s = 8.17 h. 3 sleeves of 1.4 m and 5.2 kg.
    """
    route = route_totals(tables, "Heron", "2026-01-12")
    assert route.cells("metric") == ["3", "3", "4.2", "15.6", "8.2", "6.0"]
    # 4.2 m = 13.78 ft, 15.6 kg = 34.39 lb, 6 km = 3.73 miles
    assert route.cells("us") == ["3", "3", "13.8", "34.4", "8.2", "3.7"]
    # ten such routes
    assert week_totals(tables).cells("metric") == ["30", "30", "42.0", "156.0", "81.7", "60.0"]


def test_days_are_numbered_from_the_first_day(tables):
    """Tuesday is day 2 even if nobody works on Monday; without a first day they are counted."""
    part = {**tables, "visits": tables["visits"][tables["visits"]["date"] > "2026-01-13"]}
    assert day_numbers(part, "2026-01-12") == {
        "2026-01-14": 3, "2026-01-15": 4, "2026-01-16": 5
    }  # fmt: skip
    assert list(day_numbers(part, "").values()) == [1, 2, 3]


def test_stop_says_what_is_done_there(tables):
    """The words of a stop come from its set-up and visit."""
    route = plan_data(tables, map_town.facts(units="us"))["routes"][0]
    assert (route["letter"], route["name"], route["stops"][0]["label"]) == (
        "A", "Mon 12.01.", "1.01"
    )  # fmt: skip
    said = dict(route["stops"][0]["fields"])
    assert said["Works"] == "control the flow, set the sleeve, film the result"
    assert said["Time"] == "08:10 to 10:30"
    assert said["Sleeves"] == "1, longest 4.6 ft"  # 1.4 m
    assert said["Resin"] == "11.5 lb net"  # 5.2 kg


def test_a_stop_without_a_point_is_left_out_of_the_way_and_counted(tables):
    """Its place in the day stays."""
    setups = tables["setups"].copy()
    setups.loc[setups["setup_id"] == "U000", "geometry"] = None
    data = plan_data({**tables, "setups": setups}, map_town.facts())
    assert [stop["seq"] for stop in data["routes"][0]["stops"]] == [2, 3]
    assert data["routes"][0]["cells"][0] == "3"
    assert "1 set-ups without a point" in data["panel"]["lists"][1][1]


def test_panel_says_what_the_run_says_of_itself():
    """Band and notes appear when asked for, and only then."""
    asked = map_town.facts(not_accepted=True, by_air=True, reproducible=False)
    panel = plan_data(map_town.no_tables(), asked)["panel"]
    assert panel["band"] == "NOT ACCEPTED"
    assert "Drives are reckoned by air, not on streets." in panel["notes"]
    assert any("Not reproducible" in note for note in panel["notes"])
    plain = plan_data(map_town.no_tables(), map_town.facts(invented=False))["panel"]
    assert (plain["band"], plain["notes"]) == ("", [])


def test_popup_of_a_pipe_that_is_no_circle_says_both_sizes():
    """A box of 600 by 900 mm has no nominal size."""
    tables = one_pipe(shape="box", width_mm=600.0, height_mm=900.0)
    layer = layers.pipes_layer(Sheet(tables, map_town.facts()))
    assert layer.fields["Size"] == ["box, 600 x 900 mm (wide x high)"]


def test_many_places_lie_where_few_do(monkeypatch: pytest.MonkeyPatch) -> None:
    """On flat coordinates as line by line, the way of the pipe there too; shapely is the judge."""
    lines = [shapely.LineString([(0, 0), (3, 0), (3, 4)]), shapely.LineString([(9, 9), (0, 9)])]
    axis = Axis(pd.Series(lines, ["A", "B"], dtype=object), pd.Series([14.0, 9.0], ["A", "B"]))
    pipe_id, x_m = pd.Series(["A", "B", "A", "A"]), pd.Series([10.0, 3.0, 0.0, 14.0])
    few = axis.points(pipe_id, x_m)
    monkeypatch.setattr(packing, "MANY", 1)
    many = axis.points(pipe_id, x_m)
    # 10 of 14 m is 5 of the 7 m drawn: 3 to the east, 2 to the north.
    assert shapely.get_coordinates(few[0]).tolist() == [[3, 2], [6, 9], [0, 0], [3, 4]]
    assert np.abs(shapely.get_coordinates(few[0]) - shapely.get_coordinates(many[0])).max() < 1e-9
    assert few[1] == many[1] == [-90, -180, 0, -90]
