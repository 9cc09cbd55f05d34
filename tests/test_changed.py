"""Pipes changed in a running process give what a whole run with the change gives.

The reference is `propose` on all pipes: it is the same steps by the other way, and each step
has tests of its own against outside sources.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from random import Random

import pandas as pd
import pytest

from planner.changed import Running
from planner.contracts import DECISIONS, OBSERVATIONS, PRICES
from planner.errors import TableError
from planner.ground.ids import NOTHING_KNOWN
from planner.inputs.inputs import Inputs
from planner.propose import Proposal, propose
from planner.tables import conform, empty
from tests.bench.onepipe import make_town

PIPES = 24


@cache
def town() -> tuple[Inputs, Proposal]:
    inputs = make_town(PIPES)
    return inputs, propose(inputs, NOTHING_KNOWN, empty(DECISIONS))


def differing(running: Running, full: Proposal) -> list[str]:
    """Name the tables in which what stands, of all pipes, is not what a full run gave."""
    ours = running.proposal()
    pairs = {name: (ours.tables[name], table) for name, table in full.tables.items()}
    pairs["known"] = (ours.known.table, full.known.table)
    found = [] if dict(ours.known.highest) == dict(full.known.highest) else ["highest"]
    for name, (one, other) in pairs.items():
        try:
            pd.testing.assert_frame_equal(
                pd.DataFrame(one).reset_index(drop=True), pd.DataFrame(other).reset_index(drop=True)
            )
        except AssertionError as error:
            found.append(f"{name}: {error}")
    return found


def decision(version: int, **more: object) -> dict[str, object]:
    row = {"version": version, "span_id": "", "by": "Ada", "on": "2026-01-12", "reason": "seen"}
    return {**row, "value": "", "fingerprint": "", **more}


def decide(made: Proposal, pipe: str, draw: Random, version: int) -> dict[str, object]:
    """Decide something on the pipe's choice or on one of its spans."""
    verdicts = made.tables["verdicts"]
    spans = verdicts.loc[verdicts["pipe_id"] == pipe, "span_id"].tolist()
    word = draw.choice(["accept", "refuse", "hold", "liner", "dig", "limit", "span"])
    if word not in ("limit", "span") or not spans:
        word = "hold" if word in ("limit", "span") else word
        print_ = made.tables["choices"].set_index("pipe_id")["fingerprint"].get(pipe, "")
        return decision(version, pipe_id=pipe, decision=word, fingerprint=print_)
    if word == "limit":
        value = "allow-gap.gap_mm.ok = 35"
        return decision(version, pipe_id=pipe, span_id=spans[0], decision="limit", value=value)
    what = draw.choice(["sleeve", "dig", "watch", "nothing"])
    return decision(version, pipe_id=pipe, span_id=draw.choice(spans), decision=what)


def edit(inputs: Inputs, pipe: str, kind: str, draw: Random) -> Inputs:
    """Give the town with one thing of one pipe changed."""
    rows, run = inputs.observations, f"I{pipe}"
    own = rows.index[rows["inspection_id"] == run]
    if kind == "figure" and len(own):
        rows = rows.copy()
        rows.loc[draw.choice(list(own)), "quantity_high"] = draw.choice([1.0, 40.0, float("nan")])
    elif kind == "moved" and len(own):
        rows = rows.copy()
        rows.loc[draw.choice(list(own)), "s_m"] = round(draw.uniform(0.5, 60.0), 2)
    elif kind == "removed" and len(own):
        rows = rows.drop(index=draw.choice(list(own)))
    elif kind == "added" and len(own):
        more = rows.loc[[draw.choice(list(own))]].assign(
            observation_id=f"new {draw.random()}", s_m=round(draw.uniform(1.0, 15.0), 2)
        )
        rows = pd.concat([rows, more])
    pipes = inputs.pipes
    if kind in ("dn_mm", "material"):
        pipes = pipes.copy()
        value = draw.choice([150.0, 300.0]) if kind == "dn_mm" else draw.choice(["pvc", "steel"])
        pipes.loc[pipes["pipe_id"] == pipe, kind] = value
    return inputs.with_rows(pipes=pipes, observations=conform(rows, OBSERVATIONS))


KINDS = ("figure", "moved", "removed", "added", "dn_mm", "material", "decision")


def test_one_change_after_another_gives_the_tables_of_a_whole_run() -> None:
    """Each kind of change on some pipe: all tables of all pipes, and all ids, are the same.

    Changes come by twos: a whole run takes the time.
    """
    draw = Random(2)
    inputs, made = town()
    decisions = empty(DECISIONS)
    running = Running(inputs, made, decisions)
    filmed = inputs.inspections["pipe_ref"].tolist()
    kinds = draw.sample(KINDS, len(KINDS))
    for number, some in enumerate((kinds[:3], kinds[3:5], kinds[5:])):
        pipes = draw.sample(filmed, len(some))
        for pipe, kind in zip(pipes, some, strict=True):
            if kind == "decision":
                rows = [*decisions.to_dict("records"), decide(made, pipe, draw, number + 1)]
                decisions = conform(rows, DECISIONS)
            inputs = edit(inputs, pipe, kind, draw)
        told = running.rescreen(pipes, **_of(inputs, pipes), decisions=decisions)
        made = propose(inputs, made.known, decisions)
        assert told.due == ()
        assert differing(running, made) == [], list(zip(pipes, some, strict=True))


def _of(inputs: Inputs, pipes: list[str]) -> dict[str, pd.DataFrame]:
    rows, runs = inputs.observations, [f"I{pipe}" for pipe in pipes]
    return {
        "pipes": inputs.pipes[inputs.pipes["pipe_id"].isin(pipes)],
        "observations": rows[rows["inspection_id"].isin(runs)],
    }


def test_where_a_choice_stands_is_taken_in_without_screening_anew() -> None:
    """Forty decisions on three pipes, one by one: all tables as of a whole run with them.

    A method in between goes the long way, and taking it back does too.
    """
    draw = Random(7)
    inputs, made = town()
    pipes = draw.sample(made.tables["choices"]["pipe_id"].tolist(), 3)
    prints = made.tables["choices"].set_index("pipe_id")["fingerprint"]
    running, rows = Running(inputs, made, empty(DECISIONS)), list[dict[str, object]]()
    for version in range(1, 41):
        pipe = draw.choice(pipes)
        word = draw.choice(["accept", "refuse", "hold", "undo"])
        print_ = draw.choice([prints[pipe], "0 something else", ""])
        rows.append(decision(version, pipe_id=pipe, decision=word, fingerprint=print_))
        running.redecide(pipe, conform(_about(rows, pipe), DECISIONS))
        if version % 10 == 0:
            full = propose(inputs, made.known, conform(rows, DECISIONS))
            assert differing(running, full) == []
    rows.append(decision(41, pipe_id=pipe, decision="liner"))
    with pytest.raises(TableError, match="wants rescreening"):
        running.redecide(pipe, conform(_about(rows, pipe), DECISIONS))
    about = decision(42, pipe_id=pipe, span_id="D-000001", decision="watch")
    with pytest.raises(TableError, match="wants rescreening"):
        running.redecide(pipe, conform(_about([*rows[:-1], about], pipe), DECISIONS))
    # Without other decisions, those taken in meanwhile are what a change of rows stands on.
    running.rescreen([pipe], observations=_of(inputs, [pipe])["observations"])
    assert differing(running, propose(inputs, made.known, conform(rows[:-1], DECISIONS))) == []


def _about(rows: list[dict[str, object]], pipe: str) -> list[dict[str, object]]:
    return [row for row in rows if row["pipe_id"] == pipe]


def test_a_change_that_turns_a_price_of_the_project_says_so() -> None:
    """By hand: a price for as many sleeves as could be ordered; with one pipe bare, it is less."""
    inputs, made = town()
    rows = made.tables["verdicts"]
    open_ = rows[(rows["needs"] == "mend") & (rows["sleeve"] != "closed")]
    pipe = open_["pipe_id"].iloc[0]
    base = inputs.prices[inputs.prices["item"] == "sleeve"].iloc[:1]
    wide = base.assign(dn_from_mm=0.0, dn_to_mm=2000.0)
    few = wide.assign(price_id="few", quantity_from=float("nan"), quantity_to=1.0)
    many = wide.assign(price_id="many", quantity_from=1.5, quantity_to=float("nan"))
    inputs = replace(inputs, prices=conform(pd.concat([few, many]), PRICES))
    made = propose(inputs, NOTHING_KNOWN, empty(DECISIONS))
    counted = made.tables["price_quantities"].set_index("price_id")["quantity"]
    edge = counted["many"] - 0.5
    banded = inputs.prices.assign(
        quantity_to=inputs.prices["quantity_to"].where(inputs.prices["price_id"] == "many", edge),
        quantity_from=inputs.prices["quantity_from"].where(
            inputs.prices["price_id"] != "many", edge
        ),
    )
    inputs = replace(inputs, prices=conform(banded, PRICES))
    made = propose(inputs, NOTHING_KNOWN, empty(DECISIONS))
    running = Running(inputs, made, empty(DECISIONS))
    bare = inputs.observations[inputs.observations["inspection_id"] == "none"]
    told = running.rescreen([pipe], observations=bare)
    assert [one.partition(": ")[2].partition(":")[0] for one in told.due] == [
        "sleeve price few comes into force",
        "sleeve price many is out of force",
    ]
    assert running.proposal().tables["price_quantities"]["quantity"].max() < edge


def test_what_is_no_matter_of_one_pipe_is_refused() -> None:
    """Another manhole, or a row of another pipe's run: other pipes hang on it."""
    inputs, made = town()
    running = Running(inputs, made, empty(DECISIONS))
    one, other = inputs.inspections["pipe_ref"].iloc[:2]
    moved = _of(inputs, [one])["pipes"].assign(us_node="elsewhere")
    with pytest.raises(TableError, match="manholes and drawings"):
        running.rescreen([one], pipes=moved)
    with pytest.raises(TableError, match=f"run I{other} is of none"):
        running.rescreen([one], observations=_of(inputs, [other])["observations"])
    with pytest.raises(TableError, match="no pipe nowhere"):
        running.rescreen(["nowhere"])


def test_a_table_mended_in_place_after_an_error_is_looked_at_again() -> None:
    """Rows of another pipe's run are refused; then they are this pipe's, but of no known role."""
    inputs, made = town()
    running = Running(inputs, made, empty(DECISIONS))
    one, other = inputs.inspections["pipe_ref"].iloc[:2]
    rows = _of(inputs, [other])["observations"].copy()
    with pytest.raises(TableError, match=f"run I{other} is of none"):
        running.rescreen([one], observations=rows)
    rows["inspection_id"], rows["role"] = f"I{one}", "nonsense"
    with pytest.raises(TableError, match="observations: role"):
        running.rescreen([one], observations=rows)
