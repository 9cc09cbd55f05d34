"""Random small weeks: chains, guards, notices, closed days, permits, pauses, overtime, locks.

Each week is told by its seed alone. About a third holds a promise that nobody can keep.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import date, timedelta

import numpy as np
import pandas as pd
from crew_town import (
    CLEANERS,
    FIRST_DAY,
    SETTERS,
    chained,
    crew,
    node,
    packer,
    pipe,
    setter,
    settings,
    sleeve,
    sleeve_works,
    town,
    ways_of,
    work,
)

from planner.contracts import CLOSED, FLOWS, NOTICES, PERMITS, WINDOWS
from planner.contracts.hours import WEEKDAYS
from planner.crews.apart import find_apart
from planner.crews.asked import Asked, Lock
from planner.crews.audit import audit_week
from planner.crews.hours import find_hours
from planner.crews.setups import make_setups
from planner.crews.week import Days, plan_week
from planner.ground.ids import NOTHING_KNOWN
from planner.settings import Week
from planner.tables import conform

Tables = dict[str, pd.DataFrame]
H = 3600
LEAST, MOST = 4, 14
CLASSES = ("lane", "main", "night", "")


@dataclass(frozen=True)
class Case:
    """One week: tables without visits, settings, locks, pipes whose promise nobody keeps."""

    seed: int
    tables: Tables
    week: Week
    locks: dict[str, Lock] = field(default_factory=dict)
    impossible: tuple[str, ...] = ()


@dataclass
class Draw:
    """Draws from one stream, so that a seed gives one week."""

    stream: np.random.Generator

    def chance(self, share: float) -> bool:
        return bool(self.stream.random() < share)

    def whole(self, low: int, high: int) -> int:
        """Both ends included."""
        return int(self.stream.integers(low, high + 1))

    def one(self, words):
        return words[self.whole(0, len(words) - 1)]


def make_case(seed: int) -> Case:
    """Draw weeks until one has 4 to 14 set-ups."""
    draw = Draw(np.random.default_rng(seed))
    while True:
        case = _draw_case(seed, draw)
        if LEAST <= len(case.tables["setups"]) <= MOST:
            return case


def _draw_case(seed: int, draw: Draw) -> Case:
    days = draw.whole(3, 5)
    week = settings(
        days=days,
        iterations=20,
        fill_ratio=draw.one((0.85, 1.0)),
        overtime_cost_s=draw.one((1, 2)),
        value_programme_s=draw.one((2_700, 7_200)),
        reserve_s=draw.one((0, 1_800)),
        done_valid_days=draw.whole(0, 2),
    )
    pipes, nodes, works, sleeves = _sewers(draw)
    crews = _crews(draw)
    tables = town(
        [one for own in works for one in own],
        [pair for own in works for pair in chained(own)],
        sleeves,
        crews,
        pipes=pipes,
        nodes=nodes,
        shifts=_shifts(draw, crews),
        packers=[packer(depth_m=5.0)],
        stock=_stock(draw),
    )
    tables |= _streets(draw, days)
    control = ("none", "through_flow", "plug", "bypass")
    flows = [
        {"sleeve_id": one["sleeve_id"], "pipe_id": one["pipe_id"], "control": draw.one(control),
         "state": "reckoned", "standing": "assumed", "why": "so"}
        for one in sleeves
    ]  # fmt: skip
    tables["flows"] = conform(flows, FLOWS)
    made = make_setups(tables, NOTHING_KNOWN, week.week, week.sleeving, first_day=FIRST_DAY)
    tables |= {"setups": made.setups, "setup_works": made.setup_works}
    tables |= {"setup_after": made.setup_after, "waiting": made.waiting}
    tables["setup_apart"] = find_apart(tables, guard_m=week.week.flow_guard_m)
    notices, impossible = _notices(draw, tables, days)
    tables["notices"] = conform(notices, NOTICES)
    tables["setup_hours"] = find_hours(tables, week.week, FIRST_DAY)
    return Case(seed, tables, week.week, _locks(draw, tables, days), impossible)


def _day(number: int) -> str:
    return (date.fromisoformat(FIRST_DAY) + timedelta(days=number)).isoformat()


def _sewers(draw: Draw):
    """Sewers of one to four pipes, each pipe with some of the works of a repair."""
    pipes, nodes, works, sleeves = [], [], [], []
    for line in range(draw.whole(2, 4)):
        x, y = (float(draw.whole(-2500, 2500)) for _ in range(2))
        length = float(draw.whole(25, 180))
        count = draw.whole(1, 4)
        for n in range(count + 1):
            at = node(f"n{line}.{n}", x + length * n, y, street_class=draw.one(CLASSES),
                      street=f"Street {line}", depth_m=draw.one((2.5, 2.5, 4.0)))  # fmt: skip
            nodes.append(at)
        for n in range(count):
            name = f"p{line}.{n}"
            length_m = min(length, 58.0)
            pipes.append(pipe(name, f"n{line}.{n}", f"n{line}.{n + 1}", length_m=length_m))
            works.append(_works(draw, name, length_m, sleeves))
    return pipes, nodes, [own for own in works if own], sleeves


def _works(draw: Draw, name: str, length_m: float, sleeves: list[dict]) -> list[dict]:
    urgency = draw.one(("now", "this_year", "programme", "when_near"))
    own = []
    for step, share in (("clean", 0.6), ("cut_roots", 0.2)):
        if draw.chance(share):
            own.append(work(f"{step}-{name}", step, name, to_m=length_m, urgency=urgency))
    if own and own[-1]["step"] == "cut_roots":
        own.append(work(f"again-{name}", "clean_again", name, to_m=length_m, urgency=urgency))
    if draw.chance(0.65):
        dn = draw.one((150.0, 200.0, 300.0))
        one = sleeve(f"S-{name}", float(draw.whole(5, 20)), name, dn_mm=dn,
                     counter_node=f"n{name[1:]}")  # fmt: skip
        sleeves.append(one)
        own += sleeve_works(one, urgency=urgency)
    elif draw.chance(0.3):
        own.append(work(f"look-{name}", "look", name, to_m=length_m, urgency=urgency))
    return own


def _crews(draw: Draw) -> list[dict]:
    count = draw.whole(1, 3)
    more = [_pause(draw) for _ in range(3)]
    vans = {"van_sleeves_count": draw.one((None, 2))}
    if count == 1:
        return [setter("Both", steps=f"{CLEANERS}+{SETTERS}", **more[0], **vans)]
    setters = [setter(f"Sleeve {n}", **more[n], **vans) for n in range(1, count)]
    return [crew("Truck", CLEANERS, **more[0]), *setters]


def _pause(draw: Draw) -> dict:
    if draw.chance(0.5):
        return {}
    start = draw.whole(22, 25) * H // 2
    return {"break_s": 1800, "break_from_s": start, "break_to_s": start + 2 * H}


def _shifts(draw: Draw, crews: list[dict]) -> list[dict]:
    rows = []
    for one in crews:
        night, start = draw.chance(0.15), draw.whole(12, 16) * H // 2
        length = draw.whole(7, 10) * H
        for day in WEEKDAYS[:5]:
            if draw.chance(0.2):
                continue
            from_s = 20 * H if night else start
            over = draw.one((None, 3600))
            rows.append({"crew": one["crew"], "weekday": day, "start_s": from_s,
                         "end_s": from_s + length, "overtime_s": over})  # fmt: skip
    return rows


def _stock(draw: Draw) -> list[dict]:
    rows = []
    if draw.chance(0.3):
        rows.append({"item": "sleeve", "system": "felt", "dn_mm": 200.0, "length_m": 1.0,
                     "pieces_count": draw.whole(0, 2)})  # fmt: skip
    if draw.chance(0.2):
        rows.append({"item": "resin", "system": "felt", "mass_kg": float(draw.whole(3, 12))})
    return rows


def _streets(draw: Draw, days: int) -> Tables:
    """Hours by class: lanes by day, main streets in two stretches or by permit, some by night."""
    windows, permits, shut = [], [], []

    def window(kind: str, day: str, start: float, end: float, *, permit: bool = False) -> None:
        hours = {"open_s": int(start * H), "close_s": int(end * H), "permit": permit}
        windows.append({"street_class": kind, "weekday": day, "row": len(windows) + 1, **hours})

    for day in WEEKDAYS[:5]:
        window("lane", day, 7, 18)
        window("main", day, 9, 12.5)
        window("main", day, 13, 18, permit=draw.chance(0.5))
        window("night", day, 20, 30)
        window("night", day, 9, 16)
    for line in range(4):
        if draw.chance(0.6):
            first = draw.whole(0, days - 1)
            permits.append({"number": f"N{line}", "street": f"Street {line}", "node_id": "",
                            "from_date": _day(first), "to_date": _day(first + draw.whole(0, 2)),
                            "open_s": 12 * H, "close_s": draw.whole(16, 18) * H,
                            "state": draw.one(("granted", "granted", "asked")),
                            "row": line + 1})  # fmt: skip
    if draw.chance(0.4):
        day = _day(draw.whole(0, days - 1))
        part = draw.one(({}, {"street_class": "main"}, {"street": "Street 1"}))
        shut.append({"from_date": day, "to_date": day, "why": "market day", "row": 1, **part})
    return {
        "windows": conform(windows, WINDOWS),
        "permits": conform(permits, PERMITS),
        "closed": conform(shut, CLOSED),
    }


def _notices(draw: Draw, tables: Tables, days: int):
    """Sent notices for some pipes; one of them for a Saturday, on which no crew works."""
    setups = tables["setups"]
    sets = sorted(setups.loc[setups["steps"].str.contains("sleeve"), "pipe_id"])
    rows, impossible = [], ()
    for n, pipe_id in enumerate(sets):
        if draw.chance(0.35):
            rows.append(_notice(n, pipe_id, _day(draw.whole(0, days - 1))))
        elif not impossible and draw.chance(0.25):
            impossible = (pipe_id,)
            rows.append(_notice(n, pipe_id, _day(5)))
    return rows, impossible


def _notice(number: int, pipe_id: str, for_date: str) -> dict:
    return {"notice_id": f"n:{number}", "pipe_id": pipe_id, "address": "all", "for_date": for_date,
            "sent_on": "2026-02-25", "by": "me", "file": "n", "row": number + 1}  # fmt: skip


def _locks(draw: Draw, tables: Tables, days: int) -> dict[str, Lock]:
    crews = sorted(tables["crews"]["crew"])
    locks = {}
    for setup_id in sorted(tables["setups"]["setup_id"]):
        if draw.chance(0.12):
            day, name = _day(draw.whole(0, days - 1)), draw.one(crews)
            locks[setup_id] = draw.one((Lock(name, ""), Lock("", day), Lock(name, day)))
    return locks


def plan_case(case: Case) -> Days:
    return plan_week(
        case.tables,
        ways_of(case.tables, case.week),
        case.week,
        first_day=FIRST_DAY,
        seed=case.seed,
        asked=Asked(locks=case.locks),
    )


def audit_case(case: Case, found: Days) -> pd.DataFrame:
    """Audit a plan, and hold its visits against the locks."""
    tables = case.tables | {"visits": found.visits, "unserved": found.unserved}
    return audit_week(tables, ways_of(case.tables, case.week), case.week, first_day=FIRST_DAY)


def off_lock(case: Case, found: Days) -> list[str]:
    """Name the set-ups visited by another crew or on another day than they are bound to."""
    rows = found.visits[["setup_id", "crew", "date"]].itertuples(index=False)
    return [
        one
        for one, name, day in rows
        if one in case.locks
        and not (case.locks[one].crew in ("", name) and case.locks[one].date in ("", day))
    ]


def without(case: Case, setup_ids: set[str]) -> Case:
    """The same week as if some set-ups had never been asked for."""
    tables = dict(case.tables)
    for name in ("setups", "setup_works", "setup_after", "setup_apart", "setup_hours"):
        rows = tables[name]
        keys = [key for key in ("setup_id", "after_id", "other_id") if key in rows]
        tables[name] = rows[~rows[keys].isin(setup_ids).any(axis=1)].reset_index(drop=True)
    return replace(case, tables=tables)


def with_tables(case: Case, tables: Tables) -> Case:
    return replace(case, tables=tables)


def harmed_by_promises(case: Case, found: Days) -> list[str]:
    """Say what is wrong with the promises that nobody can keep: not told, or not without harm.

    Such a set-up can be done on no day by any crew, and so can what hangs on it. Neither may
    enter the search, so without them the search is the same to the last drive: not the set of
    visits alone, each visit must be equal.
    """
    if not case.impossible:
        return []
    reasons = dict(zip(found.unserved["setup_id"], found.unserved["reason"], strict=True))
    setups = case.tables["setups"]
    broken = setups.loc[
        setups["pipe_id"].isin(case.impossible) & setups["steps"].str.contains("sleeve"), "setup_id"
    ]
    wrong = [f"{one} has no reason" for one in broken if not reasons.get(one)]
    gone = set(broken)
    pairs = case.tables["setup_after"][["setup_id", "after_id"]].itertuples(index=False)
    for late, early in sorted(pairs, key=str):
        if late in gone and early in reasons:
            gone.add(early)
    again = plan_case(without(case, gone))
    if not again.visits.equals(found.visits):
        wrong.append("without the promises the visits differ")
    return wrong
