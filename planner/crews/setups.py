"""Works whose predecessors are done, as set-ups: where, how long, what they ask of a crew."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import geopandas as gpd
import pandas as pd

from planner.contracts import (
    CHOICES,
    NODES,
    PASSAGES,
    PIPES,
    SETUP_AFTER,
    SETUP_WORKS,
    SETUPS,
    SHIFTS,
    WAITING,
    WORK_AFTER,
    WORKS,
)
from planner.contracts.facts import Tables
from planner.crews.access import Gear, places_of
from planner.crews.durations import Timer, Work, sleeves_of
from planner.crews.hours import StreetHours, site_of
from planner.crews.standing import Grouping, Pipe, Rules, Stand, worst, worth
from planner.crews.stands import group_pipe
from planner.ground.ids import KnownIds, give_setup_ids
from planner.ground.quantities import items_of
from planner.settings import Sleeving, Week
from planner.tables import check, conform

_YEAR_DAYS = 365.25
# Left for driving when several works are put into one set-up [s]; assumed.
_DRIVES_S = 3600


@dataclass(frozen=True)
class Setups:
    """Set-ups (`SETUPS`), their works (`SETUP_WORKS`), works without one (`WAITING`).

    `setup_after` says which must be done before which (`SETUP_AFTER`).

    `members` holds setup_id, node_id and works ('+' between) on the index of `setups`,
    as `ground.ids.learn` wants them; `lost_ids` the earlier ids without an heir.
    """

    setups: gpd.GeoDataFrame
    setup_works: pd.DataFrame
    setup_after: pd.DataFrame
    waiting: pd.DataFrame
    members: pd.DataFrame
    lost_ids: pd.DataFrame


def make_setups(
    tables: Tables, known: KnownIds, week: Week, sleeving: Sleeving, *, first_day: str
) -> Setups:
    """Group the works that can be done this week into set-ups.

    A work can be done when each work before it is done, has a set-up of its own that this
    one follows, or comes earlier in the same set-up: cleaning, cutting, proving and
    looking by one truck, or flow control, sleeve, reopening and film by one sleeve crew.
    What follows a check of access, a look or the proving of laterals waits for the report.
    The crew stands where most sleeves of a pipe can be set; among equals where the
    counter starts, then where the way is shorter.

    Parameters
    ----------
    tables
        Of it: choices, works, work_after, sleeves, sleeve_laterals, laterals, pipes, nodes, crews,
        shifts, packers, process, systems, system_sizes; and passages, if it is there.
    known
        Ids of earlier runs.
    week, sleeving
        Times, windows, caps.
    first_day
        YYYY-MM-DD, from which waiting is counted; '' = nothing has waited.

    Returns
    -------
    setups
        Each work to do is in a set-up or in `WAITING`, never in both.

    Raises
    ------
    TableError
        If a table breaks its contract.
    """
    works = _works_of(tables)
    rules = _rules_of(tables, week, sleeving)
    pipes = _pipes_of(tables, works)
    found = [group_pipe(pipes[pipe_id], works[pipe_id], rules) for pipe_id in sorted(works)]
    stands = [stand for one in found for stand in one.stands]
    return _finish(stands, _waiting(works, found), tables, known, (rules, first_day))


def _works_of(tables: Tables) -> dict[str, list[Work]]:
    """Give the works of each pipe with what comes before each."""
    before: dict[str, set[str]] = {}
    for work_id, after_id in check(tables["work_after"], WORK_AFTER).itertuples(index=False):
        before.setdefault(str(work_id), set()).add(str(after_id))
    columns = ["work_id", "step", "pipe_id", "sleeve_id", "from_m", "to_m", "urgency", "state",
               "held"]  # fmt: skip
    works: dict[str, list[Work]] = {}
    for *row, from_m, to_m, urgency, state, held in check(tables["works"], WORKS)[
        columns
    ].itertuples(index=False):
        work_id, step, pipe_id, sleeve_id = (str(cell) for cell in row)
        after = frozenset(before.get(work_id, ()))
        done = state == "done"
        places = (float(from_m), float(to_m))
        work = Work(
            work_id, step, pipe_id, sleeve_id, *places, str(urgency), done, after, str(held)
        )
        works.setdefault(pipe_id, []).append(work)
    return works


def _rules_of(tables: Tables, week: Week, sleeving: Sleeving) -> Rules:
    items = items_of(tables["sleeves"], tables["system_sizes"])
    timer = Timer.of(tables, sleeves_of(tables, items), week, sleeving)
    shifts = check(tables["shifts"], SHIFTS)
    longest = int((shifts["end_s"] - shifts["start_s"]).max()) if len(shifts) else 0
    planned = int(week.fill_ratio * longest) - _DRIVES_S
    hours = StreetHours.of(tables, week)
    return Rules(Gear.of(tables, week), timer, week, max(0, planned), hours, _no_way(tables))


def _no_way(tables: Tables) -> dict[tuple[str, str], str]:
    """Say why no packer comes to a sleeve from a manhole, where that is so."""
    if "passages" not in tables:
        return {}
    rows = check(tables["passages"], PASSAGES)
    rows = rows[rows["answer"] == "no"]
    return {
        (str(sleeve_id), str(node_id)): str(why)
        for sleeve_id, node_id, why in rows[["sleeve_id", "node_id", "why"]].itertuples(index=False)
    }


def _pipes_of(tables: Tables, works: dict[str, list[Work]]) -> dict[str, Pipe]:
    places = places_of(check(tables["nodes"], NODES))
    rows = check(tables["pipes"], PIPES)
    rows = rows[rows["pipe_id"].isin(works)]
    columns = ["pipe_id", "length_m", "us_node", "ds_node", "area"]
    return {
        str(pipe_id): Pipe(
            str(pipe_id),
            float(length),
            (str(us), str(ds)),
            (places.get(str(us)), places.get(str(ds))),
            any(work.step == "check_access" and work.done for work in works[str(pipe_id)]),
            str(area),
        )
        for pipe_id, length, us, ds, area in pd.DataFrame(rows[columns]).itertuples(index=False)
    }


def _waiting(works: dict[str, list[Work]], found: list[Grouping]) -> pd.DataFrame:
    reasons = {work_id: why for one in found for work_id, why in one.reasons.items()}
    rows = [
        {
            "work_id": work.work_id,
            "pipe_id": pipe_id,
            "step": work.step,
            "reason": reasons[work.work_id],
        }
        for pipe_id, own in works.items()
        for work in own
        if work.work_id in reasons
    ]
    return conform(rows, WAITING)


def _finish(
    stands: list[Stand],
    waiting: pd.DataFrame,
    tables: Tables,
    known: KnownIds,
    at: tuple[Rules, str],
) -> Setups:
    """Give the set-ups their ids and lay them out as tables."""
    rules, first_day = at
    members = pd.DataFrame(
        {
            "node_id": [stand.place.node_id for stand in stands],
            "works": ["+".join(work.work_id for work in stand.works) for stand in stands],
        },
        dtype="str",
    )
    ids, lost = give_setup_ids(members, known.setup_works, known)
    aged = _aged(tables, rules.week, first_day)
    points = tables["nodes"].set_index("node_id").geometry
    rows = [
        {
            "setup_id": ids[n],
            "geometry": points[stand.place.node_id],
            **_row(stand, rules, aged.get(stand.pipe.pipe_id, 1.0)),
        }
        for n, stand in enumerate(stands)
    ]
    links = [
        {"setup_id": ids[n], "work_id": work.work_id, "seq": seq}
        for n, stand in enumerate(stands)
        for seq, work in enumerate(stand.works, start=1)
    ]
    setups = conform(rows, SETUPS, crs=getattr(tables["nodes"], "crs", None))
    members = members.assign(setup_id=ids).sort_values("setup_id").reset_index(drop=True)
    return Setups(
        gpd.GeoDataFrame(setups),
        conform(links, SETUP_WORKS),
        _after(stands, ids.tolist(), rules.week),
        waiting,
        members,
        lost,
    )


def _after(stands: list[Stand], ids: Sequence[str], week: Week) -> pd.DataFrame:
    """Say which set-up follows which: a work waits for one of another set-up."""
    at = {work.work_id: n for n, stand in enumerate(stands) for work in stand.works}
    step = {work.work_id: work.step for stand in stands for work in stand.works}
    rows: dict[tuple[int, int], dict[str, object]] = {}
    for n, stand in enumerate(stands):
        for work in stand.works:
            for before in sorted(work.after):
                if at.get(before, n) == n:
                    continue
                good = week.done_valid_days if step[before] in ("clean", "clean_again") else None
                row = rows.setdefault(
                    (n, at[before]),
                    {"setup_id": ids[n], "after_id": ids[at[before]], "valid_days": good,
                     "why": f"{step[before]} before {work.step}"},
                )  # fmt: skip
                row["valid_days"] = row["valid_days"] if good is None else good
    return conform(rows.values(), SETUP_AFTER)


def _aged(tables: Tables, week: Week, first_day: str) -> dict[str, float]:
    """Give for each pipe the factor by which waiting since it was accepted raises its worth."""
    choices = check(tables["choices"], CHOICES)
    rows = choices.loc[choices["on"] != "", ["pipe_id", "on"]]
    if not first_day:
        return {}
    first = date.fromisoformat(first_day)
    days = [max(0, (first - date.fromisoformat(on)).days) for on in rows["on"]]
    factors = [1.0 + week.age_ratio * count / _YEAR_DAYS for count in days]
    return dict(zip(rows["pipe_id"], factors, strict=True))


def _row(stand: Stand, rules: Rules, aged: float) -> dict[str, object]:
    need, pipe, week = stand.need, stand.pipe, rules.week
    ends = (stand.place.node_id, pipe.other(stand.place.node_id))
    doubts = rules.hours.doubts(site_of("+".join(need.steps), ends, pipe.area))
    return {
        "node_id": stand.place.node_id,
        "other_node_id": stand.pipe.other(stand.place.node_id),
        "pipe_id": stand.pipe.pipe_id,
        "counter_node": stand.counter_node,
        "steps": "+".join(need.steps),
        "system": need.system,
        "packer_dn": f"{need.dn_mm:g}" if need.system else "",
        "longest_m": need.longest_m,
        "reach_m": max(0.0, need.reach_m),
        "work_s": stand.work_s,
        "value_s": round(worth(stand, lambda urgency: value_of(urgency, week)) * aged),
        "sleeves_count": len(stand.sleeves),
        "resin_g": sum(sleeve.resin_g or 0 for sleeve in stand.sleeves),
        "urgency": worst(work.urgency for work in stand.works),
        "doubts": "; ".join([*stand.doubts, *doubts]),
    }


def value_of(urgency: str, week: Week) -> int:
    """Give the crew time that a work of one urgency is worth [s]; none stated = when near."""
    return {
        "now": week.value_now_s,
        "this_year": week.value_this_year_s,
        "programme": week.value_programme_s,
    }.get(urgency, week.value_when_near_s)
