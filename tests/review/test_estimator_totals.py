"""The totals of the estimator's desk: what a plan says, and what a fresh sum says."""

from __future__ import annotations

import shutil
from pathlib import Path
from random import Random
from typing import Any, cast

import numpy as np
import pytest
from estimator_town import EVIL_ID, decide, write_town
from hypothesis import given, settings
from hypothesis import strategies as st

from planner.contracts.repairs import METHODS
from planner.plan import Plan
from planner.review import totals_drivers as drivers
from planner.review.live import Live
from planner.review.totals_board import Board, PipeMoney, Sums
from planner.review.totals_prices import Prices
from planner.review.totals_ragged import NOBODY, Ragged
from planner.review.totals_rows import DOUBT_COST, DOUBT_LENGTH, STATES, Thing
from planner.review.totals_views import bottom, read_difference
from planner.review.totals_week import WeekTotals
from planner.review.totals_words import figure, percent, signed, typed
from planner.review.week_now import WeekNow, Weeks

ACCEPTED = STATES.index("accepted")
WORDS = ("accept", "hold", "refuse", "undo")
METHOD_WORDS = ("sleeve", "liner", "dig", "watch")
OWN = {"sleeve", "length", "resin", "part", "material"}


@pytest.fixture(scope="module")
def demo(demo_folder: Path, tmp_path_factory: pytest.TempPathFactory) -> Live:
    """The demo's town on the page."""
    folder = tmp_path_factory.mktemp("page") / "town"
    shutil.copytree(demo_folder, folder, ignore=shutil.ignore_patterns("out", ".drives"))
    return Live.open(folder)


def board_of(live: Live) -> tuple[Board, Prices]:
    found = Prices(live)
    return Board(live, found), found


def named(sums: Sums) -> dict[Any, Any]:
    """Give all sums by name, what is nothing in all states left out."""
    amounts = {t: sums.amounts[:, at].tolist() for at, t in enumerate(sums.things)}
    lines = {k: sums.lines[:, at].tolist() for at, k in enumerate(sums.kinds)}
    both = {key: value for key, value in {**amounts, **lines}.items() if np.any(value)}
    return {**both, "pipes": sums.pipes.tolist(), "money": sums.money.tolist(),
            "bare": sums.bare.tolist()}  # fmt: skip


def test_what_is_accepted_is_what_the_plan_says(demo: Live, demo_plan: Plan) -> None:
    """Same decisions: each line of the project's bill, and each net item of the sleeves."""
    sums = board_of(demo)[0].sums()
    bill = demo_plan.tables["bill"].query("level == 'project'")
    bill = bill[~bill["item"].isin(["mobilisation", "night", "contingency"])]
    wanted = {
        (r.item, r.system, r.price_id, r.note): (r.times_count, r.length_m, r.sum_cents)
        for r in bill.fillna({"sum_cents": 0}).itertuples()
    }
    found = {
        (k.item, k.system, k.price_id, k.note): sums.lines[ACCEPTED, at]
        for at, k in enumerate(sums.kinds)
        if sums.lines[ACCEPTED, at, 0]
    }
    assert found.keys() == wanted.keys()
    for key, (times, metres, cents) in wanted.items():
        assert (found[key][0], found[key][2]) == (times, cents)
        assert found[key][1] / 1e9 == pytest.approx(metres, abs=1e-5)
    net = demo_plan.tables["quantity_sums"].query("level == 'project'")
    own = net[net["kind"].isin(OWN) | (net["item"] == "end sealed at a manhole")]
    assert {Thing(r.kind, r.item, r.unit): r.net for r in own.itertuples()} == {
        thing: int(sums.amounts[ACCEPTED, at])
        for at, thing in enumerate(sums.things)
        if sums.amounts[ACCEPTED, at] and thing.kind != "doubt"
    }


def test_the_sum_is_that_of_the_plan(demo: Live, demo_plan: Plan) -> None:
    """Lines, mobilisation, nights of the week and contingency, to the cent."""
    board, found = board_of(demo)
    week = demo_plan.tables["bill"].query("level == 'week' and item == 'night'")
    nights = int(week["times_count"].sum())
    ratio = demo.inputs.settings.takeoff.contingency_ratio
    made = bottom(board.sums(), found.now().prices, ratio, nights)
    wanted = demo_plan.tables["bill_sums"].query("level == 'project'").iloc[0]
    assert made.whole == wanted["sum_cents"]
    assert made.gaps == []


def test_after_any_edits_the_sums_are_those_of_a_fresh_sum(demo: Live) -> None:
    """Decisions of all kinds on random pipes: states, other methods, and back."""
    board, _ = board_of(demo)
    board.sums()
    draw = Random(7)
    pipes = demo.made.tables["choices"]["pipe_id"].tolist()
    taken = 0
    for step in range(18):
        words = METHOD_WORDS if step % 6 == 0 else WORDS
        taken += not decide(demo, draw.choice(pipes), draw.choice(words))
        board.sums()
    assert taken >= 5
    assert named(board.sums()) == named(board_of(demo)[0].sums())


def test_prices_dearer_by_hand_and_again_on_edits(demo: Live) -> None:
    """Moving a crew costs 420.00; at 430.50 each move costs 10.50 more, also on pipes decided
    after that, and the sums at prices as read stay."""
    board, found = board_of(demo)
    before = board.sums()
    setups = [at for at, k in enumerate(before.kinds) if k.item == "setup"]
    times = before.lines[:, setups, 0].sum()
    typed_in = {"each_cents": "430.50", "extra_cents_per_m": "0", "least_cents": "0"}
    assert found.change("setup-0", typed_in, "A", "new offer", 0).lines
    after = board.sums()
    assert after.money.sum() - before.money.sum() == times * 10_50
    old, new = read_difference(after, STATES)
    assert (old, new) == (before.money.sum(), after.money.sum())
    pipe = next(p for p, s, *_ in board.lines_of(after.kinds[setups[0]]) if s == ACCEPTED)
    assert decide(demo, pipe, "liner") == [] or decide(demo, pipe, "hold") == []
    assert decide(demo, pipe, "undo") == []
    again = board.sums()
    assert named(again) == named(board_of(demo)[0].sums())


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> Live:
    """Two pipes, each with a sleeve of 2.00 m."""
    return Live.open(write_town(tmp_path_factory.mktemp("small")))


def test_two_pipes_by_hand(small: Live) -> None:
    """Each pipe: move 400, clean 100 + 39.2 x 3 = 217.60, sleeve 1200 + 260, film 90 = 2167.60.

    Of resin pi (200 - 4) 4 x 2.0 / 1000 l x 1.05 kg/l = 5.172 kg and, at DN 250, 6.492 kg; of tape
    two turns round each of two ends: 4 pi 200 + 4 pi 250 = 2513 + 3142 mm. Doubt buys 1.20 m
    each, the second metre of the sleeve: 260.00.
    """
    board, found = board_of(small)
    sums = board.sums()
    proposed = STATES.index("proposed")
    amounts = dict(zip(sums.things, sums.amounts[proposed].tolist(), strict=True))
    assert sums.money[proposed].sum() == 2 * 2_167_60
    assert amounts[Thing("sleeve", "sleeve DN 200 x 2.00 m felt", "pieces")] == 1
    assert amounts[Thing("length", "sleeve length", "mm")] == 4_000
    assert amounts[Thing("resin", "resin felt", "g")] == 5_172 + 6_492
    assert amounts[Thing("material", "tape felt", "mm")] == 2_513 + 3_142
    assert amounts[DOUBT_LENGTH] == 2_400
    assert amounts[DOUBT_COST] == 2 * 260_00
    assert decide(small, "0017", "accept") == []
    made = bottom(board.sums(), found.now().prices, 0.05, 0)
    # 2167.60 + 1000 once; 5 % of 3167.60 = 158.38.
    assert (made.lines, made.mobilisation, made.contingency) == (2_167_60, 1_000_00, 158_38)


def test_a_price_a_tenth_dearer_by_hand(small: Live) -> None:
    """Both pipes: sleeves 1320 + 286 for 1460 adds 146 each; cleaning 110 + 39.2 x 3.30 = 239.36
    for 217.60 adds 21.76 each."""
    board, found = board_of(small)
    rows = drivers.dearer(board.lines_now(), board.sums().kinds, found.now().prices, "likely")
    added = {row.price_id: row.cents for row in rows}
    assert added[EVIL_ID] == 2 * 146_00
    assert added["clean-0"] == 2 * 21_76
    assert added["setup-0"] == 2 * 40_00
    assert "dig-0" not in added


def some_money(cents: list[int]) -> PipeMoney:
    count = len(cents)
    ids = np.array([f"p{at}" for at in range(count)], dtype=object)
    zero = np.zeros(count, dtype=np.int64)
    method = np.full(count, METHODS.index("sleeve"))
    return PipeMoney(ids, zero, method, np.array(cents, dtype=np.int64), zero + 3, zero + 2)


def test_shares_and_how_few_pipes_make_most() -> None:
    """Of 100: 50 is half by itself; the first ten of twelve make 98."""
    money = some_money([10, 50, 8, 7, 6, 5, 4, 3, 3, 2, 1, 1])
    few = drivers.concentration(money, "accepted")
    assert few is not None
    assert (few.top, few.count, few.half) == (10, 12, 1)
    assert few.top_share == pytest.approx(0.98)
    assert [row.name for row in drivers.dearest(money, "accepted")][:2] == ["p1", "p0"]
    assert drivers.by_method(money, "accepted") == [drivers.Share("sleeve", 100, 1.0)]
    areas = np.array(["n"] * 2 + ["s"] * 10, dtype=object)
    assert [(r.name, r.cents) for r in drivers.by_name(money, areas, "likely")] == [
        ("n", 60),
        ("s", 40),
    ]
    said = drivers.even_lines(money, "accepted")
    assert said[0].startswith("On 12 pipes a liner can be held against sleeves")
    assert "on 12 from 3 sleeves on" in said[0]
    assert "on 0 of them" in said[1]
    assert drivers.concentration(some_money([0]), "accepted") is None


def test_a_visit_that_goes_to_another_crew_takes_its_amounts_along(
    demo: Live, demo_plan: Plan
) -> None:
    """Route sums follow the visits; those of the week stay as they were."""
    tables = demo_plan.tables
    visits = tables["visits"].copy()
    week = demo_plan.inputs.settings.project.first_day
    sleeves = visits[visits["crew"] == "Sleeve 1"]
    moved = sleeves["visit_id"].iloc[0]
    day = sleeves["date"].iloc[0]
    net = tables["quantities"]
    taken = net[(net["visit_id"] == moved) & (net["item"] == "sleeve length")]["net"].sum()
    visits.loc[visits["visit_id"] == moved, ["crew", "seq"]] = ["Sleeve 2", 9]

    class Moved:
        def now(self) -> WeekNow:
            class Run:
                folder, first_day = Path("0001"), week

            return WeekNow(cast("Any", Run), {**tables, "visits": visits}, 1)

    made = WeekTotals(demo, cast("Weeks", Moved())).now()
    assert made is not None
    sums = made.tables["quantity_sums"]

    def length(frame: Any, level: str, key: str) -> int:
        own = frame[(frame["level"] == level) & (frame["key"] == key)]
        return int(own.loc[own["item"] == "sleeve length", "net"].sum())

    before = tables["quantity_sums"]
    assert taken > 0
    for crew, sign in (("Sleeve 1", -1), ("Sleeve 2", 1)):
        key = f"{crew}|{day}"
        assert length(sums, "route", key) == length(before, "route", key) + sign * taken
    assert length(sums, "week", week) == length(before, "week", week)


Rows = list[list[int]]
row_lists = st.lists(st.tuples(st.integers(0, 9), st.integers(-99, 99)).map(list), max_size=4)


@settings(max_examples=60, deadline=None)
@given(
    st.lists(row_lists, min_size=1, max_size=6), st.lists(st.tuples(st.integers(0, 5), row_lists))
)
def test_flat_arrays_hold_what_lists_would(first: list[Rows], then: list[tuple[int, Rows]]) -> None:
    """Replaced any number of times, each owner has the rows it was given last."""
    owner = np.repeat(np.arange(len(first)), [len(rows) for rows in first])
    flat = np.array([one for rows in first for one in rows], dtype=np.int64).reshape(-1, 2).T
    ragged, model = Ragged(len(first), owner, flat), list(first)
    for at, rows in then * 20:
        ragged.replace(at % len(first), rows)
        model[at % len(first)] = rows
    for at, rows in enumerate(model):
        assert ragged.rows_of(at).T.tolist() == rows
    assert len(ragged) == sum(map(len, model))
    live = ragged.owner != NOBODY
    assert ragged.column(1)[live].sum() == sum(one[1] for rows in model for one in rows)


def test_figures_have_their_units() -> None:
    """Smallest units as people read them."""
    assert str(figure(1_234_567, "mm")) == "1\u202f234.567 m"
    assert str(figure(103_987_684, "mm2")) == "103.99 m²"
    assert str(figure(48_296, "ml")) == "48.296 l"
    assert str(figure(7, "pieces")) == "7 pieces"
    assert (signed(5), signed(-123_456), typed(1_05)) == ("+0.05", "-1\u202f234.56", "1.05")
    assert percent(0.4849) == "48.5 %"
