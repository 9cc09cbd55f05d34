"""Photos and videos that coded rows name, looked for in the project's media folder alone."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path, PurePosixPath

import pandas as pd

from planner.errors import FileError, shown
from planner.inputs.paths import check_name

_SHOWN = 5


class Media:
    """The files of one media folder, by their path in it and by their bare name."""

    def __init__(self, root: Path, folder: Path) -> None:
        """List the folder.

        Parameters
        ----------
        root
            The project folder.
        folder
            The media folder, relative to it.

        Raises
        ------
        FileError
            If it is no folder inside the project folder; a link out of it counts as outside.
        """
        home = root.resolve()
        check_name(str(folder))
        self.folder = (home / folder).resolve()
        if not self.folder.is_relative_to(home) or not self.folder.is_dir():
            message = f"{folder.as_posix()}: no folder in the project folder"
            raise FileError(message)
        self._paths: dict[str, Path] = {}
        names: dict[str, list[Path]] = {}
        for path in sorted(self.folder.rglob("*")):
            if path.is_file() and path.resolve().is_relative_to(self.folder):
                self._paths[path.relative_to(self.folder).as_posix().casefold()] = path
                names.setdefault(path.name.casefold(), []).append(path)
        self._names = {name: found[0] for name, found in names.items() if len(found) == 1}

    def find(self, written: str) -> Path | None:
        """Give the file that a row names; None where there is none, or it lies elsewhere.

        Parameters
        ----------
        written
            As in the row: a name, or a path whose last parts lie in the folder. A bare name
            that two files bear is none of them.
        """
        parts = PurePosixPath(written.strip().replace("\\", "/")).parts
        kept = [part for part in parts if part not in ("/", ".", "") and not part.endswith(":")]
        if not kept or ".." in kept:
            return None
        for start in range(len(kept)):
            found = self._paths.get("/".join(kept[start:]).casefold())
            if found is not None:
                return found
        return self._names.get(kept[-1].casefold())


def missing_media(rows: pd.DataFrame, media: Media) -> list[tuple[str, str]]:
    """Say for each survey file which of its photos and videos are not there.

    Parameters
    ----------
    rows
        Obeys `OBSERVATIONS`.
    media
        The files there are.
    """
    told = []
    for file, part in rows.groupby("file", sort=True):
        names = _named((*part["photo"].unique(), *part["video"].unique()))
        gone = [name for name in names if media.find(name) is None]
        if gone:
            some = ", ".join(shown(name) for name in gone[:_SHOWN])
            more = f" and {len(gone) - _SHOWN} more" if len(gone) > _SHOWN else ""
            what = f"{len(gone)} of {len(names)} photos and videos are not in the media folder"
            told.append((str(file), f"{what}: {some}{more}"))
    return told


def media_files(rows: pd.DataFrame, media: Media, root: Path) -> dict[str, str]:
    """Give the file, relative to the project folder, of each name that is there.

    Parameters
    ----------
    rows
        Obeys `OBSERVATIONS`.
    media
        The files there are.
    root
        The project folder.
    """
    found = {}
    for name in sorted({str(one) for one in (*rows["photo"].unique(), *rows["video"].unique())}):
        path = media.find(name)
        if path is not None:
            found[name] = path.relative_to(root.resolve()).as_posix()
    return found


def _named(names: Iterable[object]) -> list[str]:
    return sorted({str(name).strip() for name in names} - {""})
