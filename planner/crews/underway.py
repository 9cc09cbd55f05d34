"""What is left of a week at an instant: rests of days, and what facts and promises leave of stops.

Nothing begins before the instant. A crew goes on from where it is; what waits for a set-up
that took place starts after it and while it is good; what was promised keeps its crew and
day and starts no later than planned.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import pandas as pd

from planner.contracts import SETUP_AFTER, SETUP_APART, SETUP_HOURS
from planner.contracts.facts import Tables
from planner.crews.frozen import DAY_S, Fact, Instant, Row
from planner.crews.timetable import CrewDay, Span, Stop
from planner.tables import check


def days_ahead(
    days: Sequence[CrewDay],
    rows: Sequence[Row],
    facts: Mapping[str, Fact],
    stops: Mapping[str, Stop],
    at: Instant,
) -> list[CrewDay]:
    """Give the crew-days that are left, that of the instant from it on.

    Parameters
    ----------
    days
        All of the week.
    rows
        Visits that are facts, of `frozen.fact_rows`.
    facts
        By setup_id.
    stops
        Of the set-ups that are facts, by setup_id.
    at
        The instant.
    """
    found = []
    for day in days:
        own = [row for row in rows if (row["crew"], row["date"]) == (day.crew, day.date)]
        left = _rest(day, own, facts, stops, at) if day.date <= at.date else day
        if left.start_s < left.end_s + left.over_s:
            found.append(left)
    return found


def _rest(
    day: CrewDay,
    rows: Sequence[Row],
    facts: Mapping[str, Fact],
    stops: Mapping[str, Stop],
    at: Instant,
) -> CrewDay:
    start_s = max(day.start_s, at.on(day.date))
    late = day.pause is not None and start_s > day.pause.to_s
    if not rows:
        return replace(day, start_s=start_s, pause=None if late else day.pause)
    last = rows[-1]
    fact = facts[last["setup_id"]]
    if fact.state == "started":
        stay_s = int(last["end_s"]) - int(last["start_s"])
        begun_s = max(fact.at_s, int(last["start_s"])) if fact.at_s else int(last["start_s"])
        start_s = max(start_s, begun_s + stay_s)
    late = day.pause is not None and start_s > day.pause.to_s
    paused = any(row["pause_s"] for row in rows)
    used = [stops[row["setup_id"]].loads for row in rows if row["setup_id"] in stops]
    sleeves, grams, shares = (sum(one[n] for one in used) for n in range(3))
    holds = day.holds
    return replace(
        day,
        start_s=start_s,
        since_s=int(rows[0]["arrive_s"]) - int(rows[0]["drive_s"]),
        begin=stops[last["setup_id"]].at,
        begin_node=stops[last["setup_id"]].node_id,
        holds=(holds[0] - sleeves, holds[1] - grams, holds[2] - shares),
        pause=None if paused or late else day.pause,
    )


def stops_ahead(
    stops: Sequence[Stop],
    facts: Mapping[str, Fact],
    rows: Sequence[Row],
    tables: Tables,
    workday: Mapping[str, int],
) -> tuple[list[Stop], dict[str, str]]:
    """Give the stops that nobody worked at, with the hours that the facts leave them.

    Parameters
    ----------
    stops
        All set-ups.
    facts, rows
        What took place.
    tables
        Of it: setup_after, setup_apart.
    workday
        Count of working days by date, as `Ties.workday`.

    Returns
    -------
    stops, barred
        In their order; why some of them have no place.
    """
    own = {stop.setup_id: stop for stop in stops if stop.setup_id not in facts}
    row_of = {row["setup_id"]: row for row in rows}
    barred: dict[str, str] = {}
    for tie in _records(tables, SETUP_AFTER.name):
        stop, first = own.get(tie["setup_id"]), facts.get(tie["after_id"])
        if stop is None or first is None:
            continue
        if first.state == "failed":
            what = f"{tie['after_id']} must come before it and failed"
            barred[stop.setup_id] = f"{what}: {first.why}" if first.why else what
            continue
        row = row_of.get(tie["after_id"], first.row)
        good = None if pd.isna(tie["valid_days"]) else int(tie["valid_days"])
        hours = {
            date: _from(spans, int(row["end_s"]) if date == row["date"] else 0)
            for date, spans in stop.hours.items()
            if date >= row["date"] and _still_good(workday, row["date"], date, good)
        }
        own[stop.setup_id] = replace(stop, hours={d: spans for d, spans in hours.items() if spans})
        if not own[stop.setup_id].hours:
            barred[stop.setup_id] = (
                f"{tie['after_id']}, done on {row['date']}, is good for {good} working days: "
                "no hours are left in them"
            )
    for tie in _records(tables, SETUP_APART.name):
        for one, other in ((tie["setup_id"], tie["other_id"]), (tie["other_id"], tie["setup_id"])):
            fact, stop = facts.get(other), own.get(one)
            if stop is not None and fact is not None and fact.state == "started":
                row = row_of.get(other, fact.row)
                hours = {
                    date: _from(spans, int(row["end_s"]) if date == row["date"] else 0)
                    for date, spans in stop.hours.items()
                }
                own[one] = replace(stop, hours=hours)
    return list(own.values()), barred


def _records(tables: Tables, name: str) -> list[dict[str, Any]]:
    if name not in tables:
        return []
    return [{str(k): v for k, v in row.items()} for row in tables[name].to_dict("records")]


def _from(spans: Sequence[Span], floor_s: int) -> tuple[Span, ...]:
    return tuple((max(start, floor_s), close) for start, close in spans if close >= floor_s)


def _still_good(workday: Mapping[str, int], one: str, other: str, good: int | None) -> bool:
    if good is None or one not in workday or other not in workday:
        return good is None
    return workday[other] - workday[one] <= good


def promises(
    visits: pd.DataFrame, setup_hours: pd.DataFrame, facts: Mapping[str, Fact]
) -> dict[str, Row]:
    """Give the standing visits on days that residents were told of, or a permit names.

    Parameters
    ----------
    visits
        Obeys `VISITS`: the standing plan.
    setup_hours
        Obeys `SETUP_HOURS`.
    facts
        Set-ups that were worked at: no promise is left of them.
    """
    hours = check(setup_hours, SETUP_HOURS)
    named = hours[hours["promised"] & (hours["reason"] == "")]
    told = set(zip(named["setup_id"], named["date"], strict=True))
    return {
        str(row["setup_id"]): {str(k): v for k, v in row.items()}
        for row in visits.to_dict("records")
        if (row["setup_id"], row["date"]) in told and row["setup_id"] not in facts
    }


def bind(
    stops: Sequence[Stop], promised: Mapping[str, Row], at: Instant
) -> tuple[list[Stop], dict[str, tuple[str, str]]]:
    """Bind promised stops to their day: they start no later than planned, where that is ahead.

    Parameters
    ----------
    stops
        Stops ahead.
    promised
        Of `promises`.
    at
        The instant.

    Returns
    -------
    stops, kept
        Stops with shorter hours; crew and date of each that is bound.
    """
    found, kept = [], {}
    for one in stops:
        stop, row = one, promised.get(one.setup_id)
        if row is not None and at.on(row["date"]) < DAY_S:
            kept[stop.setup_id] = (str(row["crew"]), str(row["date"]))
            latest_s = int(row["start_s"])
            missed = latest_s < at.on(row["date"])
            if not missed:
                spans = tuple(
                    (start, min(close, latest_s))
                    for start, close in stop.starts(row["date"])
                    if start <= latest_s
                )
                stop = replace(stop, hours={row["date"]: spans})
        found.append(stop)
    return found, kept
