"""Random weeks: a clean audit in each, impossible promises told and harmless, faults found.

`python -m tests.bench weeks` plans two hundred of them.
"""

from __future__ import annotations

from functools import cache

import pandas as pd
import pytest
import random_weeks
from crew_town import FIRST_DAY, ways_of

from planner.contracts import VISITS
from planner.crews.audit import audit_week
from planner.tables import conform

# Weeks with impossible promises, chains, nights and locks among them.
SEEDS = (0, 1, 2, 5, 7, 8, 10, 13)


@cache
def planned(seed: int) -> tuple[random_weeks.Case, random_weeks.Days]:
    case = random_weeks.make_case(seed)
    return case, random_weeks.plan_case(case)


@pytest.mark.parametrize("seed", SEEDS)
def test_a_random_week_holds(seed):
    """The audit is clean, nothing is lost, and what is bound to crew or day is nowhere else."""
    case, found = planned(seed)
    audit = random_weeks.audit_case(case, found)
    assert audit.empty, audit.to_string()
    ids = sorted([*found.visits["setup_id"], *found.unserved["setup_id"]])
    assert ids == sorted(case.tables["setups"]["setup_id"])
    assert random_weeks.off_lock(case, found) == []
    assert (found.unserved["reason"] != "").all()
    assert random_weeks.harmed_by_promises(case, found) == []


def test_the_same_seed_gives_the_same_week_after_the_exchange():
    """Planned twice, and with every table turned upside down."""
    case, found = planned(2)
    turned = {name: rows.iloc[::-1].reset_index(drop=True) for name, rows in case.tables.items()}
    for again in (case, random_weeks.with_tables(case, turned)):
        pd.testing.assert_frame_equal(found.visits, random_weeks.plan_case(again).visits)


def _busiest() -> tuple[random_weeks.Case, random_weeks.Days]:
    """The first week with two crews at work on one day."""
    for seed in SEEDS:
        case, found = planned(seed)
        if (found.visits.groupby("date")["crew"].nunique() > 1).any():
            return case, found
    message = "no week with two crews on one day"
    raise AssertionError(message)


def test_the_audit_finds_what_is_planted_in_a_random_week():
    """A visit an hour earlier, a swap of crews, a visit twice, one lost, another day."""
    case, found = _busiest()
    ways = ways_of(case.tables, case.week)

    def rules(visits: pd.DataFrame) -> set[str]:
        tables = case.tables | {"visits": conform(visits, VISITS), "unserved": found.unserved}
        return set(audit_week(tables, ways, case.week, first_day=FIRST_DAY)["rule"])

    visits = found.visits
    assert rules(visits) == set()
    shifted = visits.copy()
    shifted.loc[0, ["start_s", "end_s"]] -= 3_600
    assert "order" in rules(shifted)
    names = sorted(visits["crew"].unique())[:2]
    swap = dict(zip(names, reversed(names), strict=True))
    swapped = visits.assign(crew=visits["crew"].replace(swap))
    assert rules(swapped) & {"steps", "system", "packer"}
    twice = pd.concat([visits, visits.iloc[:1].assign(visit_id="again", seq=99)])
    assert "double" in rules(twice)
    assert "lost" in rules(visits.iloc[1:])
    later = visits.assign(date="2026-03-07")
    assert "shift" in rules(later)
