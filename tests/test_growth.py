"""What two surveys saw of one defect, side by side; materials that contradict each other."""

from __future__ import annotations

from pathlib import Path

import pytest
from small_project import PROJECT, write_project

from planner.ground.material_words import coded_material
from planner.inputs.project import read_project
from planner.propose import place_rows
from planner.screening.locate import Located

HEADER = "inspection_id,pipe_id,start_node,date,s_m,code,char1,q1,complete,surveyed_m,material\n"


def located(folder: Path, *rows: str) -> Located:
    """Place rows of pipe 0017, 39.2 m from wall to wall."""
    surveys = HEADER + "".join(f"{row}\n" for row in rows)
    return place_rows(read_project(write_project(folder, surveys_csv=surveys)))


OLD, NEW = "A,0017,A,2019-05-01", "B,0017,A,2025-05-01"


def test_the_older_figure_stands_beside_the_newer(tmp_path: Path) -> None:
    """Roots of 10 % at 12.0 m in 2019, 35 % at 12.1 m in 2025: six years, 72 months."""
    found = located(
        tmp_path,
        f"{OLD},12.0,BBA,A,10,yes,39.2,", f"{OLD},30.0,BBA,A,5,yes,39.2,",
        f"{NEW},12.1,BBA,A,35,yes,39.2,", f"{NEW},20.0,BBA,A,15,yes,39.2,",
    ).growth  # fmt: skip
    assert len(found) == 1
    row = found.iloc[0]
    assert (row["mechanism"], row["quantity"]) == ("roots", "roots_pct")
    assert (row["older_on"], row["newer_on"]) == ("2019-05-01", "2025-05-01")
    assert (row["older_high"], row["newer_high"]) == (10, 35)
    assert row["between_months"] == pytest.approx(72, abs=0.1)


def test_another_kind_or_place_is_no_growth(tmp_path: Path) -> None:
    """A crack where roots were, and roots two metres on."""
    found = located(
        tmp_path,
        f"{OLD},12.0,BBA,A,10,yes,39.2,",
        f"{NEW},12.0,BAB,B,3,yes,39.2,", f"{NEW},14.0,BBA,A,10,yes,39.2,",
    )  # fmt: skip
    assert found.growth.empty


def test_one_survey_alone_has_nothing_to_compare(tmp_path: Path) -> None:
    """Two rows of one day."""
    rows = (f"{NEW},12.0,BBA,A,10,yes,39.2,", f"{NEW},12.1,BBA,A,20,yes,39.2,")
    assert located(tmp_path, *rows).growth.empty


@pytest.mark.parametrize(
    ("network", "coded", "told"),
    [("VCP", "AE", False), ("VCP", "AG", True), ("VCP", "AZ", False), ("", "AG", False),
     ("vitrified clay", "concrete", True), ("PVC", "pvc", False), ("oak", "AG", False)],
)  # fmt: skip
def test_a_survey_that_names_another_material_is_told(
    tmp_path: Path, network: str, coded: str, told: bool
) -> None:
    """EN 13508-2 ACD by the KWB code tables: AE clay, AG concrete, AZ not identified."""
    folder = write_project(tmp_path, surveys_csv=HEADER + f"{NEW},12.0,BAB,B,3,yes,39.2,{coded}\n")
    pipes = folder / "pipes.geojson"
    pipes.write_text(pipes.read_text().replace('"len"', f'"material": "{network}", "len"'))
    flags = place_rows(read_project(folder)).flags
    assert flags["what"].str.contains("coded material").any() == told
    assert PROJECT  # the small project's own settings hold


def test_letters_and_words_are_one() -> None:
    """From memory of the norm's list, as the KWB tables print it."""
    assert coded_material("ax") == coded_material("PVC") == "pvc"
    assert coded_material("unknown") == ""
