"""A GeoPackage that is edited: a log beside it, one file after it, whole when killed."""

from __future__ import annotations

import os
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from contextlib import suppress
from pathlib import Path

import pytest
from test_store_decisions import decision, form

from planner.errors import StoreError
from planner.store.decisions import open_store
from planner.store.geopackage import GeoPackage
from planner.store.journal_mode import keep_log

TESTS = str(Path(__file__).resolve().parent)
KILLED = """
import sys, time
from pathlib import Path
from planner.contracts import DECISIONS
from planner.store.decisions import open_store
from test_store_decisions import decision, form
store = open_store(Path(sys.argv[1]))
with store.keeping.editing():
    store.append_decisions(form(decision("p1")))
    store.append_decisions(form(decision("p2")))
    if sys.argv[2] == "inside":
        with store.keeping.transaction([DECISIONS]) as change:
            change.add_rows(DECISIONS, form(decision("p3", version=3)))
            print("here", flush=True)
            time.sleep(60)
    print("here", flush=True)
    time.sleep(60)
"""


def names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def mode(path: Path) -> str:
    """Ask by a connection of its own what kind of journal the file itself names."""
    with path.open("rb") as file:
        head = file.read(20)
    # File format, clause 1.3.3: bytes 18 and 19 are 1 for a rollback journal, 2 for WAL.
    return {b"\x01\x01": "delete", b"\x02\x02": "wal"}[head[18:20]]


def test_while_edited_there_is_a_log_and_afterwards_one_file(tmp_path: Path) -> None:
    """What was taken in is in the one file that stays; it can be copied and handed over."""
    path = tmp_path / "a.gpkg"
    store = open_store(path)
    with store.keeping.editing():
        store.append_decisions(form(decision()))
        assert names(tmp_path) == ["a.gpkg", "a.gpkg-shm", "a.gpkg-wal"]
        assert len(open_store(path).read_decisions()) == 1
    assert names(tmp_path) == ["a.gpkg"]
    assert mode(path) == "delete"
    (tmp_path / "b").mkdir()
    copy = tmp_path / "b" / "copy.gpkg"
    copy.write_bytes(path.read_bytes())
    assert open_store(copy).read_decisions()["pipe_id"].tolist() == ["p1"]


def test_a_reader_does_not_wait_for_a_writer(tmp_path: Path) -> None:
    """In the middle of a change the state before it is read at once; by default one waits."""
    path = tmp_path / "a.gpkg"
    store = open_store(path)
    store.append_decisions(form(decision()))
    with store.keeping.editing():
        other = sqlite3.connect(path, isolation_level=None)
        other.execute("BEGIN EXCLUSIVE")
        other.execute("UPDATE decisions SET reason = 'later'")
        try:
            assert store.read_decisions()["reason"].tolist() == ["seen on video"]
        finally:
            other.execute("COMMIT")
            other.close()
        assert store.read_decisions()["reason"].tolist() == ["later"]


def test_two_may_edit_and_the_last_one_leaves_one_file(tmp_path: Path) -> None:
    """A second session, and a plain change beside both; who ends first takes no log away."""
    path = tmp_path / "a.gpkg"
    one, two = open_store(path), open_store(path)
    with one.keeping.editing():
        with two.keeping.editing():
            two.append_decisions(form(decision("p1")))
            open_store(path).append_decisions(form(decision("p2")))
        assert "a.gpkg-wal" in names(tmp_path)
        one.append_decisions(form(decision("p3")))
    assert names(tmp_path) == ["a.gpkg"]
    assert one.read_decisions()["pipe_id"].tolist() == ["p1", "p2", "p3"]


def test_to_begin_a_log_one_waits_for_who_writes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """SQLite would refuse at once; the other ends the first time that we wait for it."""
    path = tmp_path / "a.gpkg"
    open_store(path).append_decisions(form(decision()))
    ours, other = (sqlite3.connect(path, isolation_level=None) for _ in range(2))
    try:
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(sqlite3.OperationalError, match="locked"):
            keep_log(ours, 0.0)
        monkeypatch.setattr(time, "sleep", lambda _: other.execute("COMMIT"))
        keep_log(ours, 60.0)
        assert mode(path) == "wal"
    finally:
        ours.close()
        other.close()


def test_a_session_that_ends_in_an_error_leaves_one_file_too(tmp_path: Path) -> None:
    path = tmp_path / "a.gpkg"
    store = open_store(path)
    with suppress(KeyError), store.keeping.editing():
        store.append_decisions(form(decision()))
        raise KeyError
    assert names(tmp_path) == ["a.gpkg"]
    assert mode(path) == "delete"
    assert len(store.read_decisions()) == 1


@pytest.mark.parametrize("where", ["inside", "between"])
def test_of_a_killed_session_the_next_opening_takes_the_log_in(tmp_path: Path, where: str) -> None:
    """SIGKILL between two changes, and in the middle of one: what was committed is there."""
    path = tmp_path / "a.gpkg"
    with subprocess.Popen(
        [sys.executable, "-c", KILLED, str(path), where],
        stdout=subprocess.PIPE,
        text=True,
        env={
            **os.environ,
            "PYTHONPATH": os.pathsep.join([TESTS, os.environ.get("PYTHONPATH", "")]),
        },
    ) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "here\n"
        process.send_signal(signal.SIGKILL)
        assert process.wait(30) == -signal.SIGKILL
    # The log that stayed holds the changes: without it the file would lack them.
    assert (tmp_path / "a.gpkg-wal").stat().st_size > 0
    assert mode(path) == "wal"
    assert open_store(path).read_decisions()["pipe_id"].tolist() == ["p1", "p2"]
    open_store(path).append_decisions(form(decision("p4")))
    assert names(tmp_path) == ["a.gpkg"]
    assert mode(path) == "delete"
    assert open_store(path).read_decisions()["version"].tolist() == [1, 2, 3]


def test_another_thread_keeps_its_lock_while_the_store_is_looked_at(tmp_path: Path) -> None:
    """Whoever opens and closes the file in this process lets go of no lock on it.

    By POSIX a closed file takes all locks of its process along; a second process would then
    write in the middle of the first one's change.
    """
    path = tmp_path / "a.gpkg"
    store = open_store(path)
    store.append_decisions(form(decision()))
    with store.keeping.transaction([]):
        looked = threading.Thread(target=lambda: open_store(path).read_decisions())
        looked.start()
        looked.join()
        code = (
            "import sqlite3, sys; base = sqlite3.connect(sys.argv[1], timeout=0.1, "
            "isolation_level=None); base.execute('BEGIN IMMEDIATE')"
        )
        done = subprocess.run(
            [sys.executable, "-c", code, str(path)], capture_output=True, text=True, check=False
        )
        assert "database is locked" in done.stderr


def test_no_editing_on_a_share(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A log needs memory that both programs see: over a network there is none."""
    mounts = tmp_path / "mounts"
    mounts.write_text(f"1 1 0:1 / {tmp_path} rw - nfs4 server:/x rw\n")
    monkeypatch.setattr("planner.store.share.MOUNTS", mounts)
    with pytest.raises(StoreError, match="network share"):
        GeoPackage(tmp_path / "a.gpkg")
