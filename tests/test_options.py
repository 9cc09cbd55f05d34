"""Three methods side by side: what is possible, what it costs, why."""

from __future__ import annotations

import pandas as pd
from one_pipe import lateral, pipe, price, prices, sleeve, span, town, verdict

from planner.repairs.options import list_options, money
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
    assert found["method"].tolist() == ["dig", "liner", "sleeve"] * (len(found) // 3)
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
    """4 630.00 over the 12 years of a sleeve are 385.83 a year."""
    tables = town(
        [span("D-1", 5, 6)],
        [verdict("D-1")],
        [sleeve("S-1", 4, 6, cost_cents=4_230_00)],
        [("S-1", "D-1")],
    )
    assert options(tables)["sleeve"]["why"].endswith("4 630.00, 385.83 a year over 12 years")
    assert money(1_234_567_89) == "1 234 567.89"


def test_a_span_the_method_cannot_serve_is_dug_up_beside_it():
    """One span is closed for sleeve and liner: both options carry a dig of it."""
    tables = town(
        [span("D-1", 5, 6), span("D-2", 20, 22)],
        [verdict("D-1"), verdict("D-2", sleeve="closed", liner="closed", verdict="dig")],
        [sleeve("S-1", 4.5, 6.5)],
        [("S-1", "D-1")],
    )
    found = options(tables)
    assert found["sleeve"]["cost_cents"] == 400_00 + 2_000_00 + 5_000_00
    assert found["liner"]["cost_cents"] == 400_00 + 5_000_00 + 5_000_00


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
    assert found["liner"]["why"].startswith("nothing is left to line")
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
