"""The tables of a week as rows by their keys, for the audit."""

from __future__ import annotations

import datetime
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

import pandas as pd

from planner.contracts.facts import Tables
from planner.contracts.hours import DAY_S
from planner.crews.travel import Travel
from planner.settings import Week

Row = dict[str, Any]
# Visit, rule, what is there, what must be.
Broken = tuple[str, str, str, str]


@dataclass(frozen=True)
class Book:
    """Rows by key. A reference that leads nowhere gives an empty row, which breaks rules."""

    visits: list[Row]
    setups: dict[str, Row]
    setup_works: dict[str, list[str]]
    works: dict[str, Row]
    before: dict[str, list[str]]
    sleeves: dict[str, Row]
    pipes: dict[str, Row]
    nodes: dict[str, Row]
    crews: dict[str, Row]
    packers: dict[str, Row]
    cures: dict[str, str]
    tables: Tables
    ways: Travel
    week: Week
    first_day: str
    at: tuple[str, int] = ("", 0)
    _listed: dict[str, list[Row]] = field(default_factory=dict)

    @classmethod
    def of(cls, tables: Tables, ways: Travel, week: Week, first_day: str, at: str = "") -> Book:
        """Lay out the tables; see `audit_week`."""
        visits = tables["visits"].sort_values(["crew", "date", "seq"], kind="stable")
        works_of: dict[str, list[str]] = {}
        links = tables["setup_works"].sort_values(["setup_id", "seq"], kind="stable")
        for setup_id, work_id in links[["setup_id", "work_id"]].itertuples(index=False):
            works_of.setdefault(str(setup_id), []).append(str(work_id))
        before: dict[str, list[str]] = {}
        pairs = tables["work_after"][["work_id", "after_id"]]
        for work_id, after_id in pairs.itertuples(index=False):
            before.setdefault(str(work_id), []).append(str(after_id))
        systems = tables["systems"]
        return cls(
            rows_of(visits),
            by_key(tables["setups"], "setup_id"),
            works_of,
            by_key(tables["works"], "work_id"),
            before,
            by_key(tables["sleeves"], "sleeve_id"),
            by_key(tables["pipes"], "pipe_id"),
            by_key(tables["nodes"], "node_id"),
            by_key(tables["crews"], "crew"),
            by_key(tables["packers"], "packer"),
            dict(zip(systems["system"], systems["cure"], strict=True)),
            tables,
            ways,
            week,
            first_day,
            (at[:10], int(at[11:13]) * 3600 + int(at[14:16]) * 60) if at else ("", 0),
        )

    def listed(self, name: str) -> list[Row]:
        """Give the rows of a table; none where it is not there."""
        if name not in self._listed:
            self._listed[name] = rows_of(self.tables[name]) if name in self.tables else []
        return self._listed[name]

    def past(self, visit: Row) -> bool:
        """Say whether a visit began before the instant from which the week was planned again."""
        return int(visit["start_s"]) < self.gone_s(visit["date"])

    def gone_s(self, date: str) -> int:
        """Give the instant of planning again as seconds from midnight of a date; 0 without one."""
        if not self.at[0]:
            return 0
        days = datetime.date.fromisoformat(self.at[0]) - datetime.date.fromisoformat(date)
        return self.at[1] + 86_400 * days.days

    def works_at(self, visit: Row) -> list[Row]:
        """Give the works of a visit, in their order, that are in the table of works."""
        ids = self.setup_works.get(visit["setup_id"], [])
        return [self.works[one] for one in ids if one in self.works]

    def sleeves_at(self, visit: Row) -> list[Row]:
        """Give the sleeves that a visit sets."""
        sets = [work for work in self.works_at(visit) if work["step"] == "sleeve"]
        return [self.sleeves[w["sleeve_id"]] for w in sets if w["sleeve_id"] in self.sleeves]

    def days(self) -> Iterator[tuple[str, str, list[Row]]]:
        """Give each crew's day with its visits in order of seq."""
        found: dict[tuple[str, str], list[Row]] = {}
        for visit in self.visits:
            found.setdefault((visit["crew"], visit["date"]), []).append(visit)
        for (crew, date), visits in sorted(found.items()):
            yield crew, date, visits


def rows_of(frame: pd.DataFrame) -> list[Row]:
    """Give the rows of a table as plain dictionaries, without geometry."""
    plain = pd.DataFrame(frame.drop(columns="geometry", errors="ignore"))
    return [{str(k): v for k, v in row.items()} for row in plain.to_dict("records")]


def by_key(frame: pd.DataFrame, key: str) -> dict[str, Row]:
    """Give the rows of a table by their key."""
    return {str(row[key]): row for row in rows_of(frame)}


def moment(visit: Row, name: str) -> int:
    """Give a time of a visit on a clock that runs on from day to day [s]."""
    return datetime.date.fromisoformat(visit["date"]).toordinal() * DAY_S + int(visit[name])


def clock(seconds: int) -> str:
    """Write seconds from midnight as HH:MM:SS."""
    return f"{seconds // 3600:02d}:{seconds % 3600 // 60:02d}:{seconds % 60:02d}"
