"""Ratings of the PACP family against what owners print, and edge cases by hand."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import pandas as pd
import pytest

from planner.contracts import GRADES
from planner.inputs.project import read_project
from planner.rule_spans import place_rows
from planner.screening.grade import grade_of, quick_rating, rate, rate_inspections
from planner.screening.locate import Located
from planner.tables import conform


def test_city_of_santa_ana_prints_5236() -> None:
    """Sewer Rate Study, p. 240: two defects of grade 5, six of grade 3."""
    assert quick_rating({5: 2, 3: 6}) == "5236"
    assert rate({5: 2, 3: 6}).rating == 28


def test_ohio_prints_index_5_for_20_ft_of_dropped_invert() -> None:
    """Ehret, Sewer Condition Assessment and Rehabilitation, 22 Jun 2011; 5 ft from memory."""
    found = rate({5: round(20 / 5)})
    assert (found.index, found.rating, found.quick) == (5.0, 20, "5400")


def test_one_hole_against_five_has_the_same_index() -> None:
    """NASSCO, 12 Jul 2023: one hole of grade 4 in one pipe, five in another."""
    one, five = rate({4: 1}), rate({4: 5})
    assert (one.index, five.index) == (4.0, 4.0)
    assert (one.rating, five.rating) == (4, 20)
    assert (one.quick, five.quick) == ("4100", "4500")


@pytest.mark.parametrize(
    ("counts", "quick"),
    [({4: 12}, "4A00"), ({5: 1, 2: 17}, "512B"), ({}, "0000"), ({3: 9}, "3900"), ({1: 10}, "1A00")],
)
def test_edge_cases_by_hand(counts: dict[int, int], quick: str) -> None:
    assert quick_rating(counts) == quick


def test_a_code_graded_by_a_figure_has_no_grade_without_it() -> None:
    nan = float("nan")
    assert grade_of("DSF", nan, nan) is None
    assert grade_of("DSF", nan, 20.0) is not None
    assert grade_of("DSF", nan, 20.0)["grade"] == "3"
    assert grade_of("DSF", nan, 20.1)["grade"] == "4"
    # A hole without a clock is 4, as the owner of the scheme prints it.
    assert grade_of("H", nan, nan)["grade"] == "4"
    assert grade_of("H", 3.0, nan)["grade"] == "5"


CRS = {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::25832"}}


def town(folder: Path, survey: str, heads: str = "") -> Path:
    spots = {"M1": (560000.0, 5930000.0), "M2": (560040.0, 5930000.0), "M3": (560040.0, 5929967.5)}
    rows = [("P1", "M1", "M2"), ("P2", "M2", "M3")]
    features = [
        {"type": "Feature", "properties": {"pipe_id": p, "us_node": a, "ds_node": b, "dn": "300"},
         "geometry": {"type": "LineString", "coordinates": [spots[a], spots[b]]}}
        for p, a, b in rows
    ]  # fmt: skip
    layer = {"type": "FeatureCollection", "crs": CRS, "features": features}
    (folder / "pipes.geojson").write_text(json.dumps(layer))
    (folder / "planner.toml").write_text(
        '[project]\nfirst_day = "2026-02-02"\n[pipes]\nfile = "pipes.geojson"\n'
        f'columns = {{size = "dn"}}\n[[inspections]]\nfile = "{survey}"\nzero_at = "wall"\n{heads}'
    )
    return folder


def rated(located: Located) -> pd.DataFrame:
    """Give the ratings by inspection, requirement and measure."""
    rows = conform(rate_inspections(located.rows, located.heads), GRADES)
    return rows.set_index(["key", "requirement", "measure"]).sort_index()


def test_a_whole_inspection_by_hand(tmp_path: Path) -> None:
    """FL over 3.2 m counts round(3.2 / 1.524) = 2 times grade 3; HSV once 5; JOM once 1."""
    rows = [
        "inspection_id,pipe_id,start_node,s_m,code,stretch,clock_from_h,q1",
        "A,P1,M1,0,AMH,,,", "A,P1,M1,4,FL,S01,11,", "A,P1,M1,7.2,FL,F01,11,",
        "A,P1,M1,12,JOM,,,", "A,P1,M1,20,HSV,,10,", "A,P1,M1,22,DSF,,,", "A,P1,M1,39,AMH,,,",
    ]  # fmt: skip
    (tmp_path / "s.csv").write_text("\n".join(rows) + "\n")
    located = place_rows(read_project(town(tmp_path, "s.csv")))
    grades = rated(located)
    found = grades.loc[("A", "structural")]
    assert found["shown"].to_dict() == {"rating": "12", "index": "3.00", "quick rating": "5132"}
    assert found.loc["index", "value"] == pytest.approx(3.0)
    assert grades.loc[("A", "operation", "quick rating"), "shown"] == "0000"
    assert not grades["verified"].any()
    assert "DSF at 22.00 m" in found.loc["rating", "why"]


def test_the_sample_inspection_has_its_nine_figures(tmp_path: Path, samples: Path) -> None:
    wanted = json.loads((samples / "coding/traps_expected.json").read_text())["pacp_synthetic"]
    for name in ("pacp_inspections_synthetic.csv", "pacp_conditions_synthetic.csv"):
        (tmp_path / name).write_text((samples / "coding" / name).read_text())
    folder = town(
        tmp_path, "pacp_conditions_synthetic.csv", 'heads = "pacp_inspections_synthetic.csv"\n'
    )
    located = place_rows(read_project(folder))
    grades = rated(located)
    for ours, theirs in (("structural", "structural"), ("operation", "om"), ("overall", "overall")):
        told = wanted["101"][theirs]
        mine = grades.loc[("101", ours)]
        assert mine.loc["rating", "value"] == told["rating"]
        assert mine.loc["index", "value"] == pytest.approx(told["index"], abs=0.005)
        assert mine.loc["quick rating", "shown"] == told["quick"]
    # The copy of it is a double, and its ratings are not added.
    doubles = located.left_over["reason"].str.contains("the same rows as 101").any()
    assert doubles == (wanted["duplicate_of"] == {"104": "101"})
    with (samples / "coding/pacp_conditions_synthetic.csv").open() as file:
        assert len(list(csv.DictReader(file))) > len(located.defects)
