"""The project in memory: a decision on the page is what a form with it would have given."""

from __future__ import annotations

import threading
from datetime import UTC, datetime, timedelta

import pandas as pd
import pytest

from planner.contracts import DECISIONS
from planner.errors import StaleError, TableError
from planner.folder import accept_form
from planner.propose import propose
from planner.review.live import Asked, Live
from planner.store.chosen import STORE
from planner.store.decisions import open_store
from tests.bench.onepipe import make_town

BEGAN = datetime(2026, 1, 12, 8, 0, tzinfo=UTC)


class Clock:
    """An instant that moves on by a second each time it is asked for."""

    def __init__(self) -> None:
        self.now = BEGAN

    def __call__(self) -> datetime:
        self.now += timedelta(seconds=1)
        return self.now


@pytest.fixture(scope="module")
def inputs():
    """A town of 24 pipes, a third of them filmed."""
    return make_town(24)


@pytest.fixture
def live(inputs, tmp_path):
    """The town in memory, with a store of its own."""
    return Live.over(inputs, tmp_path, clock=Clock())


def asked(live: Live, pipe_id: str, decision: str, **more) -> Asked:
    given = {"span_id": "", "value": "", "reason": "seen on film", "by": "E. Noor",
             "seen": live.last_version(pipe_id), "opened": True}  # fmt: skip
    return Asked(pipe_id=pipe_id, decision=decision, **{**given, **more})


def proposed(live: Live) -> list[str]:
    choices = live.made.tables["choices"]
    return choices.loc[choices["state"] == "proposed", "pipe_id"].tolist()


def differing(live: Live) -> list[str]:
    """Name the tables that are not what a whole run with the store's decisions proposes."""
    decisions = open_store(live.folder / STORE).read_decisions()
    full = propose(live.inputs, live.made.known, decisions)
    ours = live.proposal()
    return [
        name
        for name, table in full.tables.items()
        if not pd.DataFrame(ours.tables[name]).reset_index(drop=True).equals(
            pd.DataFrame(table).reset_index(drop=True)
        )
    ]  # fmt: skip


def test_decisions_of_all_kinds_stand_as_a_whole_run_has_them(live):
    """Accepted, another method, held, undone, a limit for one span, a referred span decided."""
    first, second, third = proposed(live)[:3]
    verdicts = live.made.tables["verdicts"]
    asked_of = verdicts[verdicts["verdict"] == "refer"].iloc[0]
    span = verdicts[verdicts["pipe_id"] == third].iloc[0]
    options = live.made.tables["options"]
    others = options[(options["pipe_id"] == second) & options["possible"].astype(bool)]
    other = next(word for word in others["method"] if word in ("liner", "dig"))
    steps = [
        asked(live, first, "accept", opened=False),
        asked(live, second, other),
        asked(live, second, "hold", seen=2),
        asked(live, second, "undo", seen=3),
        asked(live, third, "limit", span_id=span["span_id"], value="allow-gap.gap_mm.ok = 35"),
        asked(live, asked_of["pipe_id"], "watch", span_id=asked_of["span_id"]),
    ]
    for one in steps:
        assert live.decide(one) == [], one
        assert differing(live) == [], one
    stored = live.store.read_decisions()
    assert stored["opened"].tolist() == ["no", "yes", "yes", "yes", "yes", "yes"]
    # The clock of the fixture gave the first decision its first second.
    assert stored["at"].iloc[0] == "2026-01-12T08:00:01.000000Z"
    assert [one.pipe_ids for one in live.changes_since(4)] == [(third,), (asked_of["pipe_id"],)]


def test_a_refused_decision_changes_nothing_and_says_why(live):
    """A pipe that is not there; a method that is closed; a limit that no rule has."""
    pipe = proposed(live)[0]
    span = live.rows_of(pipe)["verdicts"].iloc[0]
    options = live.made.tables["options"]
    tries = [
        (asked(live, "nobody", "accept", seen=0), "there is no pipe nobody"),
        (asked(live, pipe, "limit", span_id=span["span_id"], value="no.gap_mm.ok = 3"), "no"),
        (asked(live, pipe, "perhaps"), "perhaps"),
    ]  # fmt: skip
    for one, words in tries[:2]:
        (said,) = live.decide(one)
        assert words in said
    with pytest.raises(TableError, match=tries[2][1]):
        live.decide(tries[2][0])
    assert live.version == 0
    assert live.store.read_decisions().empty
    assert differing(live) == []
    assert len(options)


def test_what_another_program_wrote_is_taken_in_and_makes_a_seen_state_stale(live):
    """A form accepts the pipe while the page shows it as proposed."""
    pipe = proposed(live)[0]
    row = {"version": 0, "pipe_id": pipe, "decision": "refuse", "by": "B. Holt",
           "on": "2026-01-12", "reason": "owner digs there"}  # fmt: skip
    store = open_store(live.folder / STORE)
    store.append_decisions(pd.DataFrame(_form(row), columns=DECISIONS.names))
    with pytest.raises(StaleError, match=f"{pipe}: changed meanwhile by B. Holt") as told:
        live.decide(asked(live, pipe, "accept", seen=0))
    assert told.value.versions == (1,)
    assert live.rows_of(pipe, "choices")["choices"]["state"].tolist() == ["refused"]
    assert differing(live) == []


def _form(row: dict) -> list[dict]:
    return [{**dict.fromkeys(DECISIONS.names, ""), **row}]


def test_eight_at_once_on_three_pipes_lose_nothing(live):
    """Each of 8 threads tries 15 edits on what it last saw: taken + refused as stale = all."""
    pipes, taken, stale = proposed(live)[:3], [], []

    def work(number: int) -> None:
        for turn in range(15):
            pipe = pipes[(number + turn) % 3]
            word = ("accept", "hold", "refuse", "undo")[turn % 4]
            try:
                one = asked(live, pipe, word, by=f"W{number}", reason=f"turn {turn}")
                said = live.decide(one)
            except StaleError:
                stale.append((number, turn))
            else:
                assert said == []
                taken.append((f"W{number}", f"turn {turn}"))

    threads = [threading.Thread(target=work, args=(n,)) for n in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    stored = live.store.read_decisions()
    assert len(taken) + len(stale) == 8 * 15
    assert sorted(zip(stored["by"], stored["reason"], strict=True)) == sorted(taken)
    assert stored["version"].tolist() == list(range(1, len(taken) + 1))
    assert differing(live) == []


def test_a_project_read_anew_shows_changed_files(tmp_path):
    """A survey row that is added counts after reading anew, and is told before."""
    from small_project import write_project

    folder = write_project(tmp_path / "p")
    live = Live.open(folder, clock=Clock())
    assert live.age.changed() == []
    spans = len(live.proposal().tables["spans"])
    with (folder / "surveys.csv").open("a") as file:
        file.write("R1,0017,A,2025-05-01,20.0,BAB,B,A,2,\n")
    assert live.age.changed() == ["surveys.csv"]
    live.read_anew()
    assert live.age.changed() == []
    assert len(live.proposal().tables["spans"]) == spans + 1
    form = folder / "d.csv"
    form.write_text("pipe_id,span_id,decision,by,on,reason\n0017,,hold,B. Holt,2026-01-12,wait\n")
    assert accept_form(folder, form)[-1] == "1 decisions taken, 0 refused or known"
    live.catch_up()
    choices = live.rows_of("0017", "choices")["choices"]
    assert choices["state"].tolist() == ["held"]
    assert choices["by"].tolist() == ["B. Holt"]
