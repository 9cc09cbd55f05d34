"""What must hold of any plan, held against the plan of the demo town."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from planner.contracts import DECISIONS, VISITS
from planner.contracts.repairs import SIGNED
from planner.crews.audit import audit_week
from planner.crews.travel import travel
from planner.ground.ids import NOTHING_KNOWN
from planner.inputs.inputs import Inputs
from planner.inputs.project import read_project
from planner.inputs.specs import RulesSpec
from planner.plan import Plan
from planner.propose import propose
from planner.store.chosen import STORE
from planner.store.decisions import open_store
from planner.tables import conform, empty
from tests.conftest import copy_town

PLACES = ["pipe_id", "from_m", "to_m", "length_m", "system", "end", "counter_node", "counter_m"]


@pytest.fixture(scope="module")
def inputs(demo_folder: Path) -> Inputs:
    return read_project(demo_folder)


def fresh(inputs: Inputs) -> dict[str, pd.DataFrame]:
    """The engineer's half without store and decisions."""
    return propose(inputs, NOTHING_KNOWN, empty(DECISIONS)).tables


@pytest.fixture(scope="module")
def undecided(inputs: Inputs) -> dict[str, pd.DataFrame]:
    return fresh(inputs)


def test_every_coded_row_is_found_again(demo_plan: Plan, inputs: Inputs) -> None:
    """On a pipe, as the end of a stretch, or left over with a reason: in = out."""
    tables = demo_plan.tables
    read = set(inputs.observations["observation_id"])
    placed = set(tables["defects"]["observation_id"]) | set(tables["defects"]["close_id"]) - {""}
    left = tables["left_over"]
    lost = set(left.loc[left["step"] == "locate", "key"])
    assert read == placed | (lost & read)
    assert not placed & (lost & read)
    assert (left["reason"] != "").all()


def test_every_damage_row_reaches_a_span_and_every_span_a_verdict(demo_plan: Plan) -> None:
    """No defect that the rules should see is dropped between place and verdict."""
    tables = demo_plan.tables
    defects = tables["defects"]
    seen = set(tables["span_rows"]["observation_id"])
    due = defects[defects["role"].isin(["damage", "condition"])]
    left = set(tables["left_over"]["key"])
    assert set(due["observation_id"]) - seen <= left | set(defects["close_id"])
    assert set(tables["spans"]["span_id"]) == set(tables["verdicts"]["span_id"])
    wanted = tables["verdicts"].query("verdict == 'sleeve'")["span_id"]
    assert set(wanted) <= set(tables["sleeve_spans"]["span_id"]) | left


def test_every_sleeve_holds_sound_pipe_at_both_ends_and_stays_inside(demo_plan: Plan) -> None:
    """0.30 m and 0.10 m of doubt past each span, or an end exactly at the manhole wall."""
    tables = demo_plan.tables
    sleeving = demo_plan.inputs.settings.sleeving
    asked_m = sleeving.overlap_m + sleeving.place_m
    assert asked_m == pytest.approx(0.40)
    spans = tables["spans"].set_index("span_id")
    length = tables["pipes"].set_index("pipe_id")["length_m"]
    served = tables["sleeve_spans"].groupby("sleeve_id")["span_id"].agg(list)
    least_lap = tables["systems"].set_index("system")["lap_m"]
    assert len(tables["sleeves"]) > 50
    for sleeve in tables["sleeves"].itertuples():
        part = spans.loc[served[sleeve.sleeve_id]]
        us_ok = sleeve.from_m <= part["from_m"].min() - asked_m + 1e-6
        ds_ok = sleeve.to_m >= part["to_m"].max() + asked_m - 1e-6
        # Inside a run of lapped sleeves the lap stands for the overlap: no less than asked.
        us_ok |= sleeve.lap_us_m >= least_lap[sleeve.system] - 1e-6
        ds_ok |= sleeve.lap_ds_m >= least_lap[sleeve.system] - 1e-6
        assert us_ok or (sleeve.from_m == 0 and sleeve.end in ("us_manhole", "both"))
        at_wall = sleeve.to_m >= length[sleeve.pipe_id] - 0.011
        assert ds_ok or (at_wall and sleeve.end in ("ds_manhole", "both"))
        assert sleeve.from_m >= 0
        assert sleeve.to_m <= length[sleeve.pipe_id] + 1e-6


def test_no_visit_without_an_accepted_choice(demo_plan: Plan) -> None:
    """Each work of each visit lies on a pipe whose choice a person accepted."""
    tables = demo_plan.tables
    works = tables["setup_works"].merge(tables["works"], on="work_id")
    visited = tables["visits"].merge(works, on="setup_id")
    accepted = set(tables["choices"].query("state == 'accepted'")["pipe_id"])
    assert len(visited) > 20
    assert set(visited["pipe_id"]) <= accepted
    assert not demo_plan.facts.not_accepted


def test_without_decisions_nothing_is_accepted(undecided: dict[str, pd.DataFrame]) -> None:
    """An empty store leaves every choice proposed or held."""
    assert set(undecided["choices"]["state"]) == {"proposed", "held"}


def test_an_empty_rulebook_yields_no_sleeve(inputs: Inputs, tmp_path: Path) -> None:
    """Closed by default: with no rule every damage is referred and nothing is placed."""
    book = tmp_path / "empty.toml"
    book.write_text('[book]\nname = "empty"\nversion = "1"\n', "utf-8")
    tables = fresh(replace(inputs, rules=RulesSpec(book=str(book))))
    assert tables["sleeves"].empty
    damage = tables["spans"].query("role == 'damage'")["span_id"]
    verdicts = tables["verdicts"].set_index("span_id")["verdict"]
    assert set(verdicts[damage]) == {"refer"}


def places(tables: dict[str, pd.DataFrame]) -> pd.DataFrame:
    return tables["sleeves"][PLACES].reset_index(drop=True)


def test_stretching_the_drawing_moves_no_sleeve(
    inputs: Inputs, undecided: dict[str, pd.DataFrame]
) -> None:
    """Drawn 8 % longer, within the stop, and the length not taken from the drawing."""
    pipes = inputs.pipes.copy()
    pipes["drawn_m"] = pipes["drawn_m"] * 1.08
    pipes["geometry"] = shapely.transform(pipes["geometry"].to_numpy(), lambda xy: xy * 1.08)
    stretched = fresh(inputs.with_rows(pipes=pipes))
    then, now = undecided["pipes"].set_index("pipe_id"), stretched["pipes"].set_index("pipe_id")
    keep = (then["length_from"] != "drawn") & (then["placing"] != "stopped")
    keep &= now["placing"] != "stopped"
    assert keep.sum() > 200
    before, after = (
        found[found["pipe_id"].isin(keep.index[keep])].reset_index(drop=True)
        for found in (places(undecided), places(stretched))
    )
    assert len(before) > 50
    pd.testing.assert_frame_equal(before, after)


@pytest.fixture(scope="module")
def turned(demo_folder: Path, tmp_path_factory: pytest.TempPathFactory) -> Plan:
    """The same town with every pipe drawn the other way and every row in another order."""
    from planner.folder import run_project

    folder = copy_town(tmp_path_factory.mktemp("turned"))
    (folder / STORE).write_bytes((demo_folder / STORE).read_bytes())
    rng = np.random.default_rng(5)
    network = folder / "network.gpkg"
    layers = {name: gpd.read_file(network, layer=name) for name in ("pipes", "nodes", "streets")}
    network.unlink()
    pipes = layers["pipes"]
    copy = pipes["pipe"].duplicated()  # the planted copy must stay the later of the two
    order = np.r_[rng.permutation(np.flatnonzero(~copy)), np.flatnonzero(copy)]
    layers["pipes"] = pipes.iloc[order]
    layers["pipes"]["geometry"] = layers["pipes"].geometry.reverse()
    layers["nodes"] = layers["nodes"].sample(frac=1, random_state=6)
    for name, frame in layers.items():
        frame.to_file(network, layer=name, driver="GPKG")
    rows = (folder / "surveys.csv").read_text("utf-8").splitlines()
    mixed = [rows[1 + i] for i in rng.permutation(len(rows) - 1)]
    (folder / "surveys.csv").write_text("\n".join([rows[0], *mixed]) + "\n", "utf-8")
    return run_project(folder)


def test_drawing_direction_and_row_order_change_no_sleeve_and_no_week(
    demo_plan: Plan, turned: Plan
) -> None:
    """Reversed drawings and permuted rows give the same places, choices and visits."""
    pd.testing.assert_frame_equal(places(demo_plan.tables), places(turned.tables))
    for name, columns in (
        ("verdicts", ["span_id", "pipe_id", "verdict", "needs", "urgency"]),
        ("choices", ["pipe_id", "method", "state", "cost_cents"]),
        ("visits", VISITS.names),
    ):
        pd.testing.assert_frame_equal(demo_plan.tables[name][columns], turned.tables[name][columns])


def test_an_unrelated_row_more_keeps_every_decision(demo_folder: Path, tmp_path: Path) -> None:
    """One more crack on one pipe: all other pipes keep their state, nothing is orphaned."""
    from planner.folder import run_project

    folder = copy_town(tmp_path)
    (folder / STORE).write_bytes((demo_folder / STORE).read_bytes())
    before = run_project(folder, keep_ids=False).tables["choices"].set_index("pipe_id")
    surveys = folder / "surveys.csv"
    first = surveys.read_text("utf-8").splitlines()[1].split(",")
    more = [*first[:5], "9.85", "BAB", "B", "A", "2", "", "3", *[""] * (len(first) - 12)]
    with surveys.open("a", encoding="utf-8") as file:
        file.write(",".join(more) + "\n")
    made = run_project(folder, keep_ids=False)
    after = made.tables["choices"].set_index("pipe_id")
    changed = before.index[before["state"] != after["state"].reindex(before.index)]
    assert set(changed) <= {first[1]}
    assert made.tables["orphans"].empty


def test_the_audit_is_clean_and_finds_a_planted_fault(demo_plan: Plan) -> None:
    """A visit moved by nine hours leaves its window and its shift."""
    tables, settings = demo_plan.tables, demo_plan.inputs.settings
    assert tables["audit"].empty
    ways = travel(
        tables["setups"],
        tables["crews"],
        tables["streets"],
        settings.week,
        source_crs=demo_plan.inputs.source_crs,
    )
    visits = tables["visits"].copy()
    for column in ("arrive_s", "start_s", "end_s"):
        visits.loc[0, column] += 9 * 3600
    moved = {**tables, "visits": conform(visits, VISITS)}
    first_day = settings.project.first_day
    broken = audit_week(moved, ways, settings.week, first_day=first_day)
    assert visits.loc[0, "visit_id"] in set(broken["visit_id"])


def test_net_of_visits_adds_up_to_route_and_week(demo_plan: Plan) -> None:
    """Whole grams, millimetres and pieces: every sum is exact."""
    quantities, sums = demo_plan.tables["quantities"], demo_plan.tables["quantity_sums"]
    by_item = quantities.groupby(["item", "unit"])["net"].sum().astype("int64")
    assert by_item.sum() > 0
    for level in ("visit", "route", "week"):
        part = sums[sums["level"] == level].groupby(["item", "unit"])["net"].sum().astype("int64")
        pd.testing.assert_series_equal(part, by_item)


def test_report_what_the_store_holds(demo_folder: Path) -> None:
    """Every row of the demo's form stands in the store once."""
    stored = open_store(demo_folder / STORE).read_decisions()
    form = pd.read_csv(demo_folder / "decisions.csv", dtype=str, keep_default_na=False)
    assert len(stored) == len(form)
    assert set(zip(stored["pipe_id"], stored["span_id"], stored["decision"], strict=True)) == set(
        zip(form["pipe_id"], form["span_id"], form["decision"], strict=True)
    )


def test_a_choice_costs_what_its_lines_cost(demo_plan: Plan) -> None:
    """DESIGN 11: each line priced anew from the price it names, by exact fractions; then added."""
    tables = demo_plan.tables
    prices = tables["prices"].set_index("price_id")
    lines = tables["option_lines"]
    priced = lines[lines["price_id"] != ""]
    for row in priced.itertuples():
        price = prices.loc[row.price_id]
        beyond = max(Fraction(str(row.length_m)) - Fraction(str(price["included_m"])), Fraction(0))
        one = int(price["each_cents"]) + round(beyond * int(price["extra_cents_per_m"]))
        assert abs(int(row.one_cents) - one) <= 1  # lengths count in whole micrometres
        assert row.sum_cents == row.times_count * row.one_cents
        assert (row.year, row.place, row.source) == (price["year"], price["place"], price["source"])
    sums = lines.groupby(["pipe_id", "method"])["sum_cents"].sum()
    choices = tables["choices"][tables["choices"]["cost_cents"].notna()]
    keys = pd.MultiIndex.from_frame(choices[["pipe_id", "method"]])
    assert len(choices) > 50
    assert sums.loc[keys].tolist() == choices["cost_cents"].tolist()


def test_the_bill_holds_what_the_accepted_choices_cost(demo_plan: Plan) -> None:
    """DESIGN 11: pipe by pipe the lines of the bill are the choice's cost; all of them and what
    is priced once for the project, mobilisation, are the project's bill without contingency."""
    tables = demo_plan.tables
    choices = tables["choices"]
    signed = choices[choices["state"].isin(SIGNED) & choices["cost_cents"].notna()]
    lines = tables["bill_lines"]
    assert set(lines["pipe_id"]) >= set(signed["pipe_id"])
    by_pipe = lines.groupby("pipe_id")["sum_cents"].sum()
    assert by_pipe.loc[signed["pipe_id"]].tolist() == signed["cost_cents"].tolist()
    bill = tables["bill"].query("level == 'project' and item != 'contingency'")
    once = tables["prices"].query("item == 'mobilisation'")["each_cents"].sum()
    assert int(bill["sum_cents"].sum()) == int(lines["sum_cents"].sum()) + int(once)
