"""What reading a file gave the last time, asked of whoever keeps it; the file itself decides.

A copy is known by what stands in the file and by all else that its reading hangs on, never
by a date. Nothing is kept of a file that cannot be read, of a database, or of a file that
changed while it was read.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import Any, Protocol, TypeVar

from planner.errors import PlannerError

Found = TypeVar("Found")
_BLOCK = 1 << 20


class Copy(Protocol):
    """Keeps what readers gave: dataclasses of tables and of plain values."""

    def find(self, mark: str, kind: type[Found]) -> Found | None:
        """Give what was kept under `mark`; None where nothing is, or it is damaged."""

    def keep(self, mark: str, found: object) -> None:
        """Keep what was read, if it can be given back as it is."""


def copied(
    copy: Copy | None,
    kind: type[Found],
    asked: Mapping[str, Any],
    files: Iterable[Path],
    read: Callable[[], Found],
) -> Found:
    """Give what `read` gives, from the copy where that was made of the same.

    Parameters
    ----------
    copy
        None = read.
    kind
        What `read` gives, a dataclass.
    asked
        All that the reading hangs on besides the files, as JSON can hold it.
    files
        All files that it reads.
    read
        Reads.
    """
    paths = list(files)
    mark = "" if copy is None else mark_of(kind.__name__, asked, paths)
    if copy is None or not mark:
        return read()
    known = copy.find(mark, kind)
    if known is not None:
        return known
    found = read()
    if mark_of(kind.__name__, asked, paths) == mark:
        copy.keep(mark, found)
    return found


def mark_of(what: str, asked: Mapping[str, Any], files: Iterable[Path]) -> str:
    """Give the digest of what a reading hangs on; '' where a file cannot be read."""
    try:
        texts = [content_of(path) for path in files]
    except (PlannerError, OSError):
        return ""
    text = json.dumps({"what": what, "asked": asked, "files": texts}, sort_keys=True)
    return hashlib.sha256(text.encode()).hexdigest()


def content_of(path: Path) -> str:
    """Give the digest of a file, or folder, and of all that lie beside it under its name.

    What a driver may open beside a file (an index, a system of coordinates, a log of
    changes) is called as the file is, with another ending.
    """
    stem = path.stem.casefold()
    beside = [one for one in path.parent.iterdir() if one.is_file() and _is_of(one.name, stem)]
    inside = [one for one in path.rglob("*") if one.is_file()] if path.is_dir() else []
    digest = hashlib.sha256()
    for part in sorted({path, *beside, *inside}):
        if part.is_dir():
            continue
        # A link out of the project is refused, whatever it leads to.
        leads = part.resolve() if part.is_symlink() else ""
        said = f"{part.relative_to(path.parent).as_posix()}\x1f{leads}\x1f"
        digest.update(said.encode("utf-8", "replace"))
        digest.update(_sha256(part))
    return digest.hexdigest()


def _is_of(name: str, stem: str) -> bool:
    return name.casefold().startswith(stem) and not name[len(stem) : len(stem) + 1].isalnum()


def _sha256(path: Path) -> bytes:
    digest = hashlib.sha256()
    with path.open("rb") as stream:
        while block := stream.read(_BLOCK):
            digest.update(block)
    return digest.digest()
