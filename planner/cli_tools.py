"""`sleeveplan doctor` and `version`: what is installed here, and what a project folder holds."""

from __future__ import annotations

import json
from importlib.metadata import version as version_of
from pathlib import Path
from typing import Annotated

import typer

AsJson = Annotated[bool, typer.Option("--json", help="As JSON, for programs.")]


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
