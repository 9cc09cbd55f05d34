"""`sleeveplan store`: the team's store in PostGIS, named by [store] in planner.toml."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

team = typer.Typer(
    no_args_is_help=True,
    help="Keep the team's store in PostGIS: init, push, pull, status.",
)

Folder = Annotated[Path, typer.Argument(help="Project folder, with [store] in planner.toml.")]


@team.command(name="init")
def init_store(
    folder: Folder,
    take_over: Annotated[
        bool,
        typer.Option("--take-over", help="Copy project.gpkg into the store, which must be empty."),
    ] = False,
) -> None:
    """Make schema, tables, checks and roles, or bring an older schema up to date."""
    from planner.store.team import init_team

    for line in init_team(folder, take_over=take_over):
        print(line)


@team.command(name="push")
def push_store(
    folder: Folder,
    run: Annotated[str, typer.Option("--run", help="Number of a run; the newest without it.")] = "",
) -> None:
    """Put the tables of the newest run into the database, in the place of those before."""
    from planner.runs import run_folder
    from planner.store.team import push_team

    for line in push_team(folder, run_folder(folder, run)):
        print(line)


@team.command(name="pull")
def pull_store(
    folder: Folder,
    run_to: Annotated[
        Path | None,
        typer.Option("--run-to", help="Write the run that was pushed last into this new folder."),
    ] = None,
) -> None:
    """Bring decisions, journal and ids into project.gpkg; or the tables of the pushed run."""
    from planner.store import team as steps

    lines = steps.pull_store(folder) if run_to is None else steps.pull_run(folder, run_to)
    for line in lines:
        print(line)


@team.command(name="status")
def store_status(folder: Folder) -> None:
    """Say whether the store answers, its version, its rows, who wrote last, what you may."""
    from planner.store.team import team_status

    for line in team_status(folder):
        print(line)
