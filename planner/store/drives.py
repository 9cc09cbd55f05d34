"""Drives of earlier runs, kept in a folder by what they depend on; the latest few stay."""

from __future__ import annotations

import hashlib
import os
import tempfile
import zipfile
from pathlib import Path

import numpy as np
import numpy.typing as npt

LATEST = 3  # 3,000 stops take 153 MB
_DTYPES = {"seconds": np.int64, "metres": np.float64, "air": np.bool_}

Drives = tuple[npt.NDArray[np.int64], npt.NDArray[np.float64], npt.NDArray[np.bool_]]


class DriveStore:
    """Drives by key, one file each: ``KEY.npz`` with seconds, metres, air and a digest.

    Parameters
    ----------
    folder : Path
        Made when something is kept.
    write : bool
        False to look up only.

    Attributes
    ----------
    notes : list of str
        Files that were damaged or could not be written, a line each.
    """

    def __init__(self, folder: Path, *, write: bool = True) -> None:
        self.folder, self.write = folder, write
        self.notes: list[str] = []

    def get(self, key: str, count: int) -> Drives | None:
        """Give the drives between `count` stops that were kept by this key, if any.

        A file that is damaged, or holds something else, is passed over with a note.
        """
        path = self._path(key)
        if path.is_symlink():
            self.notes.append(f"{path.name}: is a link; it is not followed")
            return None
        try:
            # Opened here: of a damaged file numpy would leave its own handle open.
            with path.open("rb") as file, np.load(file, allow_pickle=False) as kept:
                drives = kept["seconds"], kept["metres"], kept["air"]
                whole = str(kept["digest"]) == _digest(key, drives)
        except FileNotFoundError:
            return None
        except (OSError, ValueError, KeyError, EOFError, MemoryError, zipfile.BadZipFile):
            whole = False
        if not whole or any(one.shape != (count, count) for one in drives):
            self.notes.append(f"{path.name}: kept drives are damaged: passed over, reckoned anew")
            return None
        if self.write:
            self._touch(path)
        return drives

    def put(self, key: str, drives: Drives) -> None:
        """Keep drives, written aside and renamed; only the latest few files stay."""
        if not self.write:
            return
        part = None
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
            with tempfile.NamedTemporaryFile(
                dir=self.folder, prefix=".part-", delete=False
            ) as file:
                part = Path(file.name)
                seconds, metres, air = drives
                digest = np.array(_digest(key, drives))
                np.savez(file, digest=digest, seconds=seconds, metres=metres, air=air)
            part.replace(self._path(key))
            self._drop_old()
        except OSError as error:
            self.notes.append(f"drives could not be kept for the next run: {error.strerror}")
            if part is not None:
                part.unlink(missing_ok=True)

    def _path(self, key: str) -> Path:
        return self.folder / f"{key}.npz"

    def _touch(self, path: Path) -> None:
        try:
            os.utime(path)
        except OSError:
            self.notes.append(f"{path.name}: could not be marked as used")

    def _drop_old(self) -> None:
        found = sorted(
            self.folder.glob("*.npz"), key=lambda path: (path.stat().st_mtime_ns, path.name)
        )
        for path in found[:-LATEST]:
            path.unlink(missing_ok=True)


def _digest(key: str, drives: Drives) -> str:
    digest = hashlib.blake2b(key.encode(), digest_size=16)
    for (name, dtype), array in zip(_DTYPES.items(), drives, strict=True):
        if array.dtype != dtype:
            message = f"{name} is {array.dtype}"
            raise ValueError(message)
        digest.update(np.ascontiguousarray(array).data)
    return digest.hexdigest()
