"""Colours can be told apart, and never stand alone."""

from __future__ import annotations

from itertools import combinations

import pytest
from colour_distance import SIGHTS, ciede2000, contrast, distance, lab

from planner.contracts.repairs import STEPS
from planner.contracts.verdicts import VERDICT_WORDS
from planner.outputs.palette import (
    CREW_LETTERS,
    DAYS,
    DRAW_ORDER,
    LOOKS,
    PLACING,
    crew_letter,
    day_look,
    stop_label,
)


@pytest.mark.parametrize(
    ("one", "two", "wanted"),
    [
        ((50.0, 2.6772, -79.7751), (50.0, 0.0, -82.7485), 2.0425),
        ((50.0, 0.0, 0.0), (50.0, -1.0, 2.0), 2.3669),
        ((50.0, 2.5, 0.0), (73.0, 25.0, -18.0), 27.1492),
        ((50.0, 2.5, 0.0), (58.0, 24.0, 15.0), 19.4535),
        ((60.2574, -34.0099, 36.2677), (60.4626, -34.1751, 39.4387), 1.2644),
        ((2.0776, 0.0795, -1.1350), (0.9033, -0.0636, -0.5514), 0.9082),
    ],
)
def test_distance_formula_gives_the_published_figures(one, two, wanted):
    """Pairs 1, 7, 17, 20, 25 and 34 of table 1 of Sharma et al. 2005, four decimals."""
    assert ciede2000(one, two) == pytest.approx(wanted, abs=5e-5)


@pytest.mark.parametrize("sight", SIGHTS)
def test_decisions_can_be_told_apart_in_every_sight(sight):
    """Two different colours are at least 15 apart; below about 10 small marks are mixed up."""
    colours = sorted({look.colour for look in LOOKS.values()})
    assert min(distance(a, b, sight) for a, b in combinations(colours, 2)) > 15


@pytest.mark.parametrize("sight", SIGHTS)
def test_days_can_be_told_apart_in_every_sight(sight):
    """Days also carry their number, so 11 is enough."""
    assert min(distance(a.colour, b.colour, sight) for a, b in combinations(DAYS, 2)) > 11


def test_no_two_classes_share_line_and_symbol():
    """Where a colour is used twice, both the line and the symbol differ."""
    for a, b in combinations([LOOKS[word] for word in LOOKS if word != "unseen"], 2):
        assert a.shape != b.shape
        assert (a.colour, a.dash, a.width) != (b.colour, b.dash, b.width)
        if a.colour == b.colour:
            assert a.dash != b.dash


def test_print_in_black_and_white_keeps_the_classes():
    """Classes whose greys are closer than 10 of L* differ in dash or by 2 px of width."""
    for a, b in combinations(LOOKS.values(), 2):
        if abs(lab(a.colour)[0] - lab(b.colour)[0]) < 10:
            assert a.dash != b.dash or abs(a.width - b.width) >= 2


def test_yellow_never_stands_without_its_dark_edge():
    """A colour of repair with less than 3:1 on white has an edge that reaches 3:1."""
    for word in ("sleeve", "liner", "dig", "refer"):
        look = LOOKS[word]
        assert max(contrast(c, "#FFFFFF") for c in (look.colour, look.edge) if c) >= 3


def test_text_on_a_day_can_be_read():
    """Small text needs 4.5:1 (WCAG 2.1, 1.4.3)."""
    for day in DAYS:
        assert contrast(day.colour, day.text) >= 4.5


def test_every_verdict_has_a_look_and_a_place_in_the_order():
    """The words of the verdicts, and pipes without a survey."""
    assert set(LOOKS) == {*VERDICT_WORDS, "unseen"}
    assert sorted(DRAW_ORDER) == sorted(LOOKS)


def test_crew_letters_are_no_code_letters_and_never_run_out():
    """A stop's badge cannot be read as a class, and no two crews share a letter."""
    assert not set(CREW_LETTERS) & {look.letter for look in LOOKS.values() if look.letter}
    letters = [crew_letter(i) for i in range(400)]
    assert len(set(letters)) == 400
    assert letters[:3] == ["A", "B", "C"]
    # 18 letters: number 18 is the first of two signs, number 18 + 18 * 18 the first of three.
    assert [letters[18], letters[18 + 18 * 18]] == ["AA", "AAA"]


def test_days_start_over_after_the_fifth():
    """Day 6 looks like day 1, and its number tells."""
    assert day_look(6) == day_look(1) != day_look(2)
    assert [stop_label(6, 3), stop_label(1, 12)] == ["6.03", "1.12"]
    with pytest.raises(ValueError, match="counted from 1, got 0"):
        day_look(0)


# Okabe and Ito's eight colours as published; read again in the table `okabe_ito` of matplotlib
# 3.11 (`_cm.py`), which names them as its source.
OKABE_ITO = {"#000000", "#E69F00", "#56B4E9", "#009E73", "#F0E442", "#0072B2", "#D55E00", "#CC79A7"}


def test_decision_colours_are_the_published_ones():
    """Nothing but the quiet grey, which is our own, lies outside the published set."""
    used = {look.colour for look in (*LOOKS.values(), *PLACING.values())}
    assert used - OKABE_ITO == {"#BBBBBB"}


def test_look_is_drawn_on_top_of_all():
    """What an engineer must decide is hidden by nothing."""
    assert DRAW_ORDER[-1] == "refer"


def test_the_colours_of_days_are_the_published_ones():
    """Tol's set "muted" as `tol-colors` 2.2.0 on PyPI holds it (P. Tol, C. Haeck; BSD-3-Clause;
    its colors.json, read 2026-11-29): indigo, green, wine, rose, teal, to the digit."""
    muted = {"rose": "#CC6677", "indigo": "#332288", "sand": "#DDCC77", "green": "#117733",
             "cyan": "#88CCEE", "wine": "#882255", "teal": "#44AA99", "olive": "#999933",
             "purple": "#AA4499", "pale_grey": "#DDDDDD"}  # fmt: skip
    named = {colour: name for name, colour in muted.items()}
    assert [named[day.colour] for day in DAYS] == ["indigo", "green", "wine", "rose", "teal"]


def test_no_word_is_used_twice_and_look_is_the_cameras():
    """Each class has its own word; what an engineer decides is not called as the camera's step."""
    words = [look.word for look in LOOKS.values()]
    assert len(set(words)) == len(words)
    assert (LOOKS["refer"].word, LOOKS["refer"].letter) == ("decide", "?")
    assert not set(words) & set(STEPS) - {"sleeve", "liner", "dig", "watch"}
