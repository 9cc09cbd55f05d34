"""Accepted choices as works: what must be done where, after what, and what is done already."""

from __future__ import annotations

from dataclasses import dataclass, replace

import pandas as pd

from planner.contracts import CHOICES, DONE, FLAGS, WORK_AFTER, WORKS
from planner.contracts.facts import Tables
from planner.contracts.repairs import SIGNED
from planner.ground.ids import KnownIds, give_ids
from planner.repairs.chain import after, jobs_of, steps_of
from planner.repairs.reported import Reported, State, states_of
from planner.settings import Week
from planner.tables import check, conform


@dataclass(frozen=True)
class Works:
    """Works (`WORKS`), which waits for which (`WORK_AFTER`), `FLAGS`, earlier ids without heir."""

    works: pd.DataFrame
    work_after: pd.DataFrame
    flags: pd.DataFrame
    lost_ids: pd.DataFrame


def make_works(
    tables: Tables,
    done: pd.DataFrame,
    known: KnownIds,
    settings: Week,
    *,
    first_day: str,
    find_m: float = 0.3,
) -> Works:
    """Turn each accepted choice into works in their order; nothing else makes any.

    A work is done when rows of done.csv of its step, not older than the newest survey
    of the pipe, cover its stretch within `find_m`. A cleaning holds for so many working
    days, a look, a check of access and a cut of roots or scale for so many days, up to
    `first_day`; what is in the ground stays. A cut or a grouting makes
    an earlier look worthless. What only prepares is done once all it prepares is done.

    Parameters
    ----------
    tables
        Of it: choices, choice_sleeves, pipes, nodes, inspections, spans, verdicts,
        sleeves, sleeve_spans, sleeve_laterals, laterals.
    done
        Obeys `DONE`.
    known
        Ids of earlier runs.
    settings
        How long a done step holds [days].
    first_day
        YYYY-MM-DD; '' lets no step grow old.
    find_m
        Doubt of finding a place again [m].

    Returns
    -------
    works
        With state ``todo`` or ``done``; flags name each row of done.csv that could have
        counted and does not.

    Raises
    ------
    TableError
        If a table breaks its contract.
    """
    choices = check(tables["choices"], CHOICES)
    report = Reported.of(tables, check(done, DONE), settings, first_day, find_m)
    own = tables["choice_sleeves"].groupby("pipe_id")["sleeve_id"].agg(set).to_dict()
    accepted = choices[choices["state"].isin(SIGNED)].set_index("pipe_id")["method"].to_dict()
    rows: list[dict[str, object]] = []
    pairs: list[tuple[int, int]] = []
    flags = report.strangers()
    for pipe_id, job in jobs_of(tables).items():
        method = str(accepted.get(pipe_id, ""))
        pieces = tuple(one for one in job.pieces if one.sleeve_id in own.get(pipe_id, set()))
        steps = steps_of(replace(job, pieces=pieces), method)
        pairs += [(len(rows) + one, len(rows) + other) for one, other in after(steps)]
        states, doubts = states_of(pipe_id, steps, report)
        flags += doubts
        for step, state in zip(steps, states, strict=True):
            rows.append({"pipe_id": pipe_id, **vars(step), **_state_columns(step.reason, state)})
    return _finish(rows, pairs, flags, known, find_m)


def _state_columns(reason: str, state: State) -> dict[str, str]:
    return {
        "state": "done" if state.done else "todo",
        "done_by": state.done_by,
        "reason": f"{reason}; {state.note}" if state.note else reason,
    }


def _finish(
    rows: list[dict[str, object]],
    pairs: list[tuple[int, int]],
    flags: list[dict[str, str]],
    known: KnownIds,
    find_m: float,
) -> Works:
    """Give the works their ids, and the pairs the ids of their works."""
    columns = ["pipe_id", "from_m", "to_m", "step"]
    frame = pd.DataFrame(rows) if rows else pd.DataFrame(columns=columns)
    ids, lost = give_ids(frame, known, "work", find_m)
    given = ids.tolist()
    links = [{"work_id": given[one], "after_id": given[other]} for one, other in pairs]
    said = pd.DataFrame(flags, columns=FLAGS.names).drop_duplicates()
    return Works(
        conform(frame.assign(work_id=ids), WORKS),
        conform(links, WORK_AFTER),
        conform(said, FLAGS),
        lost,
    )
