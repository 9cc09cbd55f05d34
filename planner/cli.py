"""The command `sleeveplan`: one sub-command for each thing a user does.

Results go to standard output, progress and complaints to standard error. Exit
codes: 0 done, 1 faults found (`check`) or rows refused under ``--strict``,
2 wrong use or nothing could be made.
"""

from __future__ import annotations

import os
import shutil
import sys
import time
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from planner.cli_city import by_parts, city
from planner.cli_review import review, users
from planner.cli_rules import rules
from planner.cli_screen import InOrder, overrides_of, progress, say, timed
from planner.cli_store import team
from planner.cli_tools import doctor, init, version
from planner.errors import PlannerError

if TYPE_CHECKING:
    from planner.plan import Plan

app = typer.Typer(
    cls=InOrder,
    add_completion=True,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    help="Plan spot repairs of sewers: inspections in, sleeves, crew routes and totals out.",
)
app.add_typer(rules, name="rules")
app.add_typer(users, name="users")
app.command()(review)
app.command()(init)
app.command()(city)
app.command()(doctor)
app.command()(version)
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
        say(f"sleeveplan: {error}")
        sys.exit(2)
    except OSError as error:
        say(f"sleeveplan: {error.filename or 'a file'}: {error.strerror or error}")
        sys.exit(2)


@app.command()
def check(folder: Folder, sets: Sets = None) -> None:
    """List each fault of the inputs, one line each.

    Prints also balanced books, and which step waits for which file; writes
    findings, refused rows and a map into out/check. Exit 1 if anything was refused.
    """
    faulty = _check_and_write(folder, overrides_of(sets))
    say(f"next: {'mend what you can, then: ' if faulty else ''}sleeveplan plan {folder}")
    if faulty:
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
    """Hold a week, or your edit of it, against every rule.

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
    """Plan the rest of the week again, with least change.

    What is done, under way or promised stays as it is. Writes a run with a list to sign; it
    stands once somebody accepts it with --accept NAME.
    """
    from planner.runs import accept_replan, replan_project

    if bool(at) == bool(accept_by):
        message = "wants either --at YYYY-MM-DDTHH:MM or --accept NAME"
        raise typer.BadParameter(message)
    if accept_by:
        print(accept_replan(folder, accept_by, _day(on), run))
        return
    with timed("replan"):
        out, lines = replan_project(
            folder,
            at,
            run,
            overrides_of(sets),
            assume_accepted=assume_accepted,
            engineer=by_parts(),
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
    """Make the plan: verdicts, sleeves, week, map, sheets, totals.

    All of it is written into a new numbered folder under out/.
    """
    made, _ = _plan_and_write(
        folder, overrides_of(sets), assume_accepted=assume_accepted, ask_what_if=what_if
    )
    if strict and _refused(made):
        raise typer.Exit(1)


def _refused(made: Plan) -> int:
    return len(made.tables["left_over"])


def _plan_and_write(
    folder: Path, overrides: dict[str, str], *, assume_accepted: bool, ask_what_if: bool = False
) -> tuple[Plan, Path]:
    from planner.folder import run_project, write_run
    from planner.outputs.summary import summary_lines

    with timed("plan"), progress() as tell:
        made = run_project(
            folder,
            overrides,
            assume_accepted=assume_accepted,
            ask_what_if=ask_what_if,
            tell=tell,
            engineer=by_parts(),
        )
    with timed("map, sheets, tables"):
        out = write_run(made, folder)
    for line in summary_lines(made.tables, made.facts):
        print(line)
    print()
    home = out.resolve()
    print(f"map     {home / 'map.html'}")
    if (home / "crews").exists():
        print(f"sheets  {home / 'sheets'} and, for a phone, {home / 'crews'}")
    print(f"totals  {home / 'totals.xlsx'}")
    print(f"papers  {home / 'papers'}: what goes to owner, residents, road authority and others")
    print(f"tables  {home / 'tables'} and {home / 'plan.gpkg'}")
    print(f"{_refused(made)} rows refused or left over; sleeveplan check lists what was read badly")
    if made.inputs.missing:
        say(f"next: open the map; sleeveplan check {folder} says which step waits for which file")
    return made, out


@app.command()
def accept(folder: Folder, form: Annotated[Path, typer.Argument(help="CSV of decisions.")]) -> None:
    """Take in decisions by people from a form.

    Each row is taken once; what is refused is said.
    """
    from planner.folder import accept_form

    for line in accept_form(folder, form):
        print(line)


@app.command()
def reprice(
    folder: Folder,
    workbook: Annotated[Path, typer.Argument(help="A totals.xlsx of a run.")],
    by: Annotated[str, typer.Option("--by", help="Who changes the prices.")],
    reason: Annotated[str, typer.Option("--reason", help="Why.")],
    on: Annotated[str, typer.Option("--on", help="YYYY-MM-DD; today without it.")] = "",
) -> None:
    """Take in prices typed into the workbook of a run.

    They are known by their ids and kept in the store, with who and why.
    """
    from planner.reprice import Said, take_prices

    for line in take_prices(folder, workbook, Said(by, _day(on), reason)):
        print(line)


@app.command()
def report(
    folder: Folder,
    form: Annotated[Path, typer.Argument(help="CSV of events, see docs/journal.md.")],
    on: Annotated[str, typer.Option("--on", help="Day of reporting; today without it.")] = "",
) -> None:
    """Take in what happened in the field from a form.

    Each row goes into the journal once; what is refused is said.
    """
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
    """Freeze the choices as a revision; say what changed.

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
    """Say why: rules with value and limit, raw rows, options.

    Of an id: each rule with its source, the rows as coded, how the place was reckoned.
    """
    from planner.folder import run_project
    from planner.propose import propose
    from planner.screening.explain import explain_lines

    # It only looks: the parts of a large project are kept where that may be.
    engineer = by_parts() if os.access(folder, os.W_OK) else propose
    made = run_project(folder, {}, assume_accepted=False, keep_ids=False, engineer=engineer)
    for line in explain_lines(key, made.tables):
        print(line)


@app.command()
def demo(
    folder: Annotated[Path, typer.Argument(help="Where to put the demo town.")] = Path(
        "quillhaven"
    ),
) -> None:
    """Run the whole job on an invented town: check, accept, plan."""
    from planner.folder import accept_form
    from planner.repairs.place_flat_rows import warm_up

    _copy_town(folder)
    with timed("compiling, kept on disk for later runs"):
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
            and not (path.name == "project.gpkg" or os.path.lexists(folder / path.name))
        ):
            shutil.copyfile(path, folder / path.name)


if __name__ == "__main__":
    main()
