"""The strip: to scale, nothing of its text is markup, labels do not cover each other."""

from __future__ import annotations

import re
from xml.etree import ElementTree

import pytest
from sheet_town import sheet_week
from test_sheets import FACTS

from planner.contracts import CHOICE_SLEEVES
from planner.outputs.map_strips import strips_of_week
from planner.outputs.strip import MARGIN, WIDTH, Mark, Strip, Tap, draw_strip
from planner.tables import conform

SVG = "{http://www.w3.org/2000/svg}"
EVIL = '<script>alert(1)</script> & "x" ]]> ${y}'


def strip(**changes: object) -> Strip:
    """A pipe of 50 m with one sleeve at 10-11 m."""
    values: dict[str, object] = {
        "length_m": 50.0, "left": "A", "right": "B",
        "sleeves": (Mark(10.0, 11.0, "sleeve 1.00 m"),), "damages": (Mark(10.4, 10.6, "crack"),),
        "taps": (Tap(20.0, 3.0, reopen=False), Tap(10.5, 6.0, reopen=True)),
        "sleeve_colour": "#0072B2", "damage_colour": "#D55E00",
    }  # fmt: skip
    return Strip(**(values | changes))  # type: ignore[arg-type]


def test_the_sleeve_stands_where_its_metres_say() -> None:
    """10 of 50 m is a fifth of the drawn pipe: 46 + 628 / 5 = 171.6 px; 1 m is 12.56 px."""
    root = ElementTree.fromstring(draw_strip(strip()))
    frame = next(r for r in root.iter(f"{SVG}rect") if r.get("stroke") == "#0072B2")
    assert float(frame.get("x", "nan")) == pytest.approx(MARGIN + (WIDTH - 2 * MARGIN) / 5, abs=0.1)
    assert float(frame.get("width", "nan")) == pytest.approx(12.56, abs=0.1)


def test_text_from_data_stays_text() -> None:
    """Markup in a manhole's name is shown, not obeyed; the drawing refers to nothing outside."""
    svg = draw_strip(strip(left=EVIL))
    root = ElementTree.fromstring(svg)
    assert EVIL in [t.text for t in root.iter(f"{SVG}text")]
    assert not list(root.iter(f"{SVG}script"))
    assert re.findall(r"(?:href|src)=", svg) == []


def test_labels_of_close_sleeves_do_not_cover_each_other() -> None:
    """Three sleeves within two metres: the label boxes are apart or on rows of their own."""
    marks = tuple(Mark(10 + i, 10.6 + i, "sleeve 0.60 m") for i in range(3))
    root = ElementTree.fromstring(draw_strip(strip(sleeves=marks)))
    boxes = [
        (float(t.get("y", "0")), float(t.get("x", "0")), len(t.text or "") * 6.1)
        for t in root.iter(f"{SVG}text")
        if (t.text or "").startswith("sleeve")
    ]
    assert len(boxes) == 3
    for i, (y, x, _wide) in enumerate(boxes[1:], start=1):
        before_y, before_x, before_wide = boxes[i - 1]
        assert y != before_y or x >= before_x + before_wide
    assert all(x + wide <= WIDTH for _, x, wide in boxes)


def test_a_connection_in_the_lower_half_hangs_below() -> None:
    """Clock 6 is drawn under the pipe and in the colour of what must be reopened; 3 above."""
    root = ElementTree.fromstring(draw_strip(strip()))
    lines = {
        float(li.get("x1", "0")): li for li in root.iter(f"{SVG}line") if li.get("stroke-width")
    }
    scale = (WIDTH - 2 * MARGIN) / 50
    below = lines[round(MARGIN + 10.5 * scale, 1)]
    above = lines[round(MARGIN + 20 * scale, 1)]
    assert float(below.get("y2", "0")) > float(below.get("y1", "0"))
    assert float(above.get("y2", "0")) < float(above.get("y1", "0"))
    assert below.get("stroke") == "#B00020"


def test_the_map_shows_the_strips_of_the_week() -> None:
    """Pipes 0, 3 and 5 of the town's eight get sleeves; flow runs from A to B, zero is at A."""
    tables = sheet_week(1)
    ids = tables["sleeves"][["pipe_id", "sleeve_id"]].to_dict("records")
    tables["choice_sleeves"] = conform(ids, CHOICE_SLEEVES)
    strips = strips_of_week(tables, FACTS)
    assert sorted(strips) == ["P0", "P3", "P5"]
    words = [t.text for t in ElementTree.fromstring(strips["P3"]).iter(f"{SVG}text")]
    assert words[1:3] == ["A3", "B3"]
    assert "sleeve 1.00 m" in words
    tables["choice_sleeves"] = conform([], CHOICE_SLEEVES)
    assert strips_of_week(tables, FACTS) == {}


def test_no_sign_that_a_drawing_cannot_hold_is_in_it() -> None:
    """A zero byte or a line break in a name would make the SVG unreadable."""
    root = ElementTree.fromstring(draw_strip(strip(left="A\x00\x0b\nB", right="\ud800")))
    words = [t.text for t in root.iter(f"{SVG}text")]
    assert "A? B" in words or "A?  B" in words
    assert "?" in words
