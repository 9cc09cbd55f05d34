"""Set-ups of a standing plan at which somebody worked, beside those that are made anew."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import geopandas as gpd
import pandas as pd

from planner.contracts import (
    NOTICES,
    SETUP_AFTER,
    SETUP_HOURS,
    SETUP_WORKS,
    SETUPS,
    SLEEVE_LATERALS,
    SLEEVE_SPANS,
    SLEEVES,
    WORKS,
)
from planner.contracts.facts import Tables
from planner.crews.frozen import Fact
from planner.crews.hours import find_hours
from planner.ground.ids import KnownIds
from planner.settings import Week
from planner.tables import Table, conform


def forget(known: KnownIds, facts: Mapping[str, Fact]) -> KnownIds:
    """Let no new set-up inherit the id of one that was left: what is still to do there is new."""
    over = {one for one, fact in facts.items() if fact.state != "started"}
    works = known.setup_works
    return replace(known, setup_works=works[~works["setup_id"].isin(over)])


def with_facts(
    tables: Tables, standing: Tables, facts: Mapping[str, Fact], week: Week
) -> dict[str, pd.DataFrame]:
    """Give setups, setup_works, setup_after and what they name, facts among them as they stood.

    Parameters
    ----------
    tables
        Of it: setups, setup_works, setup_after, works, work_after, sleeves as made anew.
    standing
        The same of the standing plan.
    facts
        Set-ups that were worked at.
    week
        How long a cleaning is good.

    Returns
    -------
    tables
        Those that change. What waits for a work of a fact follows that set-up.
    """
    theirs = standing["setup_works"][standing["setup_works"]["setup_id"].isin(facts)]
    left = {work for fact in facts.values() for work in fact.left}
    theirs = theirs[~theirs["work_id"].isin(left)]
    # Works of a visit under way are in no other set-up.
    links = tables["setup_works"]
    links = links[~links["work_id"].isin(theirs["work_id"]) & ~links["setup_id"].isin(facts)]
    setups = tables["setups"][tables["setups"]["setup_id"].isin(links["setup_id"])]
    own = standing["setups"][standing["setups"]["setup_id"].isin(facts)]
    found: dict[str, pd.DataFrame] = {
        "setups": gpd.GeoDataFrame(_both(setups, own, SETUPS, getattr(setups, "crs", None))),
        "setup_works": _both(links, theirs, SETUP_WORKS),
        "setup_after": _after(tables, links, theirs, week),
    }
    return found | _lost(tables, standing, set(theirs["work_id"]))


def _both(one: pd.DataFrame, other: pd.DataFrame, table: Table, crs: Any = None) -> pd.DataFrame:  # noqa: ANN401 - whatever geopandas takes
    """Put rows of two plans into one table; shapes of the second are in the system of the first."""
    if other.empty:
        return conform(one, table, crs=crs)
    joined = pd.concat([one.astype(object), other.astype(object)], ignore_index=True)
    if table.geometry:
        joined = gpd.GeoDataFrame(joined, geometry=list(joined["geometry"]), crs=crs)
    return conform(joined, table, crs=crs)


def _after(tables: Tables, links: pd.DataFrame, theirs: pd.DataFrame, week: Week) -> pd.DataFrame:
    """Say what follows which; what waits for a work that was done follows that set-up."""
    own = {str(w): str(s) for s, w in links[["setup_id", "work_id"]].itertuples(index=False)}
    fact = {str(w): str(s) for s, w in theirs[["setup_id", "work_id"]].itertuples(index=False)}
    step = dict(zip(tables["works"]["work_id"], tables["works"]["step"], strict=True))
    there = {*own.values(), *fact.values()}
    rows: dict[tuple[str, str], dict[Any, Any]] = {
        (row["setup_id"], row["after_id"]): row
        for row in tables["setup_after"].to_dict("records")
        if row["setup_id"] in there and row["after_id"] in there
    }
    pairs = tables["work_after"][["work_id", "after_id"]].itertuples(index=False)
    for work_id, before in pairs:
        if work_id not in own or before not in fact:
            continue
        good = week.done_valid_days if step.get(before) in ("clean", "clean_again") else None
        why = f"{step.get(before, 'work')} before {step.get(work_id, 'work')}"
        key = (own[work_id], fact[before])
        row: dict[Any, Any] = {
            "setup_id": key[0],
            "after_id": key[1],
            "valid_days": good,
            "why": why,
        }
        if key not in rows or good is not None:
            rows[key] = row
    return conform([{str(k): v for k, v in row.items()} for row in rows.values()], SETUP_AFTER)


def _lost(tables: Tables, standing: Tables, work_ids: set[str]) -> dict[str, pd.DataFrame]:
    """Bring back works that left the plan because they are done, and their sleeves."""
    old = standing["works"]
    gone = old["work_id"].isin(work_ids - set(tables["works"]["work_id"]))
    rows = old[gone].assign(state="done")
    if rows.empty:
        return {}
    sleeves = set(rows["sleeve_id"]) - set(tables["sleeves"]["sleeve_id"]) - {""}
    found = {"works": _both(tables["works"], rows, WORKS)}
    for table in (SLEEVES, SLEEVE_SPANS, SLEEVE_LATERALS):
        if table.name in tables and table.name in standing:
            theirs = standing[table.name]
            theirs = theirs[theirs["sleeve_id"].isin(sleeves)]
            found[table.name] = _both(tables[table.name], theirs, table)
    return found


def hours_since(
    tables: Tables, standing: pd.DataFrame, week: Week, first_day: str, at_date: str
) -> pd.DataFrame:
    """Say when set-ups may start, as seen on a day within the week.

    What shuts connections wants its notice from that day on, unless it stays on the day it
    stands on: for that the plan was made in time. A notice for a day that has passed binds
    nobody.

    Parameters
    ----------
    tables
        As for `find_hours`.
    standing
        Obeys `VISITS`: the standing plan.
    week, first_day
        As for `find_hours`.
    at_date
        The day of planning again, YYYY-MM-DD.

    Returns
    -------
    setup_hours
        Obeys `SETUP_HOURS`.
    """
    tables = {**tables, "notices": notices_since(tables, at_date)}
    before = find_hours(tables, week, first_day)
    if at_date < first_day:
        return before
    now = find_hours(tables, week.model_copy(update={"planned_on": at_date}), first_day)
    stands = set(zip(standing["setup_id"], standing["date"], strict=True))
    keys = zip(before["setup_id"], before["date"], strict=True)
    stay = pd.Series([key in stands for key in keys], before.index, dtype=bool)
    keys = zip(now["setup_id"], now["date"], strict=True)
    move = pd.Series([key not in stands for key in keys], now.index, dtype=bool)
    parts = [part.astype(object) for part in (before[stay], now[move]) if len(part)]
    return conform(pd.concat(parts) if parts else [], SETUP_HOURS)


def notices_since(tables: Tables, at_date: str) -> pd.DataFrame:
    """Give the notices but those sent for a day that has passed."""
    if "notices" not in tables:
        return conform([], NOTICES)
    notices = tables["notices"]
    return notices[(notices["sent_on"] == "") | (notices["for_date"] >= at_date)]
