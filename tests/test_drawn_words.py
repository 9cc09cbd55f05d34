"""Words of drawings on the sheet: all of them, where the drawing has them; data stay data."""

from __future__ import annotations

import json
from pathlib import Path
from xml.etree import ElementTree

import pytest
import typst
from pypdf import PdfReader
from sheet_town import sheet_week
from test_sheets import FACTS, data, day_of, town

from planner.outputs.clock_face import Arc, draw_clock
from planner.outputs.drawn_words import all_words_apart, words_apart
from planner.outputs.plain import Drawing
from planner.outputs.sheets import sheet_data, write_sheets
from planner.outputs.strip import Mark, Strip, Tap, draw_strip
from planner.outputs.typeset import Typesetter, data_line

SVG = "{http://www.w3.org/2000/svg}"
EVIL = '</text><b>&lt; "\\ #[x]'


def drawings() -> list[str]:
    """Strips, insets and clock faces of a day, and one of each with evil names."""
    found = []
    for stop in day_of(sheet_week(1)):
        found += [stop["strip"], *(s[k] for s in stop["sleeves"] for k in ("inset", "clock"))]
    strip = Strip(50.0, EVIL, "B" * 30, (Mark(1.0, 2.0, EVIL),), (Mark(3.0, 4.0, "crack"),),
                  (Tap(1.5, 3.0, reopen=True), Tap(9.0, 0.0, reopen=False)),
                  "#0000aa", "#aa0000")  # fmt: skip
    return [*found, draw_strip(strip), draw_clock([Arc(1.0, 2.0)], [2.5], "#aa0000", upstream=True)]


def test_all_words_and_nothing_else_are_taken_out() -> None:
    """Held against the standard library's reader of XML."""
    for svg in drawings():
        whole, apart = ElementTree.fromstring(svg), words_apart(svg)
        size = whole.get("font-size", "")
        assert apart["words"]
        assert apart["words"] == [
            [float(one.get("x", "")), float(one.get("y", "")), one.get("text-anchor", "start"),
             " ".join((one.text or "").split()), one.get("fill", "#000000"),
             one.get("font-weight") == "bold", float(one.get("font-size", size))]
            for one in whole.iter(f"{SVG}text")
        ]  # fmt: skip
        for one in whole.findall(f"{SVG}text"):
            whole.remove(one)
        lines = ElementTree.fromstring(str(apart["svg"]))
        assert ElementTree.tostring(lines) == ElementTree.tostring(whole)
        box = whole.get("viewBox", "").split()
        assert [apart["wide"], apart["high"], apart["size"]] == [*map(float, box[2:]), float(size)]


def test_what_is_no_drawing_of_ours_is_refused() -> None:
    """No size, and a text that holds more than words."""
    head = '<svg viewBox="0 0 9 9" font-size="3">'
    for svg in ("<svg></svg>", f'{head}<text x="1" y="1"><b>A</b></text></svg>'):
        with pytest.raises(ValueError, match="no drawing of ours"):
            words_apart(svg)


def test_only_drawings_are_taken_apart() -> None:
    """A text that looks like one stays a text."""
    svg = '<svg viewBox="0 0 9 5" font-size="3"></svg>'
    found = all_words_apart({"a": [Drawing(svg), svg, "", 1]})
    apart = {"svg": svg, "wide": 9.0, "high": 5.0, "size": 3.0, "words": []}
    assert found == {"a": [apart, svg, "", 1]}


def starts(path: Path) -> list[tuple[str, float, float]]:
    """Give each text of a file and where it starts, from the left and the lower edge [pt]."""
    found = []

    def see(text: str, now: list[float], line: list[float], *_: object) -> None:
        x = line[4] * now[0] + line[5] * now[2] + now[4]
        found.append((text.strip(), x, line[4] * now[1] + line[5] * now[3] + now[5]))

    for page in PdfReader(path).pages:
        page.extract_text(visitor_text=see)
    return found


def test_words_stand_where_the_drawing_has_them(tmp_path: Path) -> None:
    """Each anchor, on the strip: 184 mm are 521.57 pt for 720 units, 0.72441 pt each.

    The left name starts at 4 units, 13 mm + 2.90 = 39.75 pt; "flow" at 720 / 2 - 14 = 346 units,
    287.50 pt. The figure 20 of 50 m, counted from the right end, stands at 46 + 628 x 30/50 =
    422.8 units; two digits of 1303/2048 em (the font's own table of widths) and 13 units are
    16.54 wide: from 414.53, 337.14 pt. The right name B, bold, 1561/2048 em = 9.91 units wide,
    ends at 716: from 706.09, 548.35 pt. Lines lie as far apart as the drawing says.
    """
    (path,) = write_sheets(town(), FACTS, tmp_path)
    drawn = ElementTree.fromstring(data(town())["stops"][0]["strip"]).iter(f"{SVG}text")
    line = {one.text: float(one.get("y", "")) for one in drawn}
    found = starts(path)
    (flow_y,) = [y for word, x, y in found if word == "flow" and x == pytest.approx(287.5, abs=0.1)]
    wanted = (("A", 39.75), ("B", 548.35), ("20", 337.14))
    for word, from_x in wanted:
        y = flow_y - (line[word] - line["flow"]) * 0.72441
        at = [x for one, x, b in found if one == word and b == pytest.approx(y, abs=0.1)]
        assert at == [pytest.approx(from_x, abs=0.1)], word


def test_days_set_after_others_come_out_as_alone() -> None:
    """What is kept from other days, in any order, changes no byte."""
    tables = sheet_week(3)
    days = []
    for day, visits in tables["visits"].groupby("date"):
        content = sheet_data("Crew", str(day), visits, tables, FACTS)
        days.append(json.dumps(all_words_apart(content)))
    alone = [Typesetter("sheet.typ", "day").pdf_of(day) for day in days]
    one = Typesetter("sheet.typ", "day")
    after = [one.pdf_of(days[n]) for n in (2, 0, 1, 0)]
    assert after == [alone[n] for n in (2, 0, 1, 0)]
    assert len(set(alone)) == 3


def test_each_sheet_has_its_own_title_and_heads(tmp_path: Path) -> None:
    """No day's page shows another day's date, though all obey the same rules."""
    for path in write_sheets(sheet_week(3), FACTS, tmp_path):
        day, reader = path.stem[-10:], PdfReader(path)
        assert reader.metadata is not None
        assert reader.metadata.title == f"Crew {day}"
        heads = [page.extract_text()[:60] for page in reader.pages][1:]
        assert heads
        assert all(day in head for head in heads)


def test_any_data_come_back_from_the_typesetter(tmp_path: Path) -> None:
    """Quotes, backslashes, what looks like an escape of either, line ends, signs of the code."""
    texts = ['"', "\\", '\\"', "\\\\", "\\n\n\r\t", "\\u{41} \\u0041 \u0041", "\x00\x1f\x7f",
             "\u2028\ufeff\U0001f6bd", '")) #panic("x") //', "#{1+1}", "`$*_", "{}"]  # fmt: skip
    content = {text: [text] for text in texts}
    for ascii_only in (True, False):
        path = tmp_path / "back.typ"
        line = data_line("day", json.dumps(content, ensure_ascii=ascii_only))
        path.write_bytes(line + b"#metadata(day) <day>\n")
        assert json.loads(typst.query(str(path), "<day>", field="value", one=True)) == content
