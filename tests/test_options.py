"""Three methods side by side: what is possible, what it costs, why."""

from __future__ import annotations

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from one_pipe import felt, lateral, pipe, price, prices, sleeve, span, town, verdict

from planner.contracts.repairs import WAYS
from planner.ground.money import money
from planner.repairs.chain import steps_of
from planner.repairs.jobs import jobs_of
from planner.repairs.options import list_options, price_options
from planner.settings import load_settings

SLEEVING = load_settings({}).sleeving
BOOK = prices(
    price("sleeve", 2_000_00),
    price("liner", 1_000_00, per_m=100_00),
    price("dig", 5_000_00, per_m=1_000_00, included_m=2.0),
    price("reopen", 150_00),
    price("setup", 400_00),
    price("cut_roots", 80_00),
)


def options(tables: dict[str, pd.DataFrame], book: pd.DataFrame = BOOK) -> dict[str, dict]:
    found = list_options(tables, book, SLEEVING)
    assert {"dig", "liner", "sleeve"} <= set(found["method"])
    assert not found["method"].duplicated().any()
    return {row["method"]: row for row in found.to_dict("records")}


def test_the_three_sums_by_hand():
    """Two cracks, one with roots; three laterals of which one is closed."""
    tables = town(
        [span("D-1", 5, 6), span("D-2", 20, 23)],
        [verdict("D-1", first="cut_roots"), verdict("D-2")],
        [sleeve("S-1", 4.5, 6.5), sleeve("S-2", 19.5, 23.5, cost_cents=2_150_00)],
        [("S-1", "D-1"), ("S-2", "D-2")],
        laterals=[lateral(2), lateral(21, "unknown"), lateral(30, "closed")],
        covers=[("S-2", "p1@21")],
    )
    found = options(tables)
    # One set-up 400, sleeves 2 000 + 2 150 (a reopening within it), roots 80.
    assert found["sleeve"]["cost_cents"] == 400_00 + 2_000_00 + 2_150_00 + 80_00
    # One set-up 400, 1 000 + 40 m x 100, two live laterals x 150, roots 80.
    assert found["liner"]["cost_cents"] == 400_00 + 5_000_00 + 300_00 + 80_00
    # 5 000 within 2 m, and 5 000 + 1 m x 1 000; no roots are cut in a pipe that is dug up.
    assert found["dig"]["cost_cents"] == 5_000_00 + 6_000_00
    assert all(row["possible"] for row in found.values())
    assert "check_access, clean, clean_again, look" in found["sleeve"]["why"]
    assert found["sleeve"]["system"] == "felt"


def test_cost_a_year_stands_beside_the_cost():
    """4,630.00 over the 12 years of a sleeve are 385.83 a year."""
    tables = town(
        [span("D-1", 5, 6)],
        [verdict("D-1")],
        [sleeve("S-1", 4, 6, cost_cents=4_230_00)],
        [("S-1", "D-1")],
    )
    assert options(tables)["sleeve"]["why"].endswith("4,630.00, 385.83 a year over 12 years")
    assert money(1_234_567_89) == "1,234,567.89"


def test_a_span_the_method_cannot_serve_is_dug_up_beside_it():
    """One span is closed for sleeve and liner: sleeves carry a dig, a liner comes after it."""
    tables = town(
        [span("D-1", 5, 6), span("D-2", 20, 22)],
        [verdict("D-1"), verdict("D-2", sleeve="closed", liner="closed", verdict="dig")],
        [sleeve("S-1", 4.5, 6.5)],
        [("S-1", "D-1")],
    )
    found = options(tables)
    assert found["sleeve"]["cost_cents"] == 400_00 + 2_000_00 + 5_000_00
    assert found["dig_liner"]["cost_cents"] == 400_00 + 5_000_00 + 5_000_00
    assert found["liner"]["why"] == "D-2: liner is closed"
    # No sleeve serves what the liner does not: there is no way with both.
    assert "sleeve_liner" not in found


def test_what_cannot_mend_the_whole_pipe_says_why():
    """A span that only a liner can serve leaves sleeve and dig impossible, by name."""
    tables = town(
        [span("D-1", 5, 6)],
        [verdict("D-1", sleeve="closed", dig="closed", verdict="liner")],
    )
    found = options(tables)
    assert [found[name]["possible"] for name in ("sleeve", "liner", "dig")] == [False, True, False]
    assert found["sleeve"]["why"] == "D-1: sleeve is closed, and dig is closed"
    assert found["dig"]["why"] == "D-1: dig is closed"
    assert pd.isna(found["sleeve"]["cost_cents"])


def test_a_span_no_sleeve_reaches_is_said():
    """Placement left an open span over and digging is asked: no sleeve option."""
    tables = town(
        [span("D-1", 5, 6), span("D-2", 20, 28)],
        [verdict("D-1"), verdict("D-2", dig="asked")],
        [sleeve("S-1", 4.5, 6.5)],
        [("S-1", "D-1")],
    )
    assert options(tables)["sleeve"]["why"] == "D-2: no sleeve reaches it, and dig is asked"


def test_a_liner_with_all_spans_dug_up_is_no_liner():
    """Where each span is dug up nothing is left to line, nor to sleeve."""
    tables = town([span("D-1", 5, 6)], [verdict("D-1", sleeve="closed", liner="closed")])
    found = options(tables)
    assert found["liner"]["why"] == "D-1: liner is closed"
    assert set(found) == {"sleeve", "liner", "dig"}
    assert found["sleeve"]["why"] == "no sleeve is placed on this pipe"
    assert found["dig"]["possible"]


def test_more_sleeves_than_the_setting_allows():
    """With at most one sleeve on a pipe two are no option."""
    tables = town(
        [span("D-1", 5, 6), span("D-2", 20, 21)],
        [verdict("D-1"), verdict("D-2")],
        [sleeve("S-1", 4.5, 6.5), sleeve("S-2", 19.5, 21.5)],
        [("S-1", "D-1"), ("S-2", "D-2")],
    )
    one = SLEEVING.model_copy(update={"max_per_pipe_count": 1})
    row = list_options(tables, BOOK, one).set_index("method").loc["sleeve"]
    assert not row["possible"]
    assert row["why"].startswith("2 sleeves; more than 1")


def test_what_has_no_price_is_not_costed_and_said():
    """No price for the size, an uncosted sleeve, a priced step that lacks this size."""
    tables = town(
        [span("D-1", 5, 6)],
        [verdict("D-1", first="cut_roots")],
        [sleeve("S-1", 4.5, 6.5, cost_cents=None, dn_mm=400.0)],
        [("S-1", "D-1")],
        pipes=[pipe(dn_mm=400.0)],
    )
    found = options(tables)
    assert all(row["possible"] and pd.isna(row["cost_cents"]) for row in found.values())
    assert found["sleeve"]["why"].endswith(
        "not costed: no price for cut_roots, setup, sleeve at DN 400"
    )
    assert found["dig"]["why"].endswith("not costed: no price for dig at DN 400")


def test_a_pipe_without_a_size_is_not_costed():
    """A blank size finds no price; it is not guessed."""
    tables = town([span("D-1", 5, 6)], [verdict("D-1")], pipes=[pipe(dn_mm=None)])
    assert pd.isna(options(tables)["dig"]["cost_cents"])


def test_only_pipes_with_a_span_to_mend_have_options():
    """Watching and maintaining need no comparison."""
    tables = town([span("D-1", 5, 6)], [verdict("D-1", needs="watch", verdict="watch")])
    assert list_options(tables, BOOK, SLEEVING).empty


def test_a_liner_where_laterals_are_not_known_says_so():
    """Its reopenings are a least figure then."""
    tables = town([span("D-1", 5, 6)], [verdict("D-1")], pipes=[pipe(laterals_known_to_m=20.0)])
    assert "laterals are not known over the whole pipe" in options(tables)["liner"]["why"]


def sequence(**system: object) -> dict[str, pd.DataFrame]:
    """D-1 only a liner serves, D-2 is open for sleeve and dig, not for the liner."""
    return town(
        [span("D-1", 5, 6), span("D-2", 20, 23)],
        [verdict("D-1", sleeve="closed", dig="closed"), verdict("D-2", liner="closed")],
        [sleeve("S-2", 19.5, 23.5)],
        [("S-2", "D-2")],
        laterals=[lateral(21), lateral(30)],
        covers=[("S-2", "p1@21")],
        systems=[felt(**system)],
    )


def test_sequences_by_hand():
    """Where a liner alone cannot: dig, then liner, and sleeves, then liner."""
    found = options(sequence(flat_ends=True))
    assert {name for name, row in found.items() if row["possible"]} == {"sleeve_liner", "dig_liner"}
    # Two moves of 400, the sleeve 2 000 with its reopening, 1 000 + 40 x 100, two reopenings.
    assert found["sleeve_liner"]["cost_cents"] == 2 * 400_00 + 2_000_00 + 5_000_00 + 300_00
    assert found["sleeve_liner"]["system"] == "felt"
    # One move, a dig of 3 m: 5 000 + 1 x 1 000, the liner, two reopenings.
    assert found["dig_liner"]["cost_cents"] == 400_00 + 6_000_00 + 5_000_00 + 300_00
    # Under a liner all lives its 50 years: 8 100 / 50 and 11 700 / 50.
    assert found["sleeve_liner"]["annual_cents"] == 162_00
    assert (found["dig_liner"]["annual_cents"], found["dig_liner"]["life_years"]) == (234_00, 50)


@pytest.mark.parametrize(
    ("flat_ends", "why"),
    [(False, "sleeves of felt have no flat ends"), (None, "it is not stated whether sleeves of")],
)
def test_sleeves_under_a_liner_need_flat_ends(flat_ends: bool | None, why: str):
    """No, and unknown, both bar the way: unknown is never taken as yes."""
    row = options(sequence(flat_ends=flat_ends))["sleeve_liner"]
    assert not row["possible"]
    assert row["why"].startswith(why)


def test_only_the_sleeves_that_the_liner_needs_are_set_under_it():
    """A sleeve over what the liner serves anyway is left out."""
    tables = town(
        [span("D-1", 5, 6), span("D-2", 20, 21)],
        [verdict("D-1"), verdict("D-2", liner="closed", dig="closed")],
        [sleeve("S-1", 4.5, 6.5), sleeve("S-2", 19.5, 21.5)],
        [("S-1", "D-1"), ("S-2", "D-2")],
        systems=[felt(flat_ends=True)],
    )
    assert options(tables)["sleeve_liner"]["cost_cents"] == 2 * 400_00 + 2_000_00 + 5_000_00


def test_no_sequence_where_the_liner_can_alone():
    """A liner that serves all needs nothing before it."""
    tables = town([span("D-1", 5, 6)], [verdict("D-1")], [sleeve("S-1", 4, 7)], [("S-1", "D-1")])
    assert set(options(tables)) == {"sleeve", "liner", "dig"}


def test_moving_a_liner_and_a_dig_may_have_prices_of_their_own():
    """setup_liner goes before setup; digs have a move only where it is priced."""
    book = pd.concat([BOOK, prices(price("setup_liner", 900_00), price("setup_dig", 700_00))])
    found = options(sequence(flat_ends=True), book)
    assert found["sleeve_liner"]["cost_cents"] == (400 + 900 + 2_000 + 5_000 + 300) * 100
    assert found["dig_liner"]["cost_cents"] == (900 + 700 + 6_000 + 5_000 + 300) * 100


@pytest.mark.parametrize(("least", "cents"), [({"least_m": 60.0}, 7_000_00), ({}, 5_000_00)])
def test_a_run_is_charged_at_least_so_many_metres(least: dict, cents: int):
    """40 m of liner at 1 000 + 100 a metre; 60 m are charged at the least: 7 000."""
    tables = town([span("D-1", 5, 6)], [verdict("D-1")])
    book = prices({**price("liner", 1_000_00, per_m=100_00), **least}, price("reopen", 1))
    assert options(tables, book)["liner"]["cost_cents"] == cents


@pytest.mark.parametrize(("least", "cents"), [(6_500_00, 6_500_00), (4_000_00, 5_000_00)])
def test_a_run_costs_at_least_a_sum(least: int, cents: int):
    """1 000 + 40 x 100 = 5 000, or the least sum where that is more."""
    tables = town([span("D-1", 5, 6)], [verdict("D-1")])
    book = prices({**price("liner", 1_000_00, per_m=100_00), "least_cents": least})
    assert options(tables, book)["liner"]["cost_cents"] == cents


def test_the_cost_a_year_of_sleeves_with_a_dig_beside():
    """(400 + 2 000) / 12 + 5 000 / 80 = 200 + 62.50; the sleeve lives shortest."""
    tables = town(
        [span("D-1", 5, 6), span("D-2", 20, 22)],
        [verdict("D-1"), verdict("D-2", sleeve="closed", liner="closed")],
        [sleeve("S-1", 4.5, 6.5)],
        [("S-1", "D-1")],
    )
    row = options(tables)["sleeve"]
    assert (row["annual_cents"], row["life_years"]) == (262_50, 12.0)
    assert row["why"].endswith("262.50 a year over 80 years (dig) and 12 years (sleeve)")


def test_a_price_of_a_line_has_year_place_and_source():
    """Each line names its price and where that comes from."""
    told = {"year": 2024, "place": "Quillhaven", "source": "invented"}
    tables = town([span("D-1", 5, 6)], [verdict("D-1")])
    made = price_options(tables, prices({**price("dig", 5_00), **told}), SLEEVING)
    (line,) = made.option_lines.query("method == 'dig' and item == 'dig'").to_dict("records")
    assert {name: line[name] for name in told} == told
    assert (line["price_id"], line["sum_cents"]) == ("dig", 5_00)


@pytest.mark.parametrize(("end", "sealed"), [("pipe", 0), ("us_manhole", 1), ("both", 2)])
def test_sealed_ends_have_a_line_of_their_own(end: str, sealed: int):
    """2,500.00 placed: 150.00 reopens, 80.00 seals each end at a manhole, the rest is the sleeve.

    DESIGN 11: the option costs its lines: a move of 400.00 and 2 500.00, however it ends.
    """
    tables = town(
        [span("D-1", 5, 6)],
        [verdict("D-1")],
        [sleeve("S-1", 4.5, 6.5, end=end, laterals_count=1, cost_cents=2_500_00)],
        [("S-1", "D-1")],
        laterals=[lateral(5)],
        covers=[("S-1", "p1@5")],
    )
    seal = {**price("end_seal", 80_00), "source": "asked in May"}
    made = price_options(tables, pd.concat([BOOK, prices(seal)]), SLEEVING)
    lines = made.option_lines.query("method == 'sleeve'")
    (own,) = lines[lines["item"] == "sleeve"].to_dict("records")
    assert own["sum_cents"] == 2_500_00 - 150_00 - sealed * 80_00
    ends = lines[lines["item"] == "end_seal"]
    assert len(ends) == (sealed > 0)
    for row in ends.to_dict("records"):
        found = (row["times_count"], row["one_cents"], row["sum_cents"], row["sleeve_id"])
        assert found == (sealed, 80_00, sealed * 80_00, "S-1")
        assert (row["price_id"], row["source"]) == ("end_seal", "asked in May")
    cost = made.options.set_index("method").loc["sleeve", "cost_cents"]
    assert cost == lines["sum_cents"].sum() == 2_900_00


def test_sealing_that_nobody_prices_stays_in_the_sleeve():
    """No line, and the sleeve is worth all that placement costed."""
    tables = town(
        [span("D-1", 0, 1)],
        [verdict("D-1")],
        [sleeve("S-1", 0, 2, end="us_manhole")],
        [("S-1", "D-1")],
    )
    lines = price_options(tables, BOOK, SLEEVING).option_lines.query("method == 'sleeve'")
    assert "end_seal" not in set(lines["item"])
    assert lines.set_index("item").loc["sleeve", "sum_cents"] == 2_000_00


def test_a_line_without_a_price_says_why_and_is_not_nothing():
    """The prices name no liner at all: its line is blank and the option has no sum."""
    tables = town([span("D-1", 5, 6)], [verdict("D-1")])
    made = price_options(tables, prices(price("dig", 5_00)), SLEEVING)
    lines = made.option_lines.query("method == 'liner'").set_index("item")
    assert pd.isna(lines.loc["liner", "sum_cents"])
    assert lines.loc["liner", "note"] == "no price at DN 200"
    assert "within the main price" in lines.loc["clean", "note"]
    row = made.options.set_index("method").loc["liner"]
    assert pd.isna(row["cost_cents"])
    assert pd.isna(row["annual_cents"])
    assert "no price for liner" in row["why"]


STATES = st.sampled_from(["open", "asked", "closed"])


@settings(max_examples=25, deadline=None)
@given(
    st.lists(st.tuples(STATES, STATES, STATES, st.booleans()), min_size=1, max_size=4),
    st.integers(0, 3),
)
def test_an_option_costs_what_its_steps_cost(spots: list[tuple], live: int):
    """DESIGN 11: added up anew from the works that the way takes, by plain arithmetic."""
    spans = [span(f"D-{at}", 8 * at + 2, 8 * at + 3) for at in range(len(spots))]
    said = [
        verdict(f"D-{at}", sleeve=a, liner=b, dig=c, first="cut_roots" if d else "")
        for at, (a, b, c, d) in enumerate(spots)
    ]
    served = [at for at, (state, *_) in enumerate(spots) if state == "open"]
    sleeves = [sleeve(f"S-{at}", 8 * at + 1.5, 8 * at + 3.5) for at in served]
    tables = town(
        spans,
        said,
        sleeves,
        [(f"S-{at}", f"D-{at}") for at in served],
        laterals=[lateral(35 + one) for one in range(live)],
        systems=[felt(flat_ends=True)],
    )
    made = price_options(tables, BOOK, SLEEVING)
    (job,) = jobs_of(tables).values()
    each = {"sleeve": 2_000_00, "cut_roots": 80_00, "liner": 1_000_00 + 40 * 100_00}
    each |= {"dig": 5_000_00, "reopen": live * 150_00}
    moves = {"sleeve": 1, "liner": 1, "sleeve_liner": 2, "dig_liner": 1, "dig": 0}
    for row in made.options[made.options["possible"]].to_dict("records"):
        steps = steps_of(job, row["method"])
        total = sum(each.get(one.step, 0) for one in steps) + moves[row["method"]] * 400_00
        assert row["cost_cents"] == total
        lines = made.option_lines[made.option_lines["method"] == row["method"]]
        assert lines["sum_cents"].sum() == total
        mended = {one.reason for one in steps if one.step in ("sleeve", "liner", "dig")}
        assert all(any(spot.span_id in why for why in mended) for spot in job.mend)


def test_no_way_is_left_out_of_the_contract():
    """What `steps_of` knows and what options may name is one list."""
    tables = sequence(flat_ends=True)
    (job,) = jobs_of(tables).values()
    assert all(steps_of(job, way) for way in WAYS)


def test_a_size_that_is_not_known_is_said_to_be_so():
    """No price can be found for it: the reason says where a size is stated, not "DN nan"."""
    tables = town([span("D-1", 5, 6)], [verdict("D-1")], pipes=[pipe(dn_mm=None)])
    row = options(tables)["dig"]
    assert row["why"].endswith("not costed: no price for dig at a size not known (pipe layer)")
    assert "nan" not in " ".join(one["why"] for one in options(tables).values())
