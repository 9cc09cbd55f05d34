"""Tables on disk: CSV that a spreadsheet cannot run, one GeoPackage, same bytes twice."""

from __future__ import annotations

import csv
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pyogrio
from hypothesis import given
from hypothesis import strategies as st
from shapely import LineString

from planner.contracts import LEFT_OVER, PIPES, SLEEVES, UNSERVED
from planner.contracts.facts import RunFacts
from planner.outputs.files import plain_text, safe_text, write_tables
from planner.tables import conform

UTM = "EPSG:25832"
LOCAL = "+proj=tmerc +lat_0=54 +lon_0=7.5 +k=1 +x_0=0 +y_0=0 +ellps=GRS80 +units=m"
FACTS = RunFacts("Town", "2026-01-12", "EUR", "metric", UTM, LOCAL, False, False, True, "0")
EVIL = ["=1+1", "+49", "-12", "@SUM(A1)", "\tx", "'quoted", '"', "<b>", "a,b;c\nd", "${x}"]


def run_tables() -> dict[str, pd.DataFrame]:
    """One pipe of 10 m drawn as 12 m, one sleeve on it, evil text in a reason."""
    pipes = conform(
        [
            {
                "pipe_id": "-12",
                "us_node": "a",
                "ds_node": "b",
                "drawn_m": 12.0,
                "length_m": 10.0,
                "geometry": LineString([(0, 0), (12, 0)]),
            },
            {"pipe_id": "no line", "length_m": 5.0, "geometry": None},
        ],
        PIPES,
        crs=LOCAL,
    )
    sleeve = {
        "sleeve_id": "S-000001", "pipe_id": "-12", "from_m": 2.0, "to_m": 3.0, "length_m": 1.0,
        "end": "pipe", "dn_mm": 200.0, "system": "felt", "counter_node": "a", "counter_m": 2.0,
        "laterals_count": 0, "laterals_unknown": False,
    }  # fmt: skip
    left = [{"step": "x", "key": str(i), "reason": text or "."} for i, text in enumerate(EVIL)]
    return {
        "pipes": pipes,
        "sleeves": conform([sleeve], SLEEVES),
        "left_over": conform(left, LEFT_OVER),
        "unserved": conform([], UNSERVED),
    }


@given(st.text())
def test_taking_the_apostrophe_off_gives_the_text_back(text: str) -> None:
    """`plain_text` undoes `safe_text` for any text, and what is safe cannot run."""
    safe = safe_text(text)
    assert plain_text(safe) == text
    assert not safe.startswith(("=", "+", "-", "@", "\t", "\r"))


def test_csv_brings_back_every_cell(tmp_path: Path) -> None:
    """What stands in the CSV, apostrophes off, is what stood in the table."""
    tables = run_tables()
    write_tables(tables, FACTS, tmp_path)
    with (tmp_path / "tables" / "left_over.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [plain_text(row["reason"]) for row in rows] == list(tables["left_over"]["reason"])
    assert {plain_text(row["reason"]) for row in rows} == set(EVIL)


def test_geopackage_draws_the_sleeve_in_drawn_metres_and_the_source_system(tmp_path: Path) -> None:
    """x 2-3 m of a 10 m pipe drawn as 12 m lies at drawn 2.4-3.6 m: 1.2 m long on the map."""
    write_tables(run_tables(), FACTS, tmp_path)
    sleeves = gpd.read_file(tmp_path / "plan.gpkg", layer="sleeves")
    assert sleeves.crs == UTM
    assert abs(sleeves.to_crs(LOCAL).length.iloc[0] - 1.2) < 1e-6
    pipes = gpd.read_file(tmp_path / "plan.gpkg", layer="pipes")
    assert list(pipes["pipe_id"]) == ["-12", "no line"]
    assert pipes.geometry.isna().tolist() == [False, True]
    names = {name for name, _ in pyogrio.list_layers(tmp_path / "plan.gpkg")}
    assert names == {"pipes", "sleeves", "left_over", "unserved", "layer_styles", "plan_meta"}


def test_same_tables_give_the_same_bytes(tmp_path: Path) -> None:
    """Two runs differ in no byte, and nothing half-written is left beside them."""
    for name in ("one", "two"):
        (tmp_path / name).mkdir()
        write_tables(run_tables(), FACTS, tmp_path / name)
    one = {p.relative_to(tmp_path / "one"): p.read_bytes() for p in (tmp_path / "one").rglob("*.*")}
    two = {p.relative_to(tmp_path / "two"): p.read_bytes() for p in (tmp_path / "two").rglob("*.*")}
    assert one == two
    # Four CSVs, four Parquet files, the looks of pipes and sleeves, the GeoPackage.
    assert len(one) == 4 + 4 + 2 + 1
