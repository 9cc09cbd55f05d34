"""The audit: a plan of ours is clean, and each planted fault is found by its rule."""

from __future__ import annotations

from collections.abc import Callable

import pandas as pd
import pytest
from crew_town import FIRST_DAY, setter, settings, shaped, sleeved, ways_of, work

from planner.contracts import (
    CHOICES,
    CREWS,
    FINDINGS,
    NODES,
    PACKERS,
    SETUP_WORKS,
    SETUPS,
    SHIFTS,
    STOCK,
    UNSERVED,
    VISITS,
    WORK_AFTER,
    WORKS,
)
from planner.crews.audit import audit_week
from planner.crews.travel import Travel
from planner.crews.week import plan_week
from planner.tables import conform

Tables = dict[str, pd.DataFrame]
WEEK = settings().week


def plain() -> tuple[Tables, Travel]:
    """Five ready sleeves, two crews, one week: three visits of one, two of the other."""
    tables = sleeved(5, crews=[setter("One"), setter("Two")])
    done = work("L", "look", "p0", state="done")
    tables["works"] = conform(pd.concat([tables["works"], conform([done], WORKS)]), WORKS)
    pair = {"work_id": "W-S0-flow_control", "after_id": "L"}
    tables["work_after"] = conform(
        pd.concat([tables["work_after"], conform([pair], WORK_AFTER)]), WORK_AFTER
    )
    ways = ways_of(tables, WEEK)
    found = plan_week(tables, ways, WEEK, first_day=FIRST_DAY, seed=1)
    assert len(found.visits) == 5
    assert found.visits["seq"].max() >= 2
    return tables | {"visits": found.visits, "unserved": found.unserved}, ways


PLAIN, WAYS = plain()


def broken(tables: Tables, week=WEEK) -> set[str]:
    return set(audit_week(tables, WAYS, week, first_day=FIRST_DAY)["rule"])


def first_work(step: str) -> str:
    """Id of the work of that step in the first visit."""
    setup = PLAIN["visits"]["setup_id"].iloc[0]
    links = PLAIN["setup_works"]
    own = links.loc[links["setup_id"] == setup, "work_id"]
    works = PLAIN["works"]
    return str(works.loc[works["work_id"].isin(own) & (works["step"] == step), "work_id"].iloc[0])


def changed(name: str, row: int, **values: object) -> Tables:
    """PLAIN with cells of one row changed."""
    frame = PLAIN[name].copy()
    for column, value in values.items():
        frame.loc[frame.index[row], column] = value
    return PLAIN | {name: frame}


def shifted(name: str, row: int, column: str, by: float) -> Tables:
    return changed(name, row, **{column: PLAIN[name][column].iloc[row] + by})


def row_of(name: str, column: str, value: str) -> int:
    return int((PLAIN[name][column] == value).to_numpy().argmax())


def work_row(step: str) -> int:
    return row_of("works", "work_id", first_work(step))


def first_setup() -> int:
    return row_of("setups", "setup_id", PLAIN["visits"]["setup_id"].iloc[0])


def first_node() -> int:
    node = PLAIN["setups"]["node_id"].iloc[first_setup()]
    return row_of("nodes", "node_id", node)


def test_a_plan_of_ours_is_clean():
    """No rule is broken."""
    assert broken(PLAIN) == set()


def without(name: str, row: int) -> Tables:
    frame = PLAIN[name]
    return PLAIN | {name: frame.drop(frame.index[row]).reset_index(drop=True)}


def more(name: str, table, *rows: dict[str, object]) -> Tables:
    return PLAIN | {name: conform(pd.concat([PLAIN[name], conform(rows, table)]), table)}


def copied_visit() -> Tables:
    """The first set-up is visited once more, by the other crew on Friday."""
    row = PLAIN["visits"].iloc[0].to_dict()
    return more("visits", VISITS, row | {"crew": "Two", "date": "2026-03-06", "visit_id": "again"})


def beside_it() -> Tables:
    """Both crews on one pipe in the same hours: the third set-up is moved to the first's pipe."""
    first = PLAIN["visits"].iloc[0]
    row = row_of("setups", "setup_id", PLAIN["visits"]["setup_id"].iloc[2])
    setups = changed("setups", row, pipe_id=PLAIN["setups"]["pipe_id"].iloc[first_setup()])
    same = {"crew": "Two", "date": first["date"], "start_s": first["start_s"]}
    return setups | {"visits": changed("visits", 2, **same, end_s=first["end_s"])["visits"]}


def stock(**row: object) -> Tables:
    return PLAIN | {"stock": conform([{"system": "felt", **row}], STOCK)}


def all_of(name: str, table, **values: object) -> Tables:
    frame = PLAIN[name].assign(**values)
    return PLAIN | {name: conform(frame, table) if name != "nodes" else frame}


PLANTED: list[tuple[str, Callable[[], Tables]]] = [
    ("shift", lambda: PLAIN | {"shifts": PLAIN["shifts"].iloc[:0]}),
    ("shift", lambda: all_of("shifts", SHIFTS, start_s=29_000)),
    ("shift", lambda: all_of("shifts", SHIFTS, end_s=38_000)),
    ("fill", lambda: all_of("shifts", SHIFTS, start_s=28_000, end_s=49_500)),
    ("order", lambda: changed("visits", 1, seq=7)),
    ("order", lambda: shifted("visits", 1, "arrive_s", -30)),
    ("order", lambda: shifted("visits", 0, "arrive_s", 400)),
    ("order", lambda: shifted("visits", 0, "end_s", -60)),
    ("order", lambda: shifted("setups", first_setup(), "work_s", 60)),
    ("drive", lambda: shifted("visits", 0, "drive_s", 1)),
    ("drive", lambda: shifted("visits", 0, "drive_m", 1.0)),
    ("drive", lambda: changed("visits", 0, back_s=60)),
    ("drive", lambda: changed("visits", 1, back_s=0)),
    ("drive", lambda: changed("visits", 1, by_air=False)),
    ("double", copied_visit),
    ("double", lambda: more(
        "unserved", UNSERVED,
        {"setup_id": PLAIN["visits"]["setup_id"].iloc[0], "reason": "so"})),
    ("double", lambda: more(
        "setup_works", SETUP_WORKS,
        {"setup_id": PLAIN["visits"]["setup_id"].iloc[1], "seq": 9,
         "work_id": first_work("sleeve")})),
    ("lost", lambda: without("visits", 0)),
    ("pipe", beside_it),
    ("set-up", lambda: changed("visits", 0, setup_id="U-999999")),
    ("crew", lambda: changed("visits", 0, crew="Nobody")),
    ("van", lambda: all_of("crews", CREWS, van_sleeves_count=1)),
    ("van", lambda: all_of("crews", CREWS, van_resin_kg=3.2)),
    ("shelf", lambda: stock(item="resin", mass_kg=16.0)),
    ("shelf", lambda: stock(item="sleeve", dn_mm=200.0, length_m=1.0, pieces_count=4)),
    ("accepted", lambda: all_of("choices", CHOICES, state="held")),
    ("accepted", lambda: PLAIN | {"choices": PLAIN["choices"].iloc[:0]}),
    ("accepted", lambda: PLAIN | {"choice_sleeves": PLAIN["choice_sleeves"].iloc[:0]}),
    ("before", lambda: changed("works", row_of("works", "work_id", "L"), state="todo")),
    ("before", lambda: without("works", row_of("works", "work_id", "L"))),
    ("before", lambda: changed(
        "setup_works", row_of("setup_works", "work_id", first_work("flow_control")), seq=99)),
    ("works", lambda: changed("works", work_row("sleeve"), state="done")),
    ("works", lambda: changed("works", work_row("verify"), pipe_id="p-other")),
    ("works", lambda: without("works", work_row("verify"))),
    ("works", lambda: without("sleeves", 0)),
    ("together", lambda: without(
        "setup_works", row_of("setup_works", "work_id", first_work("flow_control")))),
    ("steps", lambda: all_of("crews", CREWS, steps="flow_control+sleeve")),
    ("system", lambda: all_of("crews", CREWS, systems="glass")),
    ("system", lambda: all_of("crews", CREWS, systems="")),
    ("packer", lambda: all_of("packers", PACKERS, dn_from_mm=250.0)),
    ("packer", lambda: all_of("packers", PACKERS, usable_m=0.9)),
    ("packer", lambda: all_of("packers", PACKERS, reach_m=10.9)),
    ("packer", lambda: all_of("packers", PACKERS, cures="light")),
    ("packer", lambda: all_of("packers", PACKERS, lid_mm=601.0)),
    ("packer", lambda: all_of("packers", PACKERS, depth_m=2.4)),
    ("packer", lambda: all_of("crews", CREWS, packers="lost")),
    ("turn", lambda: changed("nodes", first_node(), turn_ok=False)),
    ("access", lambda: changed("nodes", first_node(), access="buried")),
    ("node", lambda: changed("setups", first_setup(), node_id="b4")),
    ("cure", lambda: PLAIN | {
        "process": PLAIN["process"].assign(cure_s=9000.0)}),
    ("cure", lambda: PLAIN | {"process": PLAIN["process"].iloc[:0]}),
    ("pot life", lambda: PLAIN | {  # 1800 s of preparation against 1799 s
        "process": PLAIN["process"].assign(pot_life_s=1799.0)}),
]  # fmt: skip


@pytest.mark.parametrize(("rule", "plant"), PLANTED)
def test_a_planted_fault_is_found(rule, plant):
    """Each fault is found under its own rule, and does not stop the audit."""
    assert rule in broken(plant())


def test_the_cap_of_a_day_is_held():
    """Two sleeves on one day where one is the cap."""
    week = settings(cap_small_count=1).week
    assert broken(PLAIN, week) == {"cap"}


def test_parking_is_held():
    """With half an hour to park, crews would start before they have parked."""
    assert "order" in broken(PLAIN, settings(manoeuvre_s=1800).week)


def test_the_towns_window_is_held_even_where_the_set_up_says_otherwise():
    """Work may start at 9 at the earliest."""
    assert "window" in broken(PLAIN, settings(open_s=32_400).week)


def test_a_lid_or_depth_or_turn_that_is_not_known_breaks_nothing():
    """Unknown is a doubt, as for the set-ups."""
    nodes = PLAIN["nodes"].copy()
    nodes["lid_mm"] = float("nan")
    nodes["depth_m"] = float("nan")
    nodes["turn_ok"] = pd.array([pd.NA] * len(nodes), dtype="boolean")
    assert broken(PLAIN | {"nodes": nodes}) == set()


def test_access_that_was_checked_breaks_nothing():
    """A buried manhole whose check is done serves."""
    buried = all_of("nodes", NODES, access="buried")
    rows = [work(f"A{n}", "check_access", f"p{n}", state="done") for n in range(5)]
    works = conform(pd.concat([PLAIN["works"], conform(rows, WORKS)]), WORKS)
    assert broken(buried) == {"access"}
    assert broken(buried | {"works": works}) == set()


def test_an_empty_week_is_clean():
    """No visits and no set-ups."""
    nothing = {"visits": PLAIN["visits"].iloc[:0], "setups": shaped([], SETUPS)}
    assert broken(PLAIN | nothing) == set()


def test_each_fault_says_what_is_there_and_what_must_be():
    """One line that a person can act on."""
    found = audit_week(shifted("visits", 0, "drive_s", 1), WAYS, WEEK, first_day=FIRST_DAY)
    row = found[found["rule"] == "drive"].iloc[0]
    due = int(PLAIN["visits"]["drive_s"].iloc[0])
    assert (row["found"], row["limit"]) == (f"drive of {due + 1} s", f"{due} s")


def test_a_visit_that_a_rule_rules_out_is_refused() -> None:
    """Only what holds for certain is refused; what is undecided or asks is a warning."""
    visit = str(PLAIN["visits"]["visit_id"].iloc[0])
    said = {"finding_id": "f", "about": "visit", "key": visit, "rule_id": "no-night",
            "effect": "rules_out", "state": "yes", "why": "starts at night"}  # fmt: skip
    assert "rule no-night" in broken(PLAIN | {"findings": conform([said], FINDINGS)})
    for softer in ({"state": "undecided"}, {"effect": "refer"}, {"about": "span"}):
        findings = conform([said | softer], FINDINGS)
        assert broken(PLAIN | {"findings": findings}) == set()
