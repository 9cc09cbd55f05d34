"""Sleeves where they belong, by hand calculation.

Throughout: overlap 0.30 m and place doubt 0.10 m at each end, so a sleeve reaches
0.40 m beyond the damage; ends 0.30 m clear of a wall; sleeves 0.50 m apart; lengths
0.6, 1.0, 2.0 m; a sleeve 1000.00 up to 1 m and 200.00 a metre more, reopening 150.00.
"""

from __future__ import annotations

import pandas as pd
import pytest
from one_pipe import lateral, pipe, price, span, verdict
from sleeve_supply import REOPEN, SLEEVE, SLEEVING, packer, place, places, size, supply, system

from planner.contracts import DEFECTS
from planner.errors import TableError
from planner.repairs.place import drop_barred
from planner.tables import conform

CRACK = span("D-1", 9.95, 10.05)
MEND = verdict("D-1")


def only(placed) -> dict:
    assert len(placed.sleeves) == 1
    return placed.sleeves.iloc[0].to_dict()


def reason(placed, key: str = "D-1") -> str:
    left = placed.left_over
    assert len(left[left["key"] == key]) == 1
    return str(left.loc[left["key"] == key, "reason"].iloc[0])


def test_a_point_gets_the_shortest_length_that_reaches_in_the_middle_of_its_slack():
    """0.10 m of damage asks 0.90 m; 0.6 m is too short; 1.0 m has 0.10 m of slack, shared."""
    placed = place([CRACK], [MEND])
    row = only(placed)
    assert places(placed) == [(9.5, 10.5)]
    assert (row["length_m"], row["system"], row["end"]) == (1.0, "felt", "pipe")
    # 9.95 - 9.50 = 0.45 m beside the damage, of which 0.10 m is doubt.
    assert row["overlap_us_m"] == pytest.approx(0.35)
    assert row["overlap_ds_m"] == pytest.approx(0.35)
    assert row["allowance_m"] == pytest.approx(0.20)
    assert row["cost_cents"] == 1_000_00
    assert placed.sleeve_spans.to_dict("records") == [
        {"sleeve_id": "S-000001", "span_id": "D-1"},
    ]
    assert placed.left_over.empty


def test_the_same_pipe_counted_from_its_other_end_gets_the_same_sleeves():
    """40 m: 9.50..10.50 and 20.40..22.40 become 29.50..30.50 and 17.60..19.60."""
    spans = [CRACK, span("D-2", 21.2, 21.6)]
    there = place(spans, [MEND, verdict("D-2")], laterals=[lateral(20.2)])
    turned = [span("D-1", 29.95, 30.05), span("D-2", 18.4, 18.8)]
    back = place(turned, [MEND, verdict("D-2")], laterals=[lateral(19.8)])
    assert places(there) == [(9.5, 10.5), (20.43, 22.43)]
    assert places(back) == [(17.57, 19.57), (29.5, 30.5)]


def test_totals_of_a_pipe_count_sleeves_and_their_share():
    """One sleeve of 1 m on a pipe of 40 m is 0.025 of it."""
    totals = place([CRACK], [MEND]).pipe_totals
    assert totals.to_dict("records") == [
        {"pipe_id": "p1", "sleeves_count": 1, "sleeved_ratio": pytest.approx(0.025)}
    ]


@pytest.mark.parametrize(
    ("start", "end", "place_", "where"),
    [
        # Demand -0.25..0.65: no room for the overlap, so from the wall on.
        (0.15, 0.25, (0.0, 1.0), "us_manhole"),
        # Demand 0.20..1.10 would start within 0.30 m of the wall: 1.10 m from it, 2.0 m.
        (0.60, 0.70, (0.0, 2.0), "us_manhole"),
        # Demand 0.30..1.20 fits without the wall; no slack to the left but 0.10 to the right.
        (0.70, 0.80, (0.3, 1.3), "pipe"),
        # The same at the other end of 40 m: demand 39.35..40.25.
        (39.75, 39.85, (39.0, 40.0), "ds_manhole"),
        (39.20, 39.30, (38.7, 39.7), "pipe"),
    ],
)
def test_near_a_manhole_a_sleeve_ends_at_its_wall_or_stays_clear(start, end, place_, where):
    """An end lies at the wall itself, as such, or at least 0.30 m from it."""
    placed = place([span("D-1", start, end)], [MEND])
    assert places(placed) == [place_]
    assert only(placed)["end"] == where


def test_a_pipe_of_uneven_length_is_ended_at_its_very_wall():
    """40.006 m is 40.00 m on the grid, yet the sleeve ends at 40.006 m."""
    pipes = [pipe(length_m=40.006, laterals_known_to_m=40.006)]
    placed = place([span("D-1", 39.75, 39.85)], [MEND], pipes=pipes)
    row = only(placed)
    assert (row["to_m"], row["end"]) == (40.006, "ds_manhole")
    assert row["from_m"] == pytest.approx(39.006)
    assert row["length_m"] == 1.0


def test_a_sleeve_at_an_uneven_end_still_reaches_over_what_it_serves():
    """A grid that forgot the 6 mm would start at 39.006 m, beyond the 39.00 m asked."""
    pipes = [pipe(length_m=40.006, laterals_known_to_m=40.006)]
    placed = place([span("D-1", 39.40, 39.85)], [MEND], pipes=pipes)
    assert only(placed)["from_m"] == pytest.approx(38.006)
    assert only(placed)["length_m"] == 2.0


def test_one_long_sleeve_over_two_spans_where_that_is_cheaper():
    """Demands 9.55..10.45 and 10.55..11.45: 1.90 m in one of 1200.00 beats 2 x 1000.00."""
    placed = place([CRACK, span("D-2", 10.95, 11.05)], [MEND, verdict("D-2")])
    assert places(placed) == [(9.5, 11.5)]
    assert only(placed)["cost_cents"] == 1_200_00
    assert sorted(placed.sleeve_spans["span_id"]) == ["D-1", "D-2"]


def test_two_short_sleeves_where_that_is_cheaper():
    """At 1500.00 a metre beyond the first, 2 m cost 2500.00: two sleeves it is, 0.5 m apart."""
    dear = supply(prices=[price("sleeve", 1_000_00, 1_500_00, 1.0), REOPEN])
    spans = [CRACK, span("D-2", 11.35, 11.45)]
    placed = place(spans, [MEND, verdict("D-2")], given=dear)
    # Demands 9.55..10.45 and 10.95..11.85: just 0.5 m apart, so both slide outwards.
    assert places(placed) == [(9.45, 10.45), (10.95, 11.95)]
    assert list(placed.sleeves["cost_cents"]) == [1_000_00, 1_000_00]


def test_of_two_that_stand_in_each_others_way_one_is_served_and_the_other_said():
    """Demands 0.3 m apart and no length for both: a gap of 0.5 m leaves one of them."""
    spans = [CRACK, span("D-2", 11.15, 11.25)]
    placed = place(spans, [MEND, verdict("D-2")], given=supply(sizes=[size(lengths="1.0")]))
    assert places(placed) == [(9.5, 10.5)]
    assert "0.50 m clear of those that serve its neighbours" in reason(placed, "D-2")


def test_a_lateral_is_kept_out_of_the_end_zone():
    """Lateral at 10.60, 150 mm: no end in 10.375..10.825, so the right end moves beyond 10.45
    only as far as none: the sleeve of 1 m has no place, that of 2 m takes the lateral in."""
    placed = place([CRACK], [MEND], laterals=[lateral(10.60)])
    row = only(placed)
    # 2.0 m must end at 10.83 or beyond and start by 9.55: slack 1.10 m, shared.
    assert places(placed) == [(9.0, 11.0)]
    assert (row["laterals_count"], row["cost_cents"]) == (1, 1_200_00 + 150_00)
    assert list(placed.sleeve_laterals["lateral_id"]) == ["p1@10.6"]


def test_a_lateral_beside_the_sleeve_pushes_it_aside():
    """Lateral at 10.75: no end in 10.525..10.975; the middle, 10.50, is free of it."""
    placed = place([CRACK], [MEND], laterals=[lateral(10.75)])
    assert places(placed) == [(9.5, 10.5)]
    # Its edge lies at 10.675 m.
    assert only(placed)["lateral_edge_m"] == pytest.approx(0.175)
    placed = place([CRACK], [MEND], laterals=[lateral(10.70)])
    # Zone 10.475..10.925: the end goes back to 10.47.
    assert places(placed) == [(9.47, 10.47)]


@pytest.mark.parametrize(("state", "count"), [("open", 1), ("unknown", 1), ("closed", 0)])
def test_only_a_live_lateral_is_reopened_and_an_unknown_one_is_live(state, count):
    """A lateral in the middle of the damage is covered; a closed one stays closed."""
    placed = place([span("D-1", 9.5, 10.5)], [MEND], laterals=[lateral(10.0, state)])
    assert only(placed)["laterals_count"] == count
    assert only(placed)["cost_cents"] == 1_200_00 + count * 150_00
    assert len(placed.sleeve_laterals) == count


def test_unsound_pipe_beside_the_damage_is_taken_in():
    """A crack to be watched at 10.30..10.40 is no ground for an end: to 10.80 at least."""
    watched = verdict("D-2", needs="watch", verdict="watch")
    placed = place([CRACK, span("D-2", 10.30, 10.40)], [MEND, watched])
    # Demand 9.55..10.45 grows to 10.80: 2.0 m, slack 0.40 left and 0.35 + 0.40 right.
    assert places(placed) == [(9.0, 11.0)]
    # It is covered, but it was not asked for.
    assert list(placed.sleeve_spans["span_id"]) == ["D-1"]


@pytest.mark.parametrize("state", ["closed", "asked"])
def test_a_span_without_an_open_sleeve_lies_in_none(state):
    """The same neighbour, sleeve closed or asked: there is no sound overlap, so no sleeve."""
    other = verdict("D-2", sleeve=state, verdict="dig")
    placed = place([CRACK, span("D-2", 10.30, 10.40)], [MEND, other])
    assert placed.sleeves.empty
    assert "would lie on D-2 at 10.30 to 10.40 m, where none may lie" in reason(placed)


def test_the_reason_names_the_unsound_neighbour_and_not_the_span_itself():
    """A long crack to be watched at 10.30..12.00 leaves no end for 2.0 m: 9.55 to 12.40."""
    watched = verdict("D-2", needs="watch", verdict="watch")
    placed = place([CRACK, span("D-2", 10.30, 12.00)], [MEND, watched])
    assert placed.sleeves.empty
    assert reason(placed) == (
        "every place for felt at DN 200 lacks 0.30 m of sound pipe at an end, "
        "beside D-2 at 10.30 to 12.00 m"
    )


def test_the_reason_names_the_laterals_in_the_way():
    """Laterals every 0.4 m from 8 to 12 m: their zones of 0.45 m leave no place for an end."""
    taps = [lateral(round(8.0 + 0.4 * at, 1)) for at in range(11)]
    why = reason(place([CRACK], [MEND], laterals=taps))
    assert "ends within 0.15 m of a lateral (8.00 m, 8.40 m" in why


def test_deposits_to_be_cleaned_bar_no_sleeve():
    """A condition that is only maintained does not stand in the way."""
    dirt = {**span("D-2", 5.0, 20.0), "role": "condition", "mechanisms": "deposit_settled"}
    clean = verdict("D-2", needs="maintain", sleeve="closed", verdict="maintain")
    assert places(place([CRACK, dirt], [MEND, clean])) == [(9.5, 10.5)]
    judge = verdict("D-2", needs="unknown", sleeve="asked", verdict="refer")
    assert place([CRACK, dirt], [MEND, judge]).sleeves.empty


def test_an_earlier_repair_is_neither_ended_on_nor_covered():
    """An earlier repair at 10.30..10.80 leaves no sound pipe beside the crack."""
    row = {
        "observation_id": "o1",
        "inspection_id": "i1",
        "pipe_id": "p1",
        "mechanism": "existing_repair",
        "role": "place",
        "kind": "stretch",
        "extent_from": "coded",
        "counter_node": "p1-a",
        "counter_m": 10.3,
        "find_m": 0.3,
        "x_from_m": 10.3,
        "x_to_m": 10.8,
        "from_m": 10.3,
        "to_m": 10.8,
        "row": 1,
        "file": "f",
        "code": "BCB",
        "stretch": "",
        "s_m": 10.3,
    }
    placed = place([CRACK], [MEND], defects=conform([row], DEFECTS))
    assert placed.sleeves.empty
    assert "an earlier repair at 10.30 to 10.80 m" in reason(placed)


def test_damage_longer_than_the_longest_sleeve_is_left_with_figures():
    """2.00 m of damage ask 2.80 m; there are 2.00 m."""
    placed = place([span("D-1", 9.0, 11.0)], [MEND])
    assert placed.sleeves.empty
    why = reason(placed)
    assert "needs 2.80 m (2.00 m of damage" in why
    assert "the longest sleeve of felt at DN 200 has 2.00 m" in why


def test_the_packer_limits_the_length():
    """A packer of 1.5 m carries no sleeve of 2.0 m."""
    short = supply(packers=[packer(usable_m=1.5)])
    why = reason(place([span("D-1", 9.5, 10.5)], [MEND], given=short))
    assert "the longest sleeve of felt at DN 200 has 1.00 m" in why


@pytest.mark.parametrize(
    ("given", "why"),
    [
        (supply(systems=[]), "no sleeve system is given"),
        (supply(sizes=[size(dn_to_mm=180.0)]), "felt does not come for DN 200"),
        (supply(packers=[packer(cures="light")]), "no packer is given for DN 200 and ambient"),
        (supply(packers=[packer(usable_m=0.5)]), "carries the shortest length of felt"),
    ],
)
def test_without_a_system_or_a_packer_the_reason_says_so(given, why):
    """A span stays in the books whatever is missing."""
    assert why in reason(place([CRACK], [MEND], given=given))


@pytest.mark.parametrize(
    ("pipes", "why"),
    [
        ([pipe(dn_mm=None)], "nominal size of the pipe is not known"),
        ([pipe(length_m=None)], "length of the pipe is not known"),
        ([pipe(placing="stopped")], "differ too much"),
    ],
)
def test_a_pipe_that_cannot_be_measured_keeps_its_span(pipes, why):
    """No size, no length, or too great a mismatch: nothing is placed, and it is said."""
    placed = place([CRACK], [MEND], pipes=pipes)
    assert placed.sleeves.empty
    assert why in reason(placed)


@pytest.mark.parametrize(
    "other",
    [
        verdict("D-1", needs="watch"),
        verdict("D-1", sleeve="closed"),
        verdict("D-1", sleeve="asked"),
    ],
)
def test_no_sleeve_where_none_is_asked_for(other):
    """Only needs mend with an open sleeve asks for one."""
    placed = place([CRACK], [other])
    assert placed.sleeves.empty
    assert placed.left_over.empty


def test_a_mended_span_asks_for_nothing():
    """An accepted sleeve is over it already."""
    placed = place([{**CRACK, "state": "mended"}], [MEND])
    assert placed.sleeves.empty
    assert placed.left_over.empty


def test_what_repeats_all_along_is_no_matter_for_a_sleeve():
    """Without known joints a repeated defect belongs to the whole pipe."""
    placed = place([{**span("D-1", 5.0, 30.0), "kind": "repeated"}], [MEND])
    assert placed.sleeves.empty
    assert "a matter for the whole pipe" in reason(placed)


def test_the_cheaper_system_serves():
    """glass at 900.00 goes before felt at 1000.00."""
    cheap = {**SLEEVE, "price_id": "g", "system": "glass", "each_cents": 900_00}
    given = supply(
        systems=[system(), system("glass")],
        sizes=[size(), size("glass")],
        prices=[SLEEVE, cheap, REOPEN],
    )
    row = only(place([CRACK], [MEND], given=given))
    assert (row["system"], row["cost_cents"]) == ("glass", 900_00)


def test_a_known_price_goes_before_an_unknown_one():
    """aramid has no price; felt has one, however high."""
    felt = {**SLEEVE, "system": "felt", "each_cents": 90_000_00}
    given = supply(
        systems=[system("aramid"), system()], sizes=[size("aramid"), size()], prices=[felt]
    )
    assert only(place([CRACK], [MEND], given=given))["system"] == "felt"


def test_a_system_that_serves_more_spans_goes_before_a_cheaper_one():
    """The cheap one has no length for the second span."""
    cheap = {**SLEEVE, "price_id": "g", "system": "glass", "each_cents": 100_00}
    given = supply(
        systems=[system(), system("glass")],
        sizes=[size(), size("glass", lengths="1.0")],
        prices=[SLEEVE, cheap, REOPEN],
    )
    placed = place([CRACK, span("D-2", 20.0, 21.0)], [MEND, verdict("D-2")], given=given)
    assert list(placed.sleeves["system"]) == ["felt", "felt"]
    assert placed.left_over.empty


def test_without_a_price_a_sleeve_is_placed_and_not_costed():
    """Blank, never nothing."""
    placed = place([CRACK], [MEND], given=supply(prices=[REOPEN]))
    assert places(placed) == [(9.5, 10.5)]
    assert pd.isna(only(placed)["cost_cents"])


def test_without_a_price_for_reopening_only_what_needs_it_is_not_costed():
    """A sleeve over a live lateral has no cost; one beside it has."""
    spans, verdicts = [CRACK, span("D-2", 20.0, 21.0)], [MEND, verdict("D-2")]
    given = supply(prices=[SLEEVE])
    costs = place(spans, verdicts, given=given, laterals=[lateral(20.5)]).sleeves["cost_cents"]
    assert costs.iloc[0] == 1_000_00
    assert pd.isna(costs.iloc[1])


def test_a_packer_set_by_the_counter_asks_for_more_length():
    """find_m 0.3 stands in for 0.10: 0.10 + 2 x 0.60 = 1.30 m, so 2.0 m."""
    row = only(place([CRACK], [MEND], given=supply(systems=[system(set_by="counter")])))
    assert row["length_m"] == 2.0
    assert row["allowance_m"] == pytest.approx(0.6)


def test_the_systems_own_overlap_counts_where_it_is_larger():
    """0.45 m asked by the system: 0.10 + 2 x 0.55 = 1.20 m, so 2.0 m."""
    row = only(place([CRACK], [MEND], given=supply(systems=[system(overlap_m=0.45)])))
    assert row["length_m"] == 2.0
    # 9.00..11.00 around 9.95..10.05: 0.95 m on each side, less 0.10 m doubt.
    assert row["overlap_us_m"] == pytest.approx(0.85)


@pytest.mark.parametrize(("node", "counter"), [("p1-a", 9.0), ("p1-b", 29.0)])
def test_the_counter_runs_from_where_the_camera_did(node, counter):
    """40 m of pipe, sleeve 9..11 m: 9 m from one manhole, 29 m from the other."""
    placed = place([{**span("D-1", 9.5, 10.5), "counter_node": node}], [MEND])
    row = only(placed)
    assert places(placed) == [(9.0, 11.0)]
    assert (row["counter_node"], row["counter_m"]) == (node, pytest.approx(counter))


def test_an_assumed_extent_is_shown_as_allowance():
    """1.00 m assumed from a coded point: 0.20 m of doubt and 1.00 m could be saved by a look."""
    long = {**span("D-1", 9.5, 10.5), "extent_from": "assumed", "counter_node": "p1-a"}
    assert only(place([long], [MEND]))["allowance_m"] == pytest.approx(1.2)
    assert only(place([{**long, "counter_node": "p1-b"}], [MEND]))["allowance_m"] == (
        pytest.approx(1.2)
    )


@pytest.mark.parametrize(
    ("known_to", "unknown"), [(40.0, False), (10.6, False), (10.4, True), (None, True)]
)
def test_where_laterals_are_not_known_is_said(known_to, unknown):
    """Sleeve 9.5..10.5 m; laterals known from 0 to so far."""
    pipes = [pipe(laterals_known_to_m=known_to)]
    assert only(place([CRACK], [MEND], pipes=pipes))["laterals_unknown"] == unknown


def test_a_barred_sleeve_is_placed_again_another_way():
    """One sleeve over two spans is ruled out: two sleeves take its place."""
    spans, verdicts = [CRACK, span("D-2", 11.35, 11.45)], [MEND, verdict("D-2")]
    given = supply(sizes=[size(lengths="1.0+2.5")])
    once = place(spans, verdicts, given=given)
    assert len(once.sleeves) == 1
    again = place(spans, verdicts, given=given, barred=once.sleeves[["sleeve_id"]])
    assert places(again) == [(9.45, 10.45), (10.95, 11.95)]


def test_a_barred_sleeve_that_takes_in_one_span_only_leaves_it():
    """Sliding it by a centimetre is no other sleeve."""
    once = place([CRACK], [MEND])
    again = place([CRACK], [MEND], barred=once.sleeves[["sleeve_id"]])
    assert again.sleeves.empty
    assert "a rule about sleeves forbids felt" in reason(again)


def test_a_barred_sleeve_at_a_manhole_is_not_placed_again():
    """The wall clips what it takes in, and so the stretch that is barred."""
    pipes = [pipe(length_m=40.006)]
    for where in (span("D-1", 0.15, 0.25), span("D-1", 39.75, 39.85)):
        once = place([where], [MEND], pipes=pipes)
        again = place([where], [MEND], pipes=pipes, barred=once.sleeves[["sleeve_id"]])
        assert (len(once.sleeves), len(again.sleeves)) == (1, 0)


def test_what_stays_barred_is_dropped_with_its_reason():
    """Of two sleeves one goes; the books still balance."""
    placed = place([CRACK, span("D-2", 20.0, 20.1)], [MEND, verdict("D-2")])
    kept = drop_barred(placed, placed.sleeves[["sleeve_id"]].iloc[:1])
    assert len(kept.sleeves) == 1
    assert list(kept.sleeve_spans["span_id"]) == ["D-2"]
    assert "S-000001" in reason(kept)
    assert kept.pipe_totals.iloc[0]["sleeves_count"] == 1
    assert kept.pipe_totals.iloc[0]["sleeved_ratio"] == pytest.approx(0.025)


def test_inputs_are_not_changed_and_faults_of_tables_are_named():
    """A step leaves its tables alone and checks them first."""
    before = pd.DataFrame([CRACK]).copy()
    place([CRACK], [MEND])
    assert pd.DataFrame([CRACK]).equals(before)
    with pytest.raises(TableError, match="to_m"):
        place([{**CRACK, "to_m": None}], [MEND])


def test_a_sleeve_may_fill_a_pipe_from_wall_to_wall():
    """1.00 m of pipe with a crack in its middle: both ends at a manhole."""
    pipes = [pipe(length_m=1.0)]
    row = only(place([span("D-1", 0.45, 0.55)], [MEND], pipes=pipes))
    assert (row["from_m"], row["to_m"], row["end"]) == (0.0, 1.0, "both")


def test_a_sleeve_that_misses_a_wall_by_millimetres_does_not_fill_the_pipe():
    """1.00 m of sleeve in 1.006 m of pipe ends at one wall at most."""
    placed = place([span("D-1", 0.45, 0.55)], [MEND], pipes=[pipe(length_m=1.006)])
    assert placed.sleeves.empty
    assert "fits between the walls" in reason(placed)


def test_a_pipe_shorter_than_every_sleeve_says_so():
    """0.5 m of pipe, shortest sleeve 0.6 m."""
    placed = place([span("D-1", 0.2, 0.3)], [MEND], pipes=[pipe(length_m=0.5)])
    assert "fits between the walls of the pipe of 0.50 m" in reason(placed)


def test_settings_bind():
    """With no doubt and half the overlap 0.6 m are enough: 0.10 + 2 x 0.15 = 0.40 m."""
    lean = SLEEVING.model_copy(update={"overlap_m": 0.15, "place_m": 0.0})
    given = supply(systems=[system(overlap_m=None)])
    assert places(place([CRACK], [MEND], given=given, settings=lean)) == [(9.7, 10.3)]
