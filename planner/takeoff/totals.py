"""What visits, routes, crews, the week and the project take: net, as exact whole sums."""

from __future__ import annotations

import pandas as pd

from planner.contracts import (
    CHOICE_SLEEVES,
    CHOICES,
    FLOWS,
    QUANTITIES,
    QUANTITY_SUMS,
    SETUP_WORKS,
    VISITS,
    WORKS,
)
from planner.contracts.facts import Tables
from planner.contracts.repairs import SIGNED
from planner.settings import Takeoff
from planner.tables import check, conform
from planner.takeoff.needs import LINE, day_lines, sleeve_lines, work_lines

SUM_COLUMNS = ["level", "key", *LINE]


def take_off(
    tables: Tables, settings: Takeoff, *, first_day: str, items: pd.DataFrame | None = None
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Add up what the week takes: sleeves, what they are made of, other works, days.

    Every sum is one of whole numbers: visits add up to their route, routes to their crew
    and to the week. The project counts every sleeve of an accepted choice and every
    work, whether or not this week reaches it; days are known of visits alone.

    Parameters
    ----------
    tables
        Of it: visits, setups, setup_works, works, sleeves, systems, system_sizes,
        materials, parts, flows, nodes, choices, choice_sleeves.
    settings
        Classes of street that take traffic control.
    first_day
        First day of the week, YYYY-MM-DD; the key of its sums, "week" where blank.
    items
        What `needs.sleeve_lines` says of the sleeves, where that is known already.

    Returns
    -------
    quantities, sums
        `QUANTITIES` by visit and `QUANTITY_SUMS` by visit, route (key ``crew|date``),
        crew, week and project.

    Raises
    ------
    TableError
        If a table breaks its contract.
    """
    for table in (VISITS, SETUP_WORKS, WORKS, CHOICES, CHOICE_SLEEVES, FLOWS):
        check(tables[table.name], table)
    items = sleeve_lines(tables) if items is None else items
    works = work_lines(tables["works"], tables["sleeves"])
    held = visited(tables)
    done = pd.concat(
        [
            held.merge(items, on="sleeve_id")[["visit_id", *LINE]],
            held.merge(works, on="work_id")[["visit_id", *LINE]],
            day_lines(tables, settings.traffic_classes),
        ],
        ignore_index=True,
    )
    lines = done.groupby(["visit_id", *LINE[:-1]], sort=True)["net"].sum().reset_index()
    done = done.merge(tables["visits"][["visit_id", "crew", "date"]], on="visit_id")
    chosen = pd.concat([accepted(tables).merge(items, on="sleeve_id"), works], ignore_index=True)
    parts = [
        _sums("visit", done.assign(key=done["visit_id"])),
        _sums("route", done.assign(key=done["crew"] + "|" + done["date"])),
        _sums("crew", done.assign(key=done["crew"])),
        _sums("week", done.assign(key=first_day or "week")),
        _sums("project", chosen.assign(key="project")),
    ]
    return conform(lines, QUANTITIES), conform(pd.concat(parts), QUANTITY_SUMS)


def visited(tables: Tables) -> pd.DataFrame:
    """Give visit_id, crew, date, work_id and sleeve_id of each work of a visit.

    Parameters
    ----------
    tables
        Of it: visits, setup_works, works.

    Returns
    -------
    held
        ``sleeve_id`` is NA where the work sets no sleeve.
    """
    works = tables["works"]
    sets = works["sleeve_id"].where(works["step"] == "sleeve")
    held = tables["setup_works"][["setup_id", "work_id"]].merge(
        works.assign(sleeve_id=sets)[["work_id", "sleeve_id"]], on="work_id"
    )
    visits = tables["visits"][["visit_id", "setup_id", "crew", "date"]]
    return visits.merge(held, on="setup_id")


def accepted(tables: Tables) -> pd.DataFrame:
    """Give sleeve_id of each sleeve of an accepted choice; of choices and choice_sleeves."""
    choices = tables["choices"]
    signed = choices.loc[choices["state"].isin(SIGNED), "pipe_id"]
    pairs = tables["choice_sleeves"]
    return pairs.loc[pairs["pipe_id"].isin(signed), ["sleeve_id"]]


def _sums(level: str, lines: pd.DataFrame) -> pd.DataFrame:
    sums = lines.groupby(["key", *LINE[:-1]], sort=True)["net"].sum().reset_index()
    return sums.assign(level=level)[SUM_COLUMNS]
