"""What the field says of pipes and spans: measured, mended, failed; and what bars new sleeves."""

from __future__ import annotations

from typing import Any

import pandas as pd
import pytest
from one_pipe import decisions, lateral, pipe, shaped, span, town, verdict
from reported import built, measured

from planner.contracts import CHOICES, LATERALS, PIPES, SPANS
from planner.repairs.accept import accept_choices
from planner.repairs.ground_of import gather
from planner.screening.as_built import as_it_lies, days_of, is_accepted, measured_pipes
from planner.settings import load_settings
from planner.tables import conform

DAYS = {"D-1": ("2026-01-10", "2026-01-10")}
LIES = {"from_m": 4.0, "to_m": 7.0}


def lying(
    *rows: dict[str, Any],
    sleeves: pd.DataFrame | None = None,
    found: pd.DataFrame | None = None,
    laterals: tuple[dict, ...] = (),
    days: dict[str, tuple[str, str]] | None = None,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    rows = rows or (span("D-1", 5, 6),)
    tables = {
        "pipes": shaped([pipe()], PIPES),
        "laterals": conform(laterals, LATERALS),
        "measured": measured() if found is None else found,
        "as_built": built() if sleeves is None else sleeves,
    }
    spans, flags = as_it_lies(conform(rows, SPANS), days or DAYS, tables)
    return spans.set_index("span_id"), flags


@pytest.mark.parametrize(
    ("sleeve", "seen", "state"),
    [
        ({}, "2026-01-10", "mended"),
        ({"verified_at": ""}, "2026-01-10", "open"),  # not filmed: nobody knows
        ({"from_m": 5.5}, "2026-01-10", "open"),  # the damage begins at 5.0, outside
        ({}, "2026-02-10", "open"),  # seen on the day it was set: before or after?
        ({}, "", "open"),  # nobody knows when it was seen
        ({}, "2026-02-11", "failed_sleeve"),  # seen under the sleeve
        ({"verified_at": ""}, "2026-02-11", "failed_sleeve"),
        ({"failed": True, "failed_at": "2026-02-10T12:00"}, "2026-01-10", "failed_sleeve"),
        ({"failed": True, "from_m": 5.9}, "2026-01-10", "failed_sleeve"),  # touches it
        ({"failed": True, "from_m": 6.1}, "2026-01-10", "open"),
        ({"failed": True, "removed_at": "2026-02-12T09:00"}, "2026-01-10", "open"),
        ({"removed_at": "2026-02-12T09:00"}, "2026-01-10", "open"),
        ({"pipe_id": "p2"}, "2026-01-10", "open"),
    ],
)
def test_damage_is_mended_only_by_a_sleeve_that_holds_and_is_younger(
    sleeve: dict[str, Any], seen: str, state: str
):
    """DESIGN section 3, item 3: inside and older = mended, under a failed one = failed_sleeve."""
    spans, _ = lying(sleeves=built({**LIES, **sleeve}), days={"D-1": (seen, seen)})
    assert spans.loc["D-1", "state"] == state


@pytest.mark.parametrize(
    ("laterals", "opened", "state"),
    [
        ((lateral(5.2),), "", "open"),  # covered and still shut
        ((lateral(5.2),), "2026-02-10T13:00", "mended"),
        ((lateral(5.2, "unknown"),), "", "open"),  # unknown counts as live
        ((lateral(5.2, "closed"),), "", "mended"),
        ((lateral(9.0),), "", "mended"),
    ],
)
def test_a_sleeve_over_a_connection_holds_once_it_is_opened(laterals, opened: str, state: str):
    sleeves = built({**LIES, "reopened_at": opened})
    assert lying(sleeves=sleeves, laterals=laterals)[0].loc["D-1", "state"] == state


def test_two_sleeves_that_lap_mend_what_neither_holds_alone():
    """4.0-6.0 and 5.8-8.0 hold 5.0-7.0 together; with a gap between them they do not."""
    rows = (span("D-1", 5, 7),)
    lap = built({"from_m": 4, "to_m": 6}, {"from_m": 5.8, "to_m": 8})
    gap = built({"from_m": 4, "to_m": 6}, {"from_m": 6.1, "to_m": 8})
    half = built({"from_m": 4, "to_m": 6}, {"from_m": 5.8, "to_m": 8, "verified_at": ""})
    assert lying(*rows, sleeves=lap)[0].loc["D-1", "state"] == "mended"
    assert lying(*rows, sleeves=gap)[0].loc["D-1", "state"] == "open"
    assert lying(*rows, sleeves=half)[0].loc["D-1", "state"] == "open"


def test_a_sag_and_what_recurs_are_mended_by_no_sleeve():
    condition = {**span("D-1", 5, 6), "role": "condition", "mechanisms": "sag"}
    again = {**span("D-1", 5, 6), "kind": "repeated"}
    for row in (condition, again):
        assert lying(row, sleeves=built(LIES))[0].loc["D-1", "state"] == "open"


def test_days_of_a_span_are_unknown_if_one_row_has_none():
    rows = [("D-1", "a", "own"), ("D-1", "b", "own"), ("D-2", "a", "own"), ("D-2", "b", "lent")]
    links = pd.DataFrame(rows, columns=["span_id", "observation_id", "part"])
    defects = pd.DataFrame({"observation_id": ["a", "b"], "seen_on": ["2026-01-10", ""]})
    spans = pd.DataFrame({"span_id": ["D-1", "D-2", "D-3"]})
    found = days_of(spans, links, defects)
    assert found == {"D-1": ("", ""), "D-2": ("2026-01-10", "2026-01-10"), "D-3": ("", "")}


def test_a_void_that_is_filled_is_seen_no_more():
    """After grouting: no. A measurement older than the survey says nothing."""
    row = {**span("D-1", 5, 6), "void_visible": True}
    at = {"from_m": 4.8, "to_m": 6.2, "void_visible": False}
    assert not lying(row, found=measured(at))[0].loc["D-1", "void_visible"]
    assert lying(row, found=measured({**at, "from_m": 7, "to_m": 8}))[0].loc["D-1", "void_visible"]
    old = measured({**at, "at": "2026-01-09T10:00"})
    assert lying(row, found=old)[0].loc["D-1", "void_visible"]
    back = measured(at, {**at, "at": "2026-02-11T10:00", "void_visible": True})
    assert lying(row, found=back)[0].loc["D-1", "void_visible"]


def test_damage_is_where_it_was_found():
    """A look found 5.0-6.0 at 5.4-6.3; of two damages it must say which; never off the pipe."""
    found = {"find_from_m": 5.4, "find_to_m": 6.3}
    spans, flags = lying(found=measured(found))
    assert spans.loc["D-1", ["from_m", "to_m", "extent_from"]].tolist() == [5.4, 6.3, "quantity"]
    assert flags.empty
    two, days = (span("D-1", 5, 6), span("D-2", 20, 21)), {**DAYS, "D-2": DAYS["D-1"]}
    spans, flags = lying(*two, found=measured(found), days=days)
    assert spans["from_m"].tolist() == [5, 20]
    assert "which damage is not said (D-1, D-2): not used" in flags["what"].iloc[0]
    named = measured({**found, "from_m": 4.5, "to_m": 7})
    assert lying(*two, found=named, days=days)[0]["from_m"].tolist() == [5.4, 20]
    spans, flags = lying(found=measured({"find_from_m": 39, "find_to_m": 41}))
    assert spans.loc["D-1", "from_m"] == 5
    assert "of a pipe of 40.00 m: not used" in flags["what"].iloc[0]


@pytest.mark.parametrize(
    ("known", "rows", "want", "flagged"),
    [
        ((0, 20), [(15, 40)], (0, 40), False),
        ((0, 20), [(25, 40)], (0, 20), True),  # apart: the longer of 20 and 15 m
        ((0, 10), [(25, 45)], (25, 40), True),  # cut to the pipe, 15 against 10 m
        ((None, None), [(3, 9)], (3, 9), False),
        ((0, 10), [(25, 40), (9, 26)], (9, 40), True),  # in time: 25-40 stands, then 9-26 meets it
    ],
)
def test_proved_laterals_are_known(known, rows, want, flagged: bool):
    names = ("laterals_known_from_m", "laterals_known_to_m")
    pipes = shaped([pipe(**dict(zip(names, known, strict=True)))], PIPES)
    found = measured(*(dict(zip(names, row, strict=True)) for row in rows))
    out, flags = measured_pipes(pipes, found)
    assert tuple(out[list(names)].iloc[0]) == want
    assert bool(len(flags)) == flagged


def test_the_inside_size_measured_last_counts():
    rows = [{"inside_mm": 201, "at": "2026-02-11T10:00"}, {"inside_mm": 198}]
    out, _ = measured_pipes(shaped([pipe(), pipe("p2")], PIPES), measured(*rows))
    assert out["inside_mm"].tolist()[0] == 201
    assert pd.isna(out["inside_mm"].iloc[1])


def test_a_sleeve_that_lies_there_bars_another():
    """A failed one and one whose damage is mended bar 4-7 m; one not filmed yet does not."""
    settings = load_settings({}).sleeving
    spans = [{**span("D-1", 5, 6), "state": "mended"}, span("D-2", 20, 21)]
    tables = town(spans, [verdict("D-1", needs="nothing", verdict="none"), verdict("D-2")])
    for sleeves, bars in (
        (built({**LIES}), True),
        (built({**LIES, "failed": True}), True),
        (built({**LIES, "failed": True, "removed_at": "2026-02-12T09:00"}), False),
        (built({**LIES, "verified_at": ""}), False),
    ):
        (line,), _ = gather({**tables, "as_built": sleeves}, settings)
        found = [(s.from_m, s.to_m) for s in line.spots if not s.span_id and s.closed and s.unsound]
        assert found == ([(4.0, 7.0)] if bars else [])


def test_is_accepted_says_what_holds():
    """Any one thing amiss and it does not hold."""
    (one,) = built(LIES).to_dict("records")
    assert is_accepted(one, [])
    for name, value in (("verified_at", ""), ("failed", True), ("removed_at", "2026-02-12T09:00")):
        assert not is_accepted({**one, name: value}, [])


S1, S2 = "4.50-6.50 m DN 200 felt", "10.00-12.00 m DN 200 felt"
WAS = f"aa sleeve; {S1}; {S2}; mends D-1+D-2"


@pytest.mark.parametrize(
    ("now", "method", "mended", "state"),
    [
        (f"bb sleeve; {S2}; mends D-2", "sleeve", ["D-1"], "accepted"),
        (f"bb sleeve; {S2}; mends D-2", "sleeve", [], "held"),  # D-1 is gone, nobody says why
        ("bb sleeve; 10.10-12.10 m DN 200 felt; mends D-2", "sleeve", ["D-1"], "held"),  # moved
        (f"bb sleeve; {S2}; mends D-2+D-3", "sleeve", ["D-1"], "held"),  # more than accepted
        ("bb dig; mends D-2", "dig", ["D-1"], "held"),  # another method
        ("bb nothing", "nothing", ["D-1", "D-2"], "accepted"),
        ("bb maintain; at D-4", "maintain", ["D-1", "D-2"], "accepted"),
        ("bb nothing", "nothing", ["D-1"], "held"),
        (WAS, "sleeve", ["D-9"], "accepted"),
    ],
)
def test_what_is_left_of_an_acceptance_stays_accepted(now, method, mended, state):
    row = {"pipe_id": "p1", "method": method, "state": "proposed", "reason": "r"}
    choice = conform([{**row, "fingerprint": now, "assumed_accepted": False}], CHOICES)
    given = decisions({"decision": "accept", "fingerprint": WAS})
    out = accept_choices(choice, given, mended=mended)
    assert out["state"].tolist() == [state]
    if state == "accepted" and now != WAS:
        assert "mended since" in out["reason"].iloc[0]


def test_what_was_referred_is_not_accepted_by_being_left_over():
    """An undecided span holds the pipe, whatever was accepted before."""
    row = {"pipe_id": "p1", "method": "sleeve", "state": "held", "reason": "D-2: undecided"}
    now = {"fingerprint": f"bb sleeve; {S2}; mends D-2", "assumed_accepted": False}
    given = decisions({"decision": "accept", "fingerprint": WAS})
    out = accept_choices(conform([{**row, **now}], CHOICES), given, mended=["D-1"])
    assert out["state"].tolist() == ["held"]


def test_a_refusal_is_no_acceptance_of_the_rest():
    row = {"pipe_id": "p1", "method": "nothing", "state": "proposed", "reason": "r"}
    choice = conform([{**row, "fingerprint": "bb nothing", "assumed_accepted": False}], CHOICES)
    given = decisions({"decision": "refuse", "fingerprint": WAS})
    assert accept_choices(choice, given, mended=["D-1", "D-2"])["state"].tolist() == ["refused"]
