"""Random small weeks through plan and audit: faults found, and what the exchange gains.

The weeks are those of `tests/random_weeks.py`, by seed from 0 on.
"""

from __future__ import annotations

from dataclasses import replace
from time import process_time

import random_weeks
from random_weeks import Case, Days

from tests.bench.frame import BenchResult

GOALS: dict[str, tuple[str, float]] = {
    "audit faults": ("<=", 0.0),
    "set-ups off the crew or day they are bound to": ("<=", 0.0),
    "impossible promises not told, or that harm others": ("<=", 0.0),
    "visits with exchange / without": (">=", 1.0),
}


def run(size: int) -> BenchResult:
    """Plan `size` weeks with and without the exchange. Times are CPU seconds of this process."""
    faults = off = harmed = impossible = setups = 0
    visits, seconds = {"with": 0, "without": 0}, {"with": 0.0, "without": 0.0}
    for seed in range(size):
        case = random_weeks.make_case(seed)
        setups += len(case.tables["setups"])
        impossible += len(case.impossible)
        for name, own in (("with", case), ("without", _without_exchange(case))):
            started = process_time()
            found = random_weeks.plan_case(own)
            seconds[name] += process_time() - started
            visits[name] += len(found.visits)
            faults += len(random_weeks.audit_case(own, found))
            off += len(random_weeks.off_lock(own, found))
            if name == "with":
                harmed += _told(own, found)
    rows = [
        {"weeks": f"{name} exchange", "count": size, "set-ups": setups, "visits": visits[name],
         "cpu_s": round(seconds[name], 1), "impossible promises": impossible}
        for name in ("with", "without")
    ]  # fmt: skip
    ratios = {
        "audit faults": float(faults),
        "set-ups off the crew or day they are bound to": float(off),
        "impossible promises not told, or that harm others": float(harmed),
        "visits with exchange / without": visits["with"] / max(1, visits["without"]),
        "CPU with exchange / without": seconds["with"] / max(1e-9, seconds["without"]),
    }
    return BenchResult(rows, ratios, {name: list(goal) for name, goal in GOALS.items()})


def _without_exchange(case: Case) -> Case:
    return replace(case, week=case.week.model_copy(update={"exchange_count": 0}))


def _told(case: Case, found: Days) -> int:
    wrong = random_weeks.harmed_by_promises(case, found)
    for line in wrong:
        print(f"seed {case.seed}: {line}")
    return len(wrong)
