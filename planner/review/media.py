"""The photos that the data name, handed out as pictures and as nothing else."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import BinaryIO

from starlette.responses import PlainTextResponse, Response, StreamingResponse

MOST_BYTES = 30_000_000
# Opened by itself, a picture may run nothing and load nothing.
POLICY = "sandbox; default-src 'none'"
_PIECE = 65_536
_HEAD = 16


class Photos:
    """The photos of one project, by the names that its data give them."""

    def __init__(self, folder: Path, paths: Mapping[str, Path], *, most: int = MOST_BYTES) -> None:
        """Take what may be handed out.

        Parameters
        ----------
        folder
            The media folder.
        paths
            The file of each name, within the folder. No other name is ever looked for, and
            none is put together into a path.
        most
            Bytes of the largest photo that is handed out.
        """
        self._folder = folder.resolve()
        self._paths = paths
        self._most = most

    def answer(self, name: str) -> Response:
        """Give the photo of this name, or one line that says why there is none.

        Parameters
        ----------
        name
            As the data have it, from the address; a number or id of the caller's own serves as
            well, if it is a key of the mapping.
        """
        path = self._paths.get(name)
        file = None if path is None else _opened(self._folder, path)
        if file is None:
            return PlainTextResponse("There is no photo of this name.\n", 404)
        size = os.fstat(file.fileno()).st_size
        kind = _kind(file.read(_HEAD))
        if kind is None or size > self._most:
            file.close()
            why = "is no PNG, JPEG, GIF or WebP" if kind is None else "is too large to be shown"
            return PlainTextResponse(f"The photo {why}.\n", 404)
        file.seek(0)
        headers = {
            "Content-Length": str(size),
            "Content-Disposition": "inline",
            "Content-Security-Policy": POLICY,
            "X-Content-Type-Options": "nosniff",
        }
        return StreamingResponse(_pieces(file, size), media_type=kind, headers=headers)


def _opened(folder: Path, path: Path) -> BinaryIO | None:
    """Open a plain file that lies in the folder, whatever links lead to or through it."""
    try:
        real = (folder / path).resolve(strict=True)
        if not real.is_relative_to(folder):
            return None
        flags = os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0)
        file = os.fdopen(os.open(real, flags | getattr(os, "O_BINARY", 0)), "rb")
    except (OSError, ValueError, RuntimeError):
        return None
    try:
        found = os.fstat(file.fileno())
        # Looked at again, as a folder on the way may have become a link since.
        again = real.resolve(strict=True)
        if (
            stat.S_ISREG(found.st_mode)
            and again == real
            and os.path.samestat(found, real.stat(follow_symlinks=False))
        ):
            return file
    except (OSError, ValueError, RuntimeError):
        pass
    file.close()
    return None


def _kind(head: bytes) -> str | None:
    """Tell the kind of a picture by its first signs; a picture that holds text is none."""
    if head.startswith(b"\x89PNG\r\n\x1a\n"):
        return "image/png"
    if head.startswith(b"\xff\xd8\xff"):
        return "image/jpeg"
    if head.startswith((b"GIF87a", b"GIF89a")):
        return "image/gif"
    if head.startswith(b"RIFF") and head[8:12] == b"WEBP":
        return "image/webp"
    return None


def _pieces(file: BinaryIO, size: int) -> Iterator[bytes]:
    with file:
        left = size
        while left > 0 and (piece := file.read(min(_PIECE, left))):
            left -= len(piece)
            yield piece
