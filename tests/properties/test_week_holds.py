"""Whatever the town: nothing is lost between works, set-ups and visits, and the audit is clean."""

from __future__ import annotations

import numpy as np
from crew_town import (
    CLEANERS,
    FIRST_DAY,
    chained,
    crew,
    node,
    packer,
    pipe,
    setter,
    settings,
    shifts,
    sleeve,
    sleeve_works,
    town,
    ways_of,
    work,
)
from hypothesis import given
from hypothesis import settings as effort
from hypothesis import strategies as st

from planner.crews.apart import find_apart
from planner.crews.audit import audit_week
from planner.crews.hours import find_hours
from planner.crews.setups import make_setups
from planner.crews.week import plan_week
from planner.ground.ids import NOTHING_KNOWN

ACCESS = ("open", "key", "private", "buried", "unknown")


def one_pipe(rng: np.random.Generator, n: int) -> tuple[list[dict], list[dict], dict, list[dict]]:
    """A pipe with its works up to a random one done, its sleeves, its two manholes."""
    x, y = rng.uniform(-6000, 6000, 2)
    length = float(rng.uniform(15, 120))
    nodes = [
        node(
            f"{end}{n}",
            float(x + at),
            float(y),
            access=str(rng.choice(ACCESS, p=[0.6, 0.1, 0.1, 0.1, 0.1])),
            lid_mm=float(rng.choice([450.0, 600.0, np.nan])),
            depth_m=float(rng.choice([2.0, 7.0, np.nan], p=[0.7, 0.1, 0.2])),
            turn_ok=[True, False, None][int(rng.choice(3, p=[0.7, 0.1, 0.2]))],
        )
        for end, at in (("a", 0.0), ("b", length))
    ]
    dn = float(rng.choice([150.0, 200.0, 300.0, 400.0, 700.0]))
    row = pipe(f"p{n}", f"a{n}", f"b{n}", dn_mm=dn, length_m=length)
    urgency = str(rng.choice(["", "when_near", "programme", "this_year", "now"]))
    works = [
        work(f"{n}-{step}", step, f"p{n}", to_m=length, urgency=urgency)
        for step in ("check_access", "clean", "cut_roots", "clean_again", "look", "dig")
        if rng.random() < 0.7
    ]
    sleeves = []
    for k in range(int(rng.integers(0, 4))):
        at = {"counter_node": f"{rng.choice(['a', 'b'])}{n}", "dn_mm": dn}
        one = sleeve(f"S{n}-{k}", float(rng.uniform(0, length - 1)), f"p{n}", **at)
        sleeves.append(one)
        works += sleeve_works(one, urgency=urgency, reopen=bool(rng.random() < 0.3))
    for done in works[: int(rng.integers(0, len(works) + 1))]:
        done["state"] = "done"
    return works, sleeves, row, nodes


def any_town(seed: int):
    rng = np.random.default_rng(seed)
    parts = [one_pipe(rng, n) for n in range(int(rng.integers(1, 12)))]
    crews = [
        crew("Cleaning", CLEANERS),
        setter("One", van_sleeves_count=int(rng.integers(1, 6))),
        setter("Two", packers="small+large", van_resin_kg=float(rng.uniform(2, 20))),
        crew("Gang", "dig+verify"),
    ]
    stock = [{"item": "resin", "system": "felt", "mass_kg": float(rng.uniform(0, 60))}]
    start_s = int(rng.integers(18_000, 30_000))
    tables = town(
        [row for part in parts for row in part[0]],
        [pair for part in parts for pair in chained(part[0])],
        [row for part in parts for row in part[1]],
        crews,
        pipes=[part[2] for part in parts],
        nodes=[row for part in parts for row in part[3]],
        packers=[packer(), packer("large", dn_from_mm=250.0, dn_to_mm=500.0, lid_mm=600.0)],
        covers=[
            (row["sleeve_id"], f"{row['work_id']}-{k}")
            for part in parts
            for row in part[0]
            if row["step"] == "reopen"
            for k in range(int(rng.integers(1, 4)))
        ],
        stock=stock if rng.random() < 0.5 else (),
        shifts=shifts(crews, start_s, start_s + int(rng.integers(14_400, 36_000))),
    )
    week = {
        "iterations": 60,
        "days": int(rng.integers(1, 5)),
        "setup_s": int(rng.integers(0, 3000)),
    }
    return tables, settings(**week, fill_ratio=float(rng.uniform(0.6, 1.0)))


@effort(max_examples=12, deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_no_work_is_lost_and_the_audit_is_clean(seed):
    """Each work to do has one set-up or one reason, each set-up one visit or one reason."""
    tables, chosen = any_town(seed)
    made = make_setups(tables, NOTHING_KNOWN, chosen.week, chosen.sleeving, first_day=FIRST_DAY)
    works = tables["works"]
    todo = sorted(works.loc[works["state"] == "todo", "work_id"])
    assert sorted([*made.setup_works["work_id"], *made.waiting["work_id"]]) == todo
    assert made.waiting["reason"].str.len().gt(8).all()
    tables |= {"setups": made.setups, "setup_works": made.setup_works}
    tables |= {"setup_after": made.setup_after}
    tables |= {"setup_apart": find_apart(tables, guard_m=chosen.week.flow_guard_m)}
    tables |= {"setup_hours": find_hours(tables, chosen.week, FIRST_DAY)}
    ways = ways_of(tables, chosen.week)
    found = plan_week(tables, ways, chosen.week, first_day=FIRST_DAY, seed=1)
    ids = [*found.visits["setup_id"], *found.unserved["setup_id"]]
    assert sorted(ids) == list(made.setups["setup_id"])
    tables |= {"visits": found.visits, "unserved": found.unserved}
    audit = audit_week(tables, ways, chosen.week, first_day=FIRST_DAY)
    assert audit.empty, audit.to_string()
