"""The store: decisions are added once, ids are kept, two plans do not collide."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pandas as pd
import pytest

from planner.contracts import DECISIONS, LEFT_OVER, WEEK_EDITS
from planner.errors import StaleError, StoreError
from planner.ground.ids import NOTHING_KNOWN, KnownIds, give_ids, give_setup_ids, learn
from planner.store.decisions import open_store
from planner.tables import check, conform


def decision(pipe_id: str = "p1", span_id: str = "", word: str = "accept", **more) -> dict:
    row = {"pipe_id": pipe_id, "span_id": span_id, "decision": word, "by": "A. Berg"}
    return {"version": 0, **row, "on": "2026-03-02", "reason": "seen on video", **more}


def form(*rows: dict) -> pd.DataFrame:
    return pd.DataFrame(
        [{"fingerprint": "", "value": "", "at": "", "opened": "", **row} for row in rows],
        columns=DECISIONS.names,
    )


def known_of(*rows: tuple[str, float, float], known: KnownIds = NOTHING_KNOWN) -> KnownIds:
    frame = pd.DataFrame(rows, columns=["pipe_id", "from_m", "to_m"])
    return learn(known, "span", frame, give_ids(frame, known, "span", 0.3)[0])


def test_a_store_that_is_not_there_is_empty_and_reading_makes_no_file(tmp_path: Path):
    """The file is made by the first decision, not by looking."""
    store = open_store(tmp_path / "project.gpkg")
    assert check(store.read_decisions(), DECISIONS).empty
    assert store.read_known().table.empty
    assert not (tmp_path / "project.gpkg").exists()


def test_decisions_come_back_numbered_in_their_order(tmp_path: Path):
    """Two forms, one after the other: numbers run on, text comes back as it was."""
    path = tmp_path / "project.gpkg"
    evil = "'); DROP TABLE decisions; -- <script>${x}</script> =1+1 \u00e9\u4e2d\U0001f6a7\n\"'"
    first, left = open_store(path).append_decisions(form(decision(), decision("p0", by=evil)))
    assert left.empty
    assert first["version"].tolist() == [1, 2]
    second, _ = open_store(path).append_decisions(form(decision("p2", reason=evil)))
    assert second["version"].tolist() == [3]
    stored = open_store(path).read_decisions()
    assert stored["pipe_id"].tolist() == ["p1", "p0", "p2"]
    assert stored["by"].tolist()[1] == evil
    assert stored["reason"].tolist()[2] == evil
    pd.testing.assert_frame_equal(stored, pd.concat([first, second], ignore_index=True))


def test_the_same_row_is_taken_once_and_that_is_said(tmp_path: Path):
    """A form sent twice adds nothing, though what was accepted has changed meanwhile."""
    store = open_store(tmp_path / "project.gpkg")
    store.append_decisions(form(decision(fingerprint="old")))
    taken, left = store.append_decisions(
        form(decision(fingerprint="new"), decision("p2"), decision("p2"))
    )
    assert taken["pipe_id"].tolist() == ["p2"]
    check(left, LEFT_OVER)
    assert left["key"].tolist() == ["pipe p1, row 1 of the form", "pipe p2, row 3 of the form"]
    assert "as version 1" in left["reason"].iloc[0]
    assert "as version 2" in left["reason"].iloc[1]
    assert store.read_decisions()["fingerprint"].tolist() == ["old", ""]


def test_a_bad_row_leaves_the_store_as_it_was(tmp_path: Path):
    """One word that is no decision: no row of the form is taken."""
    store = open_store(tmp_path / "project.gpkg")
    store.append_decisions(form(decision()))
    with pytest.raises(StoreError, match="decision: 1 not accept"):
        store.append_decisions(form(decision("p2"), decision("p3", word="perhaps")))
    assert store.read_decisions()["pipe_id"].tolist() == ["p1"]


def test_ids_and_setup_works_come_back_as_they_were(tmp_path: Path):
    """What a run learned is what the next one knows, gone ids and highest numbers too."""
    path = tmp_path / "project.gpkg"
    known = known_of(("b", 5.25, 6.1), known=known_of(("a", 5, 6)))
    setups = pd.DataFrame({"node_id": ["n"], "works": ["W-000001+W-000002"]})
    ids, _ = give_setup_ids(setups, known.setup_works, known)
    known = learn(known, "setup", setups, ids)
    store = open_store(path)
    assert store.write_known(known)
    again = open_store(path).read_known()
    pd.testing.assert_frame_equal(again.table, known.table)
    pd.testing.assert_frame_equal(again.setup_works, known.setup_works)
    assert again.highest == {"span": 2, "setup": 1}


def test_nothing_new_leaves_the_file_untouched(tmp_path: Path):
    """A plan that gives no new id writes no byte."""
    store = open_store(tmp_path / "project.gpkg")
    store.write_known(known_of(("a", 5, 6)))
    before = (tmp_path / "project.gpkg").read_bytes()
    known = store.read_known()
    assert not store.write_known(known)
    assert (tmp_path / "project.gpkg").read_bytes() == before


def test_the_slower_of_two_plans_is_told_to_plan_again(tmp_path: Path):
    """Two plans that both give D-000002 to another thing: the second is refused whole."""
    path = tmp_path / "project.gpkg"
    open_store(path).write_known(known_of(("a", 5, 6)))
    one, two = open_store(path), open_store(path)
    known_one, known_two = one.read_known(), two.read_known()
    one.write_known(known_of(("a", 5, 6), ("b", 1, 2), known=known_one))
    with pytest.raises(StoreError, match="another plan was made meanwhile"):
        two.write_known(known_of(("a", 5, 6), ("c", 7, 8), known=known_two))
    assert open_store(path).read_known().table["pipe_id"].tolist() == ["a", "b"]


def test_a_store_that_was_never_read_cannot_be_overwritten(tmp_path: Path):
    """Writing without reading first would give ids twice."""
    path = tmp_path / "project.gpkg"
    open_store(path).write_known(known_of(("a", 5, 6)))
    with pytest.raises(StoreError, match="another plan"):
        open_store(path).write_known(known_of(("c", 1, 2)))


def test_decisions_do_not_touch_ids_nor_ids_decisions(tmp_path: Path):
    """The two halves of the store live side by side."""
    store = open_store(tmp_path / "project.gpkg")
    known = store.read_known()
    store.append_decisions(form(decision()))
    store.write_known(known_of(("a", 5, 6), known=known))
    assert len(store.read_decisions()) == 1
    assert len(store.read_known().table) == 1


def test_dates_and_words_are_checked_on_the_way_out(tmp_path: Path):
    """A store that another program filled with nonsense is one clear line."""
    store = open_store(tmp_path / "project.gpkg")
    store.append_decisions(form(decision()))
    with sqlite3.connect(tmp_path / "project.gpkg") as connection:
        connection.execute("UPDATE decisions SET decision = 'perhaps'")
    connection.close()
    with pytest.raises(StoreError, match="decision: 1 not accept"):
        store.read_decisions()
    assert conform([], DECISIONS).empty


def test_a_decision_that_rests_on_an_earlier_state_is_refused_whole(tmp_path: Path):
    """Of two who saw version 1 of p1 the second is told who was first; p2 goes not in either."""
    store = open_store(tmp_path / "project.gpkg")
    store.append_decisions(form(decision()))
    first = form(decision(word="refuse", by="B. Holt", reason="root mass"))
    store.append_decisions(first, seen={"p1": 1})
    with pytest.raises(StaleError, match=r"p1: changed meanwhile by B\. Holt") as told:
        store.append_decisions(form(decision("p2"), decision(word="hold")), seen={"p1": 1})
    assert told.value.versions == (2,)
    assert len(store.read_decisions()) == 2
    taken, _ = store.append_decisions(form(decision("p2")), seen={"p2": 0})
    assert taken["version"].tolist() == [3]


def test_the_same_words_at_another_instant_are_another_decision(tmp_path: Path):
    """Held, undone and held again with the same reason on one day: three rows of the page."""
    store = open_store(tmp_path / "project.gpkg")
    instants = ("2026-03-02T08:00:00.1Z", "2026-03-02T08:00:01.2Z", "2026-03-02T08:00:02.3Z")
    for at, word in zip(instants, ("hold", "undo", "hold"), strict=True):
        taken, left = store.append_decisions(form(decision(word=word, at=at, opened="yes")))
        assert len(taken) == 1
        assert left.empty
    assert store.read_decisions()["at"].tolist() == list(instants)


def test_week_edits_are_numbered_and_a_stale_one_is_refused(tmp_path: Path):
    """A set-up's last change is what must have been seen; another set-up's does not count."""
    store = open_store(tmp_path / "project.gpkg")

    def move(setup_id: str, by: str) -> pd.DataFrame:
        row = {"version": 0, "setup_id": setup_id, "change": "move", "crew": "Heron", "by": by,
               "date": "2026-03-03", "after_id": "", "on": "2026-03-02", "reason": "nearer",
               "at": "2026-03-02T08:00:00Z", "run": "0001"}  # fmt: skip
        return conform([row], WEEK_EDITS)

    assert store.append_week_edits(move("G-1", "A"), {"G-1": 0})["version"].tolist() == [1]
    assert store.append_week_edits(move("G-2", "B"), {"G-2": 0})["version"].tolist() == [2]
    with pytest.raises(StaleError, match="G-1: changed meanwhile by A"):
        store.append_week_edits(move("G-1", "B"), {"G-1": 0})
    store.append_week_edits(move("G-1", "B"), {"G-1": 1})
    assert store.read_week_edits()["by"].tolist() == ["A", "B", "B"]
