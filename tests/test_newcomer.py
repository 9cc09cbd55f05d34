"""A shapefile and a spreadsheet as an office has them, to a first map of verdicts.

Nothing is known but what the tool says: each edit pastes what a message proposes. All data
are invented.
"""

from __future__ import annotations

import csv
import datetime
import itertools
import re
from collections.abc import Sequence
from pathlib import Path

import geopandas as gpd
import openpyxl
import pytest
import shapely
from typer.testing import CliRunner

from planner.cli import app

MOST_COMMANDS = 6
DAY = datetime.date(2025, 3, 11)


class Newcomer:
    """Types commands, reads what they say, pastes into planner.toml what they propose."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.typed: list[str] = []
        self.said = ""

    def type(self, word: str) -> int:
        found = CliRunner().invoke(app, [word, str(self.folder)])
        self.typed.append(word)
        # What stops a command is printed by `main`, which the runner passes by.
        self.said = found.output + (str(found.exception) if found.exception else "")
        return found.exit_code

    def paste_under(self, section: str) -> None:
        """Put the line that was proposed under the section's file."""
        line = r"write (?:under \[pipes\] )?(columns = \{.*?\})(?: and (units = \{.*?\}))?$"
        asked = re.search(line, self.said, re.M)
        assert asked, self.said
        self.write_under(f"{section}\nfile = .*\n", *filter(None, asked.groups()))

    def write_under(self, head: str, *lines: str) -> None:
        path = self.folder / "planner.toml"
        text = path.read_text("utf-8")
        new, count = re.subn(head, lambda found: found[0] + "\n".join(lines) + "\n", text, count=1)
        assert count == 1
        path.write_text(new, "utf-8")

    def rows(self, table: str) -> list[dict[str, str]]:
        with (self.folder / "out" / "0001" / "tables" / f"{table}.csv").open(encoding="utf-8") as f:
            return list(csv.DictReader(f))


def write_pipes(path: Path, crs: str, step: float, **columns: Sequence[object]) -> None:
    """Draw pipes one after the other, the second one against its nodes."""
    spots = [(412_000.0 + step * n, 5_731_000.0 if step < 100 else 1_840_000.0) for n in range(5)]
    if step > 100:
        spots = [(x + 6_068_000.0, y) for x, y in spots]
    lines = [shapely.LineString(pair) for pair in itertools.pairwise(spots)]
    lines[1] = shapely.reverse(lines[1])
    gpd.GeoDataFrame(columns, geometry=lines, crs=crs).to_file(path)


def write_sheet(path: Path, title: str, header: Sequence[str], rows: list[list[object]]) -> None:
    book = openpyxl.Workbook()
    page = book.active
    for row in ([title], [], header, *rows):
        page.append(row)
    book.save(path)


def test_a_german_office_has_its_map_in_four_commands(tmp_path: Path) -> None:
    """Columns: id and nodes asked for by values and drawing, the stretch by its likely name."""
    write_pipes(
        tmp_path / "kanalnetz.shp", "EPSG:25832", 45.0,
        LTG_NAME=["H1", "H2", "H3", "H4"], SCH_A=["S1", "S2", "S3", "S4"],
        SCH_B=["S2", "S3", "S4", "S5"], DIM_MM=[200, 250, 200, 300], ROHRMATERI=["STZ"] * 4,
    )  # fmt: skip
    head = ["Lfd.Nr.", "Haltung", "Startschacht", "Untersucht am", "Entf. [m]", "Kode", "Ch.1",
            "Ch.2", "Q1", "Lage von", "Lage bis", "Strecke", "Inspekteur"]  # fmt: skip
    rows: list[list[object]] = [
        [1, "H1", "S1", DAY, 0, "BCD", "XP"],
        [1, "H1", "S1", DAY, 5.2, "BAB", "B", "A", 3, 12],
        [1, "H1", "S1", DAY, 44.6, "BCE", "XP"],
        [2, "H2", "S2", DAY, 0, "BCD", "XP"],
        [2, "H2", "S2", DAY, 12.0, "BAF", "C", "E", None, 3, 9, "A1", "M. Muster"],
        [2, "H2", "S2", DAY, 19.0, "BAF", "C", "E", None, 3, 9, "B1", "M. Muster"],
        [2, "H2", "S2", DAY, 44.6, "BCE", "XP"],
    ]
    write_sheet(tmp_path / "Befahrung 2025.xlsx", "Kamerabefahrung, Los 2", head, rows)
    one = Newcomer(tmp_path)
    assert one.type("init") == 0
    assert "[pipes] is kanalnetz.shp and [[inspections]] is Befahrung 2025.xlsx" in one.said
    assert one.type("check") != 0
    assert "which column holds pipe_id?" in one.said
    one.paste_under(r"\[pipes\]")
    one.type("check")
    assert "Strecke; did you mean stretch?" in one.said
    one.write_under(r"\[inspections\.columns\].*\n", 'stretch = "Strecke"')
    assert one.type("plan") == 0, one.said
    assert len(one.typed) <= MOST_COMMANDS
    assert "D-000001" in (tmp_path / "out" / "0001" / "map.html").read_text("utf-8")
    spans = {row["span_id"]: row for row in one.rows("spans")}
    assert {row["span_id"] for row in one.rows("verdicts")} == set(spans)
    # The crack at 5.2 m from S1; the damaged wall is one stretch from 12 m to 19 m.
    crack, wall = sorted(spans.values(), key=lambda row: row["pipe_id"])
    assert float(crack["from_m"]) <= 5.2 <= float(crack["to_m"])
    assert (float(wall["from_m"]), float(wall["to_m"])) == (12.0, 19.0)


def test_a_us_office_in_feet_has_its_map_in_four_commands(tmp_path: Path) -> None:
    """22.4 ft are 22.4 x 0.3048 = 6.828 m, 8 in are 203.2 mm; a share in per cent is read."""
    write_pipes(
        tmp_path / "swr_mains.shp", "EPSG:2229", 150.0,
        FACID=["G1", "G2", "G3", "G4"], UP_STRUCT=["A", "B", "C", "D"],
        DN_STRUCT=["B", "C", "D", "E"], DIAM_IN=[8, 8, 10, 12], MATL=["VCP"] * 4,
    )  # fmt: skip
    head = ["Insp. #", "Pipe Segment Reference", "Upstream MH", "Downstream MH",
            "Direction of Survey", "Survey Date", "Pipe Height (in)", "Distance (ft)", "Code",
            "Value 1st", "Value %", "Joint", "Clock At/From", "Clock To", "Continuous"]  # fmt: skip
    run: list[object] = [1, "G1", "A", "B", "D", DAY, 8]
    rows: list[list[object]] = [
        [*run, 0, "AMH"],
        [*run, 22.4, "CL", None, None, None, 12],
        [*run, 90.0, "D", None, 8],
        [*run, 148.5, "AMH"],
    ]
    write_sheet(tmp_path / "cctv 2025.xlsx", "Spring contract", head, rows)
    one = Newcomer(tmp_path)
    assert one.type("init") == 0
    one.type("check")
    assert "by the drawing UP_STRUCT and DN_STRUCT name the nodes" in one.said
    one.paste_under(r"\[pipes\]")
    assert one.type("check") == 1  # the title of the sheet is told as no row
    assert one.type("plan") == 0, one.said
    assert len(one.typed) <= MOST_COMMANDS
    assert "D-000001" in (tmp_path / "out" / "0001" / "map.html").read_text("utf-8")
    assert {row["dn_mm"] for row in one.rows("pipes")} == {"203.2", "254.0", "304.8"}
    crack, bent = sorted(one.rows("spans"), key=lambda row: float(row["from_m"]))
    assert float(crack["from_m"]) <= 22.4 * 0.3048 <= float(crack["to_m"])
    assert (bent["deformation_pct_low"], bent["deformation_pct_high"]) == ("8.0", "8.0")


@pytest.mark.parametrize(
    ("layers", "said"),
    [((), 'file = "pipes.gpkg"'), (("a.gpkg", "b.gpkg"), '# here lie: "a.gpkg", "b.gpkg"')],
)
def test_of_none_or_several_a_person_chooses(
    tmp_path: Path, layers: tuple[str, ...], said: str
) -> None:
    """Nothing is guessed: the example stays, and what lies there is listed."""
    for name in layers:
        (tmp_path / name).write_bytes(b"")
    one = Newcomer(tmp_path)
    assert one.type("init") == 0
    text = (tmp_path / "planner.toml").read_text("utf-8")
    assert said in text
    assert 'file = "pipes.gpkg"' in text
    assert "name those of [pipes] and [[inspections]]" in one.said
    one.type("check")
    assert ("it holds a.gpkg, b.gpkg" in one.said) == bool(layers)


def test_a_layer_of_points_is_no_candidate(tmp_path: Path) -> None:
    """Of a shapefile the first bytes say what it holds."""
    write_pipes(tmp_path / "net.shp", "EPSG:25832", 45.0, ID=list("abcd"))
    spots = [shapely.Point(412_000, 5_731_000)]
    gpd.GeoDataFrame({"ID": ["x"]}, geometry=spots, crs="EPSG:25832").to_file(
        tmp_path / "manholes.shp"
    )
    one = Newcomer(tmp_path)
    assert one.type("init") == 0
    assert "[pipes] is net.shp" in one.said


def test_headers_that_nobody_foresaw_are_proposed_as_lines_to_paste(tmp_path: Path) -> None:
    """The pipe by names that the network has, the day by days; one line for all that wait."""
    write_pipes(
        tmp_path / "netz.shp", "EPSG:25832", 45.0,
        HALTUNG=["H1", "H2", "H3", "H4"], SCH_OBEN=["S1", "S2", "S3", "S4"],
        SCH_UNTEN=["S2", "S3", "S4", "S5"], DN=[200] * 4, MATERIAL=["STZ"] * 4,
        BAUJAHR=[1970] * 4, SOHLE_OB=[9.4, 9.3, 9.2, 9.1], SOHLE_UN=[9.3, 9.2, 9.1, 9.0],
        TIEFE=[2.5] * 4, ENTW_ART=["S", "R", "M", "X"],
    )  # fmt: skip
    head = ["Haltungs-Nr.", "Insp.-Datum", "von Schacht", "Entf. [m]", "Kürzel"]
    rows: list[list[object]] = [
        ["H1", DAY, "S1", 0, "BCD"],
        ["H1", DAY, "S1", 12.0, "BBF"],
        ["H1", DAY, "S1", 44.6, "BCE"],
    ]
    write_sheet(tmp_path / "tv.xlsx", "Befunde", head, rows)
    one = Newcomer(tmp_path)
    one.type("init")
    one.type("check")
    waits = "no column was taken for pipe_id; candidates: Haltungs-Nr. (1 of its 1 names are pipes"
    assert one.said.count(waits) == 1
    assert "3 rows wait for it" in one.said
    proposed = r"write under \[inspections\.columns\] of this file (.*?)$"
    lines = re.findall(proposed, one.said, re.M)
    assert [line.partition("  #")[0] for line in lines] == [
        'date = "Insp.-Datum"',
        'pipe_id = "Haltungs-Nr."',
    ]
    one.paste_under(r"\[pipes\]")
    one.write_under(r"\[inspections\.columns\].*\n", *lines)
    one.type("check")
    assert "column use: found X; wanted foul | storm | combined" in one.said
    assert one.type("plan") == 0, one.said
    assert [row["use"] for row in one.rows("pipes")] == ["foul", "storm", "combined", ""]
    assert {(row["material"], row["depth_m"], row["year"]) for row in one.rows("pipes")} == {
        ("vitrified clay", "2.5", "1970")
    }
    assert [row["us_invert_m"] for row in one.rows("pipes")] == ["9.4", "9.3", "9.2", "9.1"]
    assert len(one.rows("spans")) == 1
    # No first day was set: the run is dated, and yet no age can be reckoned.
    aged = [row["why"] for row in one.rows("findings") if "survey" in row["why"]]
    assert aged
    assert all("age not reckoned (set first_day in planner.toml)" in said for said in aged)
    # Nothing can follow from a file that is not there: one line, no run, while check goes on.
    path = tmp_path / "planner.toml"
    path.write_text(path.read_text("utf-8").replace('"tv.xlsx"', '"tw.xlsx"'), "utf-8")
    assert one.type("plan") != 0
    assert one.said.endswith(
        "no file of coded rows could be read: tw.xlsx: no such file in the project folder; "
        "it holds netz.shp, tv.xlsx"
    )
    assert not (tmp_path / "out" / "0002").exists()
    assert one.type("check") == 1
    assert "fault: tw.xlsx: found no such file" in one.said
