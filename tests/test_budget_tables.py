"""The budget as a step: risk by hand, states of choices, limits by name, what is said."""

from __future__ import annotations

import re
from typing import Any

import pandas as pd
import pytest
from map_town import no_tables
from one_pipe import node, pipe, shaped, span, verdict

from planner.contracts import CHOICES, NODES, OPTIONS, PIPES, SPANS, VERDICTS
from planner.contracts.facts import RunFacts
from planner.errors import SettingsError
from planner.outputs.summary import summary_lines
from planner.repairs.budget import percent, plan_budget
from planner.settings import load_settings
from planner.tables import conform

LINE = [
    pipe("p1", us_node="A", ds_node="B", length_m=10.0, area="North", street_class="main"),
    pipe("p2", us_node="B", ds_node="C", length_m=30.0, area="North", street_class="lane"),
    pipe("p3", us_node="C", ds_node="D", length_m=60.0, area="South", street_class="lane"),
]


def choice(pipe_id: str, **more: Any) -> dict[str, Any]:
    row = {"method": "sleeve", "state": "proposed", "reason": "least", "fingerprint": "f"}
    return {"pipe_id": pipe_id, **row, "assumed_accepted": False, **more}


def option(pipe_id: str, method: str, cents: int | None) -> dict[str, Any]:
    row = {"pipe_id": pipe_id, "method": method, "possible": cents is not None}
    return {**row, "cost_cents": cents, "why": "a sum"}


def made(**more: Any) -> dict[str, pd.DataFrame]:
    """Three pipes in a line, A to D, each with one span to mend and one way of 100 cents."""
    names = ["p1", "p2", "p3"]
    spans = [span(f"D-{name}", 5, 6, name) for name in names]
    said = more.get("verdicts", [verdict(f"D-{name}", name) for name in names])
    streets = more.get("streets", {})
    nodes = [{**node(name), "street": streets.get(name, "")} for name in "ABCD"]
    options = more.get("options", [option(name, "sleeve", 100) for name in names])
    return {
        "pipes": shaped(more.get("pipes", LINE), PIPES),
        "nodes": shaped(nodes, NODES),
        "spans": conform(spans, SPANS),
        "verdicts": conform(said, VERDICTS),
        "options": conform(options, OPTIONS),
        "choices": conform(more.get("choices", [choice(name) for name in names]), CHOICES),
    }


def planned(tables: dict[str, pd.DataFrame], **budget: Any) -> tuple[pd.DataFrame, pd.Series]:
    plan, bound = plan_budget(tables, load_settings({"budget": budget}).budget)
    assert len(bound) == 1
    assert (bound["risk_bound"] >= bound["risk_removed"]).all()
    return plan.set_index("pipe_id"), bound.iloc[0]


def test_without_a_sum_the_table_is_empty_and_says_so():
    plan, bound = planned(made())
    assert plan.empty
    assert (bound["sum_cents"], bound["why"]) == (0, "no sum is set: [budget] sum_cents")


def test_risk_by_hand():
    """Length 100 m; above p1 10, p2 40, p3 100 m, each with itself.

    Likelihood programme 0.15 x mend 1. Consequence 1 + 4 x share: 1.4, 2.6, 5; main
    counts 2, lane 1: risks 0.15 x 1.4 x 2 = 0.42, 0.15 x 2.6 = 0.39, 0.15 x 5 = 0.75.
    """
    plan, bound = planned(made(), sum_cents=1, class_ratio={"main": 2.0, "lane": 1.0})
    assert plan["risk"].tolist() == pytest.approx([0.42, 0.39, 0.75])
    assert bound["risk"] == pytest.approx(1.56)
    assert "likelihood 0.15 (D-p1: mend, programme)" in plan.loc["p1", "why"]
    assert "(1 + 4 x 0.1 of the network's length lies upstream)" in plan.loc["p1", "why"]
    assert "x 2 (street class main)" in plan.loc["p1", "why"]


def test_the_worst_span_counts_and_what_is_not_known_is_the_worst():
    """now 0.8 x watch 0.3 = 0.24 is above programme x mend 0.15; a blank urgency counts as now."""
    rows = [
        verdict("D-p1", "p1"),
        verdict("D-p1b", "p1", needs="watch", urgency="now"),
        verdict("D-p2", "p2", needs="unknown", urgency=""),
        verdict("D-p3", "p3", needs="nothing", urgency="now"),
    ]
    plan, _ = planned(made(verdicts=rows), sum_cents=1, upstream_weight_ratio=0.0)
    assert plan["risk"].tolist() == pytest.approx([0.24, 0.8, 0.0])
    assert "D-p2: unknown, urgency not known, taken as the worst" in plan.loc["p2", "why"]


def test_a_pipe_outside_the_graph_and_a_class_without_a_figure_count_as_the_worst():
    """p1 names no nodes: it counts as p3, whose share is 90 + 10 % less p1's own 10 %."""
    lost = {**LINE[0], "us_node": "", "ds_node": "", "street_class": "track"}
    tables = made(pipes=[lost, *LINE[1:]])
    plan, _ = planned(tables, sum_cents=1, class_ratio={"main": 2.0, "lane": 1.0})
    assert plan.loc["p1", "risk"] == pytest.approx(0.15 * (1 + 4 * 0.9) * 2)
    assert "not known, taken as the most of any pipe" in plan.loc["p1", "why"]
    assert "street class track, taken as the largest" in plan.loc["p1", "why"]


def test_the_users_own_factor():
    """A blank beside filled ones counts as the largest; a column of blanks as nothing."""
    pipes = [{**LINE[0], "consequence_ratio": 3.0}, {**LINE[1], "consequence_ratio": 0.5}, LINE[2]]
    plan, _ = planned(made(pipes=pipes), sum_cents=1, upstream_weight_ratio=0.0)
    assert plan["risk"].tolist() == pytest.approx([0.45, 0.075, 0.45])


def test_the_sum_goes_where_it_removes_most():
    """250 cents buy two of three sleeves: p2 and p3, of which 0.8 of the risk goes."""
    plan, bound = planned(made(), sum_cents=250)
    assert plan["year"].tolist() == [0, 1, 1]
    assert plan["method"].tolist() == ["", "sleeve", "sleeve"]
    assert bound["spent_cents"] == plan["cost_cents"].sum() == 200
    removed = 0.8 * 0.15 * (2.6 + 5.0)
    assert bound["risk_removed"] == pytest.approx(removed)
    assert plan["risk_removed"].sum() == pytest.approx(removed)
    assert "not within the sum" in plan.loc["p1", "why"]
    assert plan.loc["p2", "why"].startswith("sleeve in year 1 for 1.00 removes 0.8 of it; risk")
    assert re.fullmatch(r"within 0(\.00000\d)? % of the best possible", bound["why"])


def test_years_weigh_by_their_lateness():
    """100 cents in each of two years: p3 first, p2 next with 0.5 of it."""
    plan, bound = planned(made(), yearly_cents=[100, 100], late_ratio=0.5)
    assert plan["year"].tolist() == [0, 2, 1]
    assert plan.loc["p2", "risk_removed"] == pytest.approx(0.15 * 2.6 * 0.8 * 0.5)
    assert bound["sum_cents"] == 200


def test_only_what_nobody_barred_is_bought():
    """Held and refused pipes keep their risk; an accepted liner is not made a sleeve."""
    options = [option(name, "sleeve", 100) for name in ("p1", "p2", "p3")]
    options += [option("p3", "liner", 900)]
    choices = [
        choice("p1", state="held", reason="D-p1: an engineer must decide"),
        choice("p2", state="refused", reason="dug up next year"),
        choice("p3", state="accepted", method="liner"),
    ]
    tables = made(options=options, choices=choices)
    plan, bound = planned(tables, sum_cents=1000)
    assert plan["method"].tolist() == ["", "", "liner"]
    assert plan.loc["p1", "why"].startswith("not asked for: held, D-p1: an engineer must decide")
    assert plan.loc["p2", "why"].startswith("not asked for: refused, dug up next year")
    assert bound["risk"] > plan.loc["p3", "risk"]
    plan, _ = planned(tables, sum_cents=500)
    assert plan["year"].tolist() == [0, 0, 0]


def test_a_way_without_a_cost_is_none():
    options = [option("p1", "sleeve", 100), option("p2", "sleeve", None)]
    options += [{**option("p3", "sleeve", 1), "cost_cents": None}]
    plan, _ = planned(made(options=options), sum_cents=1000)
    assert plan["year"].tolist() == [1, 0, 0]
    assert plan.loc["p3", "why"].startswith("no way to mend it that has a cost")


def test_whole_streets_by_the_upper_node():
    """p1 and p2 start in High Street: 200 cents buy both of it; alone p2 and p3 remove more."""
    tables = made(streets={"A": "High Street", "B": "High Street"})
    plan, _ = planned(tables, sum_cents=200)
    assert plan["year"].tolist() == [0, 1, 1]
    plan, _ = planned(tables, sum_cents=299, whole_streets=True)
    assert plan["year"].tolist() == [0, 0, 1]
    plan, _ = planned(tables, sum_cents=300, whole_streets=True)
    assert plan["year"].tolist() == [1, 1, 1]


def test_areas_get_their_least_and_no_more_than_their_most():
    """200 cents: 200 for North at least takes p3's; 100 at most leaves p1 out."""
    plan, _ = planned(made(), sum_cents=200, areas={"North": {"at_least_cents": 200}})
    assert plan["year"].tolist() == [1, 1, 0]
    plan, _ = planned(made(), sum_cents=300, areas={"North": {"at_most_cents": 100}})
    assert plan["year"].tolist() == [0, 1, 1]
    plan, bound = planned(made(), sum_cents=300, areas={"South": {"at_least_cents": 200}})
    assert plan["year"].tolist() == [0, 0, 0]
    assert bound["why"].startswith("no choice keeps all limits")


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ({"areas": {"Nort": {}}}, "no pipe lies in area 'Nort'; did you mean North?"),
        ({"areas": {"North": {"atmost": 1}}}, "budget.areas"),
        ({"yearly_cents": [-1]}, "budget.yearly_cents"),
    ],
)
def test_a_wrong_limit_is_one_line(wrong: dict, said: str):
    with pytest.raises(SettingsError, match=re.escape(said)) as caught:
        planned(made(), sum_cents=1, **wrong)
    assert "\n" not in str(caught.value)


def test_the_order_of_rows_does_not_matter():
    """Each table turned round: the same budget, though all three pipes are alike."""
    tables = made()
    turned = {name: frame.iloc[::-1].reset_index(drop=True) for name, frame in tables.items()}
    found = [planned(each, sum_cents=150, upstream_weight_ratio=0.0) for each in (tables, turned)]
    pd.testing.assert_frame_equal(found[0][0], found[1][0])
    assert found[0][0]["year"].tolist() == [1, 0, 0]


def test_a_gap_is_never_printed_too_small():
    assert [percent(gap) for gap in (0.0, 1e-12, 3.02e-7, 0.0125, 1.0)] == [
        "0", "0.000001", "0.000031", "1.25", "100",
    ]  # fmt: skip


def test_the_summary_has_a_line_only_where_a_sum_is_set():
    """One line with money, pipes, share of the risk and nearness."""
    facts = RunFacts("T", "2026-01-12", "EUR", "metric", "", "", False, False, True, "0")
    tables = no_tables()
    for cents, count in ((0, 0), (123_456_78, 1)):
        settings = load_settings({"budget": {"sum_cents": cents}}).budget
        tables["budget"], tables["budget_bound"] = plan_budget(made(), settings)
        lines = [one for one in summary_lines(tables, facts) if one.startswith("Budget:")]
        assert len(lines) == count
    assert lines[0].startswith(
        "Budget:     3.00 of 123,456.78 on 3 of 3 pipes removes 80% of the risk; within 0"
    )
