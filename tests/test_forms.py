"""Any CSV or TOML list into a contract: each bad cell named, each row found again."""

from __future__ import annotations

from pathlib import Path

import pytest

from planner.contracts import DONE, PACKERS, STOCK
from planner.errors import FileError, UnitError
from planner.inputs.forms import read_form
from planner.inputs.records import read_records
from planner.tables import Table, conform, date, flag, number, text, whole

PLACES = Table(
    "places",
    "one place",
    (
        text("pipe_id", "", blank=False),
        number("s_m", "m", "", low=0, high=1000),
        whole("count", "-", "", low=1),
        flag("live", ""),
        date("on", ""),
        text("state", "", one_of=("open", "closed")),
        text("note", ""),
    ),
)


def put(folder: Path, content: str) -> Path:
    path = folder / "places.csv"
    path.write_text(content, encoding="utf-8")
    return path


def test_each_kind_of_cell_is_read(tmp_path: Path) -> None:
    """Ids keep their zeros; a word of a list is matched whatever its case."""
    content = "pipe_id;s_m;count;live;on;state;note\n0017;12,5;3;yes;1.2.2026;OPEN;x\n"
    frame, faults = read_form(put(tmp_path, content), PLACES)
    row = conform(frame, PLACES).iloc[0]
    assert faults == []
    assert row.tolist() == ["0017", 12.5, 3, True, "2026-02-01", "open", "x"]


@pytest.mark.parametrize(
    ("column", "cell", "wanted"),
    [
        ("s_m", "far", "a number in m from 0 to 1000"),
        ("s_m", "-1", "a number in m from 0 to 1000"),
        ("s_m", "1001", "a number in m from 0 to 1000"),
        ("count", "2.5", "a whole number of at least 1"),
        ("live", "perhaps", "yes or no"),
        ("on", "03/04/2026", "a day as YYYY-MM-DD"),
        ("state", "ajar", "open | closed"),
        ("pipe_id", "", "text"),
        ("pipe_id", "nan", "text"),
    ],
)
def test_a_bad_cell_loses_its_row_with_one_fault(
    tmp_path: Path, column: str, cell: str, wanted: str
) -> None:
    """File, row, column, found and wanted are in the fault; the good row stays."""
    bad = {"pipe_id": "P1", "s_m": "1.5", column: cell}
    good = {"pipe_id": "P2", "s_m": "2.5"}
    rows = [list(bad), list(bad.values()), [good.get(name, "") for name in bad]]
    content = "".join(",".join(row) + "\n" for row in rows)
    frame, faults = read_form(put(tmp_path, content), PLACES)
    first = faults[0]
    assert (first.file, first.row, first.column, first.lost) == ("places.csv", 2, column, True)
    assert (first.found, first.wanted) == ("" if column == "pipe_id" else cell, wanted)
    assert len(faults) == 1
    assert frame["pipe_id"].tolist() == ["P2"]


def test_columns_are_found_by_the_users_names_and_units(tmp_path: Path) -> None:
    """10 ft = 3.048 m; the name that is given is not looked for under ours."""
    content = "Haltung,Station,s_m\nP1,10,99\n"
    frame, faults = read_form(
        put(tmp_path, content),
        PLACES,
        columns={"pipe_id": "haltung", "s_m": "Station"},
        units={"s_m": "ft"},
    )
    assert frame["s_m"].tolist() == [pytest.approx(3.048)]
    assert [(f.column, f.lost) for f in faults] == [("s_m", False)]  # the column not used


def test_a_column_with_a_slip_names_the_nearest(tmp_path: Path) -> None:
    """A slip in a header costs no row, and is said."""
    frame, faults = read_form(put(tmp_path, "pipe_id,statte\nP1,open\n"), PLACES)
    assert len(frame) == 1
    assert "did you mean state?" in faults[0].wanted
    assert not faults[0].lost


def test_a_named_column_that_is_missing_is_said(tmp_path: Path) -> None:
    """The mapping names a column that the header lacks."""
    _, faults = read_form(put(tmp_path, "pipe_id,noted\nP1,x\n"), PLACES, columns={"note": "notes"})
    assert "did you mean noted?" in faults[0].found


@pytest.mark.parametrize(
    ("content", "why"),
    [("s_m\n1\n", "no column 'pipe_id'"), ("pipe_id,PIPE_ID,pipe_id\na,b,c\n", "twice")],
)
def test_a_header_that_cannot_serve_refuses_the_file(
    tmp_path: Path, content: str, why: str
) -> None:
    """A column that may not be blank is missing, or a name stands twice."""
    with pytest.raises(FileError, match=why):
        read_form(put(tmp_path, content), PLACES)


def test_a_unit_of_another_dimension_is_refused(tmp_path: Path) -> None:
    """A station in kilograms is a slip in planner.toml."""
    with pytest.raises(UnitError):
        read_form(put(tmp_path, "pipe_id,s_m\nP1,1\n"), PLACES, units={"s_m": "kg"})


def test_two_decimal_signs_in_one_file_are_told_and_doubtful_cells_refused(
    tmp_path: Path,
) -> None:
    """12,5 and 7.25 are plain; 1.250 beside them is 1.25 or 1250: nobody guesses."""
    content = "pipe_id;s_m\nA;12,5\nB;7.25\nC;1.250\nD;1,250\n"
    frame, faults = read_form(put(tmp_path, content), PLACES)
    assert frame["s_m"].tolist() == [12.5, 7.25]
    assert [(f.row, f.lost) for f in faults] == [(0, False), (4, True), (5, True)]


def test_words_for_nothing_stay_where_they_are_values(tmp_path: Path) -> None:
    """``NA`` in a note that is kept as written is text, elsewhere it is blank."""
    path = put(tmp_path, "pipe_id,state,note\nP1,-,NA\n")
    frame, faults = read_form(path, PLACES, as_written=("note",))
    assert (frame["state"][0], frame["note"][0], faults) == ("", "NA", [])
    frame, _ = read_form(path, PLACES)
    assert frame["note"][0] == ""


def test_evil_text_is_kept_as_text(tmp_path: Path) -> None:
    """Formulas and markup are data; the line of a fault holds no control characters."""
    evil = "=cmd|'/c calc'!A0<script>\x1b[2J"
    frame, faults = read_form(
        put(tmp_path, f'pipe_id,s_m,note\nP1,1,"{evil}"\nP2,"{evil}",x\n'), PLACES
    )
    assert frame["note"].tolist() == [evil]
    assert str(faults[0]).isprintable()


def test_an_empty_form_gives_an_empty_table(tmp_path: Path) -> None:
    """A header alone is no fault."""
    frame, faults = read_form(put(tmp_path, ",".join(STOCK.names) + "\n"), STOCK)
    assert len(conform(frame, STOCK)) == 0
    assert faults == []


def test_done_rows_name_the_step_that_is_meant(tmp_path: Path) -> None:
    """A word that is none of the steps loses the row and lists the steps."""
    path = put(tmp_path, "step,pipe_id,done_on,by\ncleen,P1,2026-01-01,me\n")
    frame, faults = read_form(path, DONE, derived=("done_id",))
    assert len(frame) == 0
    assert "clean" in faults[0].wanted


PACKER = {"packer": "A", "dn_from_mm": 100, "dn_to_mm": 200, "usable_m": 1.5, "reach_m": 50}


def test_records_of_toml_are_read_by_kind() -> None:
    """Lists become one text, whole figures become floats, flags stay flags."""
    record = {**PACKER, "through_flow": True, "cures": ["ambient", "light"]}
    frame, faults = read_records([record], PACKERS, "s.toml", prefix="packer")
    row = conform(frame, PACKERS).iloc[0]
    assert faults == []
    assert (row["cures"], row["dn_from_mm"], row["through_flow"]) == ("ambient+light", 100.0, True)


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("dn_from_mm", "100"),
        ("dn_from_mm", True),
        ("dn_from_mm", float("nan")),
        ("dn_from_mm", -1),
        ("through_flow", "yes"),
        ("cures", ["a+b"]),
        ("cures", [["a"]]),
        ("cures", 3),
        ("packer", ""),
        ("packer", {"name": "A"}),
    ],
)
def test_a_bad_value_loses_its_record(key: str, value: object) -> None:
    """Each fault names list, key and number of the record; the other record stays."""
    bad = {**PACKER, "cures": "ambient", key: value}
    good = {**PACKER, "packer": "B", "cures": "ambient"}
    frame, faults = read_records([bad, good], PACKERS, "s.toml", prefix="packer")
    assert frame["packer"].tolist() == ["B"]
    assert [(f.row, f.column, f.lost) for f in faults] == [(1, f"packer.{key}", True)]


def test_an_unknown_key_and_what_is_no_list() -> None:
    """The nearest key is named; a single value in the place of a list is one fault."""
    record = {**PACKER, "cures": "light", "reech_m": 3}
    _, faults = read_records([record], PACKERS, "s.toml", prefix="packer")
    assert "did you mean reach_m?" in faults[0].wanted
    for wrong in ("x", {"a": 1}, 3):
        frame, faults = read_records(wrong, PACKERS, "s.toml", prefix="packer")
        assert (len(frame), faults[0].row, faults[0].lost) == (0, 0, True)
    frame, faults = read_records([3], PACKERS, "s.toml", prefix="packer")
    assert (len(frame), faults[0].row) == (0, 1)
