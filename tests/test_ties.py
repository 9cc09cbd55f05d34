"""What follows what and what keeps apart: by hand, against networkx, and in the week."""

from __future__ import annotations

from dataclasses import replace

import networkx as nx
import numpy as np
import pandas as pd
import pytest
from crew_town import (
    CLEANERS,
    FIRST_DAY,
    chained,
    crew,
    node,
    pipe,
    setter,
    settings,
    shifts,
    sleeve,
    sleeve_works,
    stop,
    stop_town,
    town,
    ways_of,
    work,
)

from planner.contracts import FLOWS, SETUP_AFTER, VISITS
from planner.crews.apart import find_apart
from planner.crews.audit import audit_week
from planner.crews.hours import find_hours
from planner.crews.setups import make_setups
from planner.crews.week import Days, plan_week
from planner.crews.zones import cut_zones
from planner.ground.ids import NOTHING_KNOWN
from planner.ground.sewer import make_graph, upstream_within
from planner.tables import conform

Tables = dict[str, pd.DataFrame]
ORDER = ["setup_id", "date", "start_s", "end_s"]


def planned(tables: Tables, **week) -> Days:
    chosen = settings(**week).week
    ways = ways_of(tables, chosen)
    found = plan_week(tables, ways, chosen, first_day=FIRST_DAY, seed=1)
    after = tables | {"visits": found.visits, "unserved": found.unserved}
    audit = audit_week(after, ways, chosen, first_day=FIRST_DAY)
    assert audit.empty, audit.to_string()
    return found


def street(count: int = 1, **more) -> Tables:
    """Pipes p0, p1, ... end to end, each to be cleaned and sleeved, as set-ups."""
    length = more.get("length_m", 40.0)
    sleeves = [sleeve(f"S{n}", 10.0, f"p{n}", counter_node=f"n{n}") for n in range(count)]
    rows = [[work(f"C{n}", "clean", f"p{n}"), *sleeve_works(s)] for n, s in enumerate(sleeves)]
    crews = more.get("crews", [crew("Truck", CLEANERS), setter("One"), setter("Two")])
    tables = town(
        [one for own in rows for one in own],
        [pair for own in rows for pair in chained(own)],
        sleeves,
        crews,
        pipes=[pipe(f"p{n}", f"n{n}", f"n{n + 1}", length_m=length) for n in range(count)],
        nodes=[node(f"n{n}", 400.0 * n) for n in range(count + 1)],
        shifts=more.get("shifts", shifts(crews)),
    )
    chosen = settings(**more.get("week", {}))
    found = make_setups(tables, NOTHING_KNOWN, chosen.week, chosen.sleeving, first_day=FIRST_DAY)
    tables |= {"setups": found.setups, "setup_works": found.setup_works}
    tables |= {"setup_after": found.setup_after}
    if "control" in more:
        flows = [flow_of(one, more["control"]) for one in sleeves]
        tables["flows"] = conform(flows, FLOWS)
    tables |= {"setup_apart": find_apart(tables, guard_m=chosen.week.flow_guard_m)}
    return tables | {"setup_hours": find_hours(tables, chosen.week, FIRST_DAY)}


def flow_of(one: dict, control: str) -> dict:
    row = {"sleeve_id": one["sleeve_id"], "pipe_id": one["pipe_id"], "control": control}
    return row | {"state": "reckoned", "standing": "assumed", "why": "so"}


def step_of(tables: Tables) -> dict[str, tuple[str, str]]:
    """Pipe and first step by set-up."""
    rows = tables["setups"][["setup_id", "pipe_id", "steps"]].itertuples(index=False)
    return {one: (pipe_id, steps.split("+")[0]) for one, pipe_id, steps in rows}


def pairs(tables: Tables) -> set[tuple[str, ...]]:
    """Pairs that keep apart, as 'pipe step' of both, with the reason's first word."""
    names = {one: f"{pipe_id} {step}" for one, (pipe_id, step) in step_of(tables).items()}
    rows = tables["setup_apart"].itertuples(index=False)
    return {(*sorted((names[a], names[b])), why.split()[0]) for a, b, why in rows}


def test_pairs_by_hand():
    """Three pipes of 40 m: the jet on p0 is 40 m above p2 and at p1; flow runs p0, p1, p2."""
    found = pairs(street(3, control="through_flow"))
    one_pipe = {(f"p{n} clean", f"p{n} flow_control", "both") for n in range(3)}
    above = {("p0 clean", f"p{n} flow_control", "jetting") for n in (1, 2)}
    above |= {("p1 clean", "p2 flow_control", "jetting")}
    assert found == one_pipe | above


def test_a_bypass_keeps_its_manholes_free_and_a_plug_the_way_below():
    """Bypass of p1 takes n1 and n2: nothing on p0 and p2; a plug on p0 stands above p2."""
    bypass = pairs(street(3, control="bypass"))
    assert ("p0 flow_control", "p1 flow_control", "bypass") in bypass
    assert ("p1 flow_control", "p2 clean", "bypass") in bypass
    assert not {one for one in bypass if one[:2] == ("p0 flow_control", "p2 flow_control")}
    plug = pairs(street(3, control="plug"))
    assert ("p0 flow_control", "p2 flow_control", "a") in plug
    unknown = pairs(street(3))
    assert unknown == bypass


def test_the_guard_ends_where_it_says():
    """p0 ends 200 m above p2 where p1 is 200 m long: 300 m reach it, 199 do not."""
    tables = street(3, control="through_flow", length_m=200.0)
    assert any(one[:2] == ("p0 clean", "p2 flow_control") for one in pairs(tables))
    near = tables | {"setup_apart": find_apart(tables, guard_m=199.0)}
    assert not any(one[:2] == ("p0 clean", "p2 flow_control") for one in pairs(near))
    # A length that is not known is never taken to be long.
    blank = tables["pipes"].assign(length_m=float("nan"))
    unknown = tables | {"pipes": blank}
    unknown |= {"setup_apart": find_apart(unknown, guard_m=199.0)}
    assert any(one[:2] == ("p0 clean", "p2 flow_control") for one in pairs(unknown))


@pytest.mark.parametrize("seed", range(5))
def test_ways_along_the_flow_are_those_of_networkx(seed):
    """Against the shortest path from each pipe's lower end, by networkx."""
    rng = np.random.default_rng(seed)
    rows = [
        pipe(f"p{n}", f"n{rng.integers(0, 9)}", f"n{rng.integers(0, 9)}",
             length_m=float(rng.integers(10, 90)))
        for n in range(18)
    ]  # fmt: skip
    frame, nodes = pd.DataFrame(rows), pd.DataFrame({"node_id": [f"n{n}" for n in range(9)]})
    graph = make_graph(frame, nodes)
    plain = nx.DiGraph()
    for row in rows:
        old = plain.get_edge_data(row["us_node"], row["ds_node"], {"w": 1e9})["w"]
        plain.add_edge(row["us_node"], row["ds_node"], w=min(old, row["length_m"]))
    length = {row["pipe_id"]: row["length_m"] for row in rows}
    found = upstream_within(graph, length, "n0", 120.0)
    due = {}
    for row in rows:
        if "n0" in plain and nx.has_path(plain, row["ds_node"], "n0"):
            way = nx.shortest_path_length(plain, row["ds_node"], "n0", weight="w")
            if way <= 120.0:
                due[row["pipe_id"]] = way
    assert found == pytest.approx(due)


def test_a_cleaning_comes_days_before_its_sleeve_in_one_week():
    """One truck and two sleeve crews: every pipe is cleaned, then sleeved, within two days."""
    tables = street(4)
    visits = planned(tables).visits
    assert len(visits) == 8
    steps = step_of(tables)
    rows = {steps[one]: (date, start, end) for one, date, start, end in visits[ORDER].to_numpy()}
    for n in range(4):
        clean, set_in = rows[f"p{n}", "clean"], rows[f"p{n}", "flow_control"]
        assert (clean[0], clean[2]) <= (set_in[0], set_in[1])
        assert np.busday_count(clean[0], set_in[0]) <= 2


def test_on_a_single_day_both_are_done_one_after_the_other():
    """A same-day chain: 3 h of cleaning and parking, then 2.75 h of sleeve before 16:30."""
    found = planned(street(1, week={"days": 1}), days=1)
    assert found.visits["crew"].tolist() == ["One", "Truck"]
    clean = found.visits[found.visits["crew"] == "Truck"].iloc[0]
    assert found.visits.iloc[0]["start_s"] >= clean["end_s"]


def test_without_room_for_the_cleaning_neither_is_planned_and_both_say_why():
    """The truck works on Friday only, and the sleeve crews from Monday to Thursday."""
    crews = [crew("Truck", CLEANERS), setter("One")]
    hours = {"start_s": 25_200, "end_s": 61_200}
    days = [{"crew": "Truck", "weekday": "fri", **hours}]
    days += [{"crew": "One", "weekday": day, **hours} for day in ("mon", "tue", "wed", "thu")]
    found = planned(street(1, crews=crews, shifts=days))
    assert found.visits.empty
    why = " / ".join(found.unserved["reason"])
    assert (
        "must come before it and be good still: that one can be done on 2026-03-06, "
        "this on 2026-03-02, 2026-03-03, 2026-03-04, 2026-03-05" in why
    )
    assert "it only prepares" in why


def test_a_cleaning_is_good_for_two_working_days():
    """Cleaned on Monday only, sleeved on Thursday only: too late; on Wednesday it is good."""
    crews = [crew("Truck", CLEANERS), setter("One")]
    hours = {"start_s": 25_200, "end_s": 61_200}
    for day, count in (("thu", 0), ("wed", 2)):
        days = [{"crew": "Truck", "weekday": "mon", **hours}]
        days += [{"crew": "One", "weekday": day, **hours}]
        assert len(planned(street(1, crews=crews, shifts=days)).visits) == count


def test_what_waits_for_an_impossible_stop_says_so():
    """No crew grouts: the sleeve behind it never enters the search."""
    stops = [stop("U1", steps="grout"), stop("U2", 500.0, steps="clean")]
    tables = stop_town(stops, after=[("W-U2", "W-U1")])
    found = planned(tables)
    reasons = dict(zip(found.unserved["setup_id"], found.unserved["reason"], strict=True))
    assert reasons["U2"].startswith("U1 must come before it: no crew does grout")


@pytest.mark.parametrize("seed", range(4))
def test_random_weeks_of_chains_hold(seed):
    """Random towns of cleanings and sleeves in a row: the audit is clean, nothing is lost."""
    rng = np.random.default_rng(seed)
    count = int(rng.integers(2, 7))
    control = str(rng.choice(["through_flow", "plug", "bypass"]))
    tables = street(count, control=control, length_m=float(rng.integers(20, 200)))
    found = planned(tables, days=int(rng.integers(1, 6)), iterations=60)
    ids = sorted([*found.visits["setup_id"], *found.unserved["setup_id"]])
    assert ids == sorted(tables["setups"]["setup_id"])


def test_the_audit_finds_a_sleeve_before_its_cleaning_and_a_jet_above_it():
    """Visits moved by hand: the sleeve to an hour before the cleaning, and all to one hour."""
    tables = street(2, control="through_flow")
    chosen = settings().week
    ways = ways_of(tables, chosen)
    found = plan_week(tables, ways, chosen, first_day=FIRST_DAY, seed=1)
    steps = step_of(tables)

    def rules(moved: pd.DataFrame) -> set[str]:
        after = tables | {"visits": conform(moved, VISITS), "unserved": found.unserved}
        return set(audit_week(after, ways, chosen, first_day=FIRST_DAY)["rule"])

    early = found.visits.copy()
    is_sleeve = early["setup_id"].map(lambda one: steps[one][1] == "flow_control")
    early.loc[is_sleeve, "date"] = "2026-03-01"
    assert "before" in rules(early)
    together = found.visits.assign(date=FIRST_DAY, start_s=30_000, end_s=40_000, seq=1)
    together["crew"] = [f"C{n}" for n in range(len(together))]
    assert {"flow", "pipe"} <= rules(together)


def test_ties_obey_their_contract():
    """A chain of three: each row names both set-ups and why."""
    tables = street(1)
    assert tables["setup_after"].columns.tolist() == list(SETUP_AFTER.names)
    assert tables["setup_after"]["why"].tolist() == ["clean before flow_control"]


def test_chains_in_zones_pass_the_audit() -> None:
    """Six pipes to be cleaned and sleeved, two crews of each kind, two zones: all are served."""
    crews = [crew(name, CLEANERS) for name in ("Jet 1", "Jet 2")] + [setter("One"), setter("Two")]
    tables = street(6, crews=crews)
    found = planned(tables, zone_stops_count=6)
    assert len(cut_zones(replace(found.board, routes={}), 6)) == 2
    assert len(found.visits) == len(tables["setups"]) == 12
