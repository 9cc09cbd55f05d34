"""From the columns of a file to the columns of a contract."""

from pathlib import Path

import pandas as pd
import pytest
from layer_files import line, spec, write_geojson, write_layer

from planner.contracts import PIPES
from planner.errors import FileError
from planner.inputs.attributes import Reading
from planner.inputs.vector import read_layer

LINE = line((0, 0), (10, 0))


def reading_of(tmp_path: Path, rows: list[dict], columns: dict, units: dict | None = None):
    """Read rows of attributes through a file."""
    write_geojson(tmp_path / "a.geojson", [(row, LINE) for row in rows])
    layer = read_layer(spec("a.geojson", columns=columns), tmp_path)
    return Reading(layer, columns, units or {})


def test_numbers_as_text_are_read_with_the_files_decimal_sign(tmp_path: Path):
    """12,5 proves the comma, so 1.204 is 1204; units are turned."""
    rows = [{"l": "12,5"}, {"l": "1.204"}, {"l": "-"}, {"l": None}, {"l": ""}]
    reading = reading_of(tmp_path, rows, {"stated_m": "l"}, {"stated_m": "ft"})
    found = reading.values(PIPES["stated_m"])
    assert found.tolist()[:2] == [pytest.approx(12.5 * 0.3048), pytest.approx(1204 * 0.3048)]
    assert found.isna().tolist() == [False, False, True, True, True]
    assert reading.faults == []


def test_a_decimal_sign_in_doubt_is_a_fault(tmp_path: Path):
    """1.204 alone may be either: blank, named, kept."""
    reading = reading_of(tmp_path, [{"l": "1.204"}], {"stated_m": "l"})
    assert reading.values(PIPES["stated_m"]).isna().all()
    (fault,) = reading.faults
    assert (fault.row, fault.column, fault.found, fault.lost) == (1, "stated_m", "1.204", False)
    assert "decimal sign" in fault.wanted


def test_numbers_of_the_file_need_no_proof(tmp_path: Path):
    """Held as a number, 1.204 is 1.204."""
    reading = reading_of(tmp_path, [{"l": 1.204}], {"stated_m": "l"})
    assert reading.values(PIPES["stated_m"]).tolist() == [1.204]


def test_what_is_out_of_bounds_or_no_number_is_blank_and_named(tmp_path: Path):
    """A negative length and a word: both rows are kept, each with its fault."""
    reading = reading_of(tmp_path, [{"l": "-3.5"}, {"l": "long"}, {"l": "7.5"}], {"stated_m": "l"})
    assert reading.values(PIPES["stated_m"]).isna().tolist() == [True, True, False]
    assert [(fault.row, fault.found, fault.lost) for fault in reading.faults] == [
        (1, "-3.5", False),
        (2, "long", False),
    ]


def test_years_are_read_from_days_too(tmp_path: Path):
    """A list that gives the day a pipe was laid gives its year."""
    rows = [{"y": "1967"}, {"y": "1971-06-30"}, {"y": "old"}]
    reading = reading_of(tmp_path, rows, {"year": "y"})
    found = reading.values(PIPES["year"])
    assert found.dtype == "Int64"
    assert found.tolist()[:2] == [1967, 1971]
    assert found[2] is pd.NA


def test_flags_and_text(tmp_path: Path):
    """Yes and no in words; text loses its outer blanks; ``none`` says nothing."""
    rows = [{"f": "yes", "m": " PVC "}, {"f": "0", "m": "none"}, {"f": None, "m": "-"}]
    reading = reading_of(tmp_path, rows, {"lined": "f", "material": "m"})
    assert reading.values(PIPES["lined"]).tolist() == [True, False, pd.NA]
    assert reading.values(PIPES["material"]).tolist() == ["PVC", "", ""]


def test_words_are_matched_or_named(tmp_path: Path):
    """A word that is not known is the fill, and a fault; case does not matter."""
    reading = reading_of(tmp_path, [{"u": "FOUL"}, {"u": "sludge"}, {"u": None}], {"use": "u"})
    assert reading.words("use", {"foul": "foul"}, "") == ["foul", "", ""]
    assert [(f.row, f.found, f.wanted) for f in reading.faults] == [
        (2, "sludge", "foul; the value counts as unknown")
    ]


def test_a_column_that_is_not_there_is_named_with_the_nearest(tmp_path: Path):
    """A needed one stops, another is a fault of the whole file."""
    reading = reading_of(tmp_path, [{"pipe": "1", "lenght": "3"}], {"stated_m": "length"})
    reading.check_columns([])
    (fault,) = reading.faults
    assert "no column 'length'; did you mean lenght?" in fault.found
    assert (fault.row, fault.lost) == (0, False)
    with pytest.raises(FileError, match=r"which column holds pipe_id\? found pipe, lenght"):
        reading.check_columns(["pipe_id"])
    wrong = reading_of(tmp_path, [{"pipe": "1"}], {"pipe_id": "pip"})
    with pytest.raises(FileError, match="no column 'pip'; did you mean pipe"):
        wrong.check_columns(["pipe_id"])


def test_our_own_names_need_no_mapping(tmp_path: Path):
    """A file with the contract's names is read as it is."""
    reading = reading_of(tmp_path, [{"pipe_id": "7", "row": "x"}], {})
    reading.check_columns(["pipe_id"])
    assert reading.texts("pipe_id") == ["7"]
    assert reading.texts("row") == ["x"]
    assert reading.texts("area") == [""]


def test_the_first_of_each_id_is_kept(tmp_path: Path):
    """A blank id and a second one of the same are refused, with the row of the first."""
    rows = [{"pipe_id": "a"}, {"pipe_id": None}, {"pipe_id": "b"}, {"pipe_id": " a"}]
    reading = reading_of(tmp_path, rows, {})
    assert reading.first_of_each("pipe_id") == [0, 2]
    assert [(f.row, f.found, f.wanted, f.lost) for f in reading.faults] == [
        (2, "", "an id", True),
        (4, "a", "an id of its own (row 1 has it)", True),
    ]


def test_control_signs_do_not_reach_a_message(tmp_path: Path):
    """An escape sequence in a cell is not printed as one."""
    reading = reading_of(tmp_path, [{"l": "\x1b[31m"}], {"stated_m": "l"})
    reading.values(PIPES["stated_m"])
    assert "\x1b" not in str(reading.faults[0])


def test_numbers_of_every_format_come_through(tmp_path: Path):
    """A whole number, one with a fraction and a blank, by GeoPackage."""
    write_layer(tmp_path / "a.gpkg", {"l": [40.0, 0.5, None]}, [LINE] * 3)
    layer = read_layer(spec("a.gpkg"), tmp_path)
    found = Reading(layer, {"stated_m": "l"}, {}).values(PIPES["stated_m"])
    assert found.tolist()[:2] == [40.0, 0.5]
    assert found.isna().tolist() == [False, False, True]
