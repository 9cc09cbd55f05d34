"""A sleeve placed by a person, from the form to the plan: told, explained, signed, undone."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from planner.folder import accept_form
from planner.inputs.decisions import read_decisions
from planner.inputs.project import read_project
from planner.propose import propose
from planner.repairs.accept import find_orphans
from planner.repairs.revise import change_lines, changes_since, freeze
from planner.screening.explain import explain_lines
from planner.store.chosen import STORE
from planner.store.decisions import open_store
from tests.small_project import write_project

HEAD = "pipe_id,span_id,decision,by,on,reason,value\n"
# A crack of 2 mm on 0017, an open joint of 35 mm at 11.95 to 12.05 m on 0018: referred.
ROWS = """inspection_id,pipe_id,start_node,date,s_m,code,char1,char2,q1,surveyed_m,complete
I1,0017,A,2025-10-01,10.0,BAB,B,A,2,39,yes
I2,0018,B,2025-10-01,12.0,BAJ,A,,35,39,yes
"""
PLACE = "0018,D-000002,place,E. Noor,2026-01-11,film seen,11.20 to 12.20"
SAID = "'place 11.20 to 12.20' by E. Noor on 2026-01-11: film seen"
LESS = "0.15 m beside D-000002 at 11.95 to 12.05 m, 0.40 m asked (0.30 m overlap, 0.10 m doubt)"


@pytest.fixture
def town(tmp_path: Path) -> Path:
    return write_project(tmp_path / "town", surveys_csv=ROWS)


def accepted(town: Path, *rows: str) -> list[str]:
    form = town / "form.csv"
    form.write_text(HEAD + "".join(f"{row}\n" for row in rows))
    return accept_form(town, form)


def stored(town: Path, row: str) -> int:
    """Store a row as it stands, which is quicker than to hold it against the rules."""
    form = town / "form.csv"
    form.write_text(f"{HEAD}{row}\n")
    return len(open_store(town / STORE).append_decisions(read_decisions(form)[0])[0])


def proposed(town: Path) -> dict[str, pd.DataFrame]:
    store = open_store(town / STORE)
    known, decisions = store.read_known(), store.read_decisions()
    made = propose(read_project(town, {}), known, decisions)
    orphans = find_orphans(decisions, pd.concat(made.lost_ids), made.tables["choices"])
    return {**made.tables, "orphans": orphans}


def told(tables: dict[str, pd.DataFrame]) -> list[str]:
    flags = tables["flags"]
    return flags.loc[flags["step"] == "decisions", "what"].tolist()


def places(tables: dict[str, pd.DataFrame]) -> list[tuple[float, float]]:
    return list(zip(tables["sleeves"]["from_m"], tables["sleeves"]["to_m"], strict=True))


@pytest.mark.parametrize(
    ("span", "value", "wanted"),
    [
        ("D-1", "12.3-14.3", "metres from us_node such as '12.30 to 14.30', or a length such as"),
        ("D-1", "14.30 to 12.30", "the place nearer us_node first"),
        ("D-1", "-1 to 1", "no place is negative"),
        ("D-1", "at the joint", "metres from us_node"),
        ("D-1", "", "metres from us_node"),
        ("", "2.00", "a span_id: watch, nothing, limit and place are for one span"),
    ],
)
def test_a_row_without_a_place_is_refused_in_one_line(tmp_path: Path, span, value, wanted):
    """Row and column, what was found and what is wanted."""
    form = tmp_path / "form.csv"
    form.write_text(f"{HEAD}p1,{span},place,E,2026-01-11,x,{value}\n")
    rows, faults = read_decisions(form)
    assert rows.empty
    assert [(one.row, wanted in one.wanted) for one in faults] == [(2, True)]


def test_a_place_is_told_explained_signed_as_a_difference_and_undone(town: Path) -> None:
    """11.20..12.20 leaves 0.15 m beside the joint where 0.40 m are asked; the referred span is
    a sleeve by it, an acceptance is held once the sleeve is moved, and undo refers it again."""
    beyond = "0017,D-000001,place,E. Noor,2026-01-11,film seen,39 to 40"
    said = accepted(town, PLACE, beyond, "0018,,accept,E. Noor,2026-01-11,fine,")
    assert "not applied: it would end at 40.00 m, beyond the pipe of 39.00 m" in said[0]
    assert said[1] == "2 decisions taken, 1 refused or known"
    first = proposed(town)
    assert places(first) == [(11.2, 12.2)]
    assert told(first) == [f"{SAID}: applied as the engineer's own choice: {LESS}"]
    lines = explain_lines(first["sleeves"]["sleeve_id"].iloc[0], first)
    assert f"  placed by a person: {SAID}; {LESS}" in lines
    assert f"  because: decided by a person: {SAID}" in lines
    assert first["choices"].set_index("pipe_id").loc["0018", "state"] == "accepted"

    # The same person, day and reason: another place is another decision.
    moved = PLACE.replace("11.20 to 12.20", "11.40 to 12.40")
    assert stored(town, moved) == 1
    second = proposed(town)
    changes = changes_since(freeze(first["choices"], 1), freeze(second["choices"], 2))
    line = change_lines(changes)[1]
    assert "pipe 0018: changed: accepted: sleeve; 11.20-12.20 m DN 250 felt" in line
    assert "-> held: sleeve; 11.40-12.40 m DN 250 felt" in line

    assert stored(town, "0018,D-000002,undo,E. Noor,2026-01-14,film seen again,") == 1
    third = proposed(town)
    assert places(third) == []
    assert third["verdicts"].set_index("span_id").loc["D-000002", "verdict"] == "refer"


def test_a_place_that_no_longer_fits_the_survey_is_not_applied_and_told(town: Path) -> None:
    """The span is as the rules leave it, for a person; one that is gone leaves an orphan."""
    accepted(town, PLACE)
    for was, now, words in (
        # Found again 0.35 m on, at 12.30..12.40: the sleeve ends at 12.20.
        (",12.0,", ",12.35,", "at 11.20 to 12.20 m it does not cover D-000002"),
        (",35,", ",55,", "the survey changed since; decided was [joint_gap"),
    ):
        (town / "surveys.csv").write_text(ROWS.replace(was, now))
        tables = proposed(town)
        assert [line.startswith(f"{SAID}: not applied: {words}") for line in told(tables)] == [True]
        verdicts = tables["verdicts"].set_index("span_id")
        assert verdicts.loc["D-000002", "verdict"] == "refer"
        assert places(tables) == []
    (town / "surveys.csv").write_text("\n".join(ROWS.splitlines()[:2]) + "\n")
    assert proposed(town)["orphans"]["what"].tolist() == [SAID]
