"""`sleeveplan city`: a whole city in parts, on this host's processes or on a cluster."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from planner.cli_screen import overrides_of, say, timed

if TYPE_CHECKING:
    from planner.city.by_parts import ByParts
    from planner.city.pool import Pool


def city(
    folder: Annotated[Path, typer.Argument(help="Project folder, with planner.toml in it.")],
    scheduler: Annotated[
        str, typer.Option("--scheduler", help="tcp://host:port of a Dask scheduler.")
    ] = "",
    workers: Annotated[
        int,
        typer.Option("--workers", min=0, help="Processes on this host; as many as cores without."),
    ] = 0,
    week: Annotated[  # noqa: FBT002 - a switch on the command line
        bool, typer.Option("--week", help="Plan the week too, its zones on the same workers.")
    ] = False,
    sets: Annotated[
        list[str] | None,
        typer.Option("--set", help="Override one setting. May be repeated."),
    ] = None,
) -> None:
    """Place and choose for a whole city, part by part.

    What an earlier run finished is not done again. Writes out/city; sheets and map are for:
    sleeveplan plan.
    """
    from planner.city.run import run_city

    if scheduler and workers:
        message = "wants either --scheduler, which has workers of its own, or --workers"
        raise typer.BadParameter(message)
    with timed("city"), pool_of(scheduler, workers) as pool:
        made = run_city(folder, pool, overrides_of(sets), week=week, say=say)
    for line in made.lines:
        print(line)
    print(f"results    {made.out.resolve()}: a folder of GeoParquet for each table")


def by_parts() -> ByParts:
    """Give who goes the engineer's half for the other commands: in parts, if it is large."""
    from planner.city.by_parts import ByParts

    return ByParts(pool_of, say=say)


def pool_of(scheduler: str = "", workers: int = 0) -> Pool:
    """Give who does the parts."""
    from planner.city.pool import PlainLoop, Processes

    if scheduler:
        from planner.city.cluster import Cluster

        return Cluster(scheduler)
    count = workers or os.cpu_count() or 1
    return PlainLoop() if count == 1 else Processes(count)
