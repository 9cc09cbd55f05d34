"""Sleeves by size and length, sleeve metres and resin: net, as exact whole sums."""

from __future__ import annotations

import pandas as pd

from planner.contracts import (
    CHOICE_SLEEVES,
    CHOICES,
    QUANTITIES,
    QUANTITY_SUMS,
    SETUP_WORKS,
    VISITS,
    WORKS,
)
from planner.contracts.facts import Tables
from planner.contracts.repairs import SIGNED
from planner.ground.quantities import items_of
from planner.tables import check, conform

SUM_COLUMNS = ["level", "key", "item", "unit", "net"]


def take_off(tables: Tables, *, first_day: str) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Add up what the week's sleeves take.

    Every sum is one of whole numbers: visits add up to their route, routes to the
    week. The project counts every sleeve of an accepted choice, whether or not this
    week reaches it.

    Parameters
    ----------
    tables
        Of it: visits, setup_works, works, sleeves, system_sizes, choices, choice_sleeves.
    first_day
        First day of the week, YYYY-MM-DD; the key of its sums, "week" where blank.

    Returns
    -------
    quantities, sums
        `QUANTITIES` by visit and `QUANTITY_SUMS` by visit, route (key ``crew|date``),
        week and project.

    Raises
    ------
    TableError
        If a table breaks its contract.
    """
    for table in (VISITS, SETUP_WORKS, WORKS, CHOICES, CHOICE_SLEEVES):
        check(tables[table.name], table)
    items = items_of(tables["sleeves"], tables["system_sizes"])
    done = _sleeves_of_visits(tables).merge(items, on="sleeve_id")
    lines = done.groupby(["visit_id", "item", "unit"], sort=True)["net"].sum().reset_index()
    chosen = _accepted(tables).merge(items, on="sleeve_id")
    parts = [
        _sums("visit", done.assign(key=done["visit_id"])),
        _sums("route", done.assign(key=done["crew"] + "|" + done["date"])),
        _sums("week", done.assign(key=first_day or "week")),
        _sums("project", chosen.assign(key="project")),
    ]
    rows = [
        dict(zip(SUM_COLUMNS, row, strict=True))
        for part in parts
        for row in part.itertuples(index=False, name=None)
    ]
    return conform(lines, QUANTITIES), conform(rows, QUANTITY_SUMS)


def _sleeves_of_visits(tables: Tables) -> pd.DataFrame:
    """Give visit_id, crew, date and sleeve_id for each sleeve that a visit sets."""
    works = tables["works"]
    sets = works.loc[works["step"] == "sleeve", ["work_id", "sleeve_id"]]
    held = tables["setup_works"][["setup_id", "work_id"]].merge(sets, on="work_id")
    visits = tables["visits"][["visit_id", "setup_id", "crew", "date"]]
    return visits.merge(held[["setup_id", "sleeve_id"]], on="setup_id")


def _accepted(tables: Tables) -> pd.DataFrame:
    choices = tables["choices"]
    accepted = choices.loc[choices["state"].isin(SIGNED), "pipe_id"]
    pairs = tables["choice_sleeves"]
    return pairs.loc[pairs["pipe_id"].isin(accepted), ["sleeve_id"]]


def _sums(level: str, lines: pd.DataFrame) -> pd.DataFrame:
    sums = lines.groupby(["key", "item", "unit"], sort=True)["net"].sum().reset_index()
    return sums.assign(level=level)[SUM_COLUMNS]
