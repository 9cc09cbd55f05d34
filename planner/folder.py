"""What a command does in a project folder: plan and keep ids, write a run, take in a form."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import pandas as pd

from planner.contracts import (
    CHECK_FINDINGS,
    DECISIONS,
    FLAGS,
    ID_MATCHES,
    REFUSED_ROWS,
    REVISION_CHANGES,
    REVISIONS,
)
from planner.crews.solver import Told
from planner.errors import FileError, StoreError
from planner.inputs.check_tables import findings_table, refused_table
from planner.inputs.decisions import read_decisions
from planner.inputs.inputs import Inputs
from planner.inputs.project import read_project
from planner.inputs.report import check_lines
from planner.outputs.chart_break_even import draw_break_even
from planner.outputs.crew_pages import write_crew_pages
from planner.outputs.files import write_table, write_tables
from planner.outputs.map import draw_map
from planner.outputs.papers import write_all_papers, write_revision
from planner.outputs.placing import draw_placing
from planner.outputs.record import write_record
from planner.outputs.sheets import write_sheets
from planner.outputs.workbook import write_workbook
from planner.plan import Plan, facts_of, make_plan
from planner.propose import Engineer, Proposal, propose
from planner.repairs.revise import change_lines, changes_since, freeze
from planner.rule_spans import Tables, place_rows, placed_tables
from planner.run_folders import next_run, write_aside
from planner.screening.books import compared_lines
from planner.screening.proposals import propose_ids
from planner.screening.rulebook import Rulebook, load_rulebook
from planner.store.chosen import store_of
from planner.store.decisions import Store
from planner.store.drives import DriveStore
from planner.tables import conform, empty
from planner.taking import sift

CHECKED = "check"
DRIVES = ".drives"  # beside planner.toml: can be thrown away at any time


@dataclass(frozen=True)
class Checked:
    """What a check found: lines to print, the folder written, whether anything was refused."""

    lines: list[str]
    folder: Path
    faulty: bool


def check_project(folder: Path, overrides: Mapping[str, str] | None = None) -> Checked:
    """Read a project, place its rows, and write what was found into ``out/check``.

    The folder holds ``findings.csv``, ``refused_rows.csv`` with the raw text beside,
    ``id_matches.csv`` of pipes that unmatched runs may mean, and ``map.html`` of what is
    placed, in doubt and not placed. It is replaced as a whole.

    Parameters
    ----------
    folder : Path
        Project folder, with planner.toml in it.
    overrides : mapping
        Settings from the command line.

    Raises
    ------
    PlannerError
        If there are no pipes or no project file.
    """
    store = store_of(folder)
    inputs = read_project(folder, overrides, store.read_events(), store.read_price_edits())
    located = place_rows(inputs)
    lines = check_lines(inputs, located.flags, located.left_over, located.defects)
    tables = placed_tables(inputs, located)
    findings = findings_table(inputs, located.flags, located.left_over)
    refused = refused_table(inputs, located.left_over)
    proposed = propose_ids(located.pipes, located.inspections)
    if len(proposed):
        count = proposed["pipe_ref"].nunique()
        told = "1 name of a pipe matches" if count == 1 else f"{count} names of pipes match"
        lines.insert(
            -1,
            f"ids: {told} none: answer the column accept of out/check/id_matches.csv and save it "
            "beside planner.toml",
        )

    def write(part: Path) -> None:
        write_table(part / "findings.csv", findings, CHECK_FINDINGS)
        write_table(part / "refused_rows.csv", refused, REFUSED_ROWS)
        write_table(part / "id_matches.csv", proposed, ID_MATCHES)
        (part / "map.html").write_text(draw_placing(tables, facts_of(inputs)), "utf-8")

    out = write_aside(folder, write, lambda runs: runs / CHECKED)
    return Checked(lines, out, bool(len(inputs.faults) or len(located.left_over)))


def run_project(  # noqa: PLR0913 - the keywords are the run's own switches
    folder: Path,
    overrides: Mapping[str, str] | None = None,
    *,
    assume_accepted: bool = False,
    keep_ids: bool = True,
    ask_what_if: bool = False,
    tell: Callable[[Told], None] | None = None,
    engineer: Engineer = propose,
) -> Plan:
    """Read a project folder and its store, plan, and keep the ids given.

    Parameters
    ----------
    folder : Path
        Project folder, with planner.toml in it.
    overrides : mapping
        Settings from the command line, ``{"week.days": "3"}``.
    assume_accepted : bool
        Take proposed choices as accepted.
    keep_ids : bool
        False to leave the store as it is, e.g. only to look something up.
    ask_what_if : bool
        Say what one more crew-day or packer would bring.
    tell : callable
        Hears how far the search for the week is; changes nothing.
    engineer : callable
        Who goes the engineer's half, as for `make_plan`.

    Raises
    ------
    PlannerError
        If nothing can be made: no pipes, no project file, a store in use, or none of the
        files of coded rows that are named could be read.
    """
    store = store_of(folder)
    inputs = read_project(folder, overrides, store.read_events(), store.read_price_edits())
    if inputs.unread:
        raise FileError(inputs.unread)
    known, decisions = store.read_known(), store.read_decisions()
    kept = kept_drives(folder, write=keep_ids)
    made = make_plan(
        inputs, known, decisions, edits=store.read_week_edits(),
        assume_accepted=assume_accepted, kept=kept, ask_what_if=ask_what_if, tell=tell,
        engineer=engineer,
    )  # fmt: skip
    if kept is not None and kept.notes:
        made = with_notes(made, kept.notes)
    if keep_ids:
        store.write_known(made.known)
    return made


def kept_drives(folder: Path, *, write: bool) -> DriveStore | None:
    """Give where drives are kept; nowhere if that leads out of the project folder."""
    kept = folder / DRIVES
    return None if kept.is_symlink() else DriveStore(kept, write=write)


def with_notes(made: Plan, notes: list[str]) -> Plan:
    """Tell of kept drives that could not be used beside the other flags."""
    rows = [{"step": "travel", "key": "kept drives", "what": note} for note in notes]
    said = conform(rows, FLAGS).astype(object)
    flags = conform(pd.concat([made.tables["flags"].astype(object), said]), FLAGS)
    return replace(made, tables={**made.tables, "flags": flags})


def write_run(made: Plan, folder: Path, beside: Callable[[Path], None] = lambda _: None) -> Path:
    """Write map, sheets, tables and run.json into the next numbered folder under ``out/``.

    All is written aside and renamed at the end: a killed run leaves no half folder
    under its final name. `beside` writes what else belongs into the folder.

    Returns
    -------
    Path
        The folder of this run.

    Raises
    ------
    FileError
        If ``out`` leads out of the project folder.
    """

    def write(part: Path) -> None:
        (part / "map.html").write_text(draw_map(made.tables, made.facts), "utf-8")
        chart = draw_break_even(made.tables["break_even"], made.facts)
        (part / "break_even.svg").write_text(chart, "utf-8")
        write_sheets(made.tables, made.facts, part / "sheets")
        write_crew_pages(made.tables, made.facts, part / "crews")
        ratio = made.inputs.settings.takeoff.contingency_ratio
        write_workbook(made.tables, made.facts, ratio, part)
        week = made.inputs.settings.week
        write_all_papers(made.tables, made.facts, week, part / "papers")
        write_tables(made.tables, made.facts, part)
        write_record(part, made.inputs.settings, made.inputs.hashes, made.facts)
        beside(part)

    return write_aside(folder, write, next_run)


def accept_form(folder: Path, form: Path) -> list[str]:
    """Take the rows of a form into the store, each once; say what was refused and why.

    Decisions on spans are taken first: they can free a pipe that the same form then
    accepts. What is accepted is the choice as it stands now.

    Parameters
    ----------
    folder : Path
        Project folder.
    form : Path
        CSV with pipe_id, span_id, decision, by, on, reason; value for a limit or a place.

    Returns
    -------
    list of str
        One line per refused row, then the count of rows taken.

    Raises
    ------
    PlannerError
        If the form, the project or the store cannot be read.
    """
    rows, faults = read_decisions(form)
    store = store_of(folder)
    inputs = read_project(folder, {}, store.read_events(), store.read_price_edits())
    lines = [str(fault) for fault in faults]
    taken = 0
    for about_spans in (True, False):
        part = rows[(rows["span_id"] != "") == about_spans]
        count, said = _take(inputs, store, part)
        taken += count
        lines += said
    lines.append(f"{taken} decisions taken, {len(rows) + len(faults) - taken} refused or known")
    return lines


def sign_project(folder: Path, by: str, on: str, reason: str) -> tuple[Path, list[str]]:
    """Freeze the choices as a revision: plan, write the run, keep it with who signed.

    Parameters
    ----------
    folder : Path
        Project folder, with planner.toml in it.
    by, on, reason
        Who signs, YYYY-MM-DD, and what for.

    Returns
    -------
    out, lines
        The run folder, with ``revision_changes.csv`` in it; what to print.

    Raises
    ------
    StoreError
        If decisions have lost their span or pipe (`ORPHANS`): they stop the sign-off.
    """
    store = store_of(folder)
    made = run_project(folder)
    orphans = made.tables["orphans"]
    if len(orphans):
        told = orphans[["old_id", "pipe_id", "what"]].itertuples(index=False)
        named = "; ".join(f"{old_id} on pipe {pipe}: {what}" for old_id, pipe, what in told)
        message = (
            f"not signed: {len(orphans)} decisions or events have lost what they are about: {named}"
        )
        raise StoreError(message)
    last, before = store.read_last_revision()
    frozen = freeze(made.tables["choices"], last + 1)
    changes = changes_since(before, frozen)
    out = write_run(made, folder)
    write_table(out / "revision_changes.csv", changes, REVISION_CHANGES)
    signed = {"version": last + 1, "by": by, "on": on, "reason": reason, "run": out.name}
    write_revision(changes, signed, made.facts, out / "papers")
    store.append_revision(conform([signed], REVISIONS), frozen)
    states = made.tables["choices"]["state"].value_counts()
    counts = ", ".join(f"{int(states[word])} {word}" for word in sorted(states.index))
    lines = [f"revision {last + 1} signed by {by} on {on}: {len(frozen)} pipes ({counts})"]
    return out, [*lines, *change_lines(changes)]


def book_of(folder: Path) -> Rulebook:
    """Give the rulebook of a project, with its own limits, as of its first day."""
    return _book_of(read_project(folder, {}))


def _book_of(inputs: Inputs) -> Rulebook:
    day = inputs.settings.project.first_day
    return load_rulebook(inputs.rules.book, inputs.rules.overrides, day=day)


def compare_books(folder: Path, other: str) -> list[str]:
    """Hold a second rulebook against the project's own: rules, verdicts, choices.

    Parameters
    ----------
    folder : Path
        Project folder; neither it nor its store is changed, and nobody's decisions count.
    other : str
        A packaged book by name, or the path of one.

    Raises
    ------
    PlannerError
        If a book, the project or the store cannot be read.
    """
    store = store_of(folder)
    inputs = read_project(folder, {}, store.read_events(), store.read_price_edits())
    known = store.read_known()
    ours = _book_of(inputs)
    theirs = load_rulebook(other, day=inputs.settings.project.first_day)
    nobody = empty(DECISIONS)
    mine = propose(inputs, known, nobody, book=ours).tables
    new = propose(inputs, known, nobody, book=theirs).tables
    return compared_lines(ours, theirs, mine, new)


def _take(inputs: Inputs, store: Store, part: pd.DataFrame) -> tuple[int, list[str]]:
    """Take in rows that are all about spans, or all about pipes."""
    if part.empty:
        return 0, []
    known, made = store.read_known(), list[Proposal]()

    def tables_of(decisions: pd.DataFrame) -> Tables:
        made.append(propose(inputs, known, decisions))
        return made[-1].tables

    kept, refused = sift(part, store.read_decisions(), tables_of, _book_of(inputs))
    store.write_known(made[0].known)
    taken, again = store.append_decisions(kept)
    left = pd.concat([refused, again])
    return len(taken), [
        f"{key}: {why}" for key, why in zip(left["key"], left["reason"], strict=True)
    ]
