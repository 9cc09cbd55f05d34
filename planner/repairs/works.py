"""Accepted choices as works: what must be done where, after what, and what is done already.

Beside them stand the works that follow from a failure and that a person has agreed to.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import pandas as pd

from planner.contracts import CHOICES, DONE, FLAGS, PIPES, WORK_AFTER, WORKS
from planner.contracts.facts import Tables
from planner.contracts.repairs import SIGNED
from planner.ground.event_places import holds
from planner.ground.ids import KnownIds, give_ids
from planner.repairs.chain import Job, Step, after, steps_of, worst
from planner.repairs.field import Field, propose_works, put_off, work_states
from planner.repairs.jobs import jobs_of
from planner.repairs.reported import Reported, State, states_of
from planner.settings import Week
from planner.tables import check, conform, records_in

# What must be out of the pipe before it is cleaned and filmed.
_AFTER_FAILURE = {"cut_out": 0, "dig": 0, "clean": 1, "cut_roots": 2, "resurvey": 9}


@dataclass(frozen=True)
class Works:
    """Works (`WORKS`), which waits for which (`WORK_AFTER`), `FLAGS`, earlier ids without heir.

    `states` (`WORK_STATES`) and `proposed` (`PROPOSED_WORKS`) say what the journal makes of
    them.
    """

    works: pd.DataFrame
    work_after: pd.DataFrame
    flags: pd.DataFrame
    lost_ids: pd.DataFrame
    states: pd.DataFrame
    proposed: pd.DataFrame

    @property
    def tables(self) -> Tables:
        """Give the tables of a run by contract name."""
        return {
            "works": self.works,
            "work_after": self.work_after,
            "work_states": self.states,
            "proposed_works": self.proposed,
        }


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
        sleeves, sleeve_spans, sleeve_laterals, laterals; and events and as_built, if
        they are there.
    done
        Obeys `DONE`: rows of done.csv and of the journal.
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
        counted and does not. What is put off says why (``held``, ``not_before``).

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
    field = Field.of(tables, first_day, settings.days)
    proposed = propose_works(field, done, check(tables["pipes"], PIPES))
    jobs = jobs_of(tables)
    for pipe_id, job in jobs.items():
        method = str(accepted.get(pipe_id, ""))
        pieces = tuple(one for one in job.pieces if one.sleeve_id in own.get(pipe_id, set()))
        steps = steps_of(replace(job, pieces=pieces), method)
        pairs += [(len(rows) + one, len(rows) + other) for one, other in after(steps)]
        states, doubts = states_of(pipe_id, steps, report)
        flags += doubts
        for step, state in zip(steps, states, strict=True):
            rows.append(
                {"pipe_id": pipe_id, **step._asdict(), **_state_columns(step.reason, state)}
            )
    _add_agreed(rows, pairs, proposed, jobs)
    works, links, lost = _with_ids(rows, pairs, known, find_m)
    works = conform(put_off(works, field), WORKS)
    said = conform(pd.DataFrame(flags, columns=FLAGS.names).drop_duplicates(), FLAGS)
    return Works(works, links, said, lost, work_states(works, done, field), proposed)


def _add_agreed(
    rows: list[dict[str, object]],
    pairs: list[tuple[int, int]],
    proposed: pd.DataFrame,
    jobs: Mapping[str, Job],
) -> None:
    """Add the works that a person agreed to after a failure, each behind the one before it.

    One that is to be done anyhow is not added.
    """
    before: dict[str, int] = {}
    order = proposed.assign(place=proposed["step"].map(lambda step: _AFTER_FAILURE.get(step, 5)))
    for one in records_in(order.sort_values(["event_id", "place", "step"], kind="stable")):
        if one["state"] != "agreed":
            continue
        there = (row for row in rows if row["pipe_id"] == one["pipe_id"])
        if any(r["step"] == one["step"] and r["state"] == "todo" and holds(r, one) for r in there):
            continue
        job = jobs.get(str(one["pipe_id"]))
        urgency = worst(spot.urgency for spot in job.mend) if job else ""
        reason = f"agreed by {one['by']}: {one['reason']}"
        step = Step(one["step"], one["from_m"], one["to_m"], urgency or "programme", reason)
        earlier = before.get(str(one["event_id"]))
        if earlier is not None:
            pairs.append((len(rows), earlier))
        before[str(one["event_id"])] = len(rows)
        rows.append({"pipe_id": one["pipe_id"], **step._asdict(), "state": "todo", "done_by": ""})


def _state_columns(reason: str, state: State) -> dict[str, str]:
    return {
        "state": "done" if state.done else "todo",
        "done_by": state.done_by,
        "reason": f"{reason}; {state.note}" if state.note else reason,
    }


def _with_ids(
    rows: list[dict[str, object]], pairs: list[tuple[int, int]], known: KnownIds, find_m: float
) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """Give the works their ids, and the pairs the ids of their works; earlier ids lost."""
    columns = [*WORKS.names, "upkeep"]
    frame = pd.DataFrame(rows) if rows else pd.DataFrame(columns=columns)
    ids, lost = give_ids(frame, known, "work", find_m)
    given = ids.tolist()
    links = [{"work_id": given[one], "after_id": given[other]} for one, other in pairs]
    return frame.assign(work_id=ids), conform(links, WORK_AFTER), lost
