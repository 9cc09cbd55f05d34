"""What the journal comes to: steps done, sleeves as built, what was measured, what was moved.

Events are facts: none is dropped because another table does not fit it. An event that was
taken back counts for nothing, and a failure undoes what was reported done before it.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd

from planner.contracts import AS_BUILT, DONE, EVENTS, FLAGS, MEASURED
from planner.ground.event_places import (
    holds,
    in_time,
    overlap_by_half,
    reports_of,
    same_work,
    standing,
)
from planner.inputs.events import MEASURES
from planner.inputs.shelf_moves import moved_stock, moves_of
from planner.tables import check, conform

Row = dict[str, Any]
STEP = "journal"
# What was seen or done at a sleeve that failed later says nothing of the next one there.
_OF_SLEEVE = ("flow_control", "reopen", "verify")
# A reported end may lie so far from a planned one and mean it: least doubt of a counter [m].
_NEAR_M = 0.3


@dataclass(frozen=True)
class Journal:
    """What follows from the events, table by table, and `FLAGS` of what does not fit."""

    events: pd.DataFrame
    done: pd.DataFrame
    as_built: pd.DataFrame
    measured: pd.DataFrame
    stock_moves: pd.DataFrame
    stock: pd.DataFrame
    flags: pd.DataFrame


def take_in(
    events: pd.DataFrame, done: pd.DataFrame, stock: pd.DataFrame, system_sizes: pd.DataFrame
) -> Journal:
    """Derive all that the events, and the rows of done.csv, say.

    Parameters
    ----------
    events
        Obeys `EVENTS`.
    done
        Obeys `DONE`: the rows of done.csv.
    stock
        Obeys `STOCK`: what the list says lies on the shelf.
    system_sizes
        Obeys `SYSTEM_SIZES`: the resin of a sleeve whose report does not state it.

    Returns
    -------
    journal
        `done` holds both kinds of report but those that a later failure undid, `stock` what
        is left after the moves. Without events both are what was given.

    Raises
    ------
    TableError
        If a table breaks its contract.
    """
    check(events, EVENTS)
    happened = standing(events)
    reports = [*reports_of(done), *_of_events(happened)]
    failures = [row for row in happened if row["kind"] == "failed"]
    built = built_of(reports, failures, happened)
    moves, told = moves_of(happened, system_sizes)
    left, below = moved_stock(stock, moves)
    flags = [{"step": STEP, "key": key, "what": what} for key, what in [*told, *below]]
    return Journal(
        events,
        _sound(done, reports, failures),
        conform(built, AS_BUILT),
        conform(_measured(done, happened), MEASURED),
        moves,
        left,
        conform(pd.DataFrame(flags, columns=FLAGS.names).drop_duplicates(), FLAGS),
    )


def _of_events(happened: Iterable[Row]) -> list[Row]:
    return [row for row in happened if row["kind"] == "done"]


def _undone(report: Row, failures: Iterable[Row], cuts: Iterable[Row]) -> bool:
    """Say whether a later failure, or the cutting out of a sleeve, undid what was reported.

    A row of done.csv has no hour: a failure on its day comes after it.
    """
    for failure in failures:
        if failure["at"] < report["at"] or failure["pipe_id"] != report["pipe_id"]:
            continue
        if same_work(failure, report):
            return True
        of_sleeve = failure["step"] == "sleeve" and report["step"] in _OF_SLEEVE
        if of_sleeve and overlap_by_half(failure, report):
            return True
    return any(
        cut["at"] >= report["at"]
        and (
            report["step"] == "look"
            or (report["step"] in ("sleeve", *_OF_SLEEVE) and overlap_by_half(cut, report))
        )
        for cut in cuts
    )


def _sound(done: pd.DataFrame, reports: Sequence[Row], failures: Sequence[Row]) -> pd.DataFrame:
    """Give the reports that stand as `DONE`."""
    by_pipe: dict[str, list[Row]] = {}
    for report in reports:
        if report["step"] == "cut_out":
            by_pipe.setdefault(str(report["pipe_id"]), []).append(report)
    lost = {
        str(report["event_id"])
        for report in reports
        if _undone(report, failures, by_pipe.get(str(report["pipe_id"]), ()))
    }
    own = [
        {
            **{name: row[name] for name in DONE.names if name in row},
            "done_id": row["event_id"],
            "done_on": row["at"][:10],
            "by": row["crew"] or row["by"],
        }
        for row in reports
        if "kind" in row and row["event_id"] not in lost
    ]
    if not own and not lost:
        return done
    kept = done[~done["done_id"].isin(lost)]
    parts = [part.astype(object) for part in (kept, pd.DataFrame(own)) if len(part)]
    return conform(pd.concat(parts) if parts else [], DONE)


def built_of(reports: Iterable[Row], failures: Sequence[Row], happened: Iterable[Row]) -> list[Row]:
    """List the sleeves that were set, with what became of each; rows of `AS_BUILT`.

    Parameters
    ----------
    reports
        What was done: rows of done.csv and events.
    failures
        Events of kind failed.
    happened
        All events that count.
    """
    reports = list(reports)
    # A report without ends names no sleeve: with it nobody can say where one lies.
    sets = [r for r in reports if r["step"] == "sleeve" and not math.isnan(r["from_m"])]
    sets += [f for f in failures if f["step"] == "sleeve" and f["in_pipe"] is True]
    built: list[Row] = []
    for row in in_time(sets):
        if row.get("kind") != "failed":
            built.append(_as_set(row))
            continue
        there = [one for one in built if not one["failed"] and _at_sleeve(row, one)]
        if not there:
            there = [_as_set(row)]
            built += there
        there[-1].update(failed=True, failed_at=row["at"], reason=row["reason"])
    of_pipe: dict[str, list[Row]] = {}
    for report in reports:
        of_pipe.setdefault(str(report["pipe_id"]), []).append(report)
    charged = [row for row in happened if row["kind"] == "chargeable"]
    for one in built:
        _follow(one, of_pipe.get(str(one["pipe_id"]), []), charged)
    return built


def _as_set(row: Row) -> Row:
    same = ("event_id", "pipe_id", "from_m", "to_m", "crew")
    reported = ("dn_mm", "length_m", "system", "lot")
    return {
        **{name: row[name] for name in same},
        **{name: row[name] for name in reported if name in row},
        "installed_at": row["at"],
        "verified_at": "",
        "reopened_at": "",
        "failed": False,
        "failed_at": "",
        "reason": "",
        "removed_at": "",
        "chargeable": False,
    }


def _at_sleeve(row: Row, built: Row) -> bool:
    return bool(
        row["pipe_id"] == built["pipe_id"]
        and row["at"] >= built["installed_at"]
        and overlap_by_half(row, built)
    )


def _follow(built: Row, reports: Iterable[Row], charged: Iterable[Row]) -> None:
    """Note when a sleeve was filmed, opened and taken out, and whether it may be charged."""
    day = built["installed_at"][:10]
    for report in in_time(reports):
        if not holds(report, built, _NEAR_M):
            continue
        if report["step"] in ("cut_out", "dig") and report["at"] > built["installed_at"]:
            built["removed_at"] = built["removed_at"] or report["at"]
        # A row of done.csv has no hour: on the day of the sleeve it is about the sleeve.
        late = report["at"] >= built["installed_at"]
        if report["at"][:10] >= day and (late or report["at"].endswith("T00:00")):
            name = {"verify": "verified_at", "reopen": "reopened_at"}.get(report["step"])
            if name:
                built[name] = built[name] or report["at"]
    built["chargeable"] = any(row["step"] == "sleeve" and _at_sleeve(row, built) for row in charged)


def _measured(done: pd.DataFrame, happened: Iterable[Row]) -> list[Row]:
    forms = [{**row, "void_visible": None} for row in reports_of(done)]
    rows = [*forms, *(row for row in happened if row["kind"] in ("done", "measured"))]
    return [row for row in rows if any(not pd.isna(row[name]) for name in MEASURES)]
