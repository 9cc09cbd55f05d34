"""A process killed while it writes leaves the old state or the new, never half."""

from __future__ import annotations

import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from evil_project import Evil, write_evil, write_form

from planner.folder import accept_form, run_project
from planner.store.chosen import STORE
from planner.store.decisions import open_store

PLAIN = Evil(after="x")
STOPPED = """
import sys, time
from pathlib import Path
import planner.folder as folder
from planner.outputs import files
place = sys.argv[2]
def wait(*args, **kwargs):
    print("here", flush=True)
    time.sleep(60)
if place == "record":
    folder.write_record = wait
elif place == "rename":
    folder.next_run = wait
made = folder.run_project(Path(sys.argv[1]), assume_accepted=True)
folder.write_run(made, Path(sys.argv[1]))
"""


def killed_at(folder: Path, place: str) -> None:
    """Kill a plan with SIGKILL at a place in its writing."""
    with subprocess.Popen(
        [sys.executable, "-c", STOPPED, str(folder), place], stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        assert process.stdout.readline().strip() == "here"
        process.send_signal(signal.SIGKILL)


@pytest.mark.parametrize("place", ["record", "rename"])
def test_a_killed_plan_leaves_no_half_run(tmp_path: Path, place: str) -> None:
    folder = write_evil(tmp_path / "town", PLAIN)
    killed_at(folder, place)
    assert [path for path in (folder / "out").iterdir() if not path.name.startswith(".")] == []
    assert not open_store(folder / STORE).read_known().table.empty


def test_a_store_killed_again_and_again_is_readable_and_whole(tmp_path: Path) -> None:
    """Killed at five moments of accepting: no decision, or both of the form."""
    folder = write_evil(tmp_path / "town", PLAIN)
    form = write_form(folder, PLAIN)
    run_project(folder)
    code = (
        "import sys; from pathlib import Path; from planner.folder import accept_form; "
        "print('here', flush=True); accept_form(Path(sys.argv[1]), Path(sys.argv[2]))"
    )
    for wait_s in (0.2, 0.8, 1.4, 2.0, 2.6):
        with subprocess.Popen(
            [sys.executable, "-c", code, str(folder), str(form)], stdout=subprocess.PIPE, text=True
        ) as process:
            assert process.stdout is not None
            process.stdout.readline()
            time.sleep(wait_s)
            process.send_signal(signal.SIGKILL)
        held = open_store(folder / STORE).read_decisions()
        assert set(held["decision"]) <= {"nothing", "accept"}
        assert len(held) <= 2
    accept_form(folder, form)
    held = open_store(folder / STORE).read_decisions()
    assert sorted(held["decision"]) == ["accept", "nothing"]
