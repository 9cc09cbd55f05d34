"""The journal held against the works: where each stands, what is put off, what is proposed.

A work that failed in a way that would only happen again, or that is put off without a day,
is not planned until a person frees it; what a failure proposes is not planned until a person
agrees.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

import pandas as pd

from planner.contracts import DONE, EVENTS, ORPHANS, PROPOSED_WORKS, WORK_STATES
from planner.contracts.facts import Tables
from planner.contracts.journal import REASONS
from planner.ground.event_places import (
    holds,
    in_time,
    overlap_by_half,
    reports_of,
    same_work,
    standing,
)
from planner.tables import check, conform, records_in

Row = dict[str, Any]
# What is done on a stretch; whatever else is proposed is done on the whole pipe.
_ON_STRETCH = ("cut_out", "dig", "reopen", "cut_intrusion", "cut_roots", "descale")
_SET = ("sleeve", "liner")


@dataclass(frozen=True)
class Field:
    """Events that count, in time, by the works and pipes they are about; the first day.

    `lying` are the sleeves as built that are there, by pipe.
    """

    happened: list[Row]
    by_pipe: dict[str, list[Row]]
    by_work: dict[str, list[Row]]
    lying: dict[str, list[Row]]
    first_day: str
    last_day: str

    @classmethod
    def of(cls, tables: Tables, first_day: str, days: int) -> Field:
        """Gather from events and as_built; a town without a journal has none."""
        happened = standing(check(tables["events"], EVENTS)) if "events" in tables else []
        by_pipe: dict[str, list[Row]] = {}
        by_work: dict[str, list[Row]] = {}
        for event in happened:
            by_pipe.setdefault(str(event["pipe_id"]), []).append(event)
            for work_id in filter(None, str(event["works"]).split("+")):
                by_work.setdefault(work_id, []).append(event)
        last = date.fromisoformat(first_day) + timedelta(days=days - 1) if first_day else ""
        lying: dict[str, list[Row]] = {}
        for sleeve in records_in(tables["as_built"]) if "as_built" in tables else ():
            if not sleeve["removed_at"]:
                lying.setdefault(str(sleeve["pipe_id"]), []).append(sleeve)
        return cls(happened, by_pipe, by_work, lying, first_day, str(last))

    def about(self, work: Mapping[str, Any]) -> list[Row]:
        """Give the events about one work, in time: those that name it, and those at its place."""
        own = self.by_work.get(str(work["work_id"]), [])
        named = {event["event_id"] for event in own}
        there = [
            event
            for event in self.by_pipe.get(str(work["pipe_id"]), [])
            if event["event_id"] not in named and same_work(event, work)
        ]
        return in_time([*own, *there])


def _stands(events: Iterable[Row], first_day: str) -> tuple[str, Row]:
    """Give the state that events leave a work in that is not done, and the event that says so."""
    state: tuple[str, Row] = ("open", {})
    for event in events:
        if event["kind"] in ("started", "failed", "deferred"):
            state = (str(event["kind"]), event)
        elif event["kind"] == "freed":
            state = ("open", event)
    word, event = state
    if word == "deferred" and event["until"] and first_day and event["until"] <= first_day:
        return "open", event
    return state


def put_off(works: pd.DataFrame, field: Field) -> pd.DataFrame:
    """Say which works are not planned, or not before a day, and why.

    Parameters
    ----------
    works
        Columns of `WORKS`, with ids.
    field
        What happened.

    Returns
    -------
    works
        With ``held`` and ``not_before``. What only serves a work goes with it: its flow
        control, and the cleaning of a pipe on which nothing may be set.
    """
    if not field.happened and not field.lying:
        return works.assign(held="", not_before="")
    rows = records_in(works)
    for row in rows:
        row["held"], row["not_before"] = "", ""
        if row["state"] != "done":
            row["held"], row["not_before"] = _held(row, field)
    by_pipe: dict[str, list[Row]] = {}
    for row in rows:
        by_pipe.setdefault(str(row["pipe_id"]), []).append(row)
    for own in by_pipe.values():
        _spread([row for row in own if row["state"] != "done"])
    marks = pd.DataFrame(rows, columns=[*works.columns.drop(["held", "not_before"],
                                        errors="ignore"), "held", "not_before"])  # fmt: skip
    return marks.set_axis(works.index)


def _held(work: Row, field: Field) -> tuple[str, str]:
    """Give why a work is not planned at all, and the day before which it is not."""
    word, event = _stands(field.about(work), field.first_day)
    if word == "failed" and not REASONS[str(event["reason"])].again:
        why = f"failed on {event['at'][:10]}: {_why(event)}"
        return f"{why}; planned again once a person frees it", ""
    if word != "deferred":
        return _lies_elsewhere(work, field), ""
    if not event["until"]:
        return f"put off until a person frees it: {_why(event)}", ""
    if not field.last_day or event["until"] > field.last_day:
        return f"put off until {event['until']}: {_why(event)}", ""
    return "", str(event["until"])


def _lies_elsewhere(work: Row, field: Field) -> str:
    """Say that a sleeve lies at the place of one that is to be set, and does not cover it."""
    if work["step"] != "sleeve":
        return ""
    for one in field.lying.get(str(work["pipe_id"]), []):
        if overlap_by_half(one, work):
            place = f"from {one['from_m']:.2f} to {one['to_m']:.2f} m ({one['event_id']})"
            if one["failed"]:
                return f"a sleeve that failed lies there {place}"
            return f"a sleeve lies there {place}, not where it was planned: a person must look"
    return ""


def _why(event: Row) -> str:
    note = f", {event['note']}" if event["note"] else ""
    return f"{REASONS[str(event['reason'])].meaning}{note} ({event['event_id']})"


def _spread(rows: Sequence[Row]) -> None:
    """Let what only serves a work that is put off be put off with it."""
    sets = [row for row in rows if row["step"] in _SET]
    for row in rows:
        for one in sets:
            if row["step"] == "flow_control" and row["sleeve_id"] == one["sleeve_id"]:
                row["held"] = row["held"] or _with(one)
                row["not_before"] = max(row["not_before"], one["not_before"])
    if sets and all(row["held"] for row in sets):
        for row in rows:
            if row["step"] in ("clean", "clean_again") and not row["upkeep"]:
                row["held"] = row["held"] or _with(sets[0])


def _with(one: Row) -> str:
    return f"with {one['work_id']} ({one['step']}): {one['held']}" if one["held"] else ""


def propose_works(field: Field, done: pd.DataFrame, pipes: pd.DataFrame) -> pd.DataFrame:
    """List the works that follow from failures; nothing of it is planned before a person agrees.

    Parameters
    ----------
    field
        What happened.
    done
        Obeys `DONE`.
    pipes
        Obeys `PIPES`, with lengths.

    Returns
    -------
    proposed
        Obeys `PROPOSED_WORKS`. A failure whose work was freed since proposes nothing more.
    """
    failures = [event for event in field.happened if event["kind"] == "failed"]
    if not failures:
        return conform([], PROPOSED_WORKS)
    length = dict(zip(pipes["pipe_id"], pipes["length_m"], strict=True))
    agreed = {(e["about"], e["step"]): e for e in field.happened if e["kind"] == "agreed"}
    reports = _timed(done, field)
    rows = []
    for failure in failures:
        metres = length.get(failure["pipe_id"])
        if metres is None or not metres > 0.0:
            continue
        why = REASONS[str(failure["reason"])]
        freed = _freed_since(failure, field)
        for step in filter(None, (*why.next.split("+"), why.instead)):
            said = agreed.get((failure["event_id"], step))
            if step == failure["step"] or (freed and not said):
                continue
            row = _proposal(failure, step, float(metres), instead=step == why.instead)
            state = "agreed" if said else "proposed"
            own = reports.get(str(failure["pipe_id"]), [])
            row["state"] = "done" if _done_since(row, failure, own) else state
            row["by"] = str(said["by"]) if said else ""
            rows.append(row)
    return conform(rows, PROPOSED_WORKS)


def _proposal(failure: Row, step: str, length_m: float, *, instead: bool) -> Row:
    start, end = failure["from_m"], failure["to_m"]
    if step not in _ON_STRETCH or math.isnan(start):
        start, end = 0.0, length_m
    what = f"{failure['step']} failed on {failure['at'][:10]}: {_why(failure)}"
    return {
        "event_id": failure["event_id"],
        "step": step,
        "pipe_id": failure["pipe_id"],
        "from_m": min(float(start), length_m),
        "to_m": min(float(end), length_m),
        "instead": instead,
        "reason": what,
    }


def _freed_since(failure: Row, field: Field) -> bool:
    return any(
        event["kind"] == "freed"
        and event["at"] >= failure["at"]
        and (same_work(event, failure) or _shared(event, failure))
        for event in field.by_pipe.get(str(failure["pipe_id"]), [])
    )


def _shared(one: Row, other: Row) -> bool:
    return bool({*str(one["works"]).split("+")} & {*str(other["works"]).split("+")} - {""})


def _timed(done: pd.DataFrame, field: Field) -> dict[str, list[Row]]:
    """Give what was done by pipe, with the hour where an event says it."""
    hours = {str(event["event_id"]): event["at"] for event in field.happened}
    found: dict[str, list[Row]] = {}
    for report in reports_of(check(done, DONE)):
        report["at"] = hours.get(str(report["event_id"]), report["at"])
        found.setdefault(str(report["pipe_id"]), []).append(report)
    return found


def _done_since(row: Row, failure: Row, reports: Iterable[Row]) -> bool:
    return any(
        report["step"] == row["step"]
        and report["at"] > failure["at"]
        and (holds(report, row, 0.3) or overlap_by_half(report, row))
        for report in reports
    )


def work_states(works: pd.DataFrame, done: pd.DataFrame, field: Field) -> pd.DataFrame:
    """Say where each work stands, those that left the plan after they were reported on as well.

    Parameters
    ----------
    works
        Obeys `WORKS`.
    done
        Obeys `DONE`.
    field
        What happened.

    Returns
    -------
    states
        Obeys `WORK_STATES`.
    """
    by_id = {str(event["event_id"]): event for event in field.happened}
    forms = {str(row["event_id"]): row for row in reports_of(done)}
    rows = []
    for work in records_in(
        works[["work_id", "pipe_id", "step", "from_m", "to_m", "state", "done_by"]]
    ):
        if work["state"] == "done":
            names = [name for name in str(work["done_by"]).split("+") if name]
            told = in_time([by_id.get(name) or forms[name] for name in names if name in forms])
            rows.append(_state(str(work["work_id"]), "done", told[-1] if told else {}, names))
            continue
        word, event = _stands(field.about(work), field.first_day)
        rows.append(_state(str(work["work_id"]), word, event))
    there = set(works["work_id"])
    for work_id, events in sorted(field.by_work.items()):
        if work_id in there:
            continue
        last = [event for event in events if event["kind"] in ("done", "started", "failed",
                                                               "deferred", "freed")]  # fmt: skip
        if last:
            undone = last[-1]["kind"] == "done" and str(last[-1]["event_id"]) not in forms
            word = "open" if undone or last[-1]["kind"] == "freed" else str(last[-1]["kind"])
            rows.append(_state(work_id, word, last[-1]))
    return conform(rows, WORK_STATES)


def event_orphans(tables: Tables) -> pd.DataFrame:
    """List the events whose pipe is no longer in the network; obeys `ORPHANS`.

    Parameters
    ----------
    tables
        Of it: events and pipes.
    """
    there = set(tables["pipes"]["pipe_id"])
    rows = [
        {
            "kind": "event",
            "old_id": event["event_id"],
            "pipe_id": event["pipe_id"],
            "what": f"'{event['kind']} {event['step']}' by {event['by']} on {event['at'][:10]}",
        }
        for event in standing(check(tables["events"], EVENTS))
        if event["pipe_id"] and event["pipe_id"] not in there
    ]
    return conform(rows, ORPHANS)


def _state(work_id: str, word: str, event: Mapping[str, Any], names: Sequence[str] = ()) -> Row:
    return {
        "work_id": work_id,
        "state": word,
        "at": event.get("at", ""),
        "crew": event.get("crew", ""),
        "reason": event.get("reason", "") if word in ("failed", "deferred") else "",
        "event_id": "+".join(names) or event.get("event_id", ""),
    }
