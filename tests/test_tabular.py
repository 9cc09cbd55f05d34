"""Workbooks and SQLite files as rows of text; two tables of one survey; common column names."""

from __future__ import annotations

import datetime
import sqlite3
import zipfile
from pathlib import Path

import openpyxl
import pytest
from openpyxl.utils.datetime import MAC_EPOCH, WINDOWS_EPOCH

from planner.inputs.observations import Surveys, read_observations
from planner.inputs.specs import InspectionSpec

HEADS = [
    ["inspection_id", "pipe_id", "upstream_mh", "downstream_mh", "direction", "date",
     "height", "height_unit", "length_unit", "total_length", "length_surveyed"],
    ["S1", "000417", "M1", "M2", "Upstream", datetime.date(2025, 5, 6), 8, "in", "ft", 120.0, 110],
    ["S2", "000418", "M2", "M3", "Downstream", datetime.date(2025, 5, 7), 10, "in", "ft", 90, 88],
]  # fmt: skip
ROWS = [
    ["inspection_id", "distance", "code", "continuous", "value_1", "value_percent", "joint",
     "clock_from", "clock_to", "remarks"],
    ["S1", 0, "AMH", None, None, None, None, None, None, "M2"],
    ["S1", 10, "FL", "S01", None, None, None, 11, None, None],
    ["S1", 20.5, "FL", "F01", None, None, None, 11, None, None],
    ["S1", 30, "JOM", None, 1.5, None, "J", None, None, None],
    ["S1", 41, "HSV", None, None, None, None, 10, 1, None],
    ["S1", 60, "DSF", None, None, 50, None, None, None, None],
    ["S1", 70, "TFI", None, 6, 20, None, 3, None, None],
    ["S1", 110, "AMH", None, None, None, None, None, None, "M1"],
]  # fmt: skip


def write_book(path: Path, sheets: dict[str, list[list[object]]]) -> None:
    book = openpyxl.Workbook()
    book.remove(book.active)
    for name, rows in sheets.items():
        sheet = book.create_sheet(name)
        for row in rows:
            sheet.append(row)
    book.save(path)


def write_base(path: Path, tables: dict[str, list[list[object]]]) -> None:
    with sqlite3.connect(path) as base:
        for name, rows in tables.items():
            base.execute(f"create table {name} ({', '.join(map(str, rows[0]))})")
            marks = ", ".join("?" * len(rows[0]))
            base.executemany(f"insert into {name} values ({marks})", rows[1:])


def checked(got: Surveys) -> None:
    """By hand: 1 ft = 0.3048 m, 1 in = 25.4 mm; upstream survey starts at the lower node."""
    assert got.faults == []
    run = got.inspections.set_index("inspection_id").loc["S1"]
    assert (run["pipe_ref"], run["start_node"], run["end_node"]) == ("000417", "M2", "M1")
    assert (run["date"], run["scheme"]) == ("2025-05-06", "PACP family")
    assert run["size_mm"] == pytest.approx(203.2)
    assert run["stated_m"] == pytest.approx(36.576)
    assert run["surveyed_m"] == pytest.approx(33.528)
    rows = got.observations.set_index("code")
    assert rows.loc["FL", "stretch"].tolist() == ["A1", "B1"]
    assert rows.loc["FL", "s_m"].tolist() == pytest.approx([3.048, 6.2484])
    joint = rows.loc["JOM"]
    assert (joint["mechanism"], joint["at_joint"]) == ("joint_offset", True)
    assert joint["quantity_low"] == pytest.approx(38.1)
    assert rows.loc["HSV", "shows"] == "soil_visible"
    # Half the section of a circle is half its height.
    assert rows.loc["DSF", "quantity_low"] == pytest.approx(50.0)
    assert rows.loc["TFI", ["mechanism", "quantity_low"]].tolist() == ["lateral_intruding", 20.0]
    assert rows.loc["AMH", "mechanism"].tolist() == ["node_start", "node_end"]
    assert got.inspections["inspection_id"].tolist() == ["S1", "S2"]


def test_two_sheets_of_a_workbook_are_one_survey(tmp_path: Path) -> None:
    write_book(tmp_path / "s.xlsx", {"runs": HEADS, "rows": ROWS})
    spec = InspectionSpec(file=Path("s.xlsx"), table="rows", heads_table="runs")
    checked(read_observations([spec], tmp_path))


def test_two_tables_of_a_database_are_one_survey(tmp_path: Path) -> None:
    write_base(tmp_path / "s.db", {"runs": HEADS, "observed": ROWS})
    spec = InspectionSpec(file=Path("s.db"), table="observed", heads_table="runs")
    checked(read_observations([spec], tmp_path))


def test_two_files_are_one_survey(tmp_path: Path) -> None:
    for name, rows in (("runs.csv", HEADS), ("rows.csv", ROWS)):
        text = "\n".join(",".join("" if c is None else str(c) for c in row) for row in rows)
        (tmp_path / name).write_text(text + "\n", "utf-8")
    spec = InspectionSpec(file=Path("rows.csv"), heads=Path("runs.csv"))
    checked(read_observations([spec], tmp_path))


def read(folder: Path, name: str, **spec) -> Surveys:
    return read_observations([InspectionSpec(file=Path(name), **spec)], folder)


def test_ids_keep_their_zeros_and_numbers_no_false_point(tmp_path: Path) -> None:
    rows = [["pipe_id", "s_m", "code"], ["0042", 0.1, "BAB"], [417.0, 2, "BCD"]]
    write_book(tmp_path / "s.xlsx", {"one": rows})
    got = read(tmp_path, "s.xlsx")
    assert got.inspections["pipe_ref"].tolist() == ["0042", "417"]
    assert got.observations["s_m"].tolist() == [0.1, 2.0]
    assert got.observations["row"].tolist() == [2, 3]


def test_a_sheet_that_could_be_either_is_asked_for(tmp_path: Path) -> None:
    rows = [["pipe_id", "s_m", "code"], ["1", 1, "BAB"]]
    write_book(tmp_path / "s.xlsx", {"one": rows, "two": rows, "notes": [["a"], [1]]})
    assert "tables one, two could each be meant; state table" in str(
        read(tmp_path, "s.xlsx").faults
    )
    assert len(read(tmp_path, "s.xlsx", table="two").observations) == 1


@pytest.mark.parametrize("epoch", [WINDOWS_EPOCH, MAC_EPOCH])
def test_days_of_both_date_systems_are_the_days_that_the_book_means(tmp_path: Path, epoch) -> None:
    """The same serial is another day in a book of the 1904 system."""
    book = openpyxl.Workbook()
    book.epoch = epoch
    for row in (["pipe_id", "s_m", "code", "date"], ["1", 1, "BAB", datetime.date(2025, 5, 6)]):
        book.active.append(row)
    book.save(tmp_path / "s.xlsx")
    assert read(tmp_path, "s.xlsx").inspections["date"].tolist() == ["2025-05-06"]


@pytest.mark.parametrize("raw", [b"PK\x03\x04 and no more", b"SQLite format 3\0 and no more"])
def test_a_damaged_file_is_one_line(tmp_path: Path, raw: bytes) -> None:
    (tmp_path / "s.bin").write_bytes(raw)
    got = read(tmp_path, "s.bin")
    assert len(got.faults) == 1
    assert got.read_count == {"s.bin": 0}


def test_a_packed_bomb_is_refused_before_it_unfolds(tmp_path: Path) -> None:
    write_book(tmp_path / "s.xlsx", {"one": [["pipe_id", "s_m", "code"], ["1", 1, "BAB"]]})
    with zipfile.ZipFile(tmp_path / "s.xlsx", "a", zipfile.ZIP_DEFLATED) as packed:
        packed.writestr("xl/worksheets/sheet2.xml", b"0" * 900_000_000)
    got = read(tmp_path, "s.xlsx")
    assert len(got.faults) == 1
    assert len(got.observations) == 0


def test_an_inspection_that_stands_twice_is_told(tmp_path: Path) -> None:
    write_book(tmp_path / "s.xlsx", {"runs": [*HEADS, HEADS[1]], "rows": ROWS})
    got = read(tmp_path, "s.xlsx", table="rows", heads_table="runs")
    assert len(got.observations) == 8
    assert sorted(got.inspections["inspection_id"]) == ["S1", "S2"]


def test_a_unit_row_and_a_row_of_totals_are_no_observations(tmp_path: Path) -> None:
    text = "pipe_id,s_m,code,q1\n,m,,mm\nP,2,BAB,3\nTotal,2,,\n"
    (tmp_path / "s.csv").write_text(text)
    got = read(tmp_path, "s.csv")
    assert [(f.row, f.lost) for f in got.faults] == [(2, True), (4, True)]
    assert got.observations["s_m"].tolist() == [2.0]
    assert got.read_count == {"s.csv": 3}


def test_the_project_gives_the_unit_of_figures(tmp_path: Path) -> None:
    text = "pipe_id,s_m,code,q1\nP,1,JOM,2\nP,2,AMH,\nP,3,MSA,\n"
    (tmp_path / "s.csv").write_text(text)
    got = read(tmp_path, "s.csv", units={"q1": "in", "s_m": "ft"})
    assert got.observations["quantity_low"][0] == pytest.approx(50.8)
    assert got.observations["s_m"][0] == pytest.approx(0.3048)


def test_decimal_signs_that_contradict_each_other_are_told_cell_by_cell(tmp_path: Path) -> None:
    """12,5 and 7.25 prove two signs; what could be thousands is read by neither."""
    text = "pipe_id;s_m;code\nP;12,5;BAB\nP;7.25;BAB\nP;1.250;BAB\nP;1,250;BAB\n"
    (tmp_path / "s.csv").write_text(text)
    got = read(tmp_path, "s.csv")
    assert got.observations["s_m"].tolist() == [12.5, 7.25]
    assert [(f.row, f.found) for f in got.faults if f.lost] == [(4, "1.250"), (5, "1,250")]


UNITS = "pipe_id,s_m,unit,code\nP,10,m,BAB\nP,20,ft,BAB\nP,30,,BAB\nP,40,yd,BAB\n"


def test_each_row_has_its_own_unit_and_one_without_is_no_place(tmp_path: Path) -> None:
    """20 ft are 6.096 m; a row without a unit beside others with one is refused."""
    (tmp_path / "s.csv").write_text(UNITS.replace("P,40,yd,BAB\n", ""))
    got = read(tmp_path, "s.csv")
    assert got.observations["s_m"].tolist() == pytest.approx([10.0, 6.096])
    assert [(f.row, f.column, f.found) for f in got.faults] == [(4, "s_m", "30 (no unit)")]
    assert any("lengths by row in ft, m" in line for line in got.said)


def test_a_unit_that_the_project_names_stands_for_rows_without_one_and_says_so(
    tmp_path: Path,
) -> None:
    """30 ft are 9.144 m; what a row states itself goes before."""
    (tmp_path / "s.csv").write_text(UNITS.replace("P,40,yd,BAB\n", ""))
    got = read(tmp_path, "s.csv", units={"s_m": "ft"})
    assert got.observations["s_m"].tolist() == pytest.approx([10.0, 6.096, 9.144])
    assert any("1 row of s_m in ft as set" in line for line in got.said)


def test_a_unit_column_that_speaks_of_figures_is_no_unit_of_stations(tmp_path: Path) -> None:
    """mm and % are units of what was measured: stations stay as they are, and it is told."""
    text = "pipe_id,s_m,code,q1,unit\nP,10,BAB,3,mm\nP,20,BBC,30,%\n"
    (tmp_path / "s.csv").write_text(text)
    got = read(tmp_path, "s.csv")
    assert got.observations["s_m"].tolist() == [10.0, 20.0]
    assert any("column 'unit' names no unit of stations" in line for line in got.said)
