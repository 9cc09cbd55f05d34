"""`sleeveplan rules`: print a rulebook, compare two on a project, try one on cases."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

rules = typer.Typer(
    no_args_is_help=True,
    help="Print a rulebook, compare two, try one on cases.",
)

Book = Annotated[str, typer.Option("--book", help="default, strict, or the path of a rulebook.")]


@rules.command(name="print")
def print_rules(
    only: Annotated[str, typer.Argument(help="Id of one rule; all without it.")] = "",
    book: Book = "default",
    folder: Annotated[
        Path | None, typer.Option("--dir", help="Project folder: its book, its own limits.")
    ] = None,
) -> None:
    """Print a rulebook in words: what each rule asks and does, its limits and their source."""
    from planner.folder import book_of
    from planner.screening.books import book_lines
    from planner.screening.rulebook import load_rulebook

    for line in book_lines(book_of(folder) if folder else load_rulebook(book), only):
        print(line)


@rules.command(name="compare")
def compare_rules(
    other: Annotated[str, typer.Argument(help="default, strict, or the path of a rulebook.")],
    folder: Annotated[Path, typer.Option("--dir", help="Project folder.")] = Path(),
) -> None:
    """Say which rules, verdicts and choices of this project another rulebook changes."""
    from planner.folder import compare_books

    for line in compare_books(folder, other):
        print(line)


@rules.command(name="try")
def try_rules(
    files: Annotated[list[Path], typer.Argument(help="TOML files of cases.")],
    book: Book = "default",
) -> None:
    """Try a rulebook on cases that you wrote; exit 1 if one does not hold."""
    from planner.screening.cases import case_lines, read_cases, try_cases, uncovered
    from planner.screening.rulebook import load_rulebook

    loaded = load_rulebook(book)
    cases = [case for file in files for case in read_cases(file)]
    tried = try_cases(cases, loaded)
    for line in case_lines(tried, uncovered(cases, loaded), len(loaded.rules)):
        print(line)
    if any(one.faults for one in tried):
        raise typer.Exit(1)
