"""The GIS file: looks that parse and cover every word, keys, meanings of columns, facts."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path
from xml.etree import ElementTree as Xml

import geopandas as gpd
import pandas as pd
import pytest

from planner.contracts import TABLES
from planner.contracts.verdicts import VERDICT_WORDS
from planner.outputs.files import write_tables
from planner.outputs.gis_drawn import PIPES, SPANS, STOPS
from planner.outputs.palette import LOOKS
from planner.plan import Plan


@pytest.fixture(scope="module")
def run(demo_plan: Plan, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("gis")
    write_tables(demo_plan.tables, demo_plan.facts, folder)
    return folder


def rows(path: Path, query: str) -> list[tuple]:
    with closing(sqlite3.connect(path / "plan.gpkg")) as connection:
        return connection.execute(query).fetchall()


def test_every_layer_with_shapes_has_a_look_that_parses(run: Path) -> None:
    """In the file and beside it, the same text; the layer it names is there."""
    drawn = {name for (name,) in rows(run, "SELECT table_name FROM gpkg_geometry_columns")}
    styles = dict(rows(run, "SELECT f_table_name, styleQML FROM layer_styles"))
    assert set(styles) == drawn
    for name, qml in styles.items():
        root = Xml.fromstring(qml)
        assert root.tag == "qgis"
        assert (run / "styles" / f"{name}.qml").read_text("utf-8") == qml
        symbols = {one.get("name") for one in root.iter("symbol")}
        used = {one.get("symbol") for one in root.iter("category")} or {"0"}
        assert used == symbols


def test_every_word_that_is_drawn_has_a_category(run: Path) -> None:
    """A value without a category would not be drawn at all."""
    styles = dict(rows(run, "SELECT f_table_name, styleQML FROM layer_styles"))
    for layer, least in ((PIPES, set(LOOKS)), (SPANS, set(VERDICT_WORDS)), (STOPS, set("12345"))):
        listed = {one.get("value") for one in Xml.fromstring(styles[layer]).iter("category")}
        shown = set(gpd.read_file(run / "plan.gpkg", layer=layer)["shown"])
        assert shown
        assert shown | least <= listed | {""}
        assert Xml.fromstring(styles[layer]).find("renderer-v2").get("attr") == "shown"


def test_each_column_has_its_unit_and_meaning(run: Path) -> None:
    query = "SELECT table_name, column_name, title, description FROM gpkg_data_columns"
    told = {(table, column): (unit, what) for table, column, unit, what in rows(run, query)}
    held = {name for (name,) in rows(run, "SELECT table_name FROM gpkg_contents")}
    for table in TABLES:
        if table.name in held:
            for column in table.columns:
                unit = f"[{column.unit}]" if column.unit else ""
                assert told[table.name, column.name] == (unit, column.meaning)


def test_keys_are_unique_indexes(run: Path) -> None:
    """A second row of one key is refused by the file itself."""
    with closing(sqlite3.connect(run / "plan.gpkg")) as connection:
        for name, key in (("pipes", "pipe_id"), ("setups", "setup_id"), (PIPES, "pipe_id")):
            found = [row[1] for row in connection.execute(f"PRAGMA index_list({name})") if row[2]]
            columns = [
                [part[2] for part in connection.execute(f'PRAGMA index_info("{one}")')]
                for one in found
            ]
            assert [key] in columns


def test_facts_of_the_run_stand_in_it(run: Path, demo_plan: Plan) -> None:
    facts = dict(rows(run, "SELECT fact, value FROM plan_meta"))
    assert facts["first_day"] == demo_plan.facts.first_day
    assert facts["accepted"] == "yes"
    assert "licensed practice" in facts["caution"]


def test_the_file_is_a_whole_geopackage(run: Path) -> None:
    """Every table of gpkg_contents is there, as the standard asks; SQLite finds no fault."""
    assert rows(run, "PRAGMA integrity_check") == [("ok",)]
    listed = {name for (name,) in rows(run, "SELECT table_name FROM gpkg_contents")}
    there = {name for (name,) in rows(run, "SELECT name FROM sqlite_master WHERE type = 'table'")}
    assert listed <= there


def test_parquet_brings_back_every_table(run: Path, demo_plan: Plan) -> None:
    """The same figures bit for bit; layers keep the system they came in."""
    for table in TABLES:
        path = run / "parquet" / f"{table.name}.parquet"
        if table.name not in demo_plan.tables:
            continue
        back = pd.read_parquet(path)
        frame = demo_plan.tables[table.name]
        assert len(back) == len(frame)
        for column in table.columns:
            if column.kind == "number":
                pd.testing.assert_series_equal(
                    back[column.name], frame[column.name], check_index=False, check_names=False
                )
    pipes = gpd.read_parquet(run / "parquet" / "pipes.parquet")
    assert pipes.crs == demo_plan.facts.source_crs
    assert pipes.geometry.notna().any()


def test_stops_stand_at_their_manholes_in_order(run: Path, demo_plan: Plan) -> None:
    """One point for each visit, its label made of day, place in the day and crew."""
    stops = gpd.read_file(run / "plan.gpkg", layer=STOPS)
    visits = demo_plan.tables["visits"]
    assert sorted(stops["visit_id"]) == sorted(visits["visit_id"])
    one = stops[stops["visit_id"] == "Cleaning|2026-01-12|4"].iloc[0]
    assert one["label"] == "A 1.04"  # first crew by name, Monday, fourth stop
    nodes = gpd.read_file(run / "plan.gpkg", layer="nodes").set_index("node_id")
    assert one.geometry.distance(nodes.at[one["node_id"], "geometry"]) < 1e-6
