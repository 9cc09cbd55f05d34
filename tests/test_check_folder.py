"""What `sleeveplan check` writes: every finding once, refused rows beside their raw text, a map."""

from __future__ import annotations

import csv
import json
import re
from pathlib import Path

import pytest
from small_project import write_project

from planner.folder import Checked, check_project
from planner.inputs.raw_rows import raw_rows


@pytest.fixture(scope="module")
def checked(tmp_path_factory: pytest.TempPathFactory) -> Checked:
    return check_project(write_project(tmp_path_factory.mktemp("small")))


def rows_of(path: Path) -> list[dict[str, str]]:
    with path.open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def data_of(page: str) -> dict:
    found = re.search(r'<script[^>]*id="plan"[^>]*>(.*?)</script>', page, re.DOTALL)
    assert found is not None
    return json.loads(found[1])


def test_every_line_that_was_printed_stands_in_the_findings(checked: Checked) -> None:
    rows = rows_of(checked.folder / "findings.csv")
    faults = [line for line in checked.lines if line.startswith("fault: ")]
    waits = [line for line in checked.lines if line.startswith("waits: ")]
    assert faults
    assert len(faults) == sum(row["kind"] == "fault" for row in rows)
    assert len(waits) == sum(row["kind"] == "waits" for row in rows)
    last = checked.lines[-1]
    kinds = {"faults": "fault", "left over": "left over", "flags": "doubt"}
    for word, kind in kinds.items():
        count = re.search(rf"{word} (\d+)", last)
        assert count is not None
        assert int(count[1]) == sum(row["kind"] == kind for row in rows)


def test_a_refused_row_stands_beside_its_own_line_of_the_file(checked: Checked) -> None:
    rows = rows_of(checked.folder / "refused_rows.csv")
    surveys = (checked.folder.parents[1] / "surveys.csv").read_text("utf-8").splitlines()
    mine = [row for row in rows if row["file"] == "surveys.csv"]
    assert mine
    for row in mine:
        assert row["raw"].lstrip("'") == surveys[int(row["row"]) - 1]
        assert row["reason"]


def test_the_map_counts_every_pipe_once_and_every_reason(checked: Checked) -> None:
    data = data_of((checked.folder / "map.html").read_text("utf-8"))
    names = [line["class"] for line in data["panel"]["legend"]]
    assert names == ["stopped", "doubt", "placed", "unseen"]
    pipes = sum(line["pipes"] for line in data["panel"]["legend"])
    undrawn = sum(
        int(line.split()[0]) for line in data["panel"]["lists"][1][1] if "without a line" in line
    )
    assert pipes == len(data["layers"]["pipes"]["n"]) + undrawn
    left = rows_of(checked.folder / "findings.csv")
    listed = sum(int(line.split(" x ")[0]) for line in data["panel"]["lists"][0][1])
    lost = [row for row in left if row["kind"] == "left over"]
    assert listed >= len(lost) > 0


def test_checking_again_replaces_the_folder(checked: Checked) -> None:
    (checked.folder / "stale.txt").write_text("x")
    again = check_project(checked.folder.parents[1])
    assert again.folder == checked.folder
    assert sorted(path.name for path in again.folder.iterdir()) == [
        "findings.csv",
        "id_matches.csv",
        "map.html",
        "refused_rows.csv",
    ]
    assert [path.name for path in again.folder.parent.iterdir()] == ["check"]


def test_raw_rows_come_in_the_files_own_encoding(tmp_path: Path) -> None:
    (tmp_path / "wide.txt").write_bytes("eins\nzwei é\n".encode("utf-16"))
    (tmp_path / "old.txt").write_bytes("eins\r\nStraße\r\n".encode("cp1252"))
    (tmp_path / "packed.bin").write_bytes(b"PK\x03\x04\0\0\0\n second")
    wanted = {"wide.txt": [2], "old.txt": [2, 9], "packed.bin": [2], "none.txt": [1], "../x": [1]}
    assert raw_rows(tmp_path, wanted) == {("wide.txt", 2): "zwei é", ("old.txt", 2): "Straße"}
