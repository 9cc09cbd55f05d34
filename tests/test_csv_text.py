"""A CSV of any dialect as rows of text, with nothing lost and nothing turned into numbers."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from planner.errors import FileError, shown
from planner.inputs.csv_columns import cut_clean
from planner.inputs.csv_text import CsvRows, read_csv_rows

ROWS = [["pipe", "s", "note"], ["0017", "12,5", 'a "b"; c, d'], ["0018", "3", "\u00fcber\nzwei"]]


def put(folder: Path, content: str | bytes, name: str = "a.csv") -> Path:
    path = folder / name
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    return path


def written(separator: str, rows: list[list[str]] = ROWS) -> str:
    stream = io.StringIO(newline="")
    csv.writer(stream, delimiter=separator).writerows(rows)
    return stream.getvalue()


def texts(rows: CsvRows) -> list[list[str]]:
    return [list(rows.header), *rows.cells.to_numpy().tolist()]


@pytest.mark.parametrize("separator", [";", ",", "\t"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-32", "cp1252"])
def test_every_separator_and_encoding_gives_the_same_rows(
    tmp_path: Path, separator: str, encoding: str
) -> None:
    """What was written comes back, cell for cell, quotes and line ends within cells too."""
    rows = read_csv_rows(put(tmp_path, written(separator).encode(encoding)))
    assert texts(rows) == ROWS
    assert rows.separator == separator
    assert rows.row.tolist() == [2, 3]
    assert any("Windows-1252" in fault.found for fault in rows.faults) == (encoding == "cp1252")


CELL = st.text(st.characters(codec="utf-8", exclude_characters="\0"), max_size=8)


@settings(
    suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=30, deadline=None
)
@given(st.lists(st.lists(CELL, min_size=3, max_size=3), max_size=6), st.sampled_from(";,\t"))
def test_any_text_in_quotes_comes_back(
    tmp_path: Path, body: list[list[str]], separator: str
) -> None:
    """Property, against the standard library's writer: no cell is changed; blank rows go."""
    stream = io.StringIO(newline="")
    writer = csv.writer(stream, delimiter=separator, quoting=csv.QUOTE_ALL)
    writer.writerows([["a", "b", "c"], *body])
    rows = read_csv_rows(put(tmp_path, stream.getvalue().encode("utf-8")))
    assert texts(rows)[1:] == [row for row in body if any(cell.strip() for cell in row)]


def test_a_separator_line_is_no_header(tmp_path: Path) -> None:
    """``sep=;`` is a directive; lines are counted with it, as an editor shows them."""
    rows = read_csv_rows(put(tmp_path, "sep=;\r\npipe;s\r\n0017;12,5\r\n"))
    assert rows.header == ("pipe", "s")
    assert rows.row.tolist() == [3]


def test_blank_rows_are_no_rows_and_short_rows_are_filled(tmp_path: Path) -> None:
    """A row of separators only is passed over; cells that a writer cut off are blank."""
    rows = read_csv_rows(put(tmp_path, "pipe,s,note\n,,\n\n0017,1\n"))
    assert texts(rows)[1:] == [["0017", "1", ""]]
    assert rows.row.tolist() == [4]


def test_a_row_with_more_cells_than_the_header_is_refused(tmp_path: Path) -> None:
    """An unquoted 12,5 in a file cut by commas shifts cells: never read in silence."""
    rows = read_csv_rows(put(tmp_path, "pipe,s,code\nP1,12,5,BAB\nP2,3,BAC\n"))
    assert texts(rows)[1:] == [["P2", "3", "BAC"]]
    assert [(f.row, f.lost) for f in rows.faults] == [(2, True)]
    assert rows.read_count == 2


def test_an_open_quote_costs_its_own_line_only(tmp_path: Path) -> None:
    """An unclosed quote would swallow all rows below it."""
    rows = read_csv_rows(put(tmp_path, 'pipe,note\nP1,"open\nP2,fine\nP3,"x"\n'))
    assert texts(rows)[1:] == [["P2", "fine"], ["P3", "x"]]
    assert [f.row for f in rows.faults] == [2]
    assert rows.read_count == 3


def test_a_cell_beyond_the_limit_costs_its_own_line_only(tmp_path: Path) -> None:
    """The csv module's limit on one cell stops no file."""
    long = "x" * (csv.field_size_limit() + 1)
    rows = read_csv_rows(put(tmp_path, f"pipe,note\nP1,{long}\nP2,fine\n"))
    assert texts(rows)[1:] == [["P2", "fine"]]
    assert [f.row for f in rows.faults] == [2]
    assert len(str(rows.faults[0])) < 300


@pytest.mark.parametrize(
    ("content", "why"),
    [
        (b"", "empty"),
        (b"  \n \n", "empty"),
        (b"PK\x03\x04rest", "workbook"),
        (b"pipe,s\n\0P\0\0,2\n", "zero bytes"),
        (b"pipe\n\x81\x8d\n", "not text"),
        (b"\xff\xfe\x41", "utf-16"),
    ],
)
def test_what_is_no_csv_is_refused_by_name(tmp_path: Path, content: bytes, why: str) -> None:
    """One line that says what it is instead."""
    with pytest.raises(FileError, match=why) as caught:
        read_csv_rows(put(tmp_path, content))
    assert "a.csv" in str(caught.value)


def test_a_file_that_is_too_large_is_not_loaded(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The size is looked at before the file is opened."""
    monkeypatch.setattr("planner.inputs.csv_text.MAX_BYTES", 4)
    with pytest.raises(FileError, match="split the file"):
        read_csv_rows(put(tmp_path, "pipe,s\n1,2\n"))


def test_text_of_a_file_is_shown_short_and_harmless() -> None:
    """No line ends, no escape sequences of a terminal, no cells of a thousand signs."""
    assert shown("a\x1b[31m\nb") == "a?[31m?b"
    assert len(shown("x" * 1000)) == 60


def test_the_dialects_of_the_samples(samples: Path) -> None:
    """Expected: the table in the samples' own expected.md."""
    folder = samples / "cases" / "08-csv-dialects"
    found = {path.name[0]: texts(read_csv_rows(path)) for path in folder.glob("*_*.*")}
    assert found["a"][0] == ["Haltung", "Entfernung", "K\u00fcrzel", "Bemerkung", "L\u00e4nge"]
    assert found["a"][1] == ["S0012", "12,5", "BABBA", "Riss l\u00e4ngs; 3 Uhr", "1.204,75"]
    assert found["a"][2] == ["S0013", "0,0", "BCD", "Rohranfang \u2013 Schacht", "38,20"]
    assert found["b"] == found["c"] == [["pipe_id", "dist", "code"], ["S0012", "12.5", "BAB"]]
    assert found["d"] == [["pipe_id", "dist", "code"], ["S0012", "12,5", "BAB"]]
    assert len(found["e"]) == 1 + 3


@pytest.mark.parametrize("encoding", ["utf-16-le", "utf-16-be"])
def test_utf16_without_its_mark_is_read_and_told(tmp_path: Path, encoding: str) -> None:
    """Every other byte is zero; the fault names the encoding and loses no row."""
    rows = read_csv_rows(put(tmp_path, "pipe\ts\r\nP\u00e41\t2,5\r\n".encode(encoding)))
    assert texts(rows) == [["pipe", "s"], ["P\u00e41", "2,5"]]
    assert [(encoding in f.found, f.lost) for f in rows.faults] == [(True, False)]


MESSY = st.text(st.sampled_from('a",;\n\r '), max_size=30)


@settings(
    suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=200, deadline=None
)
@given(MESSY)
def test_the_quick_way_gives_what_the_careful_way_gives(tmp_path: Path, body: str) -> None:
    """Property, against the standard library's reader on text that the quick way takes."""
    content = "h,i\n" + body
    found = cut_clean(content.encode(), ",")
    if found is None:
        return
    cells, lines = found
    expected, line = [], 1
    reader = csv.reader(io.StringIO(content, newline=""), strict=True)
    for record in reader:
        if any(cell.strip() for cell in record):
            expected.append((line, record))
        line = reader.line_num + 1
    assert list(zip(lines.tolist(), cells.to_numpy().tolist(), strict=True)) == expected


def test_the_quick_way_takes_what_is_clean() -> None:
    """Quotes at the edges of cells are clean; one inside a cell, or open, is not."""
    cells, lines = cut_clean(b'h,i\r\n"a, ""b""",1\r\n\r\n,2\r\n', ",") or (None, None)
    assert cells is not None
    assert lines is not None
    assert cells.to_numpy().tolist() == [["h", "i"], ['a, "b"', "1"], ["", "2"]]
    assert lines.tolist() == [1, 2, 4]
    assert cut_clean(b'h,i\na"b",1\n', ",") is None
    assert cut_clean(b'h,i\n"a,1\nb",1\n', ",") is None
