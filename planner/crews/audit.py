"""Whether a week can be driven and may be, checked from its tables alone.

Nothing is shared with `setups` and `week`: a mistake made there must not excuse itself.
"""

from __future__ import annotations

from collections.abc import Iterator

import pandas as pd

from planner.contracts import (
    AUDIT,
    FINDINGS,
    PROCESS,
    SETUP_WORKS,
    SETUPS,
    UNSERVED,
    VISITS,
    WORKS,
)
from planner.contracts.facts import Tables
from planner.crews.audit_days import days_broken
from planner.crews.audit_flow import flow_broken
from planner.crews.audit_loads import loads_broken
from planner.crews.audit_pins import pins_broken
from planner.crews.audit_rows import Book, Broken
from planner.crews.audit_works import works_broken
from planner.crews.travel import Travel
from planner.settings import Week
from planner.tables import check, conform


def audit_week(
    tables: Tables, ways: Travel, week: Week, *, first_day: str, at: str = ""
) -> pd.DataFrame:
    """List every rule that the week breaks; an empty table is a clean audit.

    Checked are shifts and the part of them that may be planned, pauses, hours of streets,
    permits, closed days, notices, order and drives, double service, what disturbs each
    other on one pipe or along the flow, vans, caps and shelf, acceptance, predecessors,
    steps, systems, packers with their reach, lids, turns and access, that no set-up is
    lost, that each batch is set within its pot life, that what people said by hand is
    kept, and that no rule of the rulebook rules a visit out.

    Parameters
    ----------
    tables
        Of it: visits, unserved, setups, setup_works, works, work_after, sleeves, pipes,
        nodes, crews, shifts, packers, systems, system_sizes, process, stock, choices,
        choice_sleeves, findings (those about visits); windows, closed, permits, notices,
        pins where they are there.
    ways
        Drives, as the week was planned with.
    week
        Windows, caps, parking, the share of a shift that is planned.
    first_day
        First day of the week; '' = not stated, and then there is no visit.
    at
        YYYY-MM-DDTHH:MM from which the week was planned again: what began before it took
        place and is not held against rules, only what follows against it; '' = nothing did.

    Returns
    -------
    audit
        Obeys `AUDIT`.

    Raises
    ------
    TableError
        If a table breaks its contract.
    """
    for table in (VISITS, UNSERVED, SETUPS, SETUP_WORKS, WORKS, PROCESS):
        check(tables[table.name], table)
    book = Book.of(tables, ways, week, first_day, at)
    parts = (days_broken, flow_broken, loads_broken, pins_broken, works_broken)
    past = {visit["visit_id"] for visit in book.visits if book.past(visit)}
    ruled_out = (one for one in _ruled_out(tables) if one[0] not in past)
    found = {*ruled_out, *(one for part in parts for one in part(book))}
    broken = sorted(found)
    rows = [dict(zip(AUDIT.names, one, strict=True)) for one in broken]
    # One fault may be found twice with different limits; the first says enough.
    once = {(row["visit_id"], row["rule"], row["found"]): row for row in reversed(rows)}
    return conform(list(once.values()), AUDIT)


def _ruled_out(tables: Tables) -> Iterator[Broken]:
    """Give the visits that a rule of the book refuses for certain."""
    findings = check(tables["findings"], FINDINGS)
    refused = findings[
        (findings["about"] == "visit")
        & (findings["effect"] == "rules_out")
        & (findings["state"] == "yes")
    ]
    for row in refused.to_dict("records"):
        yield (
            str(row["key"]),
            f"rule {row['rule_id']}",
            str(row["why"]),
            "no visit that it rules out",
        )
