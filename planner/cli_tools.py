"""`sleeveplan init`, `doctor` and `version`: to begin with, and where something is amiss."""

from __future__ import annotations

import json
from importlib.metadata import version as version_of
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from planner.cli_screen import say

if TYPE_CHECKING:
    from planner.inputs.lying_files import LyingFiles

AsJson = Annotated[bool, typer.Option("--json", help="As JSON, for programs.")]


def init(
    folder: Annotated[Path, typer.Argument(help="New folder, or the one with your files.")],
) -> None:
    """Write a commented planner.toml and empty forms into a folder.

    The folder may hold your files already: a layer, or a table, that is alone there is named.
    """
    from planner.inputs.skeleton import write_skeleton

    paths, lying = write_skeleton(folder)
    for path in paths:
        print(path)
    say(_next_of(folder, lying))


def _next_of(folder: Path, lying: LyingFiles) -> str:
    """Say what is to be done with a new project."""
    sections = (("[pipes]", lying.layers), ("[[inspections]]", lying.tables))
    told = [f"{section} is {names[0]}" for section, names in sections if len(names) == 1]
    left = [section for section, names in sections if len(names) != 1]
    file = folder / "planner.toml"
    named = f"in {file} {' and '.join(told)}\n" if told else ""
    todo = f"put your files into {folder}, name those of {' and '.join(left)} in {file}, then: "
    return f"{named}next: {todo if left else ''}sleeveplan check {folder}"


def doctor(
    folder: Annotated[
        Path | None, typer.Argument(help="Project folder, to look at its store as well.")
    ] = None,
    *,
    as_json: AsJson = False,
) -> None:
    """Say what is here, absent or broken: versions, fonts, store.

    One line each: ok, absent or fault; the part; what was found. Exit 1 if anything that is
    needed is not ok.
    """
    from planner import doctor as looks

    parts = looks.examine(folder)
    if as_json:
        print(looks.as_json(parts))
    else:
        for part in parts:
            print(_one_line(str(part)))
    if any(part.stops for part in parts):
        raise typer.Exit(1)


def version(*, as_json: AsJson = False) -> None:
    """Print the version; with --json also those of GDAL, PROJ and GEOS."""
    if not as_json:
        print(version_of("sleeveplan"))
        return
    from planner.doctor import versions

    print(json.dumps({"schema": "sleeveplan version", "schema_version": 1, **versions()}, indent=1))


def _one_line(text: str) -> str:
    """Print no control characters: a file's name could hold an escape sequence."""
    return "".join(sign if sign.isprintable() else "?" for sign in text)
