"""The text form of EN 13508-2: its own dialect obeyed, bad lines named, nothing lost."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from planner.inputs.coded import CodedFile
from planner.inputs.en_text import read_en_text
from planner.inputs.observations import Surveys, read_observations
from planner.inputs.specs import InspectionSpec

DIALECT = '#A1=ISO-8859-1:1998\n#A2=de\n#A3={s}\n#A4={d}\n#A5="\n#A6=2010\n'
ONE = (
    "#B01=AAA;AAB;AAD;AAF;AAK;ABC;ABF;ABH;ABQ;ACA;ACB;ACC;ACD;ACG\n"
    "K7;M1;M2;M1;A;B;2025-03-02;Jo Doe;41,5;C;600;400;AE;2500\n"
    "#C=A;I;B;C;D;E;G;H;J;K;F;M;N\n"
    "BCD;0,0;X;P;M1;;;;;;;;\n"
    "BAB;3,25;C;A;5,5;;10;02;A1;A;\"lang; offen\";p1;00:01:02\n"
    "BCE;41,0;X;P;M2;;;;;;;;00:09:00\n"
    "#Z\n"
)  # fmt: skip


def read(folder: Path, content: str | bytes) -> CodedFile:
    path = folder / "s.txt"
    path.write_bytes(content.encode("latin-1") if isinstance(content, str) else content)
    return read_en_text(path, "s.txt")


def column(coded: CodedFile, name: str) -> list[str]:
    return list(coded.rows.cells[coded.rows.header.index(name)])


def surveys(folder: Path, content: str) -> Surveys:
    (folder / "s.txt").write_bytes(content.encode("latin-1"))
    return read_observations([InspectionSpec(file=Path("s.txt"))], folder)


def test_header_and_rows_come_into_our_columns(tmp_path: Path) -> None:
    """By hand: egg 600 x 400, unit length 2.5 m, zero at the centre, 2 h 4 over the crown."""
    got = surveys(tmp_path, DIALECT.format(s=";", d=",") + ONE)
    run, row = got.inspections.iloc[0], got.observations.iloc[1]
    assert got.faults == []
    assert (run["pipe_ref"], run["start_node"], run["end_node"]) == ("K7", "M1", "M2")
    assert (run["direction"], run["date"], run["zero_at"]) == ("down", "2025-03-02", "centre")
    assert (run["size_mm"], run["width_mm"], run["shape"]) == (600.0, 400.0, "egg")
    assert (run["stated_m"], run["joint_every_m"], run["surveyed_m"]) == (41.5, 2.5, 41.0)
    assert (run["material"], run["complete"], run["edition"]) == ("AE", True, "2010")
    assert (row["s_m"], row["code"], row["q1"], row["stretch"]) == (3.25, "BAB", "5,5", "A1")
    assert (row["clock_from_h"], row["clock_to_h"], row["at_joint"]) == (10.0, 2.0, True)
    assert (row["remark"], row["photo"], row["video_s"]) == ("lang; offen", "p1", 62.0)
    assert (row["quantity_low"], row["row"]) == (5.5, 11)
    assert "separator ;, decimal comma, ISO-8859-1:1998" in got.said[0]


def test_names_of_persons_are_not_kept(tmp_path: Path) -> None:
    """The inspector's field (ABH) is in no table."""
    got = surveys(tmp_path, DIALECT.format(s=";", d=",") + ONE)
    text = got.inspections.to_csv() + got.observations.to_csv() + got.flags.to_csv()
    assert "Doe" not in text


@pytest.mark.parametrize("separator", [",", ";", "\t", "|"])
@pytest.mark.parametrize("decimal", [".", ","])
def test_the_first_lines_say_how_the_rest_is_written(
    tmp_path: Path, separator: str, decimal: str
) -> None:
    """The same inspection in every dialect gives the same columns."""
    first = read(tmp_path, DIALECT.format(s=";", d=",") + ONE)
    body = ONE.replace('"lang; offen"', '"lang@ offen"').replace(",", "\0").replace(";", separator)
    if decimal == separator:
        body = "".join(
            separator.join(f'"{c}"' if "\0" in c else c for c in line.split(separator)) + "\n"
            for line in body.splitlines()
        )
    body = body.replace("\0", decimal).replace("@", ";")
    other = read(tmp_path, DIALECT.format(s=separator, d=decimal) + body)
    for name in first.rows.header:
        assert [t.replace(decimal, ",") for t in column(other, name)] == column(first, name)


def test_a_missing_end_a_bad_row_and_a_row_outside_are_told(tmp_path: Path) -> None:
    """Two inspections, the first without #Z; one row of too many cells; one after the end."""
    body = (
        "#B01=AAA;AAB;AAD;AAF\nK1;A;A;B\n#C=I;A\n0;BCD\n1;BAF;x;y\n2;BAN\n"
        "#B01=AAA;AAB;AAD;AAF\nK2;B;B;C\n#C=I;A\n3;BAN\n#Z\n4;BAN\n"
    )
    got = surveys(tmp_path, DIALECT.format(s=";", d=",") + body)
    lost = [(fault.row, fault.found) for fault in got.faults if fault.lost]
    assert lost == [(11, "4 cells"), (18, "4;BAN")]
    assert [fault.row for fault in got.faults if not fault.lost] == [13]
    assert got.observations["row"].tolist() == [10, 12, 16]
    assert got.read_count["s.txt"] == 5


def test_bad_header_fields_cost_no_row(tmp_path: Path) -> None:
    """A letter, a day, a number and a start node that cannot be: each one line, rows stay."""
    body = (
        "#B01=AAA;AAB;AAD;AAF;AAK;ABF;ACB;ACG\nK1;Q;A;B;X;31.02.2025;wide;2,5\n"
        "#C=I;A\n1;BAN\n#Z\n"
    )  # fmt: skip
    got = surveys(tmp_path, DIALECT.format(s=";", d=",") + body)
    assert sorted(f.column for f in got.faults) == ["AAB", "AAK", "ABF", "ACB", "ACG"]
    assert not any(fault.lost for fault in got.faults)
    run = got.inspections.iloc[0]
    assert (len(got.observations), run["date"], run["direction"]) == (1, "", "unknown")
    assert run[["size_mm", "joint_every_m"]].isna().all()


def test_repeated_codes_pairs_of_headers_and_an_empty_run(tmp_path: Path) -> None:
    """A code that stands twice keeps its first text; B01 and B02 are one header."""
    body = (
        "#B01=AAA;AAA;AAB\nK1;;A\n#B02=AAD;AAF\nA;B\n#C=I;A\n#Z\n"
        "#B01=AAA;AAA;AAB;AAD;AAF\nK1;K9;A;A;B\n#C=I;A\n1;BAN\n#Z\n"
    )
    got = surveys(tmp_path, DIALECT.format(s=";", d=",") + body)
    assert got.inspections["inspection_id"].tolist() == ["K1/A", "K1/A~2"]
    assert got.inspections["end_node"].tolist() == ["B", "B"]
    assert (got.read_count["s.txt"], got.head_count["s.txt"]) == (2, 1)
    assert [fault.found for fault in got.faults] == ["AAA again, K9"]
    assert any("kept apart" in what for what in got.flags["what"])


def test_running_numbers_in_place_of_pipe_names_are_told(tmp_path: Path) -> None:
    """One pair of nodes under two references."""
    body = "".join(
        f"#B01=AAA;AAB;AAD;AAF\n{n};A;A;B\n#C=I;A\n1;BAN\n#Z\n" for n in (1, 2)
    )  # fmt: skip
    got = surveys(tmp_path, DIALECT.format(s=";", d=",") + body)
    assert any("1 pairs of nodes have two pipe references" in w for w in got.flags["what"])


@pytest.mark.parametrize(
    ("declared", "encoding", "told"),
    [
        ("ISO-8859-1", "latin-1", False),
        ("ISO-8859-15:1999", "iso-8859-15", False),
        ("UTF-8", "utf-8", False),
        ("CP850", "cp850", False),
        ("ISO-8859-1", "utf-8", True),
        ("UTF-8", "cp1252", True),
        ("made up", "utf-8", True),
        ("utf\x00-8", "utf-8", True),
    ],
)
def test_character_sets(tmp_path: Path, declared: str, encoding: str, told: bool) -> None:
    """What the first line names is obeyed; where the bytes deny it, that is told."""
    content = f"#A1={declared}\n#A3=;\n#A4=,\n#B01=AAA\nK1\n#C=I;A;F\n1;BAN;ä ß\n#Z\n"
    got = read(tmp_path, content.encode(encoding))
    assert column(got, "remark") == ["ä ß"]
    assert bool(got.rows.faults) == told


def test_quotes_over_lines_and_quotes_that_never_close(tmp_path: Path) -> None:
    """A text over two lines is one row; an open quote costs its own line."""
    body = '#B01=AAA\nK1\n#C=I;A;F\n1;BAN;"one\ntwo"\n2;BAN;"open\n3;BAN;fine\n#Z\n'
    got = read(tmp_path, DIALECT.format(s=";", d=",") + body)
    assert column(got, "remark") == ["one\ntwo", "fine"]
    assert got.rows.row.tolist() == [10, 13]
    assert [(f.row, f.lost) for f in got.rows.faults] == [(12, True)]


def test_numbers_of_the_other_decimal_sign_are_refused(tmp_path: Path) -> None:
    """The file says comma; 3.25 has no reading by that, so its row is one fault."""
    body = "#B01=AAA\nK1\n#C=I;A\n3,25;BAN\n3.25;BAN\n#Z\n"
    got = surveys(tmp_path, DIALECT.format(s=";", d=",") + body)
    assert got.observations["s_m"].tolist() == [3.25]
    assert [(f.row, f.column, f.found) for f in got.faults] == [(11, "s_m", "3.25")]


@settings(
    suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=40, deadline=None
)
@given(
    cut=st.integers(0, 600),
    noise=st.binary(max_size=40),
    lines=st.lists(
        st.sampled_from(
            [
                "#Z",
                "#C=I;A",
                "#B01=AAA;AAB",
                "#B02=ABF",
                "1;BAN",
                '2;"x',
                "K1;M1",
                "#C=",
                "#Q",
                ";;",
            ]
        ),
        max_size=12,
    ),
)
def test_damaged_files_lose_no_row_in_silence(
    tmp_path: Path, cut: int, noise: bytes, lines: list[str]
) -> None:
    """Property: any file ends in rows and faults, or in one error that can be read."""
    whole = (DIALECT.format(s=";", d=",") + ONE + "\n".join(lines)).encode()
    (tmp_path / "s.txt").write_bytes(whole[:cut] + noise + whole[cut:] if cut % 2 else whole[:cut])
    spec = InspectionSpec(file=Path("s.txt"), standard="EN 13508-2 text")
    got = read_observations([spec], tmp_path)
    refused = len({fault.row for fault in got.faults if fault.lost and fault.row})
    used = len(got.observations) + got.head_count.get("s.txt", 0)
    assert got.read_count["s.txt"] == used + refused


def test_the_case_of_the_samples(samples: Path, tmp_path: Path) -> None:
    """Expected beside the file: 8 rows = 2 x 2 + 1 open + 1 point + 2 nodes; egg 300 x 450."""
    source = samples / "cases" / "16-continuous-defects-text-file" / "survey.txt"
    (tmp_path / "s.txt").write_bytes(source.read_bytes())
    got = read_observations([InspectionSpec(file=Path("s.txt"))], tmp_path)
    run, rows = got.inspections.iloc[0], got.observations.set_index("row")
    assert (len(got.inspections), len(rows), got.faults) == (1, 8, [])
    assert (run["pipe_ref"], run["start_node"], run["end_node"]) == ("H0007", "S0012", "S0013")
    assert (run["surveyed_m"], run["size_mm"], run["width_mm"]) == (38.2, 450.0, 300.0)
    marks = rows.loc[rows["stretch"] != "", ["stretch", "s_m"]].to_numpy().tolist()
    assert marks == [["A1", 4.4], ["A2", 4.4], ["B1", 9.1], ["A3", 21.0], ["B2", 21.35]]
    assert rows["mechanism"].tolist().count("node_start") == 1
    assert rows.loc[14, ["clock_from_h", "clock_to_h"]].tolist() == [7.0, 5.0]
    assert rows["remark"].iloc[1] == "Riss längs; gewölbt"
