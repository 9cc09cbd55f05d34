"""From a name that matches no pipe to one a person has accepted, and back through the check."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest
from small_project import SURVEYS, write_project

from planner.folder import check_project
from planner.inputs.project import read_project
from planner.rule_spans import place_rows

HEAD = SURVEYS.splitlines()[0]


def project(folder: Path, *rows: str, **texts: str) -> Path:
    return write_project(folder, surveys_csv="\n".join([HEAD, *rows]) + "\n", **texts)


def run_of(name: str, start: str = "A", at: float = 4.0) -> str:
    return f"R{name},{name},{start},2025-05-01,{at},BAB,C,B,6,"


def placed(folder: Path) -> dict[str, str]:
    located = place_rows(read_project(folder))
    return dict(zip(located.inspections["pipe_ref"], located.inspections["pipe_id"], strict=True))


@pytest.mark.parametrize("name", ["17", "17.0", " 0017 ", "00017"])
def test_a_name_that_differs_in_form_alone_is_the_pipe_and_said_to_be(tmp_path, name) -> None:
    folder = project(tmp_path / "p", run_of(name))
    located = place_rows(read_project(folder))
    assert located.inspections["pipe_id"].tolist() == ["0017"]
    tier = "exact" if name.strip() == "0017" else "normalised"
    assert located.inspections["matched_by"].tolist() == [tier]
    told = located.flags["what"].str.contains("same but for zeros").sum()
    assert told == (tier == "normalised")


@pytest.mark.parametrize("name", ["nan", "", "None", "170", "1.7e1", "x17"])
def test_another_name_is_no_pipe(tmp_path, name) -> None:
    folder = project(tmp_path / "p", run_of(name))
    assert "0017" not in placed(folder).values()


def test_the_check_proposes_and_takes_back_what_was_accepted(tmp_path) -> None:
    folder = project(tmp_path / "p", run_of("O017"), run_of("zebra", "B"))
    checked = check_project(folder)
    assert any(line.startswith("ids: 2 names of pipes match none") for line in checked.lines)
    with (checked.folder / "id_matches.csv").open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    mine = [row["candidate"] for row in rows if row["pipe_ref"] == "O017"]
    assert "0017" in mine
    assert [row["candidate"] for row in rows if row["pipe_ref"] == "zebra"] == [""]
    for row in rows:
        row["accept"] = "yes" if row["candidate"] == "0017" else ""
        if row["pipe_ref"] == "zebra":
            row["candidate"], row["accept"] = "0018", "x"
    with (folder / "id_matches.csv").open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, rows[0])
        writer.writeheader()
        writer.writerows(rows)
    located = place_rows(read_project(folder))
    assert set(located.inspections["pipe_id"]) == {"0017", "0018"}
    assert any("as id_matches.csv says" in what for what in read_project(folder).flags["what"])


def test_a_match_to_no_pipe_or_to_two_is_refused_and_costs_nothing_else(tmp_path) -> None:
    text = (
        "survey_file,pipe_ref,candidate,why,accept\n"
        "surveys.csv,a,9999,,yes\nsurveys.csv,b,0017,,yes\nsurveys.csv,b,0018,,yes\n"
        "surveys.csv,c,0019,,no\nsurveys.csv,d,0018,,yes\n"
    )
    rows = [run_of("a"), run_of("b"), run_of("c", "C"), run_of("d", "B")]
    folder = project(tmp_path / "p", *rows, id_matches_csv=text)
    inputs = read_project(folder)
    mine = inputs.faults[inputs.faults["file"] == "id_matches.csv"]
    assert sorted(mine["row"]) == [2, 3, 4]
    assert placed(folder) == {"a": "", "b": "", "c": "", "0018": "0018"}


def test_a_file_that_cannot_be_read_is_one_fault(tmp_path) -> None:
    folder = project(tmp_path / "p", run_of("0017"), id_matches_csv="what,is,this\n1,2,3\n")
    inputs = read_project(folder)
    assert (inputs.faults["file"] == "id_matches.csv").sum() == 1
    assert len(inputs.observations) == 1
