"""What the command line shows: the order of its commands, how long and how far it is."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

import typer
from typer.core import TyperGroup

if TYPE_CHECKING:
    from planner.crews.solver import Told

# The commands as work goes; what is in no list comes after.
_WAY = (
    "demo", "init", "check", "plan", "city", "review", "explain", "accept", "rules", "report",
    "audit", "replan", "reprice", "sign", "store", "users", "doctor", "version",
)  # fmt: skip


class InOrder(TyperGroup):
    """The commands, listed in the order of the work."""

    def list_commands(self, ctx: Any) -> list[str]:  # noqa: ANN401 - of click, where typer keeps it
        """Give the names of all commands."""
        names = super().list_commands(ctx)
        return sorted(names, key=lambda name: _WAY.index(name) if name in _WAY else len(_WAY))


def overrides_of(pairs: list[str] | None) -> dict[str, str]:
    """Give what ``--set section.key=value`` says, by setting; wrong use where it is not that."""
    found = {}
    for pair in pairs or []:
        key, equals, value = pair.partition("=")
        if not equals:
            message = f"--set wants section.key=value, found '{pair}'"
            raise typer.BadParameter(message)
        found[key.strip()] = value.strip()
    return found


def say(line: str) -> None:
    """Print a line of progress, or a complaint, to standard error."""
    print(line, file=sys.stderr)


@contextmanager
def timed(what: str) -> Iterator[None]:
    """Say how long what is done within took."""
    began = time.perf_counter()
    yield
    say(f"{what}: {time.perf_counter() - began:.1f} s")


@contextmanager
def progress() -> Iterator[Callable[[Told], None] | None]:
    """Show on a terminal how far the search for the week is; nothing where nobody looks."""
    if not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn

    parts = (TextColumn("{task.description}"), BarColumn(10), MofNCompleteColumn())
    cost = TextColumn("{task.fields[cost]}")
    with Progress(*parts, cost, console=Console(stderr=True), transient=True) as shown:
        task = shown.add_task("week", total=None, visible=False, cost="")

        def tell(told: Told) -> None:
            best = "unknown" if told.cost_s is None else f"{told.cost_s / 3600:.1f} h"
            least = "" if told.bound_s is None else f", {told.bound_s / 3600:.1f} h at least"
            shown.update(
                task,
                description=f"week: {told.what}",
                completed=told.iterations,
                total=told.most,
                cost=f"{best} driven or left out{least}",
                visible=True,
            )

        yield tell
