"""Tickets that steps and streets ask of a crew: in the week, its reasons and its audit."""

from __future__ import annotations

from crew_town import CLEANERS, FIRST_DAY, crew, settings, sleeved, stop, stop_town, ways_of
from test_week import planned, reasons

from planner.contracts import CREWS, NODES
from planner.crews.audit import audit_week
from planner.tables import conform

ENTRY = {"step_tickets": {"clean": ["entry"]}}


def test_only_a_crew_with_the_ticket_does_the_step():
    """Two crews that clean; one of them may enter."""
    crews = [crew("One", CLEANERS), crew("Two", CLEANERS, tickets="traffic+entry")]
    found = planned(stop_town([stop("U1"), stop("U2", 300.0)], crews), **ENTRY)
    assert found.visits["crew"].unique().tolist() == ["Two"]


def test_a_ticket_that_no_crew_holds_is_the_reason():
    """The crew holds another one."""
    crews = [crew("One", CLEANERS, tickets="traffic")]
    found = planned(stop_town([stop("U1")], crews), **ENTRY)
    assert reasons(found) == {"U1": "One holds no ticket of entry"}


def test_the_street_over_the_other_manhole_counts_for_a_sleeve():
    """b0 lies in a main street; a sleeve opens both ends."""
    tables = sleeved(1)
    kinds = ["main" if node == "b0" else "" for node in tables["nodes"]["node_id"]]
    tables["nodes"] = conform(tables["nodes"].assign(street_class=kinds), NODES)
    found = planned(tables, class_tickets={"main": ["traffic"]})
    assert list(reasons(found).values()) == ["Sleeve 1 holds no ticket of traffic"]


def test_the_audit_finds_a_visit_without_its_ticket():
    """Planned with the ticket, then it is taken from the crew."""
    tables = stop_town([stop("U1")], [crew("One", CLEANERS, tickets="entry")])
    found = planned(tables, **ENTRY)
    tables |= {"visits": found.visits, "unserved": found.unserved}
    tables["crews"] = conform(tables["crews"].assign(tickets=""), CREWS)
    week = settings(**ENTRY).week
    broken = audit_week(tables, ways_of(tables, week), week, first_day=FIRST_DAY)
    assert broken["rule"].tolist() == ["ticket"]
