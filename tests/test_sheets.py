"""Run sheets: what they say, by hand; text stays text; same bytes twice."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest
from pypdf import PdfReader

from planner.contracts import (
    CREWS,
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
    VISITS,
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
