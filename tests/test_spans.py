"""Defects at one place as one span: joins, extents, figures, what is lent, ids."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from planner.contracts import DEFECTS, SPANS
from planner.ground.ids import NOTHING_KNOWN, KnownIds, learn
from planner.held import Held
from planner.screening.places import joined
from planner.screening.span_kernel import BITS
from planner.screening.span_measure import Sets
from planner.screening.spans import Spanned, id_rows
from tests.filmed import SETTINGS, Row, Town, pipe, row, run, spans_of, town


def spanned(*coded: Row, **head: Any) -> Spanned:
    return town(coded, **head).spans()


def damage(found: Spanned) -> pd.DataFrame:
    return found.spans[found.spans["role"] == "damage"].reset_index(drop=True)


def places(found: Spanned) -> list[tuple[float, float, str]]:
    spans = damage(found)
    return [
        (round(a, 6), round(b, 6), m)
        for a, b, m in zip(spans["from_m"], spans["to_m"], spans["mechanisms"], strict=True)
    ]


def crack(s_m: float, **more: Any) -> Row:
    return row(s_m, "BAB", "B", "A", q1="2", clock=3, **more)


def joint(s_m: float, **more: Any) -> Row:
    return row(s_m, "BAJ", "B", q1="10", joint=True, **more)


def test_rows_at_one_joint_are_one_span() -> None:
    """Offset, leak and roots at 20 m: one repair, 0.1 m centred."""
    found = spanned(
        joint(20.0), row(20.0, "BBF", "C", joint=True), row(20.0, "BBA", "B", q1="5", joint=True)
    )
    assert places(found) == [(19.95, 20.05, "infiltration+joint_offset+roots")]
    span = damage(found).iloc[0]
    assert (span["kind"], span["extent_from"], span["at_joint"]) == ("point", "coded", True)
    assert (span["offset_mm_low"], span["offset_mm_high"]) == (10.0, 10.0)
    assert (span["leak_level_low"], span["roots_pct_high"], span["root_kind"]) == (4.0, 5.0, "fine")


@pytest.mark.parametrize(("gap", "count"), [(0.15, 1), (0.16, 2)])
def test_stations_touch_after_fifteen_centimetres(gap: float, count: int) -> None:
    """0.15 m apart is one place, 0.16 m apart are two; joint extents do not bridge."""
    assert len(damage(spanned(joint(20.0), joint(20.0 + gap)))) == count


def test_an_assumed_extent_joins_nothing_but_lengthens() -> None:
    """Cracks at 20.0 and 20.5 m each run 1 m on by assumption: two spans that overlap."""
    found = spanned(crack(20.0), crack(20.5))
    assert places(found) == [(20.0, 21.0, "crack"), (20.5, 21.5, "crack")]
    assert set(damage(found)["extent_from"]) == {"assumed"}


def test_coded_stretches_that_touch_are_one() -> None:
    """28.05-29.55 and 29.05-30.55 m overlap; a break at 30.7 m touches the end."""
    found = spanned(
        crack(28.05, mark="A4"), crack(29.05, mark="A5"), crack(29.55, mark="B4"),
        crack(30.55, mark="B5"), row(30.7, "BAC", "A", q1="100"),
    )  # fmt: skip
    assert places(found) == [(28.05, 30.8, "break+crack")]
    assert damage(found)["kind"].tolist() == ["stretch"]
    assert damage(found)["extent_from"].tolist() == ["quantity"]


def test_a_measured_length_joins() -> None:
    """A hole of 400 mm from 20.0 m reaches 20.4 m; a crack at 20.5 m touches it."""
    found = spanned(row(20.0, "BAC", "B", q1="400"), crack(20.5))
    assert places(found) == [(20.0, 21.5, "crack+missing_wall")]


def test_damage_on_two_pipes_is_never_joined() -> None:
    """The same station on two pipes."""
    both = Town(
        [pipe("P", "U", "D", stated_m=50.0), pipe("Q", "D", "E", stated_m=50.0)],
        [
            (run("I", "P", surveyed_m=50.0), [joint(20.0)]),
            (run("J", "Q", "D", surveyed_m=50.0), [joint(20.0)]),
        ],
    )
    assert both.spans().spans["pipe_id"].tolist() == ["P", "Q"]


def test_soil_seen_joins_the_damage_at_its_station() -> None:
    """A hole of 500 mm, soil at the hole: one span of 0.5 m; the soil adds no length.

    Worked coding of one spot as DWA code texts (2025) print it: BAC B, 500; BAO.
    """
    found = spanned(row(20.0, "BAC", "B", q1="500", clock=(10, 11)), row(20.0, "BAO"))
    assert places(found) == [(20.0, 20.5, "missing_wall")]
    assert damage(found)["soil_visible"].tolist() == [True]
    assert damage(found)["void_visible"].tolist() == [False]
    assert found.span_rows["part"].tolist() == ["own", "flag"]


def test_a_void_alone_is_damage() -> None:
    """Without a parent within 0.15 m it is a span of its own."""
    found = spanned(row(10.0, "BAC", "B", q1="100"), row(30.0, "BAP"))
    assert places(found) == [(10.0, 10.1, "missing_wall"), (30.0, 31.0, "void_visible")]
    assert damage(found)["void_visible"].tolist() == [False, True]


def test_a_flag_between_two_damages_joins_the_nearer_and_bridges_nothing() -> None:
    """Joints at 20.0 and 20.2 m are two places; soil at 20.12 m is nearer to the second."""
    found = spanned(joint(20.0), joint(20.2), row(20.12, "BAO"))
    assert damage(found)["soil_visible"].tolist() == [False, True]


def test_conditions_are_spans_of_their_own_and_lend() -> None:
    """Deposits of 10 to 30 m: the crack at 20 m lies in them, the one at 40 m does not."""
    found = spanned(
        crack(20.0), crack(40.0),
        row(10.0, "BBC", "C", q1="10", mark="A1"), row(30.0, "BBC", "C", q1="20", mark="B1"),
    )  # fmt: skip
    spans = found.spans.sort_values("from_m").reset_index(drop=True)
    assert spans["role"].tolist() == ["condition", "damage", "damage"]
    assert spans["mechanisms"].tolist() == ["deposit_settled", "crack", "crack"]
    assert spans["lent"].tolist() == ["", "deposit_settled", ""]
    assert spans["deposit_pct_high"].tolist()[:2] == [20.0, 20.0]
    assert np.isnan(spans["deposit_pct_high"][2])
    assert spans["deposit_kind"].tolist() == ["hard", "hard", ""]
    lent = found.span_rows[found.span_rows["part"] == "lent"]
    assert lent["observation_id"].tolist() == ["I/4"]


def test_unlike_conditions_are_not_joined_and_like_ones_are() -> None:
    """Deposits 10-20 and 20-30 m are one; a sag over both is another."""
    found = spanned(
        row(10.0, "BBC", "A", q1="5", mark="A1"), row(20.0, "BBC", "A", q1="5", mark="B1"),
        row(20.0, "BBC", "A", q1="15", mark="A2"), row(30.0, "BBC", "A", q1="15", mark="B2"),
        row(10.0, "BDD", "A", q1="30", mark="A3"), row(30.0, "BDD", "A", q1="30", mark="B3"),
    )  # fmt: skip
    spans = found.spans.sort_values("mechanisms")
    assert spans["mechanisms"].tolist() == ["deposit_settled", "sag"]
    assert spans["deposit_pct_low"].tolist()[0] == 15.0
    assert spans["sag_pct_low"].tolist()[1] == 30.0


def test_a_blank_figure_leaves_the_upper_end_open() -> None:
    """Offsets of 10 mm and of unknown size at one joint: at least 10 mm, no upper end."""
    found = spanned(joint(20.0), row(20.0, "BAJ", "B", joint=True))
    span = damage(found).iloc[0]
    assert span["offset_mm_low"] == 10.0
    assert np.isnan(span["offset_mm_high"])
    alone = damage(spanned(row(20.0, "BAJ", "B", joint=True))).iloc[0]
    assert np.isnan([alone["offset_mm_low"], alone["offset_mm_high"]]).all()


def test_shares_of_the_nominal_size() -> None:
    """10 mm of DN 200 = 0.05; 180 mm missing = 0.9; 50-100 mm broken = 0.25 to 0.5."""
    found = damage(
        spanned(joint(5.0), row(15.0, "BAC", "B", q1="180"), row(25.0, "BAC", "A", q1="50-100"))
    )
    assert found["offset_dn_ratio_high"][0] == pytest.approx(0.05)
    assert found["missing_dn_ratio_low"][1] == pytest.approx(0.9)
    assert found["break_dn_ratio_low"][2] == pytest.approx(0.25)
    assert found["break_dn_ratio_high"][2] == pytest.approx(0.5)


def test_an_unknown_size_gives_no_share() -> None:
    """A share of nothing is unknown, not infinite."""
    bare = Town([pipe(dn_mm=None, stated_m=50.0)], [(run(surveyed_m=50.0), [joint(5.0)])])
    assert np.isnan(bare.spans().spans["offset_dn_ratio_high"][0])


def test_a_share_hangs_on_no_other_pipe() -> None:
    """A share is the figure over the size; one that a table writes itself counts nowhere.

    So it is whether or not some other pipe of the table has a figure in millimetres.
    """
    pipes = [pipe("P", stated_m=50.0), pipe("Q", "V", "W", stated_m=50.0)]
    runs = [(run("I"), [row(5.0, "BAB")]), (run("J", "Q", "V"), [joint(5.0)])]
    for some in (1, 2):
        located = Town(pipes[:some], runs[:some]).locate()
        told = located.defects
        own = (told["pipe_id"] == "P").to_numpy()
        share = {"quantity": "offset_dn_ratio", "quantity_low": 5.0, "quantity_high": 5.0}
        told = told.assign(**{n: told[n].where(~own, value) for n, value in share.items()})
        spans = spans_of(replace(located, rows=Held.of(told, DEFECTS))).spans.set_index("pipe_id")
        assert np.isnan(spans["offset_dn_ratio_high"]["P"])


def test_an_unknown_code_is_a_damage_span() -> None:
    """What the tables do not know is for a person, never dropped."""
    found = spanned(row(20.0, "BXQ", "A"))
    assert damage(found)["mechanisms"].tolist() == ["unknown"]


def test_a_lateral_near_by_is_said() -> None:
    """Crack of 20-21 m, doubt 0.3 m: a lateral at 21.35 m (150 mm) is near, at 21.4 m not."""
    near = damage(spanned(crack(20.0), row(21.35, "BCA", "A", "A", q1="150")))
    assert near["at_lateral"].tolist() == [True]
    far = damage(spanned(crack(20.0), row(21.4, "BCA", "A", "A", q1="150")))
    assert far["at_lateral"].tolist() == [False]
    unknown = damage(spanned(crack(20.0), laterals_coded="unknown"))
    assert unknown["at_lateral"].isna().tolist() == [True]


def test_joint_flag_is_three_valued() -> None:
    """One row at a joint makes the span so; unknown beside no is unknown."""
    both = damage(spanned(joint(20.0), crack(20.0)))
    assert both["at_joint"].tolist() == [True]
    unsure = damage(spanned(crack(20.0, joint=None), crack(20.0)))
    assert unsure["at_joint"].isna().tolist() == [True]
    assert damage(spanned(crack(20.0)))["at_joint"].tolist() == [False]


def test_age_of_the_survey_in_months() -> None:
    """From 2025-01-05 to 2026-01-05: 365 days / 30.4375 = 11.99 months; no date: unknown."""
    old = damage(spanned(crack(20.0), date="2025-01-05"))
    assert old["survey_age_months"][0] == pytest.approx(365 / 30.4375)
    assert np.isnan(damage(spanned(crack(20.0), date=""))["survey_age_months"][0])
    assert damage(spanned(crack(20.0), date="2026-03-01"))["survey_age_months"][0] == 0.0
    undated = town([crack(20.0)]).spans(day="")
    assert np.isnan(undated.spans["survey_age_months"][0])


def test_joints_all_along_become_one_point_each() -> None:
    """Displaced joints from 4 to 13 m, unit 2.5 m: joints at 5, 7.5, 10 and 12.5 m."""
    coded = [row(4.0, "BAJ", "B", q1="10", mark="A1"), row(13.0, "BAJ", "B", q1="20", mark="B1")]
    one = Town([pipe(drawn_m=50.8, joint_every_m=2.5)], [(run(surveyed_m=50.0), coded)])
    found = one.spans()
    assert [round(x, 2) for x in found.spans["from_m"]] == [4.95, 7.45, 9.95, 12.45]
    assert set(found.spans["kind"]) == {"point"}
    assert set(found.spans["offset_mm_high"]) == {20.0}
    assert set(found.spans["extent_from"]) == {"assumed"}
    assert found.flags["what"].tolist() == ["at joints all along: 4 joints taken at every 2.50 m"]
    assert found.span_rows["observation_id"].tolist() == ["I/2"] * 4


def test_joints_all_along_without_known_joints_are_one_matter() -> None:
    """No unit and no coded joints: one span of kind repeated, which lends."""
    coded = [
        row(4.0, "BAJ", "B", q1="10", mark="A1"), crack(8.0),
        row(13.0, "BAJ", "B", q1="20", mark="B1"),
    ]  # fmt: skip
    found = spanned(*coded)
    spans = found.spans.sort_values("from_m").reset_index(drop=True)
    assert spans["kind"].tolist() == ["repeated", "point"]
    assert (spans["from_m"][0], spans["to_m"][0]) == (4.0, 13.0)
    assert spans["mechanisms"].tolist() == ["joint_offset", "crack"]
    assert spans["lent"].tolist() == ["", "joint_offset"]
    assert spans["offset_mm_high"].tolist() == [20.0, 20.0]
    assert found.flags["what"].tolist() == ["at joints all along, and no joint is known"]


def test_a_bend_of_unknown_angle_all_along_is_one_matter() -> None:
    """What may be a sag is neither many bent joints nor one long damage: a crack in it stays."""
    coded = [
        row(4.0, "BAJ", "C", q1="30", mark="A1"), crack(8.0),
        row(13.0, "BAJ", "C", q1="30", mark="B1"),
    ]  # fmt: skip
    one = Town([pipe(drawn_m=50.8, joint_every_m=2.5)], [(run(surveyed_m=50.0), coded)])
    found = one.spans()
    assert places(found) == [(4.0, 13.0, "joint_angle"), (8.0, 9.0, "crack")]
    assert damage(found)["kind"].tolist() == ["repeated", "point"]
    assert found.flags["what"].tolist() == ["bent by an unknown angle all along: one matter"]


def test_unlike_things_that_recur_stay_apart() -> None:
    """Offsets all along and bends all along: two matters, and neither takes the other's id."""
    bend = [row(s, "BAJ", "C", q1="30", mark=m) for s, m in ((4.0, "A1"), (13.0, "B1"))]
    step = [row(s, "BAJ", "B", q1="10", mark=m) for s, m in ((4.0, "A2"), (13.0, "B2"))]
    found = spanned(*bend, *step)
    assert places(found) == [(4.0, 13.0, "joint_angle"), (4.0, 13.0, "joint_offset")]
    assert set(damage(found)["lent"]) == {""}
    ids = found.spans.set_index("mechanisms")["span_id"]
    later = town(step).spans(known=remember(found))
    assert later.spans["span_id"].tolist() == [ids["joint_offset"]]


def test_a_long_surface_damage_takes_in_what_lies_in_it() -> None:
    """Worn from 5 to 15 m with a crack at 10 m: one span, as the wall is damaged throughout."""
    found = spanned(row(5.0, "BAF", "C", mark="A1"), crack(10.0), row(15.0, "BAF", "C", mark="B1"))
    assert places(found) == [(5.0, 15.0, "crack+surface_loss")]


def test_an_open_stretch_joins_only_at_its_start() -> None:
    """Where it goes is assumed: a joint within the assumed part is a span of its own."""
    found = spanned(row(20.0, "BAF", "C", mark="A1"), joint(30.0), joint(20.1))
    assert places(found) == [
        (20.0, 50.0, "joint_offset+surface_loss"),
        (29.95, 30.05, "joint_offset"),
    ]


def test_what_a_newer_survey_saw_again_makes_no_span() -> None:
    """The older row is left over with the newer run's name."""
    two = Town(
        [pipe(drawn_m=50.8)],
        [
            (run("new", surveyed_m=50.0, date="2025-01-01"), [joint(10.0)]),
            (run("old", surveyed_m=50.0, date="2015-01-01"), [joint(40.0), row(0.0, "BCD")]),
        ],
    )
    found = two.spans()
    assert places(found) == [(9.95, 10.05, "joint_offset")]
    assert found.left_over[["key", "reason"]].to_numpy().tolist() == [
        ["old/2", "older survey: new saw the place again"]
    ]


def test_the_least_sure_and_the_oldest_row_count() -> None:
    """Two part surveys meet: the doubt of the far one, the older day."""
    two = Town(
        [pipe(stated_m=50.0)],
        [
            (run("a", surveyed_m=25.0, complete=False, date="2025-01-05"), [joint(25.0)]),
            (
                run("b", start="D", surveyed_m=24.95, complete=False, date="2024-01-05"),
                [joint(24.95)],
            ),
        ],
    )
    span = two.spans().spans.iloc[0]
    # From D: 0.3 m + 0.8 m doubt of a listed length.
    assert span["find_m"] == pytest.approx(1.1)
    assert span["survey_age_months"] == pytest.approx(731 / 30.4375)


def remember(found: Spanned) -> KnownIds:
    return learn(NOTHING_KNOWN, "span", id_rows(found.spans), found.spans["span_id"])


def test_ids_stay_when_a_row_is_added_or_gone() -> None:
    """A new joint before the others takes a new number; a lost one is named."""
    first = spanned(joint(20.0), joint(30.0))
    assert first.spans["span_id"].tolist() == ["D-000001", "D-000002"]
    known = remember(first)
    again = town([joint(10.0), joint(20.05), joint(30.0)]).spans(known=known)
    assert again.spans["span_id"].tolist() == ["D-000003", "D-000001", "D-000002"]
    less = town([joint(30.0)]).spans(known=known)
    assert less.lost_ids["id"].tolist() == ["D-000001"]


def test_a_condition_takes_no_id_from_damage() -> None:
    """A deposit that turns up over a joint leaves the joint its id."""
    known = remember(spanned(joint(20.0)))
    both: Sequence[Row] = [joint(20.0), row(20.0, "BBB", "A", q1="5", joint=True)]
    found = town(both).spans(known=known).spans.set_index("role")["span_id"]
    assert found.to_dict() == {"damage": "D-000001", "condition": "D-000002"}


def test_an_unknown_kind_of_root_is_not_the_mildest() -> None:
    """Fine roots beside roots of a kind not coded."""
    fine, unknown = (row(20.0, "BBA", kind, q1="5", joint=True) for kind in ("B", "Y"))
    assert damage(spanned(fine, unknown))["root_kind"].tolist() == ["fine+unknown"]
    assert damage(spanned(unknown))["root_kind"].tolist() == [""]


def test_no_defects_give_no_spans() -> None:
    """A sound pipe has none, and the table obeys its contract."""
    found = spanned(row(0.0, "BCD"), row(50.0, "BCE"))
    assert found.spans.empty
    assert list(found.spans.columns) == SPANS.names
    assert found.span_rows.empty


def test_each_role_makes_what_it_should() -> None:
    """Nodes, laterals, repairs and remarks make no span."""
    found = spanned(
        row(0.0, "BCD"), row(5.0, "BCA", "A", "A"), row(8.0, "BCB", "B"), row(9.0, "BDB"),
        row(20.0, "BDC", "A"),
    )  # fmt: skip
    assert found.spans.empty
    assert spans_of(town([row(5.0, "BBE", "A", q1="10")]).locate(), SETTINGS).spans[
        "role"
    ].tolist() == ["condition"]


@pytest.mark.parametrize("count", [1, 3, 63, 64, 65, 130])
def test_the_words_of_a_place_are_joined_in_order_each_once(count: int) -> None:
    """By sets of Python, for fewer and more words than a whole number has bits."""
    draw = np.random.default_rng(count)
    words = sorted(f"w{number}" for number in range(count))
    chosen = [{int(one) for one in draw.integers(0, count, draw.integers(0, 9))} for _ in range(21)]
    sets = np.zeros((-(-count // BITS), 21), dtype=np.int64)
    for place, some in enumerate(chosen):
        for at in some:
            sets[at // BITS, place] |= np.int64(1) << np.int64(at % BITS)
    room = Sets(np.zeros(0, dtype=np.int32), sets, np.array([21]))
    told = joined(room, words)[np.arange(21)].column().tolist()
    assert told == ["+".join(sorted(words[at] for at in some)) for some in chosen]
