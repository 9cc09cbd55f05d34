"""Where an input file may lie, and its hash: nothing outside the project folder is opened."""

from __future__ import annotations

import hashlib
import re
from pathlib import Path

from planner.errors import Fault, FileError, shown
from planner.inputs.lying_files import lying_files

# A word and a colon in front of a path: a URL, a driver prefix or a connection string.
_FOREIGN = re.compile(r"^([A-Za-z][A-Za-z0-9+.-]+:|/vsi|\\\\|//)")
_SHAPE_PARTS = (".dbf", ".shx", ".prj", ".cpg", ".dat", ".map", ".id", ".mid")
_BLOCK = 1 << 20
# No part of a path is longer on the file systems in use, 4,096 bytes for all of it on Linux.
_LONGEST = 1_000


def input_file(root: Path, file: Path | str) -> Path:
    """Give the path of an input that is a plain file, or a geodatabase, in the project.

    Parameters
    ----------
    root
        The project folder.
    file
        As written in ``planner.toml``, relative to the folder.

    Raises
    ------
    FileError
        If it is a URL or connection string, lies outside the folder (a link out of it
        counts as outside), does not exist, or is no plain file.
    """
    written = str(file)
    check_name(written)
    if _FOREIGN.match(written) or "://" in written:
        message = f"{written}: only plain files in the project folder are read"
        raise FileError(message)
    folder = root.resolve()
    path = (folder / written).resolve()
    if not path.is_relative_to(folder):
        message = f"{written}: lies outside the project folder; copy the file into it"
        raise FileError(message)
    if not _is_there(path):
        there = str(lying_files(folder))
        message = f"{written}: no such file in the project folder"
        raise FileError(message + (f"; it holds {there}" if there else ""))
    if not path.is_file() and not (path.is_dir() and path.suffix.lower() == ".gdb"):
        message = f"{written}: is no plain file"
        raise FileError(message)
    return path


def check_name(written: str) -> None:
    """Refuse what no file or folder can be called."""
    if "\0" in written or len(written) > _LONGEST:
        message = f"{shown(written)}: no name of a file"
        raise FileError(message)


def _is_there(path: Path) -> bool:
    """Tell whether there is a file; a name too long for the file system has none."""
    try:
        return path.exists()
    except OSError:
        return False


def hash_of(path: Path) -> str:
    """Give the sha256 of a file, or of all that belong to it: beside it, or in its folder."""
    digest = hashlib.sha256()
    parts = [path]
    if path.is_dir():
        parts = sorted(part for part in path.rglob("*") if part.is_file())
    if path.suffix.lower() in (".shp", ".tab", ".mif"):
        beside = {p.suffix.lower(): p for p in path.parent.glob(f"{_literal(path.stem)}.*")}
        parts += [beside[end] for end in _SHAPE_PARTS if end in beside]
    for part in parts:
        with part.open("rb") as stream:
            while block := stream.read(_BLOCK):
                digest.update(block)
    return digest.hexdigest()


def _literal(stem: str) -> str:
    """Give a file name as a pattern that matches itself only."""
    return re.sub(r"([\[*?])", r"[\1]", stem)


def file_fault(file: str, error: Exception) -> Fault:
    """Give the one line that stands for a file which cannot be read."""
    why = " ".join(str(error).split()).removeprefix(f"{file}: ")
    return Fault(file, 0, "", why or type(error).__name__, "a file that can be read")
