"""What the field reported, held against the works: which of them are done."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np
import pandas as pd

from planner.contracts.facts import Tables
from planner.repairs.chain import CUTS, PREPARE, Step
from planner.settings import Week

CLEANS = ("clean", "clean_again")
# What is in the ground stays there; roots, scale, lids and what a camera saw do not.
LASTING = ("cut_intrusion", "grout", "dig", "flow_control", "sleeve", "reopen", "verify", "liner")
# An older row of these steps at the same place belongs to another sleeve or liner.
FOLLOW = ("flow_control", "reopen", "verify")
# Access to a node of these kinds is known without anybody going there first.
FREE_ACCESS = ("open", "key")
Flag = dict[str, str]
Row = dict[str, Any]


@dataclass(frozen=True)
class State:
    """Whether a work is done, by which rows of done.csv ('+' between), and a note."""

    done: bool
    done_by: str = ""
    note: str = ""


@dataclass(frozen=True)
class Reported:
    """All rows of done.csv with what decides whether they count."""

    by_pipe: dict[str, list[Row]]
    by_node: dict[str, list[Row]]
    ends: dict[str, tuple[str, str]]
    access: dict[str, str]
    surveyed_on: dict[str, str]
    settings: Week
    first_day: str
    find_m: float

    @classmethod
    def of(
        cls, tables: Tables, done: pd.DataFrame, settings: Week, first_day: str, find_m: float
    ) -> Reported:
        """Gather from the tables pipes, nodes and inspections; see `make_works`."""
        pipes, nodes, runs = tables["pipes"], tables["nodes"], tables["inspections"]
        names = pipes[["pipe_id", "us_node", "ds_node"]].to_numpy(dtype=object)
        return cls(
            _grouped(done, "pipe_id"),
            _grouped(done, "node_id"),
            {str(pipe): (str(us), str(ds)) for pipe, us, ds in names},
            {str(k): str(v) for k, v in zip(nodes["node_id"], nodes["access"], strict=True)},
            {str(k): str(v) for k, v in runs.groupby("pipe_id")["date"].max().items()},
            settings,
            first_day,
            find_m,
        )

    def strangers(self) -> list[Flag]:
        """Flag rows of done.csv that name a pipe or node which is not there."""
        lost = [
            (row, "pipe", pipe)
            for pipe, rows in self.by_pipe.items()
            if pipe not in self.ends
            for row in rows
        ]
        nodes = {*self.access, *(node for ends in self.ends.values() for node in ends)}
        lost += [
            (row, "node", node)
            for node, rows in self.by_node.items()
            if node not in nodes
            for row in rows
        ]
        return [_flag(row, f"there is no {what} {name}: not counted") for row, what, name in lost]

    def too_old(self, row: Row) -> str:
        """Say why a row no longer holds on the first day, '' if it does."""
        if not self.first_day:
            return ""
        if row["step"] in LASTING:
            return ""
        if row["step"] in CLEANS:
            days = int(np.busday_count(row["done_on"], self.first_day))
            limit, unit = self.settings.done_valid_days, "working days"
        else:
            past = date.fromisoformat(self.first_day) - date.fromisoformat(row["done_on"])
            days, limit, unit = past.days, self.settings.done_grace_days, "days"
        return f"{days} {unit} old on {self.first_day}, holds for {limit}" if days > limit else ""

    def unsound(self, row: Row, pipe_id: str, *, upkeep_only: bool) -> str:
        """Say why a row of a pipe does not count, '' if it does.

        Where nothing is set a cleaning is an end in itself: it need not be fresh.
        """
        surveyed = self.surveyed_on.get(pipe_id, "")
        if surveyed and row["done_on"] < surveyed:
            return f"older than the survey of {surveyed}"
        if upkeep_only and row["step"] in CLEANS:
            return ""
        return self.too_old(row)


def _grouped(done: pd.DataFrame, by: str) -> dict[str, list[Row]]:
    found: dict[str, list[Row]] = {}
    order = done[done[by] != ""].sort_values(["done_on", "done_id"], kind="stable")
    for row in order.to_dict("records"):
        found.setdefault(str(row[by]), []).append({str(k): v for k, v in row.items()})
    return found


def _flag(row: Row, what: str) -> Flag:
    return {"step": "works", "key": str(row["done_id"]), "what": f"{row['step']}: {what}"}


def states_of(
    pipe_id: str, steps: Sequence[Step], report: Reported
) -> tuple[list[State], list[Flag]]:
    """Say of each of one pipe's `steps` whether it is done, and which rows do not count.

    Parameters
    ----------
    pipe_id
        The pipe.
    steps
        Its works, as `steps_of` gave them.
    report
        What the field reported.

    Returns
    -------
    states, flags
        One state for each step; flags keyed by the row of done.csv.
    """
    rows = report.by_pipe.get(pipe_id, [])
    wanted = {one.step for one in steps} | (set(CLEANS) if steps else set())
    upkeep_only = not wanted & {"sleeve", "liner"}
    refused = [
        (row, report.unsound(row, pipe_id, upkeep_only=upkeep_only))
        for row in rows
        if row["step"] in wanted
    ]
    sound = [row for row, why in refused if not why]
    log = _Log(pipe_id, sound, report, _last(sound, CUTS), _last(sound, ("grout",)))
    states = [log.own(one) for one in steps]
    states = _by_what_follows(steps, states)
    flags = [_flag(row, f"{why}: not counted") for row, why in refused if why]
    flags += [
        _flag(row, f"a cut or grouting of {log.last_change} came after it: look again")
        for row in sound
        if row["step"] == "look" and row["done_on"] < log.last_change
    ]
    return states, flags


def _last(rows: Iterable[Row], steps: tuple[str, ...]) -> str:
    return max((str(row["done_on"]) for row in rows if row["step"] in steps), default="")


@dataclass(frozen=True)
class _Log:
    """The rows that count for one pipe, and when it was last cut and grouted."""

    pipe_id: str
    rows: list[Row]
    report: Reported
    last_cut: str
    last_grout: str

    @property
    def last_change(self) -> str:
        return max(self.last_cut, self.last_grout)

    def own(self, step: Step) -> State:
        """Judge one step by its own rows alone."""
        if step.step == "check_access":
            return self._access()
        names: tuple[str, ...] = (step.step,)
        since = ""
        if step.step in CLEANS:
            names = CLEANS
        if step.step == "clean_again":
            since = self.last_cut
        if step.step == "look":
            since = self.last_change
        rows = [r for r in self.rows if r["step"] in names and r["done_on"] >= since]
        used = covering(rows, step.from_m, step.to_m, self.report.find_m)
        return State(done=bool(used), done_by="+".join(str(row["done_id"]) for row in used))

    def _access(self) -> State:
        pipe_rows = [row for row in self.rows if row["step"] == "check_access"]
        pipe_rows = [row for row in pipe_rows if not row["node_id"]]
        if pipe_rows:
            return State(done=True, done_by=str(pipe_rows[-1]["done_id"]))
        used, free = [], []
        for node in self.report.ends[self.pipe_id]:
            rows = [r for r in self.report.by_node.get(node, []) if not self.report.too_old(r)]
            if rows:
                used.append(str(rows[-1]["done_id"]))
            elif self.report.access.get(node) in FREE_ACCESS:
                free.append(f"{node} is {self.report.access[node]}")
            else:
                return State(done=False)
        return State(done=True, done_by="+".join(used), note="; ".join(free))


def covering(rows: list[Row], from_m: float, to_m: float, find_m: float) -> list[Row]:
    """Give the rows that together cover a stretch within `find_m` [m], none if they do not.

    A blank from or to means the pipe's end.
    """
    spread = [
        (
            0.0 if math.isnan(row["from_m"]) else row["from_m"],
            math.inf if math.isnan(row["to_m"]) else row["to_m"],
            row,
        )
        for row in rows
    ]
    used: list[Row] = []
    reach = from_m + find_m
    for start, end, row in sorted(spread, key=lambda one: (one[0], -one[1], one[2]["done_id"])):
        if start <= reach and end >= from_m - find_m and (not used or end + find_m > reach):
            used.append(row)
            reach = max(reach, end + find_m)
            if reach >= to_m:
                return used
    return []


def _by_what_follows(steps: Sequence[Step], states: list[State]) -> list[State]:
    """Finish what a step by itself cannot know: what comes before, and after, it."""
    pairs = list(zip(steps, states, strict=True))
    names = {one.step for one in steps}
    done = {name: all(s.done for one, s in pairs if one.step == name) for name in names}
    mains = [done[name] for name in ("sleeve", "liner") if name in done]
    over = set()
    if mains and all(mains):
        over = set(PREPARE) - {"dig"}
    elif not mains and done.get("dig"):
        over = {"check_access"}
    cuts = [done[name] for name in CUTS if name in done]
    served = {one.sleeve_id for one, s in pairs if s.done and one.step in ("sleeve", "liner")}
    out = []
    for one, state in pairs:
        if one.step in over and not one.upkeep:
            out.append(_served(state, "what it prepares is done"))
        elif one.step in FOLLOW and one.sleeve_id not in served:
            out.append(State(done=False))
        elif one.step == "flow_control":
            out.append(_served(state, "what it served is done"))
        elif one.step in ("look", "clean_again") and not all(cuts):
            out.append(State(done=False))
        elif one.step == "clean" and cuts and all(cuts):
            out.append(_served(state, "cutting is done"))
        else:
            out.append(state)
    return out


def _served(state: State, note: str) -> State:
    return state if state.done else State(done=True, note=note)
