"""All papers of a run, each with its reader."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from pathlib import Path

import pandas as pd

from planner.contracts.facts import RunFacts, Tables
from planner.contracts.hours import WEEKDAYS
from planner.outputs.handover import Column, Paper, write_papers
from planner.outputs.paper_week import weekly_report
from planner.outputs.paper_words import Desk
from planner.outputs.papers_engineer import (
    design_basis,
    dig_requests,
    repair_list,
    survey_queries,
)
from planner.outputs.papers_planner import inspector, loads, residents, streets_and_permits
from planner.settings import Week
from planner.tables import records_in


def papers_of(tables: Tables, facts: RunFacts, week: Week) -> list[Paper]:
    """Compose every paper of a run.

    Parameters
    ----------
    tables
        All tables of the run.
    facts
        Name, first day, currency, units.
    week
        Share of a shift that is planned, days of notice.
    """
    desk = Desk(tables, facts)
    return [
        survey_queries(desk),
        repair_list(desk),
        dig_requests(desk),
        design_basis(desk),
        weekly_report(desk, _fill_s(desk, week)),
        streets_and_permits(desk),
        residents(desk, week.notice_days),
        inspector(desk),
        loads(desk),
    ]


def _fill_s(desk: Desk, week: Week) -> dict[tuple[str, str], int]:
    """Give what each crew may plan on each date that it drives [s]."""
    spans = {
        (str(row["crew"]), str(row["weekday"])): int(row["end_s"]) - int(row["start_s"])
        for row in records_in(desk.tables["shifts"])
    }
    found = {}
    for stop in desk.stops:
        crew, day = str(stop["crew"]), str(stop["date"])
        weekday = WEEKDAYS[date.fromisoformat(day).weekday()]
        found[crew, day] = int(week.fill_ratio * spans.get((crew, weekday), 0))
    return found


def write_revision(
    changes: pd.DataFrame, signed: Mapping[str, object], facts: RunFacts, folder: Path
) -> list[Path]:
    """Write what a signed revision changes for each pipe, for those who work by the last one.

    Parameters
    ----------
    changes
        Obeys `REVISION_CHANGES`.
    signed
        version, by, on, reason.
    facts
        As for every paper.
    folder
        Folder of the run's papers; ``papers.csv`` there gets its line.
    """
    paper = Paper(
        "revision_changes",
        f"Revision {signed['version']}: what has changed",
        "owner, crews, whoever works by the last revision",
        f"Signed by {signed['by']} on {signed['on']}: {signed['reason']}. What is not listed "
        "stays as it was.",
        (Column("Pipe", 0.8), Column("Change", 0.8), Column("Was", 3.0), Column("Now", 3.0)),
        [tuple(str(row[name]) for name in ("pipe_id", "change", "was", "now"))
         for row in records_in(changes)],
        "Nothing has changed since the last revision.",
        fields=("taken note of by", "on"),
    )  # fmt: skip
    return write_papers([paper], facts, folder, listed_before=True)


def write_all_papers(tables: Tables, facts: RunFacts, week: Week, folder: Path) -> list[Path]:
    """Write every paper into a folder; see `handover.write_papers`."""
    return write_papers(papers_of(tables, facts, week), facts, folder)
