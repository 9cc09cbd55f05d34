"""The budget across pipes: against every choice, against HiGHS, and what must always hold."""

from __future__ import annotations

import highspy
import numpy as np
import pytest
from budget_towns import best_of_all, city, kept_by_hand, ways
from hypothesis import example, given, settings
from hypothesis import strategies as st

from planner.repairs.budget_kernel import PROVEN, Taken, Ways, relax, take_within
from planner.repairs.budget_limits import Limits, take_under
from planner.repairs.budget_solver import Model, solve

ONE = st.tuples(st.integers(0, 30), st.integers(0, 20).map(float))
TOWNS = st.lists(st.lists(ONE, max_size=3), min_size=1, max_size=5).map(lambda own: ways(*own))


def reread(town: Ways, limits: Limits, taken: Taken) -> float:
    """Reckon money, limits and risk of a choice anew; give the risk removed."""
    chosen = [row for row in taken.way.tolist() if row >= 0]
    assert [int(town.pipe[row]) for row in chosen] == np.flatnonzero(taken.way >= 0).tolist()
    assert ((taken.year > 0) == (taken.way >= 0)).all()
    assert taken.spent_cents == sum(int(town.cost_cents[row]) for row in chosen)
    assert kept_by_hand(town, limits, taken.way.tolist(), taken.year.tolist())
    pairs = zip(taken.way.tolist(), taken.year.tolist(), strict=True)
    risk = sum(town.risk[row] * limits.late_ratio ** (year - 1) for row, year in pairs if row >= 0)
    assert taken.risk == pytest.approx(risk, rel=1e-12)
    assert taken.bound >= taken.risk
    return risk


@given(TOWNS, st.integers(0, 90))
@example(ways([(1, 1.0)], [(4, 2.0), (5, 4.0)]), 4)  # a way dearer than the sum, and the best rate
@settings(max_examples=600, deadline=None)
def test_no_choice_under_one_sum_is_better(town: Ways, cents: int):
    """Exhaustive search over all choices of up to five pipes."""
    limits = Limits(cents)
    taken = take_within(town, cents)
    assert reread(town, limits, taken) == best_of_all(town, limits)
    assert taken.state == "proven"


def by_table(town: Ways, cents: int) -> float:
    """Fill the textbook table of the best risk for each sum, cent by cent, pipe by pipe."""
    best = np.zeros(cents + 1)
    for pipe in range(town.pipes_count):
        new = best.copy()
        for row in np.flatnonzero(town.pipe == pipe).tolist():
            cost = int(town.cost_cents[row])
            if cost <= cents:
                new[cost:] = np.maximum(new[cost:], best[: cents + 1 - cost] + town.risk[row])
        best = new
    return float(best[cents])


@pytest.mark.parametrize("core", [1, 2, 48])
def test_narrowing_loses_nothing_against_the_table(core: int, monkeypatch: pytest.MonkeyPatch):
    """Up to 24 pipes, sums from less than one way to half of all; few or many a round."""
    monkeypatch.setattr("planner.repairs.budget_kernel.FIRST_CORE", core)
    random = np.random.default_rng(core)
    for _ in range(400):
        count = random.integers(0, 5, int(random.integers(1, 25)))
        pipe = np.repeat(np.arange(len(count)), count)
        dear = int(random.choice([5, 30, 300]))
        risk = random.integers(0, int(random.choice([3, 40, 1000])), len(pipe)).astype(float)
        town = Ways(len(count), pipe, random.integers(0, dear, len(pipe)), risk)
        cents = int(random.integers(0, 2 + int(dear * random.choice([0.3, 1, 3, len(count) / 2]))))
        taken = take_within(town, cents)
        assert reread(town, Limits(cents), taken) == by_table(town, cents)
        assert taken.state == "proven"


@st.composite
def limited(draw: st.DrawFn) -> tuple[Ways, Limits]:
    """Up to four pipes with years, areas and streets, any of them."""
    town = draw(
        st.lists(st.lists(ONE, max_size=2), min_size=1, max_size=4).map(lambda own: ways(*own))
    )
    pipes = town.pipes_count
    years = draw(st.lists(st.integers(0, 40), max_size=2))
    areas = draw(st.lists(st.tuples(st.integers(0, 15), st.integers(0, 60)), max_size=2))
    places = st.lists(st.integers(-1, 1), min_size=pipes, max_size=pipes)
    area = [min(at, len(areas) - 1) for at in draw(places)]
    return town, Limits(
        draw(st.integers(0, 80)),
        tuple(years),
        draw(st.sampled_from([0.5, 1.0])),
        np.array(area, dtype=np.int64),
        tuple(least for least, _ in areas),
        tuple(most for _, most in areas),
        np.array(draw(places), dtype=np.int64),
    )


@given(limited())
@settings(max_examples=300, deadline=None)
def test_no_choice_under_side_conditions_is_better(case: tuple[Ways, Limits]):
    """Exhaustive search with yearly sums, least and most by area, whole streets."""
    town, limits = case
    best = best_of_all(town, limits)
    taken = take_under(town, limits)
    if best is None:
        assert taken.state == "impossible"
        assert (taken.way == -1).all()
    else:
        assert reread(town, limits, taken) == pytest.approx(best, rel=1e-9)
        assert taken.state == "proven"


def direct(town: Ways, cents: int) -> tuple[float, float]:
    """Write the knapsack row by row through highspy's own expressions; value and dual bound."""
    highs = highspy.Highs()
    highs.setOptionValue("output_flag", False)
    highs.setOptionValue("threads", 1)
    highs.setOptionValue("mip_rel_gap", 0.0)
    taken = [highs.addBinary() for _ in town.pipe]
    for pipe in range(town.pipes_count):
        rows = np.flatnonzero(town.pipe == pipe).tolist()
        if rows:
            highs.addConstr(sum(taken[row] for row in rows) <= 1)
    costs = town.cost_cents.tolist()
    highs.addConstr(sum(c * x for c, x in zip(costs, taken, strict=True)) <= cents)
    highs.maximize(sum(r * x for r, x in zip(town.risk.tolist(), taken, strict=True)))
    assert highs.getModelStatus() == highspy.HighsModelStatus.kOptimal
    return highs.getObjectiveValue(), highs.getInfo().mip_dual_bound


@pytest.mark.parametrize(("pipes", "seed"), [(60, 1), (200, 2), (400, 3)])
def test_mid_size_towns_against_highs(pipes: int, seed: int):
    """The direct model, written apart and solved whole, finds the same risk."""
    town = city(pipes, seed)
    cents = int(town.cost_cents.sum()) // 20
    taken = take_within(town, cents)
    reread(town, Limits(cents), taken)
    value, dual = direct(town, cents)
    assert taken.state == "proven"
    assert taken.risk == pytest.approx(value, rel=1e-7)
    assert taken.bound >= value * (1 - PROVEN)
    assert taken.risk <= dual * (1 + 1e-7)


@pytest.mark.parametrize("seed", range(5))
def test_the_hull_bound_is_the_linear_relaxation(seed: int):
    """HiGHS solves the same rows with parts allowed: the same value."""
    town = city(80, seed)
    cents = int(town.cost_cents.sum()) // 15
    many, at = len(town.pipe), np.arange(len(town.pipe))
    found = solve(
        Model(
            cost=-town.risk,
            real=np.ones(many, dtype=bool),
            upper=np.ones(many),
            row_low=np.full(81, -np.inf),
            row_high=np.append(np.ones(80), cents / 1e6),
            row=np.concatenate([town.pipe, np.full(many, 80)]),
            column=np.concatenate([at, at]),
            entry=np.concatenate([np.ones(many), town.cost_cents / 1e6]),
        ),
        time_s=30,
    )
    assert found.x is not None
    assert relax(town, cents).bound == pytest.approx(float(town.risk @ found.x), rel=1e-7)


def test_a_hand_worked_sum():
    """Three pipes, 10 cents.

    a: 4 for 8 or 9 for 10; b: 6 for 6; c: 5 for 7. Rates 2, 1.4 (c), 1 (b), 0.4. The
    relaxation buys a (4), c (9) and a sixth of b: 8 + 7 + 1 = 16. Whole: a + b is 14,
    a + c is 15 for 9 cents, c alone 7: so 15.
    """
    town = ways([(4, 8.0), (9, 10.0)], [(6, 6.0)], [(5, 7.0)])
    assert relax(town, 10).bound == pytest.approx(16.0)
    taken = take_within(town, 10)
    assert (taken.way.tolist(), taken.spent_cents, taken.risk) == ([0, -1, 3], 9, 15.0)


def test_years_by_hand():
    """Two pipes of 5 cents, 5 cents a year: the worse risk goes first, the other counts half."""
    limits = Limits(10, (5, 5), 0.5)
    taken = take_under(ways([(5, 4.0)], [(5, 6.0)]), limits)
    assert (taken.year.tolist(), taken.risk) == ([2, 1], 8.0)
    alone = take_under(ways([(5, 4.0)], [(5, 6.0)]), Limits(5, (5, 5), 0.5))
    assert (alone.year.tolist(), alone.risk) == ([0, 1], 6.0)


def test_a_street_goes_whole_or_not_at_all():
    """Pipes 0 and 1 lie in one street: 9 cents buy it (5) or pipe 2 alone (4), not 0 and 2."""
    town = ways([(2, 3.0)], [(7, 2.0)], [(7, 4.0)])
    assert take_within(town, 9).way.tolist() == [0, -1, 2]
    street = np.array([0, 0, -1])
    assert take_under(town, Limits(9, street=street)).way.tolist() == [0, 1, -1]
    assert take_under(town, Limits(8, street=street)).way.tolist() == [-1, -1, 2]


def test_least_and_most_by_area():
    """Area 0 must get 4 cents though area 1 removes more; with at most 3 in area 1 as well."""
    town = ways([(4, 1.0)], [(3, 5.0)], [(3, 6.0)])
    area = np.array([0, 1, 1])
    free = Limits(7, area=area, area_least=(0, 0), area_most=(7, 7))
    assert take_under(town, free).way.tolist() == [-1, 1, 2]
    least = Limits(7, area=area, area_least=(4, 0), area_most=(7, 7))
    assert take_under(town, least).way.tolist() == [0, -1, 2]
    lost = Limits(7, area=area, area_least=(5, 0), area_most=(7, 7))
    assert take_under(town, lost).state == "impossible"


def test_no_money_buys_only_what_is_free():
    """A sum of 0 takes a way of 0 cents; without ways there is nothing and no risk."""
    taken = take_within(ways([(0, 2.0), (1, 9.0)], [(1, 5.0)]), 0)
    assert (taken.way.tolist(), taken.risk) == ([0, -1], 2.0)
    assert 0 <= taken.gap_ratio < 1e-11  # the bound allows for rounding
    none = take_within(ways([], []), 100)
    assert (none.way.tolist(), none.bound, none.state) == ([-1, -1], 0.0, "proven")


def test_of_pipes_that_are_alike_the_first_is_mended():
    """Five equal pipes and money for two, with and without a model of years."""
    town = ways(*[[(5, 4.0), (8, 5.0)]] * 5)
    assert take_within(town, 10).way.tolist() == [0, 2, -1, -1, -1]
    taken = take_under(town, Limits(10, (5, 5), 0.9))
    assert (taken.way.tolist(), taken.year.tolist()) == ([0, 2, -1, -1, -1], [1, 2, 0, 0, 0])


@pytest.mark.parametrize("limits", [Limits(40_000_000), Limits(40_000_000, (9_000_000,) * 3, 0.9)])
def test_the_order_of_rows_does_not_matter(limits: Limits):
    """Rows shuffled, the same ways of the same pipes; run twice, the same."""
    town = city(150, 4)
    order = np.random.default_rng(7).permutation(len(town.pipe))
    mixed = Ways(150, town.pipe[order], town.cost_cents[order], town.risk[order])
    one, two = (take_under(each, limits, gap_ratio=1e-3) for each in (town, mixed))
    assert np.where(two.way >= 0, order[two.way], -1).tolist() == one.way.tolist()
    assert one.year.tolist() == two.year.tolist()
    assert (one.risk, one.bound) == (two.risk, two.bound)


def test_a_search_out_of_time_still_has_a_bound():
    """Stopped by the clock at once, the choice is within the sum and under its bound."""
    town = city(3000, 5)
    cents = int(town.cost_cents.sum()) // 20
    taken = take_within(town, cents, time_s=0.0)
    reread(town, Limits(cents), taken)
    assert taken.state == "stopped"
    assert 0 < taken.gap_ratio < 1e-3
    limits = Limits(cents, (cents // 3, cents // 3, cents // 3), 0.9)
    taken = take_under(town, limits, time_s=0.0)
    reread(town, limits, taken)
    assert taken.state == "stopped"
    assert taken.risk > 0


def test_ten_thousand_pipes_are_proven_near():
    """The goal of scale.md: within 1e-5 of the best possible."""
    town = city(10_000)
    cents = int(town.cost_cents.sum()) // 20
    taken = take_within(town, cents, gap_ratio=1e-6)
    reread(town, Limits(cents), taken)
    assert taken.gap_ratio <= 1e-6


@pytest.mark.parametrize(
    ("cost", "risk", "pipe"), [(-1, 1.0, 0), (1, -1.0, 0), (1, float("nan"), 0), (1, 1.0, 1)]
)
def test_what_is_no_way_is_refused(cost: int, risk: float, pipe: int):
    """A cost or risk below 0 or unknown, or a pipe that is not there."""
    with pytest.raises(ValueError, match="way"):
        Ways(1, np.array([pipe]), np.array([cost]), np.array([risk]))
