"""Small files that would unfold into more than any machine holds: one line each.

What each would take is written beside it; that it is refused in time and in little memory is
what the limits are for, so a test that fails here may take long and be killed.
"""

from __future__ import annotations

import io
import json
import resource
import zipfile
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from layer_files import spec
from small_project import PROJECT, write_project

from planner.errors import FileError, SettingsError
from planner.inputs import vector
from planner.inputs.folder_reading import read_toml
from planner.inputs.project import read_project
from planner.inputs.vector import read_layer
from planner.screening.rulebook import load_rulebook
from planner.settings import read_project_file
from planner.toml_text import MAX_PARTS, parse_toml

ROOM = 3 * 1024**3


@pytest.fixture(autouse=True)
def little_memory() -> Iterator[None]:
    """Let this process take no more than it has and some GB: a bomb is an error, not a swap."""
    soft, hard = resource.getrlimit(resource.RLIMIT_AS)
    held = int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()
    resource.setrlimit(resource.RLIMIT_AS, (held + ROOM, hard))
    yield
    resource.setrlimit(resource.RLIMIT_AS, (soft, hard))


BRACKETS = "x = " + "[" * 100_000
DOTS = ".".join(["a"] * 50_000) + " = 1"  # 4.5 GB and 40 s in the parser


@pytest.mark.parametrize("text", [BRACKETS, DOTS, f"[{DOTS[:-4]}]", '"a" . ' * 50_000 + "a = 1"])
def test_deep_toml_is_one_line_in_every_file(tmp_path: Path, text: str) -> None:
    path = tmp_path / "planner.toml"
    path.write_text(text)
    for read, error in (
        (lambda: read_project_file(path), SettingsError),
        (lambda: read_toml(path, "crews.toml"), FileError),
        (lambda: load_rulebook(str(path)), Exception),
    ):
        with pytest.raises(error, match="not valid TOML") as found:
            read()
        assert "\n" not in str(found.value)


def test_the_guard_of_toml_takes_what_is_no_bomb() -> None:
    """Dots within texts, and long words, are no depth; a mark at the start is no text."""
    dotted = "see " + "e.g. " * 40 + "p. 3"
    assert parse_toml(f'a.b.c = "{dotted}"\nlong = "{"w" * 1_000_000}"')["a"] == {
        "b": {"c": dotted}
    }
    with pytest.raises(ValueError, match="line 2"):
        parse_toml("x = 1\n" + "a." * MAX_PARTS + "a = 1")


def test_a_project_file_with_a_mark_at_its_start_is_read(tmp_path: Path) -> None:
    """As Windows editors save it."""
    path = tmp_path / "planner.toml"
    path.write_bytes(b"\xef\xbb\xbf[project]\nname = 'x'\n")
    assert read_project_file(path) == {"project": {"name": "x"}}


GEO = {"primary_column": "geometry", "columns": {"geometry": {"encoding": "WKB"}}}


def parquet(path: Path, table: pa.Table, geo: bytes | None = None) -> None:
    meta = {b"geo": json.dumps(GEO).encode() if geo is None else geo}
    pq.write_table(table.replace_schema_metadata(meta), path)


def nothing(count: int) -> pa.Array:
    return pa.nulls(count, pa.binary())


def test_a_parquet_of_one_word_many_times_is_refused(tmp_path: Path) -> None:
    """6 kB on disk; 200,000 times 100 kB are 20 GB."""
    count = 200_000
    words = pa.DictionaryArray.from_arrays(
        pa.array(np.zeros(count, dtype=np.int32)), pa.array(["x" * 100_000])
    )
    parquet(tmp_path / "p.parquet", pa.table({"pipe_id": words, "geometry": nothing(count)}))
    assert (tmp_path / "p.parquet").stat().st_size < 20_000
    with pytest.raises(FileError, match=r"p\.parquet: .*(MB unpacked|cannot be read)"):
        read_layer(spec("p.parquet"), tmp_path)


def test_a_parquet_that_claims_too_many_rows_is_refused(tmp_path: Path, monkeypatch) -> None:
    """Its own claim is looked at first: nothing is unpacked."""
    monkeypatch.setattr(vector, "MAX_PARQUET_ROWS", 99)
    parquet(tmp_path / "p.parquet", pa.table({"pipe_id": ["a"] * 100, "geometry": nothing(100)}))
    with pytest.raises(FileError, match="100 rows of 2 columns: more than 99 rows"):
        read_layer(spec("p.parquet"), tmp_path)


def test_a_parquet_with_a_deep_description_is_refused(tmp_path: Path) -> None:
    table = pa.table({"pipe_id": ["a"], "geometry": nothing(1)})
    parquet(tmp_path / "p.parquet", table, b"[" * 200_000)
    with pytest.raises(FileError, match="Parquet without geometry"):
        read_layer(spec("p.parquet"), tmp_path)


MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
KINDS = "application/vnd.openxmlformats-officedocument.spreadsheetml"
PARTS = {
    "[Content_Types].xml": '<Types xmlns="http://schemas.openxmlformats.org/package/2006/'
    'content-types"><Default Extension="rels" ContentType="application/vnd.openxmlformats-'
    f'package.relationships+xml"/><Override PartName="/xl/workbook.xml" ContentType="{KINDS}'
    '.sheet.main+xml"/><Override PartName="/xl/worksheets/sheet1.xml" '
    f'ContentType="{KINDS}.worksheet+xml"/></Types>',
    "_rels/.rels": '<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/'
    'relationships"><Relationship Id="rId1" Type="http://schemas.openxmlformats.org/'
    'officeDocument/2006/relationships/officeDocument" Target="xl/workbook.xml"/></Relationships>',
    "xl/workbook.xml": f'<workbook xmlns="{MAIN}" xmlns:r="http://schemas.openxmlformats.org/'
    'officeDocument/2006/relationships"><sheets><sheet name="a" sheetId="1" r:id="rId1"/>'
    "</sheets></workbook>",
    "xl/_rels/workbook.xml.rels": '<Relationships xmlns="http://schemas.openxmlformats.org/'
    'package/2006/relationships"><Relationship Id="rId1" Type="http://schemas.openxmlformats.'
    'org/officeDocument/2006/relationships/worksheet" Target="worksheets/sheet1.xml"/>'
    "</Relationships>",
}
CELL = '<c r="A1" t="inlineStr"><is><t>{}</t></is></c>'
FAR = "x" * 5_000
LAUGH = '<!ENTITY x0 "ha">' + "".join(
    f'<!ENTITY x{n} "{f"&x{n - 1};" * 10}">' for n in range(1, 10)
)


def sheet(body: str, before: str = "") -> str:
    return (
        f'<?xml version="1.0"?>{before}<worksheet xmlns="{MAIN}"><sheetData>{body}</sheetData>'
        "</worksheet>"
    )


@pytest.mark.parametrize(
    "raw",
    [
        # One cell at the last corner of a sheet: 17 thousand million cells.
        sheet('<row r="1048576"><c r="XFD1048576"><v>1</v></c></row>'),
        sheet('<row r="999999999"><c r="A999999999"><v>1</v></c></row>'),
        sheet("<a>" * 100_000),
        # 2 GB of laughter, behind more text than is looked at for entities.
        sheet(f"<row>{CELL.format('&x9;')}</row>", f"<!--{FAR}--><!DOCTYPE w [{LAUGH}]>"),
    ],
    ids=["corner", "row", "deep", "laugh"],
)  # fmt: skip
def test_a_workbook_that_unfolds_is_one_line(tmp_path: Path, raw: str) -> None:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as book:
        for name, text in {**PARTS, "xl/worksheets/sheet1.xml": raw}.items():
            book.writestr(name, text)
    town = write_project(tmp_path / "t", planner_toml=PROJECT.replace("surveys.csv", "s.xlsx"))
    (town / "s.xlsx").write_bytes(packed.getvalue())
    faults = read_project(town).faults
    found = faults.loc[faults["file"] == "s.xlsx", "found"].tolist()
    assert len(found) == 1
    assert any(word in found[0] for word in ("more than", "cannot be read"))


@pytest.mark.parametrize(
    ("name", "raw"),
    [
        ("s.csv", b"\x1f\x8b\x08\x00" + b"\x00" * 100),  # gzip: nothing is unpacked
        ("s.xml", b"<a>" * 200_000),
        ("s.xml", b"<DATA>" + b"<ZB>" * 200_000),
        ("s.xml", b'<!DOCTYPE a [<!ENTITY x "y">]><DATA>&x;</DATA>'),
    ],
)
def test_other_forms_are_one_line(tmp_path: Path, name: str, raw: bytes) -> None:
    town = write_project(tmp_path / "t", planner_toml=PROJECT.replace("surveys.csv", name))
    (town / name).write_bytes(raw)
    faults = read_project(town).faults
    assert (faults["file"] == name).sum() == 1


def test_a_photo_is_named_and_never_opened(tmp_path: Path) -> None:
    """An image that claims 60,000 x 60,000 points, 14 GB: its name alone is read."""
    town = write_project(
        tmp_path / "t",
        planner_toml=PROJECT + '[media]\nfolder = "media"\n',
        surveys_csv="pipe_id,start_node,s_m,code,char1,char2,q1,photo\n"
        "0017,A,5.2,BAB,B,A,2,huge.png\n",
    )
    (town / "media").mkdir()
    head = b"\x89PNG\r\n\x1a\n\x00\x00\x00\rIHDR" + (60_000).to_bytes(4, "big") * 2
    (town / "media" / "huge.png").write_bytes(head + b"\x08\x06\x00\x00\x00")
    assert read_project(town).media == {"huge.png": "media/huge.png"}
