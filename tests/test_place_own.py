"""Sleeves at a person's own place or of a named length, by hand calculation.

As in `test_place`: overlap 0.30 m and place doubt 0.10 m, so 0.40 m asked beside a damage;
ends 0.30 m clear of a wall and 0.15 m of a lateral; sleeves 0.50 m apart; lengths 0.6, 1.0,
2.0 m; a packer carries 3.0 m; 1000.00 up to 1 m, 200.00 a metre more, reopening 150.00.
"""

from __future__ import annotations

import pandas as pd
import pytest
from one_pipe import lateral, pipe, refer, span, verdict
from sleeve_supply import REOPEN, SLEEVE, place, places, size, supply, system

from planner.ground.own_place import OwnPlace, read_own_place
from planner.repairs.place import Placed
from planner.repairs.place_own import Own
from planner.repairs.place_told import not_kept
from planner.screening.explain_way import doubt_lines, lap_lines

CRACK = span("D-1", 9.95, 10.05)
MEND = verdict("D-1")
SAID = "'place' by A. Berg on 2026-03-02: seen"


def own(value: str, span_id: str = "D-1") -> Own:
    found = read_own_place(value)
    assert isinstance(found, OwnPlace)
    return Own(span_id, "p1", found, SAID)


def placed_at(value: str, spans=(CRACK,), **more) -> Placed:
    verdicts = more.pop("verdicts", [verdict(one["span_id"]) for one in spans])
    return place(list(spans), verdicts, own=[own(value)], **more)


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("12.30 to 14.30", OwnPlace(200, (1230, 1430))),
        (" 12.3 m  to 14.30 m ", OwnPlace(200, (1230, 1430))),
        ("0 to 1", OwnPlace(100, (0, 100))),
        ("2.00", OwnPlace(200)),
        ("0.6 m", OwnPlace(60)),
    ],
)
def test_a_place_or_a_length_is_read_to_the_centimetre(text: str, found: OwnPlace):
    """Metres from us_node, or a length alone."""
    assert read_own_place(text) == found


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("12.3-14.3", "such as '12.30 to 14.30', or a length such as '2.00'"),
        ("14.30 to 12.30", "the place nearer us_node first"),
        ("12.30 to 12.30", "the place nearer us_node first"),
        ("-1.00 to 1.00", "no place is negative"),
        ("1.00 to -1.00", "no place is negative"),
        ("at the joint", "metres from us_node"),
        ("", "metres from us_node"),
        ("12,30 to 14,30", "metres from us_node"),
        ("12.305 to 14.305", "to the centimetre, not finer"),
        ("0.00", "a length above 0"),
    ],
)
def test_what_is_no_place_says_what_is_wanted(text: str, words: str):
    """One line each."""
    found = read_own_place(text)
    assert isinstance(found, str)
    assert words in found


def test_a_sleeve_lies_where_a_person_puts_it_though_an_overlap_is_short():
    """9.30..10.30 over 9.95..10.05: 0.65 m and 0.25 m, where 0.40 m are asked at each end."""
    found = placed_at("9.30 to 10.30")
    row = found.sleeves.iloc[0]
    assert places(found) == [(9.3, 10.3)]
    assert (row["length_m"], row["cost_cents"]) == (1.0, 1_000_00)
    # Beside the damage less 0.10 m of doubt.
    assert row["overlap_us_m"] == pytest.approx(0.55)
    assert row["overlap_ds_m"] == pytest.approx(0.15)
    assert (row["allowance_m"], row["allowance_cents"]) == (0.0, 0)
    told = "0.25 m beside D-1 at 9.95 to 10.05 m, 0.40 m asked (0.30 m overlap, 0.10 m doubt)"
    assert found.told == {"D-1": told}
    assert row["placed_by"] == f"{SAID}; {told}"
    assert list(found.sleeve_spans["span_id"]) == ["D-1"]
    assert found.left_over.empty
    assert not_kept([own("9.30 to 10.30")], found).empty


def test_the_placement_s_own_place_by_hand_is_the_same_sleeve():
    """9.50..10.50 is where it would lie anyway: nothing to tell but who."""
    mine, plain = placed_at("9.50 to 10.50"), place([CRACK], [MEND])
    bare = ["placed_by", "allowance_m", "allowance_cents"]
    pd.testing.assert_frame_equal(mine.sleeves.drop(columns=bare), plain.sleeves.drop(columns=bare))
    assert mine.told == {"D-1": ""}
    assert (mine.sleeves["placed_by"].iloc[0], plain.sleeves["placed_by"].iloc[0]) == (SAID, "")


def test_others_keep_the_gap_to_it_or_are_left():
    """D-2 at 11.35..11.45 asks 10.95..11.85. Beside 9.45..10.45 a sleeve of 1 m may start at
    10.95; beside 9.50..10.50 at 11.00 at the least, which is too far."""
    spans = (CRACK, span("D-2", 11.35, 11.45))
    assert places(placed_at("9.45 to 10.45", spans)) == [(9.45, 10.45), (10.95, 11.95)]
    tight = placed_at("9.50 to 10.50", spans)
    assert places(tight) == [(9.5, 10.5)]
    left = dict(zip(tight.left_over["key"], tight.left_over["reason"], strict=True))
    assert "0.50 m clear of those that serve its neighbours" in left["D-2"]


def test_what_it_covers_with_all_that_is_asked_it_serves():
    """9.50..11.50 reaches 0.45 m beyond D-2 at 10.95..11.05: one sleeve, both served."""
    spans = (CRACK, span("D-2", 10.95, 11.05))
    found = placed_at("9.50 to 11.50", spans)
    assert sorted(found.sleeve_spans["span_id"]) == ["D-1", "D-2"]
    assert found.sleeves["cost_cents"].tolist() == [1_200_00]
    # At 9.20..11.20 only 0.15 m are left beside D-2: it is told and not served.
    less = placed_at("9.20 to 11.20", spans)
    assert list(less.sleeve_spans["span_id"]) == ["D-1"]
    assert "0.15 m beside D-2 at 10.95 to 11.05 m" in less.told["D-1"]
    assert less.told["D-1"].endswith("which it so does not serve")
    assert list(less.left_over["key"]) == ["D-2"]


def test_a_length_alone_is_laid_where_the_placement_thinks_best():
    """2.00 m over 0.90 m asked: 1.10 m of slack, shared: 9.00..11.00, for 1200.00."""
    found = placed_at("2.00")
    assert places(found) == [(9.0, 11.0)]
    assert found.sleeves["cost_cents"].tolist() == [1_200_00]
    assert found.told == {"D-1": ""}
    # D-2 asks 11.65..12.55: 1 m beside it starts at 11.55 to 11.65, so 2 m must end by 11.15.
    both = placed_at("2.00", (CRACK, span("D-2", 12.05, 12.15)))
    assert places(both) == [(9.0, 11.0), (11.6, 12.6)]


def test_too_short_a_length_lies_in_the_middle_over_the_damage():
    """0.60 m: 0.25 m on each side of 0.10 m, where 0.40 m are asked; it is told."""
    found = placed_at("0.60")
    assert places(found) == [(9.7, 10.3)]
    assert found.told["D-1"].startswith("0.25 m beside D-1")
    assert list(found.sleeve_spans["span_id"]) == ["D-1"]


def test_a_lateral_that_it_covers_is_told_and_paid_for():
    """Inside it is opened again; an end 0.125 m clear of one is less than 0.15 m."""
    found = placed_at("9.50 to 10.50", laterals=[lateral(10.2), lateral(10.7)])
    assert found.sleeves["cost_cents"].tolist() == [1_000_00 + 150_00]
    assert found.told["D-1"] == (
        "it covers the lateral at 10.20 m, to be opened again; "
        "an end 0.12 m clear of the lateral at 10.70 m, 0.15 m asked"
    )


@pytest.mark.parametrize(
    ("value", "spans", "more", "why"),
    [
        ("39.50 to 41.50", (span("D-1", 39.6, 39.7),), {},
         "it would end at 41.50 m, beyond the pipe of 40.00 m"),
        ("9.50 to 11.20", (CRACK,), {},
         "felt at DN 200 does not come in 1.70 m; nearest are 1.00 m and 2.00 m"),
        ("8.00 to 12.00", (CRACK,), {},
         "no packer for felt at DN 200 carries 4.00 m; the most is 3.00 m"),
        ("20.00 to 21.00", (CRACK,), {},
         "at 20.00 to 21.00 m it does not cover D-1 at 9.95 to 10.05 m"),
        ("9.50 to 10.50", (CRACK, span("D-2", 10.4, 10.6)), {},
         "it would end at 10.50 m, on D-2 at 10.40 to 10.60 m"),
        ("9.50 to 11.50", (CRACK, span("D-2", 11.0, 11.1)), {"verdicts": [MEND, refer("D-2")]},
         "it would lie on D-2 at 11.00 to 11.10 m, where none may lie"),
        ("9.50 to 10.50", (CRACK,), {"laterals": [lateral(10.45)]},
         "it would end at 10.50 m, in the lateral at 10.45 m"),
        ("1.70", (CRACK,), {}, "does not come in 1.70 m"),
        ("9.50 to 10.50", (CRACK,), {"verdicts": [refer("D-1")]}, "no sleeve is asked for there"),
        ("9.50 to 10.50", (CRACK,), {"pipes": [pipe(dn_mm=900.0)]},
         "felt does not come for DN 900"),
    ],
)  # fmt: skip
def test_where_no_sleeve_can_lie_none_is_laid(value, spans, more, why):
    """The reason is told in one line, and what is placed is as without the decision."""
    found = placed_at(value, spans, **dict(more))
    assert why in found.refused["D-1"]
    assert "placed_by" in found.sleeves
    assert (found.sleeves["placed_by"] == "").all()
    verdicts = more.get("verdicts", [verdict(one["span_id"]) for one in spans])
    others = {name: given for name, given in more.items() if name != "verdicts"}
    assert places(found) == places(place(list(spans), verdicts, **others))
    flags = not_kept([own(value)], found)
    assert flags["what"].iloc[0].startswith(f"{SAID}: not applied: ")


def test_two_that_are_too_near_each_other_are_not_both_laid():
    """9.50..10.50 and 10.90..11.90 lie 0.40 m apart: the one decided later is refused."""
    spans = [CRACK, span("D-2", 11.35, 11.45)]
    mine = [own("9.50 to 10.50"), own("10.90 to 11.90", "D-2")]
    found = place(spans, [MEND, verdict("D-2")], own=mine)
    assert places(found) == [(9.5, 10.5)]
    assert found.refused == {
        "D-2": "at 10.90 to 11.90 m it is not 0.50 m clear of the sleeve placed for D-1 at "
        "9.50 to 10.50 m"
    }
    apart = [own("9.40 to 10.40"), own("10.90 to 11.90", "D-2")]
    found = place(spans, [MEND, verdict("D-2")], own=apart)
    assert places(found) == [(9.4, 10.4), (10.9, 11.9)]


def test_one_sleeve_named_for_two_spans_is_one_sleeve():
    """The same place twice; a length that lies over both already."""
    spans = [CRACK, span("D-2", 10.95, 11.05)]
    for second in ("9.50 to 11.50", "2.00"):
        mine = [own("9.50 to 11.50"), own(second, "D-2")]
        found = place(spans, [MEND, verdict("D-2")], own=mine)
        assert places(found) == [(9.5, 11.5)]
        assert found.refused == {}


@pytest.mark.parametrize("value", ["39.00 to 40.00", "39.01 to 40.01"])
def test_at_the_wall_of_a_pipe_of_uneven_length_it_ends_at_the_wall(value: str):
    """40.006 m: to the centimetre its end is 40.00 or 40.01 m."""
    pipes = [pipe(length_m=40.006, laterals_known_to_m=40.006)]
    found = placed_at(value, (span("D-1", 39.5, 39.6),), pipes=pipes)
    assert places(found) == [(39.006, 40.006)]
    beyond = placed_at("39.02 to 40.02", (span("D-1", 39.5, 39.6),), pipes=pipes)
    assert "beyond the pipe of 40.01 m" in beyond.refused["D-1"]


def test_the_system_that_has_the_length_is_taken_though_it_is_dearer():
    """Felt comes in 1 m, glass in 1.5 m and costs more: the length a person names decides."""
    given = supply(
        systems=[system(), system("glass")],
        sizes=[size(lengths="1.0"), size("glass", lengths="1.5")],
        prices=[SLEEVE, REOPEN],
    )
    assert place([CRACK], [MEND], given=given).sleeves["system"].tolist() == ["felt"]
    found = placed_at("9.25 to 10.75", given=given)
    assert found.sleeves["system"].tolist() == ["glass"]
    assert places(found) == [(9.25, 10.75)]


def test_a_place_that_a_rule_ruled_out_is_not_laid_again():
    """Barred once, it is refused, and the placement finds another length."""
    first = placed_at("9.50 to 10.50")
    again = placed_at("9.50 to 10.50", barred=first.sleeves[["sleeve_id"]])
    assert again.refused == {"D-1": "a rule about sleeves forbids it there"}
    assert again.sleeves.empty


def test_an_assumed_extent_may_be_cut_short_but_not_the_coded_part():
    """A point at 10.00 m from node a, lengthened to 11.00 m: 9.50..10.50 leaves 0.50 m of it."""
    long = {**span("D-1", 10.0, 11.0), "extent_from": "assumed", "counter_node": "p1-a"}
    found = placed_at("9.50 to 10.50", (long,))
    assert places(found) == [(9.5, 10.5)]
    assert found.told["D-1"] == "it leaves 0.50 m of the assumed extent of D-1 at 10.00 to 11.00 m"
    assert list(found.sleeve_spans["span_id"]) == ["D-1"]
    beside = placed_at("10.10 to 11.10", (long,))
    assert "does not cover D-1 at 10.00 to 11.00 m" in beside.refused["D-1"]


def lapping(lengths: str = "1.0+1.5", **more: float):
    """A system of which two sleeves lap by 0.10 m and the place doubt of one end: 0.20 m."""
    return supply(systems=[system(lap_m=0.1, **more)], sizes=[size(lengths=lengths)])


def test_another_sleeve_laps_it_where_the_gap_leaves_no_room():
    """D-2 at 10.85..10.90 asks 10.45..11.30. Beside 9.50..10.50 a sleeve begins at 11.00 at the
    least; lapped by 0.20 m one of 1.00 m lies at 10.30..11.30, for 1000.00 more. Laps of up to
    0.40 m are allowed, but no more than need be is taken: 10.30 is the last start that laps."""
    spans = (CRACK, span("D-2", 10.85, 10.90))
    assert places(placed_at("9.50 to 10.50", spans)) == [(9.5, 10.5)]
    found = placed_at("9.50 to 10.50", spans, given=lapping("1.0", lap_most_m=0.4))
    assert places(found) == [(9.5, 10.5), (10.3, 11.3)]
    mine, other = found.sleeves.iloc[0], found.sleeves.iloc[1]
    assert (mine["placed_by"], other["placed_by"]) == (SAID, "")
    assert (mine["lap_ds_m"], other["lap_us_m"]) == (pytest.approx(0.2), pytest.approx(0.2))
    assert mine["overlap_us_m"] == pytest.approx(0.35)  # 9.95 less 9.50, 0.10 m of doubt off
    assert other["overlap_ds_m"] == pytest.approx(0.3)  # 11.30 less 10.90, the same off
    assert found.sleeves["cost_cents"].tolist() == [1_000_00, 1_000_00]
    # Only the other one's outer end is asked 0.10 m for doubt; without it 1.00 m are as long.
    assert found.sleeves["allowance_m"].tolist() == [0.0, pytest.approx(0.1)]
    assert found.sleeves["allowance_cents"].tolist() == [0, 0]
    assert list(found.sleeve_spans["span_id"]) == ["D-1", "D-2"]
    assert found.told == {"D-1": ""}
    assert found.left_over.empty
    assert doubt_lines(mine) == ["sound pipe under its ends: 0.35 m and a lap of 0.20 m"]
    tables = {"sleeves": found.sleeves}
    assert lap_lines(mine, tables) == ["laps S-000002, by 0.20 m"]
    assert lap_lines(other, tables) == ["laps S-000001, placed by a person, by 0.20 m"]


def test_an_end_on_other_damage_may_be_where_another_sleeve_laps_it():
    """9.50..10.50 ends on D-2 at 10.40..10.60, which asks 10.00..11.00: with 10.30..11.30 over
    it the run from 9.50 serves both. Where D-3 at 10.90..11.00 leaves no room for one that
    laps, it is refused as where the system laps none."""
    spans = (CRACK, span("D-2", 10.4, 10.6))
    found = placed_at("9.50 to 10.50", spans, given=lapping())
    assert places(found) == [(9.5, 10.5), (10.3, 11.3)]
    told = "its end at 10.50 m lies on D-2 at 10.40 to 10.60 m, where another sleeve laps it"
    assert (found.told, found.refused) == ({"D-1": told}, {})
    pairs = found.sleeve_spans.groupby("span_id")["sleeve_id"].agg(list).to_dict()
    assert pairs == {"D-1": ["S-000001"], "D-2": ["S-000001", "S-000002"]}
    more = (*spans, span("D-3", 10.9, 11.0))
    verdicts = [MEND, verdict("D-2"), refer("D-3")]
    alone = placed_at("9.50 to 10.50", more, given=lapping(), verdicts=verdicts)
    assert "it would end at 10.50 m, on D-2" in alone.refused["D-1"]


@pytest.mark.parametrize(
    ("second", "told", "refused"),
    [
        ("10.30 to 11.30", "", ""),
        ("10.35 to 11.35", "a lap of 0.15 m with the sleeve at 9.50 to 10.50 m, 0.20 m asked"
         " (0.10 m of the system, 0.10 m doubt)", ""),
        ("10.45 to 11.45", "", "at 10.45 to 11.45 m it laps the sleeve placed for D-1 at 9.50 to "
         "10.50 m by 0.05 m; 0.10 to 0.25 m are allowed"),
        ("10.20 to 11.20", "", "at 10.20 to 11.20 m it laps the sleeve placed for D-1 at 9.50 to "
         "10.50 m by 0.30 m; 0.10 to 0.25 m are allowed"),
        ("10.60 to 11.60", "", "at 10.60 to 11.60 m it is not 0.50 m clear of the sleeve placed "
         "for D-1 at 9.50 to 10.50 m"),
    ],
)  # fmt: skip
def test_two_of_people_s_own_may_lap_each_other_within_the_limits(second, told, refused):
    """Less than the doubt asks is told, less than the system's lap or more than its most not
    laid. D-2 at 10.75..10.85 is asked 0.40 m at each open end: the second ends beyond 11.25."""
    spans = [CRACK, span("D-2", 10.75, 10.85)]
    mine = [own("9.50 to 10.50"), own(second, "D-2")]
    given = lapping(lap_most_m=0.25)
    found = place(spans, [MEND, verdict("D-2")], own=mine, given=given)
    assert found.refused.get("D-2", "") == refused
    assert found.told.get("D-2", "") == told
    laid = found.sleeves.loc[found.sleeves["placed_by"] != "", "from_m"].tolist()
    assert laid == ([9.5] if refused else [9.5, float(second[:5])])


def test_a_sleeve_shorter_than_two_laps_is_not_lapped():
    """0.60 m where laps are of up to 0.40 m: 0.80 m at the least. With 0.30 m it is lapped."""
    spans = [CRACK, span("D-2", 10.55, 10.65)]
    mine = [own("9.70 to 10.30"), own("10.10 to 11.10", "D-2")]
    both = {"verdicts": [MEND, verdict("D-2")], "own": mine}
    found = place(spans, given=lapping("0.6+1.0", lap_most_m=0.4), **both)
    assert found.refused["D-2"].endswith("of two that lap each is at least 0.80 m long")
    found = place(spans, given=lapping("0.6+1.0", lap_most_m=0.3), **both)
    assert found.refused == {}
    # What the lap makes up for is not told: only the open end of D-1 lacks.
    assert found.told["D-1"].count("beside") == 1


def test_a_sleeve_that_only_holds_the_end_of_a_person_s_own_is_for_its_span():
    """D-2 at 10.40..10.60 is only watched: no sleeve is asked for it, but an end may not lie on
    it alone. The one at 10.30..11.30 that laps 9.50..10.50 there is one more for D-1."""
    watched = {**verdict("D-2"), "needs": "watch", "verdict": "watch"}
    found = placed_at(
        "9.50 to 10.50",
        (CRACK, span("D-2", 10.4, 10.6)),
        given=lapping(),
        verdicts=[MEND, watched],
    )
    assert places(found) == [(9.5, 10.5), (10.3, 11.3)]
    assert found.sleeve_spans["span_id"].tolist() == ["D-1", "D-1"]
    assert found.sleeves["allowance_cents"].tolist() == [0, 0]
