"""One file, one transaction: valid, refused when foreign, whole when a process is killed."""

from __future__ import annotations

import signal
import sqlite3
import subprocess
import sys
from pathlib import Path

import pandas as pd
import pyogrio
import pytest

from planner.errors import StoreError
from planner.store.geopackage import (
    APPLICATION_ID,
    add_rows,
    read_tables,
    replace_rows,
    rows_of,
    transaction,
)
from planner.tables import Table, conform, date, flag, number, text, whole

MIXED = Table(
    "mixed",
    "one of everything",
    (
        text("name", "", blank=False),
        number("x_m", "m", ""),
        whole("count", "", ""),
        flag("sure", ""),
        date("on", ""),
    ),
    key=("name",),
)
ROWS = [
    {"name": "b", "x_m": 0.1 + 0.2, "count": 2**53 + 1, "sure": True, "on": "2026-01-31"},
    {"name": "a", "x_m": None, "count": None, "sure": None, "on": ""},
]


def write(path: Path, rows: list[dict]) -> None:
    with transaction(path, [MIXED]) as connection:
        replace_rows(connection, MIXED, conform(rows, MIXED))


def test_every_kind_of_column_comes_back_bit_for_bit(tmp_path: Path):
    """Numbers, wholes beyond a float's digits, flags, dates, and each of them unknown."""
    path = tmp_path / "a.gpkg"
    write(path, ROWS)
    pd.testing.assert_frame_equal(read_tables(path, [MIXED])["mixed"], conform(ROWS, MIXED))
    with transaction(path, [MIXED]) as connection:
        pd.testing.assert_frame_equal(rows_of(connection, MIXED), conform(ROWS, MIXED))


def test_it_is_a_geopackage(tmp_path: Path):
    """Marks, required tables and rows are there, and an independent reader opens it.

    References
    ----------
    OGC 12-128r18 1.3.1, requirements 2 (application_id), 10 and 11 (gpkg_spatial_ref_sys
    and its three records), 13 (gpkg_contents), 118 (data_type attributes), 119 (key).
    """
    path = tmp_path / "a.gpkg"
    write(path, ROWS)
    connection = sqlite3.connect(path)
    assert connection.execute("PRAGMA application_id").fetchone()[0] == APPLICATION_ID
    assert path.read_bytes()[68:72] == b"GPKG"
    assert connection.execute("PRAGMA user_version").fetchone()[0] == 10301
    systems = {row[0] for row in connection.execute("SELECT srs_id FROM gpkg_spatial_ref_sys")}
    assert {-1, 0, 4326} <= systems
    sql = "SELECT table_name, data_type FROM gpkg_contents"
    assert connection.execute(sql).fetchall() == [("mixed", "attributes")]
    keys = [row for row in connection.execute("PRAGMA table_info(mixed)") if row[5]]
    assert [(row[1], row[2]) for row in keys] == [("fid", "INTEGER")]
    assert connection.execute("PRAGMA integrity_check").fetchone()[0] == "ok"
    connection.close()
    assert pyogrio.list_layers(path)[:, 0].tolist() == ["mixed"]
    read = pyogrio.read_dataframe(path, layer="mixed")
    assert read["name"].tolist() == ["a", "b"]
    assert read["x_m"].tolist()[1] == 0.1 + 0.2


def delete_and_fail(path: Path) -> None:
    with transaction(path, [MIXED]) as connection:
        connection.execute("DELETE FROM mixed WHERE name = 'b'")
        add_rows(connection, MIXED, conform(ROWS[1:], MIXED))


def test_an_error_inside_leaves_the_old_state(tmp_path: Path):
    """What was written before the error in the same change is gone as well."""
    path = tmp_path / "a.gpkg"
    write(path, ROWS)
    with pytest.raises(StoreError, match="UNIQUE"):
        delete_and_fail(path)
    assert read_tables(path, [MIXED])["mixed"]["name"].tolist() == ["a", "b"]


@pytest.mark.parametrize("content", [b"no database at all", b"PK\x03\x04 a zip"])
def test_another_file_is_refused_in_one_line(tmp_path: Path, content: bytes):
    """A file of another kind is named and left as it is."""
    path = tmp_path / "a.gpkg"
    path.write_bytes(content)
    with pytest.raises(StoreError, match="is not a GeoPackage") as told:
        read_tables(path, [MIXED])
    assert "\n" not in str(told.value)
    with pytest.raises(StoreError, match="is not a GeoPackage"):
        write(path, ROWS)
    assert path.read_bytes() == content


def test_a_plain_database_is_refused(tmp_path: Path):
    """SQLite, but somebody else's: nothing is written into it."""
    path = tmp_path / "a.gpkg"
    with sqlite3.connect(path) as connection:
        connection.execute("CREATE TABLE theirs (x)")
    connection.close()
    with pytest.raises(StoreError, match="no GeoPackage"):
        write(path, ROWS)
    with pytest.raises(StoreError, match="no GeoPackage"):
        read_tables(path, [MIXED])


def test_a_damaged_file_is_refused(tmp_path: Path):
    """Right first bytes, nonsense after them."""
    path = tmp_path / "a.gpkg"
    path.write_bytes(b"SQLite format 3\x00" + b"\xff" * 500)
    with pytest.raises(StoreError, match="or damaged"):
        read_tables(path, [MIXED])


def test_other_columns_are_refused(tmp_path: Path):
    """A table of the right name with other columns is not ours to fill."""
    path = tmp_path / "a.gpkg"
    write(path, ROWS)
    other = Table("mixed", "more", (*MIXED.columns, number("new_m", "m", "")), key=("name",))
    with pytest.raises(StoreError, match="mixed lacks new_m"):
        read_tables(path, [other])
    must = Table("mixed", "more", (*MIXED.columns, text("new", "", blank=False)), key=("name",))
    with pytest.raises(StoreError, match="mixed lacks new"):
        read_tables(path, [must])


def test_a_text_that_an_earlier_version_did_not_know_is_read_as_blank_and_added(tmp_path: Path):
    """An older store is read as it is; the first change gives it the new column."""
    path = tmp_path / "a.gpkg"
    write(path, ROWS)
    newer = Table("mixed", "more", (*MIXED.columns, text("new", "")), key=("name",))
    assert read_tables(path, [newer])["mixed"]["new"].tolist() == [""] * len(ROWS)
    with transaction(path, [newer]) as connection:
        replace_rows(connection, newer, conform([{**ROWS[0], "new": "x"}], newer))
    assert read_tables(path, [newer])["mixed"]["new"].tolist() == ["x"]


def test_a_busy_file_is_one_line(tmp_path: Path):
    """Another program is in the middle of a change: wait, then say so."""
    path = tmp_path / "a.gpkg"
    write(path, ROWS)
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("BEGIN EXCLUSIVE")
    try:
        with pytest.raises(StoreError, match="in use by another program"):
            read_tables(path, [MIXED], busy_s=0.05)
        with (
            pytest.raises(StoreError, match="in use by another program"),
            transaction(path, [MIXED], busy_s=0.05),
        ):
            pass
    finally:
        other.close()
    assert len(read_tables(path, [MIXED])["mixed"]) == 2


def test_a_file_left_in_write_ahead_mode_is_taken_back(tmp_path: Path):
    """A desktop program that crashed while editing leaves that mode on: one file again after."""
    path = tmp_path / "a.gpkg"
    write(path, ROWS)
    other = sqlite3.connect(path)
    assert other.execute("PRAGMA journal_mode = WAL").fetchone()[0] == "wal"
    other.close()
    write(path, ROWS[:1])
    assert sorted(one.name for one in tmp_path.iterdir()) == ["a.gpkg"]
    assert read_tables(path, [MIXED])["mixed"]["name"].tolist() == ["b"]


def test_a_directory_that_is_not_there_is_one_line(tmp_path: Path):
    """No folder, no store; the path is in the message."""
    with pytest.raises(StoreError, match=r"nowhere.*unable to open"):
        write(tmp_path / "nowhere" / "a.gpkg", ROWS)


# A writer that replaces 3,000 rows by 3,000 others; "hold" stops it in the middle of its
# change, until it is killed; "loop" goes on and on, so that a kill may strike anywhere.
WRITER = """
import sys, time
from pathlib import Path
import pandas as pd
from planner.store.geopackage import replace_rows, transaction
from planner.tables import Table, conform, number, text

TABLE = Table("rows", "one", (text("name", "", blank=False), text("state", ""),
              number("x_m", "m", "")), key=("name",))
path, how, state = Path(sys.argv[1]), sys.argv[2], int(sys.argv[3])

def frame(state):
    names = [f"{i:05d}" for i in range(3000 + state)]
    # A kilobyte a row is more than SQLite holds back: the file itself is changed before the end.
    rows = {"name": names, "state": str(state) * 1000, "x_m": float(state)}
    return conform(pd.DataFrame(rows), TABLE)

frames = [frame(0), frame(1)]
while True:
    with transaction(path, [TABLE]) as connection:
        replace_rows(connection, TABLE, frames[state % 2])
        if how == "hold":
            print("inside", flush=True)
            time.sleep(600)
    print("done", flush=True)
    if how == "once":
        break
    state += 1
"""
KILLED = Table(
    "rows",
    "one",
    (text("name", "", blank=False), text("state", ""), number("x_m", "m", "")),
    key=("name",),
)


def start(path: Path, how: str, state: int) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-c", WRITER, str(path), how, str(state)],
        stdout=subprocess.PIPE,
        text=True,
    )


def whole_state(path: Path) -> str:
    """Read the state that the file is in; fail if it is half one and half the other."""
    frame = read_tables(path, [KILLED])["rows"]
    if frame.empty:
        return "none"
    states = set(frame["state"])
    assert len(states) == 1, f"half-written: {frame['state'].value_counts().to_dict()}"
    state = states.pop()[0]
    assert len(frame) == 3000 + int(state)
    assert set(frame["x_m"]) == {float(state)}
    connection = sqlite3.connect(path)
    assert connection.execute("PRAGMA integrity_check").fetchone()[0] == "ok"
    connection.close()
    return state


def test_killed_inside_its_change_the_first_time_there_is_nothing(tmp_path: Path):
    """SIGKILL while the very first tables are made: an empty store, and usable."""
    path = tmp_path / "a.gpkg"
    with start(path, "hold", 0) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "inside\n"
        process.send_signal(signal.SIGKILL)
        assert process.wait(30) == -signal.SIGKILL
    assert whole_state(path) == "none"
    write(path, ROWS)
    assert len(read_tables(path, [MIXED])["mixed"]) == 2


def test_killed_inside_its_change_the_old_state_is_there(tmp_path: Path):
    """SIGKILL after 3,000 rows were replaced but not committed: the old 3,000 are back."""
    path = tmp_path / "a.gpkg"
    with start(path, "once", 0) as process:
        assert process.wait(60) == 0
    with start(path, "hold", 1) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "inside\n"
        process.send_signal(signal.SIGKILL)
        assert process.wait(30) == -signal.SIGKILL
    # The journal left behind, and new rows in the file itself, prove where the kill fell.
    assert (tmp_path / "a.gpkg-journal").stat().st_size > 0
    assert b"1" * 1000 in path.read_bytes()
    assert whole_state(path) == "0"
    assert not (tmp_path / "a.gpkg-journal").exists()


def test_killed_anywhere_it_is_the_old_state_or_the_new(tmp_path: Path):
    """SIGKILL at eight moments of a writer that never rests: never half of each."""
    path = tmp_path / "a.gpkg"
    for turn in range(8):
        with start(path, "loop", turn) as process:
            assert process.stdout is not None
            assert process.stdout.readline() == "done\n"
            try:
                process.wait(0.013 * turn)
            except subprocess.TimeoutExpired:
                process.send_signal(signal.SIGKILL)
            assert process.wait(30) == -signal.SIGKILL
        assert whole_state(path) in {"0", "1"}
