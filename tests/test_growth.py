"""What two surveys saw of one defect, side by side; materials that contradict each other."""

from __future__ import annotations

from pathlib import Path

import pytest
from small_project import PROJECT, write_project

from planner.ground.material_words import coded_material
from planner.inputs.project import read_project
from planner.rule_spans import place_rows
from planner.screening.explain import explain_lines
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


def gone(found: Located) -> list[tuple[str, str]]:
    flags = found.flags
    told = flags[flags["what"].str.contains("is not coded by survey")]
    return list(zip(told["key"], told["what"], strict=True))


def test_damage_that_the_newer_survey_does_not_show_is_told(tmp_path: Path) -> None:
    """An open crack at 12.0 m of 2019; in 2025 all was seen, with roots at 30 m alone."""
    found = located(
        tmp_path,
        f"{OLD},12.0,BAB,C,6,yes,39.2,",
        f"{NEW},30.0,BBA,A,10,yes,39.2,",
    )  # fmt: skip
    ((key, what),) = gone(found)
    assert key == "B"
    for part in (
        "pipe 0017: fracture at ",
        "survey A of 2019-05-01",
        "row 2)",
        "survey B of 2025-05-01",
    ):
        assert part in what
    assert "a person should look" in what


def test_explain_of_the_pipe_tells_it(tmp_path: Path) -> None:
    """Where nothing else of the pipe is coded there is no span that could."""
    found = located(tmp_path, f"{OLD},12.0,BAB,C,6,yes,39.2,", f"{NEW},0.0,BCD,A,,yes,39.2,")
    tables = {"pipes": found.pipes, "inspections": found.inspections, "flags": found.flags}
    lines = explain_lines("0017", tables)
    at = lines.index("What is doubtful of it and its surveys:")
    assert any(line.startswith("  B: pipe 0017: fracture at 12.") for line in lines[at:])


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("12.0,BAB,C,6", "12.1,BAB,C,8"),  # the same
        ("12.0,BAB,C,6", "12.1,BAC,A,"),  # grown to a break
        ("12.0,BAB,C,6", "12.1,BCA,A,"),  # none of these: a connection, see below
        ("12.0,BAB,C,6", "12.1,BCB,A,"),  # a repair stands there
        ("12.0,BAB,C,6", "12.1,XYZ,,"),  # nobody can read it: for a person as it is
        ("12.0,BBC,A,10", "30.0,BBA,A,10"),  # a deposit, which cleaning takes away
    ],
)
def test_what_is_coded_again_or_tells_itself_is_not_told(
    tmp_path: Path, old: str, new: str
) -> None:
    """Of these a connection at the place alone says nothing of the crack."""
    told = gone(located(tmp_path, f"{OLD},{old},yes,39.2,", f"{NEW},{new},yes,39.2,"))
    assert len(told) == (1 if "BCA" in new else 0)


def test_each_of_three_surveys_is_held_against_all_later_ones(tmp_path: Path) -> None:
    """Coded in 2015 and 2019, not in 2025: told once, of 2019. Not seen again: not told."""
    rows = ("X,0017,A,2015-05-01,12.0,BAB,C,6,yes,39.2,", f"{OLD},12.1,BAB,C,6,yes,39.2,")
    assert gone(located(tmp_path / "two", *rows)) == []
    ((_, what),) = gone(located(tmp_path / "three", *rows, f"{NEW},1.0,BBA,A,10,yes,39.2,"))
    assert "survey A of 2019-05-01" in what
    short = f"{NEW},1.0,BBA,A,10,no,8.0,"  # given up after 8 m
    assert gone(located(tmp_path / "short", *rows, short)) == []
