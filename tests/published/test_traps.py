"""Coded files with traps, where ../shared/samples is there: placed as their answers say."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pandas as pd
import pytest

from planner.inputs.project import read_project
from planner.rule_spans import place_rows
from planner.screening.locate import Located

EAST, NORTH = 560000.0, 5930000.0
TOLERANCE_M = 0.05
Spots = dict[str, tuple[float, float]]


def located(
    folder: Path,
    survey: Path,
    pipes: list[tuple[str, str, str, float | None]],
    spots: Spots,
    more: str = "",
) -> Located:
    shutil.copy(survey, folder / survey.name)
    crs = {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::25832"}}
    lines = [
        {"type": "Feature", "properties": {"pipe_id": p, "us_node": a, "ds_node": b, "len": m},
         "geometry": {"type": "LineString", "coordinates": [spots[a], spots[b]]}}
        for p, a, b, m in pipes
    ]  # fmt: skip
    layer = {"type": "FeatureCollection", "crs": crs, "features": lines}
    (folder / "pipes.geojson").write_text(json.dumps(layer))
    (folder / "planner.toml").write_text(
        '[project]\nfirst_day = "2026-02-02"\n[pipes]\nfile = "pipes.geojson"\n'
        f'columns = {{stated_m = "len"}}\n[[inspections]]\nfile = "{survey.name}"\n'
        f'zero_at = "wall"\n{more}'
    )
    return place_rows(read_project(folder))


@pytest.fixture(scope="module")
def answers(samples: Path) -> dict:
    return json.loads((samples / "coding/traps_expected.json").read_text())


def one(defects: pd.DataFrame, mechanism: str, run: str = "") -> pd.Series:
    found = defects[defects["mechanism"] == mechanism]
    found = found[found["inspection_id"].str.contains(run, regex=False)]
    assert len(found) == 1
    return found.iloc[0]


def test_the_text_file_with_its_two_surveys(tmp_path: Path, samples: Path, answers: dict) -> None:
    spots = {"S1": (EAST, NORTH), "S2": (EAST + 39.6, NORTH)}
    name = "en13508-2_text_traps_synthetic.txt"
    found = located(tmp_path, samples / "coding" / name, [("P1", "S1", "S2", None)], spots)
    new, old = answers[name]["survey_2026"], answers[name]["survey_2020"]
    assert len(found.inspections) == answers[name]["inspections"]
    rows = found.defects
    first = one(rows, "fracture")
    assert first["x_from_m"] == pytest.approx(new["stretch_1"]["from"], abs=TOLERANCE_M)
    assert first["x_to_m"] == pytest.approx(new["stretch_1"]["to"], abs=TOLERANCE_M)
    assert first["quantity_high"] == new["stretch_1"]["width_mm_max"]
    offset = one(rows, "joint_offset", "2026")
    assert offset["x_from_m"] == pytest.approx(new["joint_offset"]["x_us"], abs=TOLERANCE_M)
    assert offset["quantity_high"] == new["joint_offset"]["mm"]
    assert "never ends" in one(rows, "deposit_attached")["flags"]
    assert one(rows, "deposit_attached")["arc_h"] == new["stretch_2"]["arc_hours"]
    hole = one(rows, "missing_wall")
    assert hole["x_from_m"] == pytest.approx(new["missing_wall"]["x_us"], abs=TOLERANCE_M)
    assert hole["arc_h"] == new["missing_wall"]["arc_hours"]
    broken = one(rows, "break")
    assert broken["x_from_m"] == pytest.approx(old["break"]["x_us"], abs=TOLERANCE_M)
    assert broken["clock_h"] == old["break"]["clock_downstream"][0]
    assert "older survey" in broken["flags"]
    before = one(rows, "joint_offset", "2020")
    assert before["x_from_m"] == pytest.approx(old["joint_offset"]["x_us"], abs=TOLERANCE_M)


def test_the_federal_file_with_its_two_part_surveys(
    tmp_path: Path, samples: Path, answers: dict
) -> None:
    spots = {"S1": (EAST, NORTH), "S2": (EAST + 40, NORTH), "S3": (EAST + 40, NORTH - 32.5)}
    pipes = [("H1", "S1", "S2", 40.0), ("H2", "S2", "S3", 32.5)]
    found = located(tmp_path, samples / "coding/isybau_synthetic.xml", pipes, spots)
    told = answers["isybau_synthetic.xml"]
    length = found.pipes.set_index("pipe_id")["length_m"]
    assert length["H1"] == pytest.approx(told["H1"]["net_length"], abs=TOLERANCE_M)
    assert length["H2"] == pytest.approx(told["H2"]["net_length_assumed"], abs=TOLERANCE_M)
    h1 = found.defects[found.defects["pipe_id"] == "H1"]
    place, kinds = told["H1"]["one_repair_cluster_at"]
    assert {one(h1, kind)["x_from_m"] for kind in kinds} == {place}
    place, kinds = told["H1"]["joint_cluster_at"]
    assert {one(h1, kind)["x_from_m"] for kind in kinds} == {place}
    assert one(h1, "lateral_intruding")["quantity_high"] == told["H1"]["lateral_intruding"]["pct"]
    h2 = found.defects[found.defects["pipe_id"] == "H2"]
    roots = one(h2, "roots")
    assert roots["x_from_m"] == pytest.approx(told["H2"]["roots"]["x_us"], abs=TOLERANCE_M)
    hole = one(h2, "missing_wall")
    ends = (hole["from_m"], hole["to_m"])
    assert ends == pytest.approx(told["H2"]["missing_wall_stretch"]["x_us"], abs=TOLERANCE_M)
    assert hole["arc_h"] == told["H2"]["missing_wall_stretch"]["arc_hours"]
    low, high = told["H2"]["unseen"]
    unseen = f"H2: no camera saw it from {low:.2f} to {high:.2f} m"
    lines = found.flags["key"] + ": " + found.flags["what"]
    assert lines.str.startswith(unseen).any()


def test_a_constant_metre_is_two_half_manholes_and_no_mismatch(
    tmp_path: Path, samples: Path
) -> None:
    """Four pipes of 3.1 to 86.0 m, each 1.0 m longer in the list than its survey."""
    spots = {
        "N1": (EAST, NORTH), "N2": (EAST + 84.6, NORTH), "N3": (EAST + 92.1, NORTH),
        "R2": (EAST, NORTH + 50), "R3": (EAST + 3.1, NORTH + 50), "R1": (EAST - 86, NORTH + 50),
    }  # fmt: skip
    pipes = [("N1", "N1", "N2", 84.6), ("N2", "N2", "N3", 7.5),
             ("R2", "R2", "R3", 3.1), ("R1", "R1", "R2", 86.0)]  # fmt: skip
    name = "dwa_m150_example_anon.xml"
    more = 'direction = "down"\n'
    found = located(tmp_path, samples / "coding" / name, pipes, spots, more)
    length = found.pipes.set_index("pipe_id")["length_m"]
    assert length.to_dict() == pytest.approx({"N1": 83.6, "N2": 6.5, "R2": 2.1, "R1": 85.0})
    assert set(found.pipes["placing"]) == {"ok"}
    told = dict(zip(found.flags["key"], found.flags["what"], strict=True))
    assert "1.00 m more than from wall to wall, alike on 4" in told["listed lengths"]
    assert len(found.left_over) == 0
