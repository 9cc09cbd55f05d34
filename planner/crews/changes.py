"""What a new plan changes of the standing one: each set-up once, with why; what is to sign."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

import pandas as pd

from planner.contracts import PLAN_CHANGES, SETUP_HOURS, VISITS
from planner.contracts.facts import Tables
from planner.contracts.hours import WEEKDAYS
from planner.crews.frozen import Fact, Row
from planner.tables import check, conform

# A stop that is kept is told where it starts so much earlier or later than planned [s].
TOLD_S = 1800


@dataclass(frozen=True)
class Because:
    """What is known of why a set-up changed: by setup_id.

    `facts` took place; `put_off` was put off, `missed` not reported by the instant, `lost` no
    longer fitted where it stood, `unserved` has no place; each with its reason. `promised`
    are bound to a day that residents were told of; `waiting` are standing set-ups whose works
    wait, with the reason; `by_hand` are bound to a crew or a day by people.
    """

    facts: Mapping[str, Fact]
    put_off: Mapping[str, str]
    missed: Mapping[str, str]
    lost: frozenset[str]
    unserved: Mapping[str, str]
    promised: frozenset[str]
    waiting: Mapping[str, str]
    by_hand: frozenset[str] = frozenset()

    def moved(self, setup_id: str) -> str:
        """Say why a set-up is elsewhere."""
        given = self.put_off.get(setup_id) or self.missed.get(setup_id)
        if given:
            return given
        if setup_id in self.by_hand:
            return "bound there by hand"
        if setup_id in self.lost:
            return "no longer fits where it stood"
        return "saves more than the change costs, or makes room"

    def dropped(self, setup_id: str, *, there: bool) -> str:
        """Say why a set-up has no place; `there` = it is still a set-up."""
        if not there:
            waits = self.waiting.get(setup_id, "")
            return waits or "nothing is to do there any more, or it was grouped anew"
        told = "residents were told of its day" if setup_id in self.promised else ""
        parts = [told, self.put_off.get(setup_id, "") or self.missed.get(setup_id, "")]
        parts.append(self.unserved.get(setup_id, ""))
        return "; ".join(part for part in parts if part) or "no place"


def list_changes(
    standing: Tables, tables: Tables, visits: pd.DataFrame, because: Because
) -> pd.DataFrame:
    """Hold a new plan against the standing one.

    Parameters
    ----------
    standing
        Of it: visits, setups, setup_works of the standing plan.
    tables
        Of it: setups, setup_works, setup_hours of the new one.
    visits
        Obeys `VISITS`: the new plan.
    because
        What is known of the reasons.

    Returns
    -------
    plan_changes
        Obeys `PLAN_CHANGES`: each set-up with a visit in either plan, once.
    """
    was, now = _by_setup(standing["visits"]), _by_setup(visits)
    known = set(standing["setups"]["setup_id"])
    hours = check(tables["setup_hours"], SETUP_HOURS)
    shuts = set(hours.loc[hours["notice_days"].fillna(0) > 0, "setup_id"])
    pipes, works = _of_setups(standing, tables)
    rows = []
    for setup_id in sorted(was.keys() | now.keys()):
        old, new = was.get(setup_id), now.get(setup_id)
        change, why = _change(setup_id, old, new, because, new=setup_id not in known, tables=tables)
        other_day = old is None or new is None or old["date"] != new["date"]
        rows.append(
            {
                "setup_id": setup_id,
                "change": change,
                "pipe_id": pipes.get(setup_id, ""),
                "works": "+".join(works.get(setup_id, [])),
                **_place("was_", old),
                **_place("", new),
                "notice": change != "kept" and other_day and setup_id in shuts,
                "why": why,
            }
        )
    return conform(rows, PLAN_CHANGES)


def _by_setup(visits: pd.DataFrame) -> dict[str, Row]:
    rows = check(visits, VISITS).to_dict("records")
    return {str(row["setup_id"]): {str(k): v for k, v in row.items()} for row in rows}


def _of_setups(standing: Tables, tables: Tables) -> tuple[dict[str, str], dict[str, list[str]]]:
    """Give pipe and works of each set-up, of the new plan where it is in both."""
    pipes: dict[str, str] = {}
    works: dict[str, list[str]] = {}
    for part in (standing, tables):
        rows = part["setups"]
        pipes |= dict(zip(rows["setup_id"], rows["pipe_id"], strict=True))
        links = part["setup_works"].sort_values(["setup_id", "seq"], kind="stable")
        own: dict[str, list[str]] = {}
        for setup_id, work_id in links[["setup_id", "work_id"]].itertuples(index=False):
            own.setdefault(setup_id, []).append(work_id)
        works |= own
    return pipes, works


def _change(
    setup_id: str, old: Row | None, now: Row | None, because: Because, *, new: bool, tables: Tables
) -> tuple[str, str]:
    fact = because.facts.get(setup_id)
    if fact is not None and old is not None:
        return "kept", _took_place(fact, old)
    if old is None:
        return "added", "new since the standing plan" if new else "found no place before"
    if now is None:
        there = setup_id in set(tables["setups"]["setup_id"])
        return "dropped", because.dropped(setup_id, there=there)
    if (old["crew"], old["date"]) == (now["crew"], now["date"]):
        return "kept", "as planned"
    return "moved", because.moved(setup_id)


def _took_place(fact: Fact, old: Row) -> str:
    elsewhere = (fact.crew, fact.date) != (old["crew"], old["date"])
    told = f"{fact.state} by {fact.crew} on {fact.date}" if elsewhere else fact.state
    return f"{told}: {fact.why}" if fact.why else told


def _place(prefix: str, visit: Row | None) -> dict[str, Any]:
    if visit is None:
        return {f"{prefix}crew": "", f"{prefix}date": "", f"{prefix}start_s": None}
    return {f"{prefix}{name}": visit[name] for name in ("crew", "date", "start_s")}


def to_sign(changes: pd.DataFrame, at: str) -> list[str]:
    """Lay out the changes as a short list that a planner signs.

    Parameters
    ----------
    changes
        Obeys `PLAN_CHANGES`.
    at
        Instant from which the plan was made anew.
    """
    rows = check(changes, PLAN_CHANGES).to_dict("records")
    count = {word: sum(row["change"] == word for row in rows) for word in PLAN_WORDS}
    counted = ", ".join(f"{count[word]} {word}" for word in PLAN_WORDS)
    lines = [f"TO SIGN: plan from {at} on: {counted}"]
    for word in PLAN_WORDS[:-1]:
        for row in (row for row in rows if row["change"] == word):
            places = [_said(row, "was_"), _said(row, "")]
            line = " -> ".join(place for place in places if place)
            notice = "; tell the residents" if row["notice"] else ""
            where = f"{row['setup_id']} on {row['pipe_id']}"
            lines.append(f"{word:7} {where}: {line}{notice}: {row['why']}")
    kept = [row for row in rows if row["change"] == "kept" and row["crew"] and row["was_crew"]]
    late = [row for row in kept if abs(row["start_s"] - row["was_start_s"]) >= TOLD_S]
    for row in late:
        line = f"{_said(row, 'was_')} -> {_clock(row['start_s'])}"
        lines.append(f"kept    {row['setup_id']} on {row['pipe_id']}: {line}, same day and crew")
    lines.append("signed by: ____________________   on: ____________________")
    return lines


PLAN_WORDS = ("moved", "dropped", "added", "kept")


def _said(row: Mapping[Any, Any], prefix: str) -> str:
    if not row[f"{prefix}crew"]:
        return ""
    day = row[f"{prefix}date"]
    weekday = WEEKDAYS[date.fromisoformat(day).weekday()]
    return f"{row[f'{prefix}crew']} {weekday} {day} {_clock(row[f'{prefix}start_s'])}"


def _clock(seconds: int) -> str:
    return f"{seconds // 3600:02d}:{seconds % 3600 // 60:02d}"
