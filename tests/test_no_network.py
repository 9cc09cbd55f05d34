"""With no network at all a project gives the same bytes as with one."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from small_project import write_project

RUN = """
import sys
from planner.cli import app
for words in (["check"], ["plan", "--assume-accepted"]):
    app([words[0], sys.argv[1], *words[1:]], standalone_mode=False)
"""


def alone() -> list[str]:
    """Give the words that start a program without a network; skip where that is not allowed."""
    unshare = shutil.which("unshare")
    if unshare is None:
        pytest.skip("unshare is not installed")
    words = [unshare, "-rn"]
    # In there not even this machine itself can be reached: the loopback is down.
    probe = "import socket; socket.create_connection(('127.0.0.1', 9), 2)"
    tried = subprocess.run(
        [*words, sys.executable, "-c", probe], capture_output=True, text=True, check=False
    )
    if "unreachable" not in tried.stderr:
        pytest.skip(f"unshare -rn is not allowed here: {tried.stderr.strip()[-80:]}")
    return words


def test_no_network_gives_the_same_bytes(tmp_path: Path) -> None:
    """Check and plan of the small project, both ways; only run.json says when it was made."""
    bytes_of = []
    for way, words in (("with", []), ("without", alone())):
        folder = write_project(tmp_path / way / "town")
        made = subprocess.run(
            [*words, sys.executable, "-c", RUN, str(folder)],
            capture_output=True, text=True, check=False,
        )  # fmt: skip
        assert made.returncode == 0, made.stderr
        out = folder / "out"
        files = sorted(path for path in out.rglob("*") if path.is_file())
        kept = [path for path in files if path.name != "run.json"]
        bytes_of.append({path.relative_to(out).as_posix(): path.read_bytes() for path in kept})
    assert {"0001/map.html", "0001/plan.gpkg", "check/map.html"} <= set(bytes_of[0])
    assert bytes_of[0].keys() == bytes_of[1].keys()
    assert [name for name, raw in bytes_of[0].items() if raw != bytes_of[1][name]] == []
