"""Which crew can do a set-up from which manhole."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from crew_town import CLEANERS, crew, node, packer, setter, settings, shaped, town

from planner.contracts import NODES
from planner.crews.access import Gear, Need, Place, doubts_of, places_of

HERE = Place("N1", "open", 600.0, 2.5, turn_ok=True, drawn=True)
STEPS = ("flow_control", "sleeve", "verify")
NEED = Need(STEPS, "felt", 200.0, 1.0, 30.0, 1, 3000)


def gear(*crews, **packers) -> Gear:
    return Gear.of(town([], crews=list(crews), packers=[packer(**packers)]), settings().week)


def test_a_crew_with_steps_system_and_packer_is_able():
    """Steps, system and packer fit: the crew is named and there is no reason against."""
    found = gear(setter(), crew("Cleaning", CLEANERS))
    assert found.able(NEED, HERE) == ["Sleeve 1"]
    assert found.why_none(NEED, HERE) == ""


@pytest.mark.parametrize(
    ("need", "place", "words"),
    [
        ({"steps": ("dig",)}, {}, "no crew does dig"),
        ({"steps": (*STEPS, "look")}, {}, "no crew does look together with flow_control"),
        ({"system": "glass"}, {}, "set up for glass"),
        ({"dn_mm": 400.0}, {}, "fits DN 400"),
        ({"longest_m": 2.5}, {}, "carries 2 m, asked 2.50 m"),
        ({"reach_m": 61.0}, {}, "reaches 60 m, asked 61.00 m from N1"),
        ({}, {"lid_mm": 450.0}, "needs a lid of 500 mm, N1 has 450 mm"),
        ({}, {"depth_m": 6.5}, "lowered 6 m at most, N1 is 6.5 m deep"),
        ({}, {"turn_ok": False}, "cannot be turned into the pipe at N1"),
    ],
)
def test_each_limit_alone_keeps_the_crew_away(need, place, words):
    """One figure beyond its limit is enough, and the reason names figure and limit."""
    found = gear(setter())
    why = found.why_none(replace(NEED, **need), replace(HERE, **place))
    assert words in why
    assert found.able(replace(NEED, **need), replace(HERE, **place)) == []


@pytest.mark.parametrize(
    ("need", "place"),
    [
        ({"dn_mm": 300.0}, {}),
        ({"dn_mm": 150.0}, {}),
        ({"longest_m": 2.0}, {}),
        ({"reach_m": 60.0}, {}),
        ({}, {"lid_mm": 500.0}),
        ({}, {"depth_m": 6.0}),
    ],
)
def test_a_figure_at_its_limit_passes(need, place):
    """Limits are inclusive."""
    assert gear(setter()).why_none(replace(NEED, **need), replace(HERE, **place)) == ""


def test_the_cure_must_be_one_that_the_packer_serves():
    """A packer for light does not serve a resin that sets by itself."""
    assert "does not serve ambient cure" in gear(setter(), cures="light+heat").why_none(NEED, HERE)


@pytest.mark.parametrize(
    ("van", "words"),
    [
        ({"van_sleeves_count": 0}, "carries 0 sleeves, asked 1"),
        ({"van_resin_kg": 2.5}, "carries 2.5 kg of resin, asked 3.0 kg"),
    ],
)
def test_what_the_van_cannot_hold_keeps_the_crew_away(van, words):
    """Sleeves and resin of one set-up must fit on the van together."""
    assert words in gear(setter(**van)).why_none(NEED, HERE)


def test_the_crew_that_comes_nearest_gives_the_reason():
    """A crew without the steps says less than one whose packer does not reach."""
    found = gear(crew("Cleaning", CLEANERS), setter())
    assert "reaches" in found.why_none(replace(NEED, reach_m=90.0), HERE)


def test_without_crews_that_is_the_reason():
    """No crew at all is said as such."""
    assert gear().why_none(NEED, HERE) == "there is no crew"


def test_a_crew_without_a_packer_on_its_van_says_so():
    """A van that names packers which are not listed has none."""
    assert "has no packer on its van" in gear(setter(packers="lost")).why_none(NEED, HERE)


def test_what_is_not_known_of_a_manhole_is_a_doubt_and_no_bar():
    """Unknown lid, depth and turn let the crew through and are named."""
    blind = replace(HERE, lid_mm=math.nan, depth_m=math.nan, turn_ok=None)
    assert gear(setter()).why_none(NEED, blind) == ""
    assert len(doubts_of(NEED, blind)) == 3
    assert doubts_of(Need(("clean",)), blind) == []
    assert doubts_of(NEED, HERE) == []


def test_manholes_are_read_with_what_is_unknown():
    """Blank figures stay unknown; a manhole without a point is not drawn."""
    rows = [node("a"), {"node_id": "b", "access": "buried", "geometry": None}]
    found = places_of(shaped(rows, NODES))
    assert found["a"] == Place("a", "open", 600.0, 2.5, turn_ok=True, drawn=True)
    assert math.isnan(found["b"].lid_mm)
    assert found["b"].turn_ok is None
    assert not found["b"].drawn


def test_both_manholes_open_ask_for_two_persons():
    """One person alone sets no sleeve and still cleans; a number not stated bars nothing."""
    alone = gear(setter(persons_count=1), crew("Cleaning", CLEANERS, persons_count=1))
    assert alone.why_none(NEED, HERE) == "Sleeve 1 has 1 persons, both manholes open ask 2"
    assert alone.able(Need(("clean",), reach_m=10.0), HERE) == ["Cleaning"]
    assert gear(setter(persons_count=2)).able(NEED, HERE) == ["Sleeve 1"]
