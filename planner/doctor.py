"""What this machine, and one project folder, hold of what the tool needs; nothing is changed.

The rest of the house is imported where it is looked at: a package that is broken is to be a
line here, not the end of the looking.
"""

from __future__ import annotations

import importlib
import json
import os
import platform
import re
import shutil
import tempfile
import webbrowser
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass
from importlib.metadata import PackageNotFoundError, requires, version
from pathlib import Path
from typing import Literal

SCHEMA, SCHEMA_VERSION = "sleeveplan doctor", 1
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]*")
_OPTIONAL = {
    "adbc-driver-postgresql": (
        "adbc_driver_postgresql", "layers out of PostGIS (pip install 'sleeveplan[postgis]')"
    ),
    "dask": ("dask", "towns in parts, on several machines"),
}  # fmt: skip
_PROGRAMS = {
    "chromium": (("chromium", "chromium-browser", "google-chrome"), "the tests of pages"),
    "LibreOffice": (("soffice", "libreoffice"), "the tests of totals.xlsx; any office opens it"),
    "poppler": (("pdftoppm",), "the tests of sheets; any PDF reader opens them"),
}
LEAST_ROOM_MB = 500  # a run takes some tens, a store and kept drives some hundreds: no source

State = Literal["ok", "absent", "fault"]


@dataclass(frozen=True)
class Part:
    """One thing that was looked at: is it there and sound, and can the tool do without."""

    part: str
    state: State
    said: str
    needed: bool = True

    def __str__(self) -> str:
        return f"{self.state:<7} {self.part:<24} {self.said}"

    @property
    def stops(self) -> bool:
        """Tell whether nothing works until this is mended."""
        return self.needed and self.state != "ok"


def examine(folder: Path | None = None) -> list[Part]:
    """Look at all that the tool needs, and at a project folder where one is given.

    Parameters
    ----------
    folder
        A project folder; None = the machine alone.

    Returns
    -------
    parts
        In a fixed order. Looking never stops at what is broken: that is its finding.
    """
    parts = [Part("python", "ok", platform.python_version())]
    parts.append(_package("sleeveplan", "planner"))
    parts += [_package(name, name.replace("-", "_")) for name in needed_packages()]
    parts += [_look(name, _library(name)) for name in ("GDAL", "PROJ", "GEOS")]
    parts.append(_look("fonts", _fonts))
    parts += [_package(name, *about) for name, about in _OPTIONAL.items()]
    parts += [_program(name, *about) for name, about in _PROGRAMS.items()]
    parts.append(_look("browser", _browser, needed=False))
    parts.append(_look("compiled loops", _kernels, needed=False))
    parts.append(_look("room on disk", lambda: _room(folder or Path())))
    return parts + (_project(folder) if folder is not None else [])


def needed_packages() -> list[str]:
    """Name the packages that the tool was installed with, as its own record names them."""
    lines = [line for line in requires("sleeveplan") or [] if "extra ==" not in line]
    return [found[0] for line in lines if (found := _NAME.match(line))]


def as_json(parts: list[Part]) -> str:
    """Write parts as JSON, with the name and version of the form."""
    content = {
        "schema": SCHEMA,
        "schema_version": SCHEMA_VERSION,
        "sound": not any(part.stops for part in parts),
        "parts": [asdict(part) for part in parts],
    }
    return json.dumps(content, indent=1, ensure_ascii=False)


def versions() -> dict[str, str]:
    """Give the versions of the tool and of what it reads the earth with."""
    found = {"sleeveplan": version("sleeveplan"), "python": platform.python_version()}
    return found | {name.casefold(): _library(name)()[1] for name in ("GDAL", "PROJ", "GEOS")}


Found = tuple[State, str]


def _look(name: str, what: Callable[[], Found], *, needed: bool = True) -> Part:
    try:
        state, said = what()
    except Exception as error:  # noqa: BLE001 - whatever breaks is what is looked for
        state, said = "fault", " ".join(str(error).split()) or type(error).__name__
    return Part(name, state, said, needed)


def _package(name: str, module: str, use: str = "") -> Part:
    """Import a package: what is installed but broken shows only then."""

    def found() -> Found:
        try:
            number = version(name)
        except PackageNotFoundError:
            said = f"without it no {use}" if use else f"not installed; pip install {name}"
            return "absent", said
        importlib.import_module(module)
        return "ok", f"{number}, for {use}" if use else number

    return _look(name, found, needed=not use)


def _library(name: str) -> Callable[[], Found]:
    """Say how to ask for the version of a library that a package brings with it."""

    def found() -> Found:
        if name == "GDAL":
            import pyogrio  # type: ignore[import-untyped]

            return "ok", str(pyogrio.__gdal_version_string__)
        if name == "PROJ":
            import pyproj

            return "ok", str(pyproj.proj_version_str)
        import shapely

        return "ok", str(shapely.geos_version_string)

    return found


def _fonts() -> Found:
    from planner.outputs.typeset import packaged_fonts

    fonts = packaged_fonts()
    unread = sorted(set(fonts["there"]) - set(fonts["read"]))
    if not fonts["there"] or unread:
        what = f"cannot be read: {', '.join(unread)}" if unread else "none is packaged"
        return "fault", f"{what}; sheets and papers would lack their letters: install anew"
    return "ok", f"{', '.join(fonts['read'])} read by the typesetter"


def _program(name: str, commands: tuple[str, ...], use: str) -> Part:
    path = next((found for one in commands if (found := shutil.which(one))), "")
    if path:
        return Part(name, "ok", f"{path}, for {use}", needed=False)
    return Part(name, "absent", f"only for {use}", needed=False)


def _browser() -> Found:
    try:
        return "ok", f"{getattr(webbrowser.get(), 'name', 'found')}, for map.html"
    except webbrowser.Error:
        return "absent", "none that can be started from here; open map.html by hand, anywhere"


def _kernels() -> Found:
    from planner.repairs.place_kernel import kernel_cache

    folder = kernel_cache()
    if folder is None or not _can_write(folder):
        where = folder or "no folder to keep them in"
        return "fault", f"{where}: not writable, so each run compiles anew; set NUMBA_CACHE_DIR"
    return "ok", f"kept in {folder}"


def _room(folder: Path) -> Found:
    there = next(one for one in (folder.resolve(), *folder.resolve().parents) if one.exists())
    free_mb = shutil.disk_usage(there).free // 1_000_000
    said = f"{free_mb:,} MB free at {there}"
    enough = free_mb >= LEAST_ROOM_MB
    return ("ok", said) if enough else ("fault", f"{said}; {LEAST_ROOM_MB} wanted")


def _can_write(folder: Path) -> bool:
    """Tell whether a file can be made where `folder` is or would be; leave nothing behind."""
    there = next(one for one in (folder, *folder.parents) if one.exists())
    try:
        with tempfile.TemporaryFile(dir=there):
            return os.access(there, os.W_OK)
    except OSError:
        return False


def _project(folder: Path) -> list[Part]:
    if not folder.is_dir():
        return [_look("project", lambda: _no_folder(folder))]
    return [
        _look("project", lambda: _project_file(folder)),
        _look("store", lambda: _store(folder)),
        _look("out", lambda: _out(folder)),
        _look("kept drives", lambda: _drives(folder), needed=False),
    ]


def _no_folder(folder: Path) -> Found:
    from planner.settings import no_folder

    return "fault", no_folder(folder)


def _project_file(folder: Path) -> Found:
    from planner.inputs.sections import FILE, read_sections
    from planner.settings import read_project_file

    sections = read_sections(read_project_file(folder / FILE), {})
    files = len(sections.layers) + len(sections.inspections)
    return "ok", f"{folder / FILE}: understood; it names {files} files"


def _store(folder: Path) -> Found:
    """Open the store; what it cannot be is one line of its own."""
    from planner.store.chosen import STORE
    from planner.store.decisions import open_store

    path = folder / STORE
    store = open_store(path)
    if not path.exists():
        return "ok", f"{path}: none yet, on a local disk; made when something is first kept"
    decisions, events = len(store.read_decisions()), len(store.read_events())
    last, _ = store.read_last_revision()
    counts = f"{decisions} decisions, {events} events, revision {last or 'none'}"
    return "ok", f"{path}: {counts}; on a local disk"


def _out(folder: Path) -> Found:
    from planner.run_folders import RUNS, runs_of

    runs = folder / RUNS
    if runs.is_symlink():
        return "fault", f"{runs}: is a link to another folder; nothing is written through it"
    if runs.exists() and not runs.is_dir():
        return "fault", f"{runs}: is a file; move it away"
    if not _can_write(runs):
        return "fault", f"{runs}: cannot be written"
    made = runs_of(folder)
    newest = f"newest run {made[-1].name}" if made else "no run yet"
    return "ok", f"{runs}: can be written; {newest}"


def _drives(folder: Path) -> Found:
    from planner.folder import DRIVES

    kept = folder / DRIVES
    if kept.is_symlink():
        return "fault", f"{kept}: is a link; drives are reckoned anew in each run"
    if not kept.exists():
        return "absent", f"{kept}: none kept yet"
    sizes = list(_sizes(kept))
    return "ok", f"{kept}: {len(sizes)} kept, {sum(sizes) // 1_000_000} MB; safe to delete"


def _sizes(folder: Path) -> Iterator[int]:
    for path in folder.glob("*.npz"):
        if path.is_file():
            yield path.stat().st_size
