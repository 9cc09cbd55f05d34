"""Run sheets: what they say, by hand; each kind of visit; text stays text; same bytes twice."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pandas as pd
import pytest
from pypdf import PdfReader
from sheet_town import sheet_week

from planner.contracts import (
    CREWS,
    DONE,
    FINDINGS,
    LATERALS,
    NODES,
    PACKERS,
    PIPES,
    QUANTITY_SUMS,
    SETUP_WORKS,
    SETUPS,
    SLEEVE_LATERALS,
    SLEEVE_SPANS,
    SLEEVES,
    SPANS,
    SYSTEM_SIZES,
    SYSTEMS,
    TABLES,
    VISITS,
    WORK_AFTER,
    WORKS,
)
from planner.contracts.facts import RunFacts
from planner.outputs.sheets import sheet_data, write_sheets
from planner.tables import Table, conform

FACTS = RunFacts("Old Town", "2026-01-12", "EUR", "metric", "EPSG:25832", "EPSG:25832",
                 False, False, True, "0")  # fmt: skip
EVIL = '#[*bold*] $x$ <script>"\\ {{7*7}} `code` //c'


def town(count: int = 1, name: str = "Mill Lane") -> dict[str, pd.DataFrame]:
    """A pipe of 50 m from A to B; a sleeve at 10-11 m measured from B; a connection to reopen."""
    rows: dict[Table, list[dict[str, object]]] = {
        PIPES: [{"pipe_id": "P", "us_node": "A", "ds_node": "B", "dn_mm": 200.0,
                 "length_m": 50.0, "material": "clay"}],
        NODES: [{"node_id": n, "access": "key", "street": name} for n in ("A", "B")],
        SYSTEMS: [{"system": "s", "cure": "light", "supply": "made_before", "carrier": "glass"}],
        SYSTEM_SIZES: [{"system": "s", "dn_from_mm": 100.0, "dn_to_mm": 300.0, "wall_mm": 4.0,
                        "plies": 3, "resin_kg_per_l": 1.0, "lengths_m": "1.0"}],
        PACKERS: [{"packer": "P2", "dn_from_mm": 150.0, "dn_to_mm": 250.0, "usable_m": 2.0,
                   "reach_m": 60.0, "cures": "light"}],
        CREWS: [{"crew": "Crew", "steps": "sleeve", "packers": "P2", "yard_x": 0, "yard_y": 0}],
        SLEEVES: [{"sleeve_id": "S", "pipe_id": "P", "from_m": 10.0, "to_m": 11.0,
                   "length_m": 1.0, "end": "pipe", "dn_mm": 200.0, "system": "s", "wall_mm": 4.0,
                   "plies": 3, "counter_node": "B", "counter_m": 39.0, "laterals_count": 1,
                   "laterals_unknown": False}],
        SLEEVE_LATERALS: [{"sleeve_id": "S", "lateral_id": "L"}],
        LATERALS: [{"lateral_id": "L", "pipe_id": "P", "x_m": 10.5, "clock_h": 3.0,
                    "size_mm": 150.0, "state": "open"}],
        SPANS: [{"span_id": "D", "pipe_id": "P", "from_m": 10.4, "to_m": 10.6, "kind": "point",
                 "role": "damage", "mechanisms": "crack", "extent_from": "coded",
                 "soil_visible": False, "void_visible": False, "find_m": 0.3,
                 "counter_node": "B"}],
        SLEEVE_SPANS: [{"sleeve_id": "S", "span_id": "D"}],
        WORKS: [{"work_id": f"W{i}", "step": step, "pipe_id": "P", "sleeve_id": "S",
                 "from_m": 10.0, "to_m": 11.0, "state": "todo", "reason": "x"}
                for i, step in enumerate(("flow_control", "sleeve", "reopen", "verify"))],
        SETUPS: [{"setup_id": f"U{n:02d}", "node_id": "B", "other_node_id": "A", "pipe_id": "P",
                  "counter_node": "B", "steps": "sleeve", "longest_m": 1.0, "reach_m": 40.0,
                  "work_s": 7200, "open_s": 0, "close_s": 60000, "value_s": 0,
                  "sleeves_count": 1, "resin_g": 10, "doubts": "lid of B not known"}
                 for n in range(count)],
        SETUP_WORKS: [{"setup_id": f"U{n:02d}", "work_id": f"W{i}", "seq": i + 1}
                      for n in range(count) for i in range(4)],
        VISITS: [{"visit_id": f"V{n:02d}", "setup_id": f"U{n:02d}", "crew": "Crew",
                  "date": "2026-01-12", "seq": n + 1, "arrive_s": 28800 + n * 8000,
                  "start_s": 28800 + n * 8000, "end_s": 36000 + n * 8000, "drive_s": 600,
                  "drive_m": 3218.688, "pause_s": 0, "end_pause_s": 0,
                  "back_s": 300 if n == count - 1 else 0,
                  "back_m": 1609.344 if n == count - 1 else 0.0, "by_air": False}
                 for n in range(count)],
        QUANTITY_SUMS: [{"level": "route", "key": "Crew|2026-01-12",
                         "item": "sleeve DN 200 x 1.00 m s", "unit": "pieces", "net": 1},
                        {"level": "route", "key": "Crew|2026-01-12", "item": "resin s",
                         "unit": "g", "net": 2268}],
        FINDINGS: [],
    }  # fmt: skip
    return {table.name: conform(part, table, crs="EPSG:25832") for table, part in rows.items()}


def data(tables: dict[str, pd.DataFrame], facts: RunFacts = FACTS) -> dict:
    return sheet_data("Crew", "2026-01-12", tables["visits"], tables, facts)


def text_of(path: Path) -> str:
    return " ".join(page.extract_text() for page in PdfReader(path).pages)


def test_distances_count_from_the_counter_node() -> None:
    """50 - 11 = 39 and 50 - 10 = 40 m from B; the connection at 50 - 10.5 = 39.5 m."""
    (stop,) = data(town())["stops"]
    (sleeve,) = stop["sleeves"]
    assert (sleeve["counter_node"], sleeve["counter"], sleeve["counter_end"]) == (
        "B", "39.00 m", "40.00 m",
    )  # fmt: skip
    assert sleeve["laterals"] == [
        "Reopen connection at counter 39.50 m, 3 o'clock seen downstream = 9 o'clock looking in "
        "from B, 150 mm, in use"
    ]
    assert sleeve["damages"] == ["Covers crack at counter 39.40 m to 39.60 m, \u00b1 0.30 m"]
    # wall volume pi (200 - 4) 4 mm2 x 1 m = 2.463 l, at 1.0 kg a litre
    assert sleeve["resin"] == "resin 2.46 kg net"
    assert sleeve["packer"] == "P2"
    assert (stop["stand"], stop["other"]) == ("B", "A")


def test_the_head_says_when_how_long_and_how_far() -> None:
    """08:00 less 600 s of drive; ends 10:00 plus 300 s home: 2 h 15 min; 3 miles in all."""
    found = data(town())
    assert (found["leave"], found["back"], found["hours"]) == ("07:50", "10:05", "2 h 15 min")
    assert found["weekday"] == "Monday"
    assert found["drive"] == "4.8 km, 0 h 15 min driving"
    assert {row["item"]: row["amount"] for row in found["load"]} == {
        "sleeve DN 200 x 1.00 m s": "1 piece",
        "resin s": "2.27 kg",
    }


def test_us_units_on_every_figure() -> None:
    """200 mm = 7.87 in; 39 m = 128.0 ft; 2.268 kg = 5.0 lb; 4828 m = 3.0 mi."""
    found = data(town(), replace(FACTS, units="us"))
    assert found["drive"].startswith("3.0 mi")
    load = {row["item"]: row["amount"] for row in found["load"]}
    assert load["sleeve 7.87 in x 3.3 ft s"] == "1 piece"
    assert load["resin s"] == "5.0 lb"
    assert found["stops"][0]["sleeves"][0]["counter"] == "128.0 ft"
    assert ">0 ft<" in found["stops"][0]["strip"]


def test_doubts_access_and_rules_are_noted() -> None:
    """What the set-up passed over, what the network says of the lid, what a visit rule says."""
    tables = town()
    said = {"finding_id": "f", "about": "visit", "key": "V00", "rule_id": "r", "effect": "refer",
            "state": "yes", "why": "DN 200 can be entered"}  # fmt: skip
    tables["findings"] = conform([said], FINDINGS)
    assert data(tables)["stops"][0]["notes"] == [
        "Access at B: key",
        "Not known: lid of B not known",
        "Mind: DN 200 can be entered",
    ]


@pytest.mark.parametrize("count", [1, 15])
def test_a_day_of_one_stop_and_of_fifteen(tmp_path: Path, count: int) -> None:
    """Every stop is on the sheet with its number, and the cautions once, before all work."""
    (path,) = write_sheets(town(count), FACTS, tmp_path)
    text = text_of(path)
    assert text.count("Counter from B") == count
    assert f"{count}." in text
    assert text.count("confined space") == 1
    assert "Wall thickness is a check to be signed" in " ".join(text.split())


def test_an_empty_week_has_no_sheets(tmp_path: Path) -> None:
    """No visit, no file, no complaint."""
    tables = town() | {"visits": conform([], VISITS)}
    assert write_sheets(tables, FACTS, tmp_path / "none") == []


def test_text_from_data_is_not_markup(tmp_path: Path) -> None:
    """Typesetting signs in a street name are printed as they stand."""
    (path,) = write_sheets(town(name=EVIL), FACTS, tmp_path)
    assert "".join(EVIL.split()) in "".join(text_of(path).split())


def test_not_accepted_stands_on_every_page(tmp_path: Path) -> None:
    """Across each page and in words on the first."""
    (path,) = write_sheets(town(6), replace(FACTS, not_accepted=True), tmp_path)
    pages = PdfReader(path).pages
    assert len(pages) > 1
    assert all("NOT ACCEPTED" in page.extract_text() for page in pages)


def test_the_same_day_gives_the_same_bytes(tmp_path: Path) -> None:
    """No date and no random id of the run is in the file."""
    (one,) = write_sheets(town(2), FACTS, tmp_path / "one")
    (two,) = write_sheets(town(2), FACTS, tmp_path / "two")
    assert one.read_bytes() == two.read_bytes()


def day_of(tables: dict[str, pd.DataFrame], units: str = "metric") -> list[dict[str, Any]]:
    """Give the stops of the first day of the week's town."""
    facts = replace(FACTS, units=units)
    visits = tables["visits"][tables["visits"]["date"] == "2026-01-12"]
    stops: list[dict[str, Any]] = sheet_data("Crew", "2026-01-12", visits, tables, facts)["stops"]
    return stops


def figures(svg: str) -> list[str]:
    texts = ElementTree.fromstring(svg).iter("{http://www.w3.org/2000/svg}text")
    return [text.text or "" for text in texts]


def test_what_came_before_says_who_and_what_to_check() -> None:
    """One work done by a row of the form, one planned, one that nobody does; what a look found.

    A look found the damage at 10.3 to 10.7 m: 50 - 10.7 = 39.30 and 39.70 m from B.
    """
    tables = town()
    tables["done"] = conform(
        [{"done_id": "done.csv:1", "step": "look", "pipe_id": "P", "done_on": "2026-01-09",
          "by": "Ada", "inside_mm": 198.0, "find_from_m": 10.3, "find_to_m": 10.7}], DONE
    )  # fmt: skip
    earlier = [("clean", "E1", "todo", ""), ("look", "E2", "done", "done.csv:1"),
               ("grout", "E3", "todo", "")]  # fmt: skip
    whole = {"pipe_id": "P", "from_m": 0.0, "to_m": 50.0, "reason": "x"}
    rows = [{"work_id": one, "step": step, "state": state, "done_by": by, **whole}
            for step, one, state, by in earlier]  # fmt: skip
    tables["works"] = conform([*tables["works"].to_dict("records"), *rows], WORKS)
    tables["work_after"] = conform(
        [{"work_id": "W1", "after_id": "E3"}, {"work_id": "E3", "after_id": "E2"},
         {"work_id": "E2", "after_id": "E1"}], WORK_AFTER
    )  # fmt: skip
    more = {**tables["visits"].iloc[0].to_dict(), "visit_id": "V9", "setup_id": "U9", "seq": 9,
            "crew": "Water", "date": "2026-01-09"}  # fmt: skip
    setups = tables["setups"].drop(columns="geometry").to_dict("records")
    tables["setups"] = conform([*setups, {**setups[0], "setup_id": "U9"}], SETUPS, crs="EPSG:25832")
    own = tables["setup_works"].to_dict("records")
    tables["setup_works"] = conform(
        [*own, {"setup_id": "U9", "work_id": "E1", "seq": 1}], SETUP_WORKS
    )
    first = tables["visits"]
    tables["visits"] = conform([*first.to_dict("records"), more], VISITS)
    (stop,) = sheet_data("Crew", "2026-01-12", first, tables, FACTS)["stops"]
    said = [(one["words"], one["state"], one["found"]) for one in stop["before"]]
    assert said == [
        ("clean", "planned Friday 2026-01-09, until 10:00, Water: ask", ""),
        ("film and measure before the sleeve", "done 2026-01-09 by Ada",
         "inside 198 mm; damage found at counter 39.30 m to 39.70 m"),
        ("stop the water by grouting", "NOT DONE and not planned: ask before starting", ""),
    ]  # fmt: skip
    assert all(one["check"] for one in stop["before"])


def test_figures_along_the_strip_are_the_counters() -> None:
    """Counted from B at the right the figures fall from left to right and 0 stands at B."""
    (stop,) = data(town())["stops"]
    along = [one for one in figures(stop["strip"]) if one.replace(" m", "").isdigit()]
    assert along == ["0 m", "10", "20", "30", "40", "50"]
    xs = {
        text.text: float(text.get("x", "nan"))
        for text in ElementTree.fromstring(stop["strip"]).iter("{http://www.w3.org/2000/svg}text")
    }
    assert xs["0 m"] > xs["20"] > xs["50"]


def test_the_inset_shows_two_metres_on_each_side() -> None:
    """39 to 40 m by the counter: 37 to 42 m are drawn, the nearer end at the right."""
    (sleeve,) = data(town())["stops"][0]["sleeves"]
    along = [one.removesuffix(" m") for one in figures(sleeve["inset"])]
    assert {"37", "38", "39", "40", "41", "42"} <= set(along)
    assert not {"36", "43"} & set(along)
    assert "reopen, 9 h" in along  # 3 o'clock seen downstream; the camera looks upstream


def test_the_clock_face_is_as_the_camera_sees_it() -> None:
    """A connection at 3 o'clock stands at 9 for who looks upstream."""
    (sleeve,) = data(town())["stops"][0]["sleeves"]
    bold = [
        (text.text, float(text.get("x", "nan")))
        for text in ElementTree.fromstring(sleeve["clock"]).iter("{http://www.w3.org/2000/svg}text")
        if text.get("font-weight")
    ]
    assert [hour for hour, _ in bold] == ["9"]
    assert bold[0][1] < 85  # left of the middle
    tables = town()
    for name in ("sleeves", "setups"):
        tables[name] = tables[name].assign(counter_node="A")
    (sleeve,) = data(tables)["stops"][0]["sleeves"]
    assert "o'clock looking in" not in sleeve["laterals"][0]
    assert "reopen, 3 h" in figures(sleeve["inset"])


def test_each_kind_of_visit_has_what_its_crew_reports() -> None:
    """By the steps of the town: what is asked is what the form of the journal takes."""
    stops = day_of(sheet_week(1))
    titles = [stop["title"] for stop in stops]
    assert titles == [
        "set 1 sleeve", "clean and cut", "film", "set 1 sleeve", "clean, film", "set 1 sleeve",
        "clean", "film, prove connections",
    ]  # fmt: skip
    for stop in stops:
        assert bool(stop["sleeves"]) == (not stop["blocks"]) == stop["spent"]
        assert all(work["id"].startswith("W") for work in stop["works"])
        assert stop["strip"]
    look = stops[2]["blocks"][0]
    asked = " ".join(look["fields"])
    for what in ("damage found", "inside size", "connections proved", "film"):
        assert what in asked
    # pipe P2 of 50 m, counted from B2; the journal counts from us_node
    assert "In the journal places count from A2: write 50.00 m less the counter." in look["lines"]
    assert len(look["rows"]) == 2 + 8  # spans and connections, each with a cell to fill in
    assert all(row[1] == "" for row in look["rows"])
    roots = stops[1]["blocks"][0]["rows"]
    assert [row[0].split(" at ")[0] for row in roots] == ["roots"]


def test_a_check_of_access_asks_at_both_manholes() -> None:
    """What the list says stands beside; nothing is drawn of a pipe that nobody enters."""
    tables = sheet_week(1)
    steps = tables["works"]["work_id"].eq("W2-0")
    tables["works"].loc[steps, "step"] = "check_access"
    stop = day_of(tables)[2]
    (block,) = stop["blocks"]
    assert (stop["title"], stop["strip"]) == ("check access", "")
    assert block["head"] == ["", "B2", "A2"]
    said = "access key, depth 2.50 m, lid 600 mm"
    assert block["rows"][0] == ["on the list", said, said]
    assert all(row[1:] == ["", ""] for row in block["rows"][1:])


@pytest.mark.parametrize(
    ("step", "title"),
    [("grout", "Stop the water"), ("reopen", "Reopen connections"), ("verify", "Film the result"),
     ("prove_laterals", "Film and measure"), ("descale", "Clean and cut")],
)  # fmt: skip
def test_other_work_alone_has_its_own_block(step: str, title: str) -> None:
    tables = sheet_week(1)
    tables["works"].loc[tables["works"]["work_id"].eq("W2-0"), "step"] = step
    (block,) = day_of(tables)[2]["blocks"]
    assert block["title"] == title
    assert block["fields"]


def test_soil_seen_or_a_broken_wall_is_told_to_who_jets() -> None:
    """At 9.1 m of 50 m in pipe P1, seen from B1: 40.70 to 40.90 m."""
    tables = sheet_week(1)
    tables["spans"].loc[tables["spans"]["span_id"].eq("D1-0"), "soil_visible"] = True
    low = float(tables["spans"].set_index("span_id")["from_m"]["D1-0"])
    (line,) = day_of(tables)[1]["blocks"][0]["lines"]
    assert line.startswith("Mind the jet, ask first: crack, joint gap")
    assert f"{50 - low - 0.2:.2f} m to {50 - low:.2f} m" in line


def test_a_place_decided_by_a_person_is_shown() -> None:
    tables = town()
    tables["sleeves"] = tables["sleeves"].assign(placed_by="Ada on 2026-01-08: joint seen")
    (sleeve,) = data(tables)["stops"][0]["sleeves"]
    assert sleeve["placed"] == "Placed by a person: Ada on 2026-01-08: joint seen"


def test_us_units_on_the_new_figures() -> None:
    """198 mm = 7.8 in, 2.5 m = 8.2 ft, 600 mm = 24 in, 4 mm = 0.16 in, 10 degC = 50 degF."""
    stop = day_of(sheet_week(1), "us")[0]
    assert stop["stand_words"] == "access key, depth 8.2 ft, lid 24 in"
    assert stop["before"][-1]["found"] == "inside 7.8 in"
    (sleeve,) = stop["sleeves"]
    assert sleeve["wall"] == "wall 0.16 in, 3 plies"
    assert sleeve["cure_at"] == "50 \u00b0F (wall)"
    assert "5.9 in" in sleeve["laterals"][0]  # 150 mm
    assert sleeve["degree"] == "\u00b0F"


def test_what_the_crew_fills_in_stands_on_the_sheet(tmp_path: Path) -> None:
    """Gas, temperatures, pressure and time, lot, result, signature, and each work's number."""
    path = write_sheets(sheet_week(1), FACTS, tmp_path)[0]
    text = " ".join(text_of(path).split())
    for field in ("oxygen [%]", "flammable [% LEL]", "H2S", "CO [ppm]", "air [\u00b0C]",
                  "pipe wall [\u00b0C]", "lot of the sleeve", "lot of the resin", "signature",
                  "failed", "put off until", "sleeve used up", "lies in the pipe", "begun at",
                  "done at", "looking upstream", "Order of work", "0.6 bar", "W0-1", "W7-0",
                  "inside 198 mm"):  # fmt: skip
        assert field in text, field


EVILS = {
    "markup": '<script>alert(1)</script> #[*b*] $x$ `c` \\ // [a](b) "q" <lab> @ref = head',
    "toml": '[[system]] say = "{sleeve}" # {x} {{7*7}}',
    "lines": "one\ntwo\r\n\tthree",
    "turned": "\u202eabc \u05d0\u05d1\u05d2 \u0661 \u200fx \U0001f6bd e\u0301\x00\x07",
    "long": "x" * 10_000,
}
# What is matched by word, or holds numbers and lists, cannot hold any text.
BOUND = {"mechanisms", "key", "item", "unit", "level", "cures", "packers", "steps", "effect",
         "about", "say", "refused"}  # fmt: skip


@pytest.mark.parametrize("name", list(EVILS))
def test_any_text_in_every_field_is_text(tmp_path: Path, name: str) -> None:
    """Places stay as they are; the text is printed as it stands, or says that it was cut."""
    bad, tables = EVILS[name], sheet_week(1)
    for table in (one for one in TABLES if one.name in tables):
        for column in table.columns:
            if column.kind != "text" or column.one_of or column.name in BOUND:
                continue
            filled = tables[table.name][column.name]
            known = filled.ne("") | (column.name in {"material", "reason", "doubts", "placed_by"})
            tables[table.name][column.name] = (filled + bad).where(known, filled)
    tables["crews"]["packers"] = tables["packers"]["packer"].iloc[0]
    (path,) = write_sheets(tables, replace(FACTS, name=f"Town{bad}"), tmp_path / "sheets")
    assert path.name == "sheet_001_2026-01-12.pdf"
    bare = "".join(text_of(path).split())
    assert "44.00mto45.00m" in bare
    assert bare.count("signature") == 8
    wanted = {
        "lines": "Townonetwothree",
        "turned": "Town?abc",
        "long": f"Town{'x' * 50}",
    }.get(name, "".join(f"Town{bad}".split()))
    assert wanted in bare
    if name == "long":
        assert "(cut,10004lettersinall)" in bare
    assert len(PdfReader(path).pages) < 60


def test_days_are_set_side_by_side_and_come_out_the_same(tmp_path: Path) -> None:
    """Days set at once, each with its own name and place, byte for byte as before."""
    tables = sheet_week(3)
    one = write_sheets(tables, FACTS, tmp_path / "one")
    two = write_sheets(tables, FACTS, tmp_path / "two")
    assert [path.read_bytes() for path in one] == [path.read_bytes() for path in two]
    assert [path.name[:9] for path in one] == [f"sheet_{n:03d}" for n in (1, 2, 3)]
    assert "2026-01-14" in text_of(one[-1])


def test_resin_is_loaded_in_whole_kits_with_its_lot(demo_plan) -> None:
    """Kits of 5 kg, one for each sleeve by `orders`; parts, lengths and works are no load."""
    tables, facts = demo_plan.tables, demo_plan.facts
    visits = tables["visits"].query("crew == 'Sleeve 1' and date == '2026-01-13'")
    data = sheet_data("Sleeve 1", "2026-01-13", visits, tables, facts)
    load = {row["item"]: row["amount"] for row in data["load"]}
    orders = tables["orders"].query("level == 'route' and key == 'Sleeve 1|2026-01-13'")
    order = orders[orders["item"] == "resin felt-ambient"].iloc[0]
    kits = int(order["to_order"]) // 5_000
    assert kits >= 1
    resin = next(item for item in load if item.startswith("resin"))
    assert resin.startswith("resin felt-ambient, lot K-")
    assert load[resin].startswith(f"{kits} kit")
    assert "of 5.00 kg" in load[resin]
    assert not [item for item in load if "part A" in item or item == "sleeve length"]
