"""Lengths cut to measure, laps, sealed ends and the price of doubt, by hand calculation.

As in test_place: overlap 0.30 m and place doubt 0.10 m at each end, so a sleeve reaches
0.40 m beyond the damage; a sleeve 1000.00 up to 1 m and 200.00 a metre more. That a
light-cured sleeve is no longer than the lit part of its packer: common practice, no source.
"""

from __future__ import annotations

import pandas as pd
import pytest
from one_pipe import lateral, pipe, price, span, verdict
from sleeve_supply import REOPEN, SLEEVE, packer, place, places, size, supply, system

from planner.inputs.systems import read_systems
from planner.repairs.place import drop_barred

CRACK = span("D-1", 9.95, 10.05)
METRE = span("D-1", 9.5, 10.5)
LONG = span("D-1", 9.5, 11.0)
MEND = verdict("D-1")


def cut(packers: list | None = None, **more) -> object:
    """A system that is cut from a roll, its sizes without lengths."""
    head = system(**{"supply": "from_roll", **more})
    return supply(systems=[head], sizes=[size(lengths="")], packers=packers or [packer()])


def lapped(lap_m: float | None = 0.1, lengths: str = "1.0+1.5", **more) -> object:
    return supply(systems=[system(lap_m=lap_m, **more)], sizes=[size(lengths=lengths)])


@pytest.mark.parametrize("how", ["from_roll", "mix_on_site"])
def test_what_is_cut_is_as_long_as_asked(how):
    """0.10 m of damage asks 0.90 m, 1.00 m asks 1.80 m: 1000.00 + 0.80 x 200.00."""
    short = place([CRACK], [MEND], given=cut(supply=how))
    assert places(short) == [(9.55, 10.45)]
    long = place([METRE], [MEND], given=cut(supply=how))
    assert places(long) == [(9.1, 10.9)]
    assert long.sleeves.iloc[0]["cost_cents"] == 1_160_00


@pytest.mark.parametrize(
    ("more", "length"),
    [
        ({"cut_step_m": 0.25}, 1.0),  # 0.50, 0.75, 1.00: the first of at least 0.90 m
        ({"cut_step_m": 0.2, "least_m": 0.7}, 0.9),  # 0.70, 0.90
        ({"least_m": 1.35}, 1.35),  # nothing shorter is made
    ],
)
def test_a_system_has_its_own_step_and_least_length(more, length):
    """Asked are 0.90 m."""
    placed = place([CRACK], [MEND], given=cut(**more))
    assert placed.sleeves.iloc[0]["length_m"] == pytest.approx(length)


def test_the_longest_cut_is_what_the_packer_carries_or_lights():
    """1.80 m asked: a packer of 1.83 m carries it off the step; one that lights 1.5 m does not."""
    row = place([METRE], [MEND], given=cut([packer(usable_m=1.83)], cut_step_m=0.5)).sleeves.iloc[0]
    assert row["length_m"] == pytest.approx(1.83)
    lamps = [packer(cures="light", lit_m=1.5)]
    why = place([METRE], [MEND], given=cut(lamps, cure="light")).left_over.iloc[0]["reason"]
    assert "needs 1.80 m" in why
    assert "has 1.50 m" in why
    # Heat needs no lamp.
    other = [packer(cures="heat+light", lit_m=1.5)]
    assert len(place([METRE], [MEND], given=cut(other, cure="heat")).sleeves) == 1


def test_listed_lengths_are_kept_and_the_least_holds_for_them_too():
    """A roll with lengths comes in these; 0.6 and 1.0 m are below the least of 1.2 m."""
    given = supply(systems=[system(supply="from_roll")])
    assert places(place([CRACK], [MEND], given=given)) == [(9.5, 10.5)]
    given = supply(systems=[system(least_m=1.2)])
    assert place([CRACK], [MEND], given=given).sleeves.iloc[0]["length_m"] == 2.0


def test_only_what_is_made_before_must_list_its_lengths():
    """The file is told of it in one line; a roll without lengths is read."""
    row = {"dn_from_mm": 150, "dn_to_mm": 300, "wall_mm": 4.5, "plies": 3, "resin_kg_per_l": 1.05}
    head = {"cure": "heat", "carrier": "felt", "set_by": "camera", "size": [row]}
    roll, made = {"supply": "from_roll"}, {"supply": "made_before"}
    read = read_systems(
        {"system": [{"system": "r", **roll, **head}, {"system": "m", **made, **head}]}
    )
    assert list(read.system_sizes["system"]) == ["r"]
    assert [one.wanted for one in read.faults] == [
        "the lengths that it is made in, e.g. [0.5, 1.0]"
    ]


def test_two_sleeves_lap_over_damage_that_one_is_too_short_for():
    """1.50 m asks 2.30 m: 1.0 + 1.5 m less a lap of 0.10 m and 0.10 m of doubt reach just that."""
    placed = place([LONG], [MEND], given=lapped())
    assert places(placed) == [(9.1, 10.1), (9.9, 11.4)]
    first, second = placed.sleeves.to_dict("records")
    assert (first["lap_ds_m"], second["lap_us_m"]) == (pytest.approx(0.2), pytest.approx(0.2))
    assert pd.isna(first["lap_us_m"])
    assert pd.isna(first["overlap_ds_m"])
    assert first["overlap_us_m"] == pytest.approx(0.30)
    assert (first["cost_cents"], second["cost_cents"]) == (1_000_00, 1_100_00)
    assert list(placed.sleeve_spans["span_id"]) == ["D-1", "D-1"]
    # 9.1 to 11.4 m of 40 m: what lies under both counts once.
    assert placed.pipe_totals.iloc[0]["sleeved_ratio"] == pytest.approx(2.3 / 40)


def test_a_lap_that_nobody_states_is_not_allowed():
    """Unknown is none."""
    placed = place([LONG], [MEND], given=lapped(None))
    assert placed.sleeves.empty
    assert "needs 2.30 m" in placed.left_over.iloc[0]["reason"]


def test_a_run_lies_in_the_middle_of_its_slack():
    """Two of 1.5 m less 0.2 m are 2.8 m for 2.3 m: 0.25 m more at each end."""
    placed = place([LONG], [MEND], given=lapped(lengths="1.5"))
    assert places(placed) == [(8.85, 10.35), (10.15, 11.65)]


def test_of_a_lap_between_two_figures_the_least_is_taken():
    """0.2 m asked, up to 0.6 m allowed: nothing calls for more."""
    placed = place([LONG], [MEND], given=lapped(lengths="1.5", lap_most_m=0.6))
    assert places(placed) == [(8.85, 10.35), (10.15, 11.65)]


def test_a_lap_keeps_clear_of_a_lateral_too():
    """At 10.10 m, closed: no end from 9.875 to 10.325, so the long sleeve comes first."""
    placed = place([LONG], [MEND], given=lapped(), laterals=[lateral(10.1, "closed")])
    assert places(placed) == [(9.1, 10.6), (10.4, 11.4)]


def test_with_one_of_a_run_its_neighbour_goes_too():
    """Alone it would end on unsound pipe; its span is left over once."""
    placed = place([LONG], [MEND], given=lapped())
    kept = drop_barred(placed, placed.sleeves[["sleeve_id"]].iloc[1:])
    assert kept.sleeves.empty
    assert list(kept.left_over["key"]) == ["D-1"]


@pytest.mark.parametrize(
    ("seal", "cost"),
    [([], 1_000_00), ([price("end_seal", 80_00)], 1_080_00)],
)
def test_an_end_at_a_manhole_costs_its_sealing(seal, cost):
    """0.15..0.25 m: from the wall to 1.00 m; where no sealing is priced it is in the sleeve's."""
    near = span("D-1", 0.15, 0.25)
    row = place([near], [MEND], given=supply(prices=[SLEEVE, REOPEN, *seal])).sleeves.iloc[0]
    assert (row["end"], row["cost_cents"]) == ("us_manhole", cost)


def test_a_sealing_priced_for_other_sizes_only_leaves_the_sleeve_without_a_cost():
    """Not costed, never costed at nothing; one in the open pipe is."""
    other = {**price("end_seal", 80_00), "dn_from_mm": 400.0, "dn_to_mm": 600.0}
    given = supply(prices=[SLEEVE, REOPEN, other])
    assert pd.isna(place([span("D-1", 0.15, 0.25)], [MEND], given=given).sleeves["cost_cents"][0])
    assert place([CRACK], [MEND], given=given).sleeves["cost_cents"][0] == 1_000_00


def test_from_wall_to_wall_both_ends_are_sealed():
    """1000.00 + 2 x 80.00."""
    given = supply(prices=[SLEEVE, REOPEN, price("end_seal", 80_00)])
    placed = place([span("D-1", 0.45, 0.55)], [MEND], given=given, pipes=[pipe(length_m=1.0)])
    assert placed.sleeves["cost_cents"][0] == 1_160_00


@pytest.mark.parametrize(
    ("damage", "cents"),
    [
        # Asked 0.90 m, without doubt 0.70 m: 1.0 m of stock either way.
        (CRACK, 0),
        # Asked 1.05 m, so 2.0 m; without doubt 0.85 m, so 1.0 m: 200.00 less.
        (span("D-1", 9.9, 10.15), 200_00),
        # 1.00 m assumed from a point: asked 1.80 m; the point alone 0.60 m.
        ({**METRE, "extent_from": "assumed", "counter_node": "p1-a"}, 200_00),
    ],
)
def test_what_the_doubt_costs(damage, cents):
    """Price with the length bought for doubt against without: 0 where the stock is the same."""
    assert place([damage], [MEND]).sleeves["allowance_cents"][0] == cents


def test_without_doubt_a_lateral_may_need_no_opening():
    """Asked 9.10..10.90 covers the lateral at 10.75; without doubt a cut ends at 10.50 or so.

    Damage 9.50..10.20, so 9.10..10.60 and, clear of the lateral's zone 10.525..10.975, up to
    10.98 at 1000.00 + 0.90 x 200.00 + 150.00. Without doubt 9.20..10.50: 1.30 m for 1060.00.
    """
    placed = place([span("D-1", 9.5, 10.2)], [MEND], given=cut(), laterals=[lateral(10.75)])
    row = placed.sleeves.iloc[0]
    assert (row["laterals_count"], row["cost_cents"]) == (1, 1_330_00)
    assert row["allowance_cents"] == 1_330_00 - 1_060_00


def test_the_doubt_of_a_run_stands_on_its_first_sleeve():
    """Asked 2.30 m, without doubt 2.10 m: 1.0 + 1.5 m less 0.1 m either way."""
    placed = place([LONG], [MEND], given=lapped())
    assert list(placed.sleeves["allowance_m"]) == [pytest.approx(0.2), 0.0]
    assert list(placed.sleeves["allowance_cents"]) == [0, 0]


def test_what_has_no_price_has_no_price_of_doubt():
    """Blank, not 0."""
    placed = place([CRACK], [MEND], given=supply(prices=[REOPEN]))
    assert pd.isna(placed.sleeves["allowance_cents"][0])
