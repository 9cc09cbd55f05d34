"""The break-even chart: what is drawn stands in the table, every text is text."""

from __future__ import annotations

import re
from xml.etree import ElementTree

import pandas as pd
import pytest
from test_files import FACTS

from planner.contracts import BREAK_EVEN
from planner.outputs.chart_break_even import SHOWN, draw_break_even
from planner.tables import conform

SVG = "{http://www.w3.org/2000/svg}"


def row(pipe_id: str = "p1", **more: object) -> dict[str, object]:
    """Sleeves 1 000 + n x 2 000, liner 8 000, digs n x 5 000: the liner from 4 sleeves on."""
    sums = {"sleeve_base_cents": 1_000_00, "sleeve_each_cents": 2_000_00, "liner_cents": 8_000_00}
    digs = {"dig_base_cents": 0, "dig_each_cents": 5_000_00}
    rest = {"sleeves_count": 2, "liner_method": "liner", "liner_from_count": 4, "why": "sums"}
    return {"pipe_id": pipe_id, **sums, **digs, **rest, **more}


def drawn(*rows: dict[str, object]) -> ElementTree.Element:
    text = draw_break_even(conform(rows, BREAK_EVEN), FACTS)
    return ElementTree.fromstring(text)


def words(root: ElementTree.Element) -> list[str]:
    return [one.text or "" for one in root.iter(f"{SVG}text")]


def test_the_lines_cross_where_the_sums_are_equal():
    """1 000 + n x 2 000 = 8 000 at n = 3.5: the drawn lines meet half way from 3 to 4."""
    root = drawn(row())
    lines = [
        [float(one) for one in re.findall(r"[\d.]+", path.get("d", ""))]
        for path in root.iter(f"{SVG}path")
        if path.get("stroke-width") == "2.4"
    ]
    (x0, y0, x1, y1), *_ = [one for one in lines if one[1] > one[3] and one[3] > 60]
    flat = next(one for one in lines if one[1] == one[3])
    crossing = x0 + (flat[1] - y0) / (y1 - y0) * (x1 - x0)
    # From 1 to 5 sleeves (the axis ends one after the break-even): 3.5 is 62.5 % of the way.
    assert (crossing - x0) / (x1 - x0) == pytest.approx(0.625, abs=0.01)


def test_each_line_is_told_by_name_dash_and_colour():
    """Three lines, three dash patterns, three names: colour never stands alone."""
    root = drawn(row())
    lines = [path for path in root.iter(f"{SVG}path") if path.get("stroke-width") == "2.4"]
    assert len({path.get("stroke-dasharray") for path in lines}) == 3
    assert len({path.get("stroke") for path in lines}) == 3
    assert {"sleeves", "liner", "dig"} <= set(words(root))
    assert "liner costs less from 4 on; 2 placed" in words(root)


def test_no_letter_is_smaller_than_ten_pixels():
    """Small text stays readable; ten is our own floor."""
    sizes = [int(one.get("font-size", 0)) for one in drawn(row()).iter(f"{SVG}text")]
    assert min(sizes) >= 10


def test_text_of_a_file_stays_text():
    """Markup in an id makes no element, and a sign that no XML holds is replaced."""
    root = drawn(row("<script>x</script>&\x01"))
    assert not list(root.iter(f"{SVG}script"))
    assert any("<script>x</script>&?" in one for one in words(root))


def test_what_is_not_compared_or_not_drawn_is_counted():
    """A pipe without a liner is counted, and so are those beyond the most that is drawn."""
    root = drawn(row(), row("p2", liner_cents=None))
    assert any(one.startswith("1 of 2 pipes could be compared") for one in words(root))
    many = drawn(*(row(f"p{at:03d}") for at in range(SHOWN + 5)))
    assert any(f"the {SHOWN} nearest" in one for one in words(many))
    assert len(list(many.iter(f"{SVG}g"))) == SHOWN
    assert drawn().tag == f"{SVG}svg"


def test_a_liner_that_never_costs_less_is_said():
    """No count: the words say so and nothing is drawn upright."""
    root = drawn(row(liner_from_count=pd.NA, sleeve_each_cents=0))
    assert "no number of sleeves costs more" in words(root)
