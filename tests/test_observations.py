"""Coded rows by CSV: runs told apart, what a run's rows say together, nothing lost."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from planner.inputs.observations import Surveys, read_observations
from planner.inputs.specs import InspectionSpec

HEAD = "inspection_id,pipe_id,start_node,end_node,date,s_m,code,char1,char2,q1,stretch,joint\n"


def read(folder: Path, content: str, name: str = "s.csv", **spec: object) -> Surveys:
    (folder / name).write_text(content, encoding="utf-8")
    return read_observations([InspectionSpec(file=Path(name), **spec)], folder)  # type: ignore[arg-type]


def run(surveys: Surveys, place: int = 0) -> pd.Series:
    return surveys.inspections.iloc[place]


def told(surveys: Surveys) -> list[str]:
    """Give what is flagged beyond what the code tables doubt of single rows."""
    return [what for what in surveys.flags["what"] if not what.startswith("row ")]


def test_a_run_and_its_rows(tmp_path: Path) -> None:
    """A finish node makes the run complete; its station is the surveyed length."""
    content = HEAD + (
        "R1,0017,A,B,2025-05-01,0,BCD,,,,,\n"
        "R1,0017,A,B,2025-05-01,5.2,BAB,B,A,2,,A\n"
        "R1,0017,A,B,2025-05-01,7,BCA,A,A,150,,\n"
        "R1,0017,A,B,2025-05-01,22.4,BCE,,,,,\n"
    )
    got = read(tmp_path, content, zero_at="wall")
    head = run(got)
    assert got.faults == []
    assert got.read_count == {"s.csv": 4}
    assert (head["pipe_ref"], head["start_node"], head["date"]) == ("0017", "A", "2025-05-01")
    assert (head["complete"], head["surveyed_m"], head["laterals_coded"]) == (True, 22.4, "yes")
    assert (head["zero_at"], head["direction"], head["row"]) == ("wall", "unknown", 2)
    crack = got.observations.iloc[1]
    assert (crack["observation_id"], crack["row"], crack["at_joint"]) == ("R1#3", 3, True)
    # EN 13508-2: BAB B with 2 mm is a crack, its figure the width in mm
    assert (crack["mechanism"], crack["quantity"], crack["quantity_high"]) == (
        "crack", "crack_mm", 2.0,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("codes", "complete", "surveyed"),
    [
        (["BCD", "BCE"], True, 20.0),
        (["BCD", "BDC"], False, 20.0),
        (["BCE", "BDC"], False, 10.0),  # the finish node's station is the length
        (["BCD", "BAB"], None, 20.0),
    ],
)
def test_whether_the_far_node_was_reached(
    tmp_path: Path, codes: list[str], complete: bool | None, surveyed: float
) -> None:
    """Finish node: yes; abandoned: no; neither: nobody knows, the largest station stands."""
    rows = "".join(f"R1,P,A,B,,{s},{code},,,,,\n" for s, code in zip((10, 20), codes, strict=True))
    head = run(read(tmp_path, HEAD + rows))
    assert head["surveyed_m"] == surveyed
    assert pd.isna(head["complete"]) if complete is None else head["complete"] == complete
    assert head["laterals_coded"] == "unknown"


def test_what_the_file_says_goes_before_what_the_codes_say(tmp_path: Path) -> None:
    """Columns for the run as a whole need stand in one row only; contradictions are told."""
    content = (
        "inspection_id,pipe_id,start_node,direction,surveyed_m,complete,s_m,code\n"
        "R1,P,A,up,31.5,yes,0,BCD\nR1,,,,,,9,BDC\n"
    )
    got = read(tmp_path, content)
    head = run(got)
    assert (head["surveyed_m"], head["complete"], head["direction"]) == (31.5, True, "up")
    assert got.flags["what"].tolist() == ["said to be complete, yet coded as abandoned"]


def test_runs_without_an_id_are_told_apart_by_pipe_node_and_day(tmp_path: Path) -> None:
    """Four rows: two days from A, and one run from B, are three runs."""
    content = "pipe_id,start_node,date,s_m,code\n" + (
        "P,A,2024-05-01,1,BAB\nP,A,2025-05-01,2,BAB\nP,B,2025-05-01,3,BAB\nP,A,2025-05-01,4,BAB\n"
    )
    got = read(tmp_path, content)
    assert got.inspections["inspection_id"].tolist() == [
        "P/A/2024-05-01", "P/A/2025-05-01", "P/B/2025-05-01",
    ]  # fmt: skip
    assert got.observations["inspection_id"].value_counts()["P/A/2025-05-01"] == 2


def test_one_id_on_two_pipes_is_two_runs(tmp_path: Path) -> None:
    """Rows of two pipes are never put on one, though a file gives them one id."""
    got = read(tmp_path, HEAD + "R1,P,A,B,,1,BAB,,,,,\nR1,Q,A,B,,1,BAB,,,,,\n")
    assert got.inspections[["inspection_id", "pipe_ref"]].to_numpy().tolist() == [
        ["R1", "P"], ["R1~2", "Q"],
    ]  # fmt: skip
    assert "names another run" in told(got)[0]


def test_an_id_used_by_two_files_is_two_runs(tmp_path: Path) -> None:
    """Ids are unique over all files."""
    (tmp_path / "a.csv").write_text(HEAD + "R1,P,A,B,,1,BAB,,,,,\n")
    (tmp_path / "b.csv").write_text(HEAD + "R1,P,A,B,,2,BAB,,,,,\n")
    got = read_observations([InspectionSpec(files=(Path("a.csv"), Path("b.csv")))], tmp_path)
    assert got.inspections["inspection_id"].tolist() == ["R1", "R1~2"]
    assert got.observations["observation_id"].is_unique


def test_two_files_that_number_rows_of_one_run_alike_cost_those_rows(tmp_path: Path) -> None:
    """A list of runs beside files says that a run's rows in them are of one run."""
    rows = "inspection_id,s_m,code,char1,q1\n"
    (tmp_path / "a.csv").write_text(rows + "R7,0,BCD,,\nR7,30,BAB,B,2\n", "utf-8")
    (tmp_path / "b.csv").write_text(rows + "R8,3,BAB,B,2\nR7,31,BAB,B,2\nR7,32,BAB,B,2\n", "utf-8")
    runs = "inspection_id,pipe_id,start_node,date\nR7,0018,B,2025-05-02\nR8,0019,C,2025-05-02\n"
    (tmp_path / "runs.csv").write_text(runs, "utf-8")
    spec = InspectionSpec(files=(Path("a.csv"), Path("b.csv")), heads=Path("runs.csv"))
    got = read_observations([spec], tmp_path)
    assert [str(fault) for fault in got.faults] == [
        "b.csv, row 3, column inspection_id: found R7; wanted a run whose rows stand in one file: "
        "a.csv has a row 3 of it too (row left out)"
    ]
    kept = got.observations[["observation_id", "file", "s_m"]].to_numpy().tolist()
    assert kept == [["R7#2", "a.csv", 0.0], ["R7#3", "a.csv", 30.0], ["R7#4", "b.csv", 32.0],
                    ["R8#2", "b.csv", 3.0]]  # fmt: skip
    assert run(got)["surveyed_m"] == 32.0
    assert got.read_count == {"runs.csv": 2, "a.csv": 2, "b.csv": 3}


def test_a_file_that_is_delivered_twice_is_read_once(tmp_path: Path) -> None:
    """The same bytes under another name are one fault, not twice the defects."""
    for name in ("a.csv", "b.csv"):
        (tmp_path / name).write_text(HEAD + "R1,P,A,B,,1,BAB,,,,,\n")
    got = read_observations([InspectionSpec(files=(Path("a.csv"), Path("b.csv")))], tmp_path)
    assert len(got.observations) == 1
    assert [(f.file, f.row) for f in got.faults] == [("b.csv", 0)]
    assert "same rows as a.csv" in got.faults[0].found


@pytest.mark.parametrize(
    ("content", "why"),
    [
        (b"\x00\x01\x02", "zero bytes"),
        (b"pipe_id,code\nP,BAB\n", "no column 's_m'"),
        (b"s_m,code\n1,BAB\n", "no column for inspection_id"),
        (b"", "empty"),
    ],
)
def test_a_file_that_cannot_be_read_is_one_fault_and_the_rest_goes_on(
    tmp_path: Path, content: bytes, why: str
) -> None:
    """One line for the file; the other file is read."""
    (tmp_path / "bad.csv").write_bytes(content)
    (tmp_path / "good.csv").write_text(HEAD + "R1,P,A,B,,1,BAB,,,,,\n")
    files = (Path("bad.csv"), Path("gone.csv"), Path("good.csv"))
    got = read_observations([InspectionSpec(files=files)], tmp_path)
    assert [f.file for f in got.faults] == ["bad.csv", "gone.csv"]
    assert why in got.faults[0].found
    assert "no such file" in got.faults[1].found
    assert len(got.observations) == 1


def test_another_standard_is_not_read_as_this_one(tmp_path: Path) -> None:
    """The same letters mean other things in other families."""
    got = read(tmp_path, HEAD + "R1,P,A,B,,1,BAB,,,,,\n", standard="another")
    assert len(got.observations) == 0
    assert "'another' is not read" in got.faults[0].found


def test_an_empty_survey_is_kept(tmp_path: Path) -> None:
    """A run in which nothing was coded is a run (locate flags it); a file without rows is told."""
    got = read(tmp_path, HEAD + "R1,P,A,B,2025-01-01,,,,,,,\n")
    assert len(got.inspections) == 1
    assert len(got.observations) == 0
    assert (got.read_count, got.head_count) == ({"s.csv": 1}, {"s.csv": 1})
    got = read(tmp_path, HEAD)
    assert (len(got.inspections), got.flags["what"].tolist()) == (
        0, ["a header and no rows: an empty file"],
    )  # fmt: skip


def test_rows_that_cannot_be_kept_are_each_named(tmp_path: Path) -> None:
    """A unit row, a total row, a row of no pipe, and bad words: each is one fault."""
    content = "pipe_id,start_node,end_node,direction,s_m,code,joint\n" + (
        "P,A,B,down,1,BAB,A\n"
        ",,,,(m),,\n"
        "Total,,,,12.5,,\n"
        ",,,,3,BAB,\n"
        "P,A,B,sideways,4,BAB,\n"
        "P,A,B,,5,BAB,perhaps\n"
        ",A,B,,6,BAB,\n"
    )
    got = read(tmp_path, content)
    assert sorted((f.row, f.column) for f in got.faults) == [
        (3, "s_m"), (4, "code"), (5, "pipe_id"), (6, "direction"), (7, "joint"),
    ]  # fmt: skip
    assert got.observations["row"].tolist() == [8, 2]  # sorted by run: B/A has no pipe
    assert got.read_count["s.csv"] == 7 == len(got.observations) + len(got.faults)


def test_codes_that_look_like_nothing_stay(tmp_path: Path) -> None:
    """``NA`` as a code is text; an unknown code is kept as unknown damage and told."""
    got = read(tmp_path, HEAD + "R1,P,A,B,,1,NA,-,,nan,,\n", scheme="EN 13508-2")
    row = got.observations.iloc[0]
    assert (row["code"], row["char1"], row["q1"], row["mechanism"]) == ("NA", "-", "", "unknown")
    assert got.flags["key"].tolist() == ["R1#2"]
    assert "NA" in got.flags["what"][0]


def test_letters_written_into_the_code_are_parted(tmp_path: Path) -> None:
    """BABBA is BAB with B and A, where no column holds the letters; it is told."""
    got = read(tmp_path, "pipe_id,s_m,code\nP,1,BABBA\nP,2,BCD\n")
    assert got.observations[["code", "char1", "char2"]].to_numpy().tolist() == [
        ["BAB", "B", "A"], ["BCD", "", ""],
    ]  # fmt: skip
    assert "1 codes hold their letters" in got.flags["what"][0]


def test_units_and_decimal_commas(tmp_path: Path) -> None:
    """10,5 ft = 3.2004 m."""
    got = read(tmp_path, "pipe_id;s_m;code\nP;10,5;BAB\n", units={"s_m": "ft"})
    assert got.observations["s_m"].tolist() == [pytest.approx(3.2004)]


def test_a_clock_of_zero_is_none_and_is_told(tmp_path: Path) -> None:
    """The clock has no 0; 13 is a slip that loses the row."""
    got = read(tmp_path, "pipe_id,s_m,code,clock_from_h\nP,1,BAB,0\nP,2,BAB,13\nP,3,BAB,12\n")
    assert got.observations["clock_from_h"].isna().tolist() == [True, False]
    assert [(f.row, f.found) for f in got.faults] == [(3, "13")]
    assert "1 clock positions of 0" in told(got)[0]


def test_columns_that_no_one_reads_are_told(tmp_path: Path) -> None:
    """A survey file may hold more; a slip in a name is pointed at."""
    got = read(tmp_path, "pipe_id,s_m,code,weather,remrk\nP,1,BAB,dry,x\n")
    unused = "columns not used: weather, remrk; did you mean remark?"
    assert told(got) == [f"{unused}; to use one, name it in [inspections.columns]"]


@pytest.mark.parametrize("name", ["/vsicurl/x.csv", "http://x/y.csv", "../s.csv", "/etc/passwd"])
def test_no_file_outside_the_folder_is_opened(tmp_path: Path, name: str) -> None:
    """A path that leaves the project, a URL and a virtual path are refused by name."""
    folder = tmp_path / "p"
    folder.mkdir()
    (tmp_path / "s.csv").write_text(HEAD)
    got = read_observations([InspectionSpec(file=Path(name))], folder)
    assert len(got.faults) == 1
    assert "project folder" in got.faults[0].found


def test_a_link_out_of_the_folder_is_refused(tmp_path: Path) -> None:
    """A link is followed before it is judged."""
    folder = tmp_path / "p"
    folder.mkdir()
    (tmp_path / "s.csv").write_text(HEAD)
    (folder / "s.csv").symlink_to(tmp_path / "s.csv")
    got = read_observations([InspectionSpec(file=Path("s.csv"))], folder)
    assert "outside the project folder" in got.faults[0].found


CELLS = st.sampled_from(["", "P", "R1", "A", "-", "nan", "1", "1,5", "2.25", "x", "BAB", "=1+1"])
ROW = st.lists(CELLS, min_size=6, max_size=6)


@settings(
    suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=25, deadline=None
)
@given(st.lists(ROW, max_size=8))
def test_no_row_vanishes(tmp_path: Path, rows: list[list[str]]) -> None:
    """Property: rows with text = coded rows + rows of a run alone + refused rows."""
    head = ["inspection_id", "pipe_id", "start_node", "end_node", "s_m", "code"]
    content = "".join(";".join(row) + "\n" for row in [head, *rows])
    got = read(tmp_path, content)
    written = sum(any(cell for cell in row) for row in rows)
    refused = len({fault.row for fault in got.faults if fault.lost})
    assert got.read_count["s.csv"] == written
    assert written == len(got.observations) + got.head_count["s.csv"] + refused


def test_ids_keep_their_zeros_and_odd_ids_are_text(samples: Path, tmp_path: Path) -> None:
    """Expected: the ids as the samples' file writes them; blank and ``nan`` are no ids."""
    source = samples / "cases" / "01-id-float-and-zeros" / "observations.csv"
    (tmp_path / "o.csv").write_bytes(source.read_bytes())
    spec = InspectionSpec(file=Path("o.csv"), columns={"s_m": "dist_m"})
    got = read_observations([spec], tmp_path)
    assert {"000417", "418.0", "12E5", "1200000.0"} <= set(got.inspections["pipe_ref"])
    assert sorted(f.row for f in got.faults) == [7, 8]
    assert len(got.observations) + 2 == got.read_count["o.csv"] == 10
