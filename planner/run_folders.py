"""The numbered folders of runs under ``out/``: found by number, written aside and renamed.

A link is never followed: what it leads to is no part of the project.
"""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Callable
from pathlib import Path

from planner.errors import FileError

RUNS = "out"
_DIGITS = 9


def run_number(name: str) -> int:
    """Give the number of a run by the name of its folder; 0 for any other name."""
    return int(name) if name.isascii() and name.isdigit() and len(name) <= _DIGITS else 0


def runs_of(folder: Path) -> list[Path]:
    """Give the folders of a project's runs, oldest first."""
    runs = folder / RUNS
    if runs.is_symlink() or not runs.is_dir():
        return []
    found = [
        path
        for path in runs.iterdir()
        if run_number(path.name) and path.is_dir() and not path.is_symlink()
    ]
    return sorted(found, key=lambda path: (run_number(path.name), path.name))


def next_run(runs: Path) -> Path:
    """Give the folder that comes after all there are, whatever they are."""
    numbers = [run_number(path.name) for path in runs.iterdir()]
    return runs / f"{max(numbers, default=0) + 1:04d}"


def own_file(run: Path, path: Path) -> Path:
    """Give a file of a run; refuse one that a link leads out of it.

    Raises
    ------
    FileError
        Naming the link.
    """
    if not path.resolve().is_relative_to(run.resolve()):
        message = f"{path}: is a link out of the folder of the run; it is not followed"
        raise FileError(message)
    return path


def write_aside(folder: Path, write: Callable[[Path], None], name: Callable[[Path], Path]) -> Path:
    """Write a folder under ``out/`` aside and rename it; one of that name is replaced.

    Parameters
    ----------
    folder
        Project folder.
    write
        Fills the folder that it is given.
    name
        Gives the last name, from ``out``, once all is written.

    Raises
    ------
    FileError
        If ``out`` leads out of the project folder.
    """
    runs = folder / RUNS
    if runs.is_symlink():
        message = f"{runs}: is a link to another folder; nothing is written through it"
        raise FileError(message)
    runs.mkdir(exist_ok=True)
    part = Path(tempfile.mkdtemp(dir=runs, prefix=".part-"))
    try:
        write(part)
        part.chmod(0o755)
        target = name(runs)
        if target.is_symlink():
            target.unlink()  # the link alone, not what it leads to
        elif target.exists():
            target.rename(part.with_name(f"{part.name}-old"))
        return part.rename(target)
    finally:
        shutil.rmtree(part, ignore_errors=True)
        shutil.rmtree(part.with_name(f"{part.name}-old"), ignore_errors=True)
