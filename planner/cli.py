"""The command `sleeveplan`: one sub-command for each thing a user does.

Results go to standard output, progress and complaints to standard error. Exit
codes: 0 done, 1 faults found (`check`) or rows refused under ``--strict``,
2 wrong use or nothing could be made.
"""

from __future__ import annotations

import shutil
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from importlib import resources
from importlib.metadata import version as version_of
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from planner.cli_review import review, users
from planner.cli_rules import rules
from planner.cli_store import team
from planner.errors import PlannerError

if TYPE_CHECKING:
    from planner.crews.solver import Told
    from planner.plan import Plan

app = typer.Typer(
    add_completion=True,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    help="Plan spot repairs of sewers: inspections in, sleeves, crew routes and totals out.",
)
app.add_typer(rules, name="rules")
app.add_typer(users, name="users")
app.command()(review)
app.add_typer(team, name="store")

Folder = Annotated[Path, typer.Argument(help="Project folder, with planner.toml in it.")]
Sets = Annotated[
    list[str] | None,
    typer.Option("--set", help="Override one setting, e.g. --set week.days=3. May be repeated."),
]


def main() -> None:
    """Run the command; turn what stops a run into one line and exit code 2."""
    try:
        app()
    except PlannerError as error:
        _say(f"sleeveplan: {error}")
        sys.exit(2)
    except OSError as error:
        _say(f"sleeveplan: {error.filename or 'a file'}: {error.strerror or error}")
        sys.exit(2)


def _say(line: str) -> None:
    print(line, file=sys.stderr)


def _overrides(pairs: list[str] | None) -> dict[str, str]:
    found = {}
    for pair in pairs or []:
        key, equals, value = pair.partition("=")
        if not equals:
            message = f"--set wants section.key=value, found '{pair}'"
            raise typer.BadParameter(message)
        found[key.strip()] = value.strip()
    return found


@contextmanager
def _timed(what: str) -> Iterator[None]:
    began = time.perf_counter()
    yield
    _say(f"{what}: {time.perf_counter() - began:.1f} s")


@contextmanager
def _progress() -> Iterator[Callable[[Told], None] | None]:
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


@app.command()
def version() -> None:
    """Print the version."""
    print(version_of("sleeveplan"))


@app.command()
def init(folder: Folder) -> None:
    """Write a commented project skeleton into a new or empty folder."""
    from planner.inputs.skeleton import write_skeleton

    for path in write_skeleton(folder):
        print(path)
    _say(f"next: name your layers in {folder / 'planner.toml'}, then: sleeveplan check {folder}")


@app.command()
def check(folder: Folder, sets: Sets = None) -> None:
    """List every fault of the inputs, one line each, the balanced books, and what lies where.

    Writes findings, refused rows and a map into out/check. Exit 1 if anything was refused.
    """
    if _check_and_write(folder, _overrides(sets)):
        raise typer.Exit(1)


def _check_and_write(folder: Path, overrides: dict[str, str]) -> bool:
    from planner.folder import check_project

    checked = check_project(folder, overrides)
    for line in checked.lines:
        print(line)
    print(
        f"written to {checked.folder.resolve()}: findings.csv, refused_rows.csv, id_matches.csv, "
        "map.html"
    )
    return checked.faulty


Run = Annotated[str, typer.Option("--run", help="Number of the run; the newest without it.")]


@app.command()
def audit(
    folder: Folder,
    run: Run = "",
    visits: Annotated[
        Path | None,
        typer.Option(
            "--visits", help="Edited copy of the run's tables/visits.csv; else that file."
        ),
    ] = None,
    retime: Annotated[
        Path | None,
        typer.Option("--retime", help="Set all times anew in the order given; write them here."),
    ] = None,
) -> None:
    """Hold the week of a run, or what a person made of it, against every rule.

    One line per fault: what, where, found, wanted. Exit 1 if there is one.
    """
    from planner.runs import audit_run

    found = audit_run(folder, run, visits, retime)
    for line in found.lines:
        print(line)
    if found.faulty:
        raise typer.Exit(1)


@app.command()
def replan(  # noqa: PLR0913 - one parameter for each option
    folder: Folder,
    at: Annotated[
        str, typer.Option("--at", help="YYYY-MM-DDTHH:MM: nothing is planned before it.")
    ] = "",
    run: Annotated[
        str, typer.Option("--run", help="Run that stands; else the newest, accepted ones only.")
    ] = "",
    accept_by: Annotated[
        str, typer.Option("--accept", help="Your name: let the newest plan made again stand.")
    ] = "",
    on: Annotated[str, typer.Option("--on", help="YYYY-MM-DD; today without it.")] = "",
    *,
    assume_accepted: Annotated[
        bool, typer.Option("--assume-accepted", help="Take proposed choices as accepted.")
    ] = False,
    sets: Sets = None,
) -> None:
    """Plan the rest of the week again: what is done, under way or promised stays as it is.

    Writes a run with a list to sign; it stands once somebody accepts it with --accept NAME.
    """
    from planner.runs import accept_replan, replan_project

    if bool(at) == bool(accept_by):
        message = "wants either --at YYYY-MM-DDTHH:MM or --accept NAME"
        raise typer.BadParameter(message)
    if accept_by:
        print(accept_replan(folder, accept_by, _day(on), run))
        return
    with _timed("replan"):
        out, lines = replan_project(
            folder, at, run, _overrides(sets), assume_accepted=assume_accepted
        )
    for line in lines:
        print(line)
    print(f"written to {out.resolve()}; to let it stand: sleeveplan replan {folder} --accept NAME")


@app.command(name="plan")
def plan_command(
    folder: Folder,
    *,
    assume_accepted: Annotated[
        bool, typer.Option("--assume-accepted", help="Take proposed choices as accepted.")
    ] = False,
    strict: Annotated[
        bool, typer.Option("--strict", help="Exit 1 if any row was refused.")
    ] = False,
    what_if: Annotated[
        bool,
        typer.Option("--what-if", help="Plan again with one more crew-day, one more packer."),
    ] = False,
    sets: Sets = None,
) -> None:
    """Make the plan and write map, run sheets and tables into a new folder under out/."""
    made, _ = _plan_and_write(
        folder, _overrides(sets), assume_accepted=assume_accepted, ask_what_if=what_if
    )
    if strict and _refused(made):
        raise typer.Exit(1)


def _refused(made: Plan) -> int:
    lost = made.inputs.faults["lost"]
    return int(lost.sum()) + len(made.tables["left_over"])


def _plan_and_write(
    folder: Path, overrides: dict[str, str], *, assume_accepted: bool, ask_what_if: bool = False
) -> tuple[Plan, Path]:
    from planner.folder import run_project, write_run
    from planner.outputs.summary import summary_lines

    with _timed("plan"), _progress() as tell:
        made = run_project(
            folder,
            overrides,
            assume_accepted=assume_accepted,
            ask_what_if=ask_what_if,
            tell=tell,
        )
    with _timed("map, sheets, tables"):
        out = write_run(made, folder)
    for line in summary_lines(made.tables, made.facts):
        print(line)
    print()
    home = out.resolve()
    print(f"map     {home / 'map.html'}")
    print(f"sheets  {home / 'sheets'} and, for a phone, {home / 'crews'}")
    print(f"totals  {home / 'totals.xlsx'}")
    print(f"papers  {home / 'papers'}: what goes to owner, residents, road authority and others")
    print(f"tables  {home / 'tables'} and {home / 'plan.gpkg'}")
    print(f"{_refused(made)} rows refused or left over; sleeveplan check lists what was read badly")
    return made, out


@app.command()
def accept(folder: Folder, form: Annotated[Path, typer.Argument(help="CSV of decisions.")]) -> None:
    """Take decisions from a form into the store: each row once, what is refused is said."""
    from planner.folder import accept_form

    for line in accept_form(folder, form):
        print(line)


@app.command()
def reprice(
    folder: Folder, workbook: Annotated[Path, typer.Argument(help="A totals.xlsx of a run.")]
) -> None:
    """Take in prices changed in the workbook, by their ids, into prices_changed.csv."""
    from planner.reprice import take_prices

    for line in take_prices(folder, workbook):
        print(line)


@app.command()
def report(
    folder: Folder,
    form: Annotated[Path, typer.Argument(help="CSV of events, see docs/journal.md.")],
    on: Annotated[str, typer.Option("--on", help="Day of reporting; today without it.")] = "",
) -> None:
    """Take what happened in the field into the journal: each row once, what is refused is said."""
    from planner.journal import report_form

    for line in report_form(folder, form, _day(on)):
        print(line)


@app.command()
def sign(
    folder: Folder,
    by: Annotated[str, typer.Option("--by", help="Who signs.")],
    reason: Annotated[str, typer.Option("--reason", help="What this revision is for.")],
    on: Annotated[str, typer.Option("--on", help="YYYY-MM-DD; today without it.")] = "",
) -> None:
    """Freeze the choices as a revision and list the differences to the last one.

    Decisions whose place or pipe is gone stop it.
    """
    from planner.folder import sign_project

    out, lines = sign_project(folder, by, _day(on), reason)
    for line in lines:
        print(line)
    print(f"frozen in {out.resolve()}")


def _day(text: str) -> str:
    from planner.inputs.cells import read_date

    day = read_date(text) if text else time.strftime("%Y-%m-%d")
    if day is None:
        message = f"--on wants YYYY-MM-DD, found '{text}'"
        raise typer.BadParameter(message)
    return day


@app.command()
def explain(
    key: Annotated[str, typer.Argument(help="Id of a span, sleeve, work, pipe or coded row.")],
    folder: Annotated[Path, typer.Option("--dir", help="Project folder.")] = Path(),
) -> None:
    """Say why: rules with value, limit and source, raw rows, position arithmetic, alternatives."""
    from planner.folder import run_project
    from planner.screening.explain import explain_lines

    made = run_project(folder, {}, assume_accepted=False, keep_ids=False)
    for line in explain_lines(key, made.tables):
        print(line)


@app.command()
def demo(
    folder: Annotated[Path, typer.Argument(help="Where to put the demo town.")] = Path(
        "quillhaven"
    ),
) -> None:
    """Run the whole job on the invented demo town: check, accept, plan."""
    from planner.folder import accept_form
    from planner.repairs.place_kernel import warm_up

    _copy_town(folder)
    with _timed("compiling, kept on disk for later runs"):
        warm_up()
    print(f"== sleeveplan check {folder}")
    _check_and_write(folder, {})
    print(f"\n== sleeveplan accept {folder} {folder / 'decisions.csv'}")
    for line in accept_form(folder, folder / "decisions.csv"):
        print(line)
    print(f"\n== sleeveplan plan {folder}")
    _plan_and_write(folder, {}, assume_accepted=False)


def town() -> Path:
    """Give the folder of the demo town: in the wheel, else beside the code."""
    packed = Path(str(resources.files("planner"))) / "data" / "demo"
    return packed if packed.is_dir() else Path(__file__).resolve().parents[1] / "data_demo"


def _copy_town(folder: Path) -> None:
    source = town()
    if folder.resolve() == source.resolve():
        return
    if folder.exists() and any(folder.iterdir()) and not (folder / "planner.toml").exists():
        message = f"{folder} exists and is no project; name another folder"
        raise typer.BadParameter(message)
    folder.mkdir(parents=True, exist_ok=True)
    for path in sorted(source.iterdir()):
        if (
            path.is_file()
            and path.suffix in (".toml", ".csv", ".gpkg")
            and not (path.name == "project.gpkg" or (folder / path.name).exists())
        ):
            shutil.copyfile(path, folder / path.name)


if __name__ == "__main__":
    main()
