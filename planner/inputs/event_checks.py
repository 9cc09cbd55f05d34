"""Events held against what they are about, before the store takes them.

A row is matched with the works that it names by id, or that lie where it says; what fits
none, or fits several where one is meant, is refused with one line and costs nothing else.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

import pandas as pd

from planner.contracts import EVENTS
from planner.contracts.journal import REASONS, Reason
from planner.errors import Fault, shown
from planner.ground.event_places import (
    ALIKE,
    ends_of,
    in_time,
    overlap_by_half,
    reports_of,
    same_work,
    standing,
)
from planner.inputs.events import OF_WORK
from planner.inputs.forms import nearest
from planner.inputs.journal import built_of
from planner.tables import records_in

Row = dict[str, Any]
_PLANNED_ONLY = ("started", "failed", "deferred", "freed")
# Rows that differ in these alone are one row: they are filled in, or say nothing of what happened.
_NOT_TOLD = ("event_id", "works", "note", "photo", "spent", "in_pipe")
_UNNUMBERED = "~"
_PLACE = ("step", "pipe_id", "node_id", "from_m", "to_m")


class _WrongError(Exception):
    """A row that is refused: column, and what was wanted there."""

    def __init__(self, column: str, wanted: str) -> None:
        super().__init__(wanted)
        self.column, self.wanted = column, wanted


@dataclass(frozen=True)
class World:
    """What rows can be about.

    `works` are the ids of works ever planned, as `IDS` has them; `ends` gives the manholes
    of each pipe; `systems` is empty where none are listed. `done` obeys `DONE` and `events`
    obeys `EVENTS`: what is known already.
    """

    works: pd.DataFrame
    ends: Mapping[str, tuple[str, str]]
    nodes: frozenset[str]
    systems: frozenset[str]
    done: pd.DataFrame
    events: pd.DataFrame


@dataclass(frozen=True)
class Sifted:
    """Rows that can be taken (`EVENTS` without numbers), faults, what to say of each row.

    `known` are rows that are in the journal, or were taken from the form, already.
    """

    events: pd.DataFrame
    faults: list[Fault]
    told: list[str] = field(default_factory=list)
    known: list[str] = field(default_factory=list)


def keys_of(events: pd.DataFrame) -> list[tuple[str, ...]]:
    """Give what makes two rows one row of the journal: all but numbers, notes and photos.

    Where a work is named its place is filled in, so it is no part of it.
    """
    names = [name for name in EVENTS.names if name not in _NOT_TOLD]
    keys = []
    for row in events[names].to_dict("records"):
        skip = _PLACE if row["work_id"] else ()
        keys.append(tuple("" if n in skip or pd.isna(row[n]) else str(row[n]) for n in names))
    return keys


def sift_events(rows: pd.DataFrame, world: World, *, file: str) -> Sifted:
    """Part rows that can be taken from those that cannot.

    Parameters
    ----------
    rows
        As `events.read_events` gave them.
    world
        What they can be about.
    file
        Name of the form in messages.

    Returns
    -------
    sifted
        Rows in the order of the form, with step, place and works filled in. Earlier rows of
        the form are known to later ones.
    """
    sifter = _Sifter(world)
    kept: list[Row] = []
    faults: list[Fault] = []
    told: list[str] = []
    known: list[str] = []
    seen = dict(zip(keys_of(world.events), world.events["event_id"].astype(str), strict=True))
    for one, key in zip(records_in(rows), keys_of(rows), strict=True):
        number = int(one.pop("row"))
        if key in seen:
            known.append(f"{file}, row {number}: known already, as {seen[key]}")
            continue
        try:
            taken = sifter.take(one)
        except _WrongError as error:
            found = one[error.column]
            text = shown("" if pd.isna(found) else str(found))
            faults.append(Fault(file, number, error.column, text, error.wanted))
            continue
        kept.append(taken)
        seen[key] = f"row {number} of the form"
        told.append(f"{file}, row {number}: {_said(taken)}")
    frame = pd.DataFrame(kept, columns=EVENTS.names)
    return Sifted(frame, faults, told, known)


def _said(row: Row) -> str:
    """Say what a row was taken as, and for which works."""
    what = f"{row['kind']} {row['step'] or row['item']}".strip()
    what += f" after {row['about']}" if row["kind"] == "agreed" else ""
    if row["pipe_id"]:
        what += f" on pipe {row['pipe_id']}"
        if not math.isnan(float(row["from_m"])):
            what += f" from {row['from_m']:.2f} to {row['to_m']:.2f} m"
    elif row["node_id"]:
        what += f" at {row['node_id']}"
    if row["works"]:
        return f"{what}: {row['works'].replace('+', ', ')}"
    return f"{what}: no planned work lies there" if row["kind"] == "done" else what


class _Sifter:
    """What is known, row by row."""

    def __init__(self, world: World) -> None:
        self._world = world
        self._works = {str(row["id"]): row for row in records_in(world.works)}
        self._happened = standing(world.events)
        self._gone = set(world.events.loc[world.events["kind"] == "taken_back", "about"])
        self._kinds = dict(zip(world.events["event_id"], world.events["kind"], strict=True))
        self._by_pipe: dict[str, list[Row]] = {}
        for work in self._works.values():
            self._by_pipe.setdefault(str(work["pipe_id"]), []).append(work)

    def take(self, row: Row) -> Row:
        """Give the row filled in; `_WrongError` if it cannot be taken."""
        one = self._placed(row)
        self._known_names(one)
        if one["kind"] in OF_WORK:
            one["works"] = "+".join(self._matched(one))
        check = {
            "done": self._done,
            "failed": self._failed,
            "freed": self._freed,
            "chargeable": self._chargeable,
            "agreed": self._agreed,
            "taken_back": self._taken_back,
        }.get(str(one["kind"]))
        if check:
            check(one)
        # Not numbered yet: a name that sorts behind all numbers of the journal.
        numbered = {**one, "event_id": f"{_UNNUMBERED}{len(self._happened):09d}"}
        self._happened = in_time([*self._happened, numbered])
        return one

    def _placed(self, row: Row) -> Row:
        """Fill in step and place of the work that a row names; what it says itself must fit."""
        if not row["work_id"]:
            return dict(row)
        work = self._works.get(str(row["work_id"]))
        if work is None:
            raise _WrongError(
                "work_id", f"a work that was planned{_near(row['work_id'], self._works)}"
            )
        for column in ("step", "pipe_id"):
            if row[column] and row[column] != work[column]:
                raise _WrongError(column, f"{work[column]}, as of {row['work_id']}")
        one = {**row, "step": work["step"], "pipe_id": work["pipe_id"]}
        if math.isnan(float(row["from_m"])):
            return {**one, "from_m": work["from_m"], "to_m": work["to_m"]}
        if not overlap_by_half(one, work):
            start, end = ends_of(work)
            wanted = f"about {start:.2f} to {end:.2f} m, where {row['work_id']} was planned"
            raise _WrongError("from_m", wanted)
        return one

    def _known_names(self, row: Row) -> None:
        world = self._world
        if row["pipe_id"] and row["pipe_id"] not in world.ends:
            wanted = f"a pipe of the network{nearest(str(row['pipe_id']), world.ends)}"
            raise _WrongError("pipe_id", wanted)
        if row["node_id"] and row["node_id"] not in world.nodes:
            wanted = f"a node of the network{nearest(str(row['node_id']), world.nodes)}"
            raise _WrongError("node_id", wanted)
        if row["system"] and world.systems and row["system"] not in world.systems:
            wanted = f"a name in systems.toml{nearest(str(row['system']), world.systems)}"
            raise _WrongError("system", wanted)

    def _matched(self, row: Row) -> list[str]:
        """Give the ids of the works that a row is about."""
        if row["work_id"]:
            return [str(row["work_id"])]
        if row["pipe_id"]:
            pipes = [str(row["pipe_id"])]
        else:
            pipes = [pipe for pipe, ends in self._world.ends.items() if row["node_id"] in ends]
        alike = ALIKE if row["kind"] == "done" else {}
        step = alike.get(row["step"], row["step"])
        there = [
            work
            for pipe in pipes
            for work in self._by_pipe.get(pipe, [])
            if alike.get(work["step"], work["step"]) == step
            and (row["node_id"] or overlap_by_half(row, work))
        ]
        # What has left the plan can still be reported on, but not begun or put off.
        found = [work for work in there if work["live"] is True]
        if not found and row["kind"] not in ("started", "deferred"):
            found = there
        found = sorted(found, key=lambda work: str(work["id"]))
        if row["step"] == "sleeve" and len(found) > 1 and row["kind"] != "deferred":
            each = " and ".join(
                f"{one['id']} from {one['from_m']:.2f} to {one['to_m']:.2f} m" for one in found
            )
            raise _WrongError("from_m", f"the place of one sleeve, or a work_id: {each} lie there")
        if not found and row["kind"] in _PLANNED_ONLY:
            raise _WrongError("step", "a work that is planned at this place")
        return [str(work["id"]) for work in found]

    def _sleeve_there(self, row: Row) -> Row | None:
        """Give the last sleeve that was set at the place of a row and lies there."""
        events = [e for e in self._happened if e["pipe_id"] == row["pipe_id"]]
        done = self._world.done
        own = done[(done["pipe_id"] == row["pipe_id"]).to_numpy(dtype=bool)]
        reports = reports_of(own)
        reports += [event for event in events if event["kind"] == "done"]
        failures = [event for event in events if event["kind"] == "failed"]
        there = [
            one
            for one in built_of(reports, failures, events)
            if not one["removed_at"] and overlap_by_half(row, one)
        ]
        return there[-1] if there else None

    def _done(self, row: Row) -> None:
        if row["step"] != "sleeve":
            return
        there = self._sleeve_there(row)
        if there:
            state = "failed and was not cut out" if there["failed"] else "was set"
            when = there["failed_at"] if there["failed"] else there["installed_at"]
            wanted = f"a sleeve at a free place: one {state} there at {when}{_name(there)}"
            raise _WrongError("kind", wanted)

    def _failed(self, row: Row) -> None:
        """Settle whether a failed sleeve is used up and lies in the pipe."""
        why = REASONS[str(row["reason"])]
        if row["step"] != "sleeve":
            _not_of_sleeve(row, why)
            return
        _settle(row, why)
        there = self._sleeve_there(row)
        if there and there["failed"]:
            raise _WrongError("kind", f"another kind: it failed at {there['failed_at']} already")
        if there and not row["in_pipe"]:
            wanted = f"yes: it was set at {there['installed_at']}{_name(there)}; or cut_out as done"
            raise _WrongError("in_pipe", wanted)

    def _freed(self, row: Row) -> None:
        held = [e for e in self._happened if e["kind"] in ("failed", "deferred", "freed")]
        held = [e for e in held if e["at"] <= row["at"] and _about_one(e, row)]
        if not held or held[-1]["kind"] == "freed":
            raise _WrongError("kind", "a work that failed or is put off: this one is not held")

    def _chargeable(self, row: Row) -> None:
        if row["step"] == "sleeve":
            there = self._sleeve_there(row)
            if there is None or there["failed"]:
                wanted = "a sleeve that is reported set" if there is None else "one that holds"
                raise _WrongError("step", wanted)
            return
        events = [e for e in self._happened if e["kind"] == "done" and e["at"] <= row["at"]]
        if not any(same_work(row, one) for one in [*events, *records_in(self._world.done)]):
            raise _WrongError("step", "a work that is reported done")

    def _agreed(self, row: Row) -> None:
        failure = self._event(row, "failed")
        why = REASONS[str(failure["reason"])]
        steps = [step for step in (*why.next.split("+"), why.instead) if step]
        if row["step"] not in steps:
            wanted = " or ".join(steps) or "nothing: no work is proposed"
            raise _WrongError("step", f"{wanted}, after {row['about']}")
        if any(
            e["kind"] == "agreed" and e["about"] == row["about"] and e["step"] == row["step"]
            for e in self._happened
        ):
            raise _WrongError("step", f"a work that is not agreed to yet, after {row['about']}")

    def _taken_back(self, row: Row) -> None:
        gone = self._event(row, "")
        self._gone.add(str(row["about"]))
        self._happened.remove(gone)

    def _event(self, row: Row, kind: str) -> Row:
        """Find the event that a row is about."""
        about = str(row["about"])
        if about in self._gone:
            raise _WrongError("about", "an event that counts: it was taken back")
        found = [event for event in self._happened if event["event_id"] == about]
        if not found or (kind and found[0]["kind"] != kind):
            near = _near(about, self._kinds)
            known = self._kinds.get(about)
            what = f"an event of kind {kind}" if kind else "an event of the journal"
            raise _WrongError("about", f"{what}; {about} is {known}" if known else what + near)
        return found[0]


def _not_of_sleeve(row: Row, why: Reason) -> None:
    if why.in_pipe == "yes":
        raise _WrongError("step", "sleeve: what failed is the sleeve")
    for column in ("spent", "in_pipe"):
        if not pd.isna(row[column]):
            raise _WrongError(column, "blank: only for a sleeve")


def _settle(row: Row, why: Reason) -> None:
    """Fill in what the reason says of the sleeve where the row says nothing."""
    for column, word in (("in_pipe", why.in_pipe), ("spent", why.spent)):
        if not pd.isna(row[column]):
            row[column] = bool(row[column])
        elif column == "spent" and row["in_pipe"]:
            row[column] = True
        elif not word:
            raise _WrongError(column, f"yes or no: {row['reason']} does not settle it")
        else:
            row[column] = word == "yes"
    if row["in_pipe"] and not row["spent"]:
        raise _WrongError("spent", "yes: it lies in the pipe")


def _near(name: object, known: Iterable[str]) -> str:
    """Ask for the known id most like `name`: ids are written in capitals."""
    return (
        nearest(str(name), [one.casefold() for one in known])
        .upper()
        .replace("; DID YOU MEAN", "; did you mean")
    )


def _name(built: Row) -> str:
    name = str(built["event_id"])
    return "" if name.startswith(_UNNUMBERED) else f" ({name})"


def _about_one(one: Row, other: Row) -> bool:
    """Say whether two rows are about one work: by name, or by place."""
    shared = set(str(one["works"]).split("+")) & set(str(other["works"]).split("+"))
    return bool(shared - {""}) or same_work(one, other)
