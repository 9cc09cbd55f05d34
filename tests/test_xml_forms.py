"""The three XML forms of coded rows, and the guard before them. All files are invented."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from planner.errors import FileError, PlannerError
from planner.inputs.observations import Surveys, read_observations
from planner.inputs.specs import InspectionSpec
from planner.inputs.standards import READERS, TABLE, form_of
from planner.inputs.xml_guard import read_xml

EN = """<?xml version="1.0" encoding="UTF-8"?>
<DATA><ZA><A6>2010</A6></ZA>
<ZB><AAA>K7</AAA><AAB>N2</AAB><AAD>N2</AAD><AAF>N1</AAF><AAK>B</AAK><ABC>A</ABC><ABF>2025-03-04</ABF>
<ABH>Ada</ABH>
<ZC><I>0.0</I><A>BCD</A></ZC>
<ZC><I>7.5</I><A>BAC</A><B>B</B><D>120</D><G>11</G><H>01</H><K>A</K></ZC>
<ZC><J>A1</J><I>9.0</I><A>BAB</A><B>C</B><D>6</D></ZC>
<ZC><I>12.0</I><J>B1</J><A>BAB</A><B>C</B><D>8</D></ZC>
</ZB>
<ZB><AAA>K8</AAA></ZB>
</DATA>
"""
FEDERAL = """<?xml version="1.0" encoding="ISO-8859-1"?>
<b:Identifikation xmlns:b="http://www.bfr-abwasser.de"><b:Version>2017-07</b:Version>
<b:Datenkollektive><b:Zustandsdatenkollektiv>
<b:Auftraege><b:Auftrag><b:Auftragskennung>1</b:Auftragskennung>
<b:Kodiersystem>{coding}</b:Kodiersystem></b:Auftrag></b:Auftraege>
<b:InspizierteAbwassertechnischeAnlage><b:Objektbezeichnung>K7</b:Objektbezeichnung>
<b:OptischeInspektion><b:Auftragskennung>1</b:Auftragskennung>
<b:Inspektionsdatum>2025-03-04</b:Inspektionsdatum><b:NameUntersucher>Ada</b:NameUntersucher>
<b:Rohrleitung><b:Inspektionsrichtung>U</b:Inspektionsrichtung>
<b:BezugspunktLage>{zero}</b:BezugspunktLage>
<b:RGrunddaten><b:KnotenAblauf>N2</b:KnotenAblauf><b:KnotenZulauf>N1</b:KnotenZulauf>
<b:Profilhoehe>300</b:Profilhoehe></b:RGrunddaten>
<b:Inspektionsdaten>
<b:RZustand><b:Inspektionskode>BAB</b:Inspektionskode><b:Station>3.40</b:Station>
<b:Charakterisierung1>C</b:Charakterisierung1><b:Streckenschaden>A</b:Streckenschaden>
<b:StreckenschadenLfdNr>2</b:StreckenschadenLfdNr>
<b:Quantifizierung1Numerisch>6</b:Quantifizierung1Numerisch><b:PositionVon>09</b:PositionVon>
<b:PositionBis>03</b:PositionBis><b:Verbindung>1</b:Verbindung></b:RZustand>
<b:RZustand><b:InspektionsKode>BAB</b:InspektionsKode><b:Station>5.00</b:Station>
<b:Charakterisierung1>C</b:Charakterisierung1><b:Streckenschaden>B</b:Streckenschaden>
<b:StreckenschadenLfdNr>2</b:StreckenschadenLfdNr>
<b:Foto><b:Fotodatei>a.jpg</b:Fotodatei></b:Foto></b:RZustand>
</b:Inspektionsdaten></b:Rohrleitung></b:OptischeInspektion>
</b:InspizierteAbwassertechnischeAnlage>
<b:InspizierteAbwassertechnischeAnlage><b:Objektbezeichnung>N1</b:Objektbezeichnung>
<b:OptischeInspektion><b:Knoten><b:Inspektionsdaten>
<b:KZustand><b:InspektionsKode>DAB</b:InspektionsKode></b:KZustand>
<b:KZustand><b:InspektionsKode>DAC</b:InspektionsKode></b:KZustand>
</b:Inspektionsdaten></b:Knoten></b:OptischeInspektion>
</b:InspizierteAbwassertechnischeAnlage>
</b:Zustandsdatenkollektiv></b:Datenkollektive></b:Identifikation>
"""
M150 = """<DATA><HG><HG001>K7</HG001><HG003>N1</HG003><HG004>N2</HG004><HG306>{high}</HG306>
<HG307>250</HG307><HG310>41.5</HG310>
<HI><HI005>{coding}</HI005><HI104>2024-09-10</HI104>
<HZ><HZ001>0.0</HZ001><HZ002>BCD</HZ002><HZ014>XP</HZ014></HZ>
<HZ><HZ001>8.8</HZ001><HZ002>BAJ</HZ002><HZ014>B</HZ014><HZ003>22</HZ003><HZ006>06</HZ006>
<HZ011>A</HZ011><HZ008>00:01:05</HZ008></HZ>
<HZ><HZ001>40.5</HZ001><HZ002>BCE</HZ002><HZ014>XP</HZ014></HZ></HI></HG></DATA>
"""


def read(folder: Path, text: str, encoding: str = "utf-8", **spec) -> Surveys:
    (folder / "s.xml").write_bytes(text.encode(encoding))
    return read_observations([InspectionSpec(file=Path("s.xml"), **spec)], folder)


def test_the_form_of_the_norm_is_read_in_any_order_of_its_fields(tmp_path: Path) -> None:
    got = read(tmp_path, EN)
    assert got.faults == []
    assert got.said[0].startswith("s.xml: EN 13508-2 XML form of 2010")
    run = got.inspections.set_index("pipe_ref").loc["K7"]
    assert (run["start_node"], run["end_node"], run["direction"]) == ("N2", "N1", "up")
    rows = got.observations
    assert rows["s_m"].tolist() == [0.0, 7.5, 9.0, 12.0]
    assert rows["mechanism"].tolist()[1] == "missing_wall"
    assert (rows["clock_from_h"][1], rows["clock_to_h"][1]) == (11.0, 1.0)
    assert rows["stretch"].tolist()[2:] == ["A1", "B1"]
    assert rows["row"].tolist() == [5, 6, 7, 8]
    assert "Ada" not in got.inspections.to_string() + rows.to_string()


def test_an_inspection_without_rows_is_a_run(tmp_path: Path) -> None:
    assert set(read(tmp_path, EN).inspections["pipe_ref"]) == {"K7", "K8"}


def test_a_file_on_one_line_counts_its_rows(tmp_path: Path) -> None:
    got = read(tmp_path, EN.replace("\n", ""))
    assert sorted(got.observations["row"]) == [1, 2, 3, 4]
    assert "rows counted in order" in got.said[0]


def test_the_federal_form_is_read_by_local_names_in_any_case(tmp_path: Path) -> None:
    got = read(tmp_path, FEDERAL.format(coding="10", zero="1"), "latin-1")
    assert got.said[0].startswith(
        "s.xml: ISYBAU XML of 2017-07, coding system EN 2011 with Arbeitshilfen/BFR"
    )
    run = got.inspections.iloc[0]
    assert (run["start_node"], run["end_node"], run["direction"]) == ("N2", "N1", "up")
    assert (run["zero_at"], run["size_mm"]) == ("centre", 300.0)
    rows = got.observations
    assert rows["code"].tolist() == ["BAB", "BAB"]
    assert rows["stretch"].tolist() == ["A2", "B2"]
    assert rows["at_joint"].iloc[0]
    assert rows["photo"].tolist() == ["", "a.jpg"]
    assert "Ada" not in got.inspections.to_string() + rows.to_string()


def test_rows_of_manholes_are_refused_one_by_one(tmp_path: Path) -> None:
    got = read(tmp_path, FEDERAL.format(coding="10", zero="1"))
    assert [(f.column, f.found, f.wanted) for f in got.faults] == [
        ("knoten", "N1", "an inspection of a pipe")
    ] * 2
    assert got.read_count["s.xml"] == 4


@pytest.mark.parametrize(("coding", "name"), [("4", "ISYBAU 2001"), ("5", "ISYBAU 1996")])
def test_older_code_systems_are_refused_by_name(tmp_path: Path, coding: str, name: str) -> None:
    got = read(tmp_path, FEDERAL.format(coding=coding, zero="1"))
    mine = [f for f in got.faults if f.column == "Kodiersystem"]
    assert [f.found for f in mine] == [f"{name}, code BAB"] * 2
    assert len(got.observations) == 0


def test_an_unknown_reference_point_leaves_the_zero_unknown_and_says_so(tmp_path: Path) -> None:
    got = read(tmp_path, FEDERAL.format(coding="10", zero="3"))
    assert got.inspections["zero_at"].tolist() == ["unknown"]
    assert any("BezugspunktLage '3'" in what for what in got.flags["what"])


def test_the_m150_form_says_no_start_and_takes_it_from_the_project(tmp_path: Path) -> None:
    text = M150.format(high="250", coding="DWAM149-2:2006")
    got = read(tmp_path, text)
    run = got.inspections.iloc[0]
    assert (run["start_node"], run["direction"], run["stated_m"]) == ("", "unknown", 41.5)
    assert (run["size_mm"], run["surveyed_m"]) == (250.0, 40.5)
    row = got.observations.iloc[1]
    assert (row["mechanism"], row["quantity_low"], row["video_s"]) == ("joint_offset", 22.0, 65.0)
    assert read(tmp_path, text).inspections["direction"].tolist() == ["unknown"]


def test_two_sizes_of_which_none_is_said_to_be_the_height_leave_it_blank(tmp_path: Path) -> None:
    got = read(tmp_path, M150.format(high="300", coding="DWAM149-2:2006"))
    assert got.inspections["size_mm"].isna().all()
    assert any("300 and 250" in what for what in got.flags["what"])


def test_another_coding_in_the_m150_form_is_refused(tmp_path: Path) -> None:
    got = read(tmp_path, M150.format(high="250", coding="HOUSE-1"))
    assert [f.found for f in got.faults] == ["HOUSE-1"] * 3


BOMB = '<!DOCTYPE a [<!ENTITY x "yyyyyyyyyy"><!ENTITY z "&x;&x;&x;">]><DATA><ZB>&z;</ZB></DATA>'
OUTSIDE = '<!DOCTYPE a SYSTEM "file:///etc/passwd"><DATA><ZB/></DATA>'


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (BOMB, "a document type or an entity"),
        (OUTSIDE, "a document type or an entity"),
        (EN[: len(EN) // 2], "not well-formed XML"),
        ("<DATA><ZB>" + "<a>" * 200 + "</a>" * 200 + "</ZB></DATA>", "more than 100 levels"),
        (EN.replace("UTF-8", "KLINGON"), "encoding"),
        ("<letters><to>me</to></letters>", "root element 'letters'"),
        ("<?xml version='1.0'?>", "s.xml"),
    ],
)
def test_what_cannot_be_read_is_one_line(tmp_path: Path, text: str, said: str) -> None:
    got = read(tmp_path, text)
    assert len(got.faults) == 1
    assert said in str(got.faults[0])
    assert got.read_count == {"s.xml": 0}


def test_a_form_that_was_asked_for_is_not_taken_for_another(tmp_path: Path) -> None:
    got = read(tmp_path, "a,b\n1,2\n", standard="ISYBAU XML")
    assert "not well-formed XML" in str(got.faults[0])
    got = read(tmp_path, EN, standard="Norm 12")
    assert "standard 'Norm 12' is not read" in str(got.faults[0])


@given(st.binary(max_size=300))
def test_any_bytes_behind_a_bracket_end_in_a_tree_or_a_planner_error(
    tmp_path_factory: pytest.TempPathFactory, data: bytes
) -> None:
    path = tmp_path_factory.mktemp("any") / "s.xml"
    path.write_bytes(b"<DATA>" + data)
    try:
        read_xml(path, "s.xml")
    except FileError:
        return


@given(st.integers(0, len(EN)), st.sampled_from([EN, FEDERAL, M150]))
def test_a_truncated_file_ends_in_a_planner_error(
    tmp_path_factory: pytest.TempPathFactory, cut: int, text: str
) -> None:
    path = tmp_path_factory.mktemp("cut") / "s.xml"
    path.write_text(text[:cut], "utf-8")
    try:
        if form_of(path, "s.xml") == TABLE:
            return
        READERS[form_of(path, "s.xml")](path, "s.xml")
    except PlannerError:
        return
    assert cut >= len(text.rstrip()) or not text[:cut].lstrip().startswith("<")
