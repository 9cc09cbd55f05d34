"""The week as the planner sees it: crew-days with what they hold against limits, stops, faults."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import pandas as pd

from planner.contracts.crews import RANKED
from planner.contracts.facts import RunFacts
from planner.crews.timetable import NO_LIMIT, CrewDay, Stop
from planner.crews.week import dates_of, lay_out
from planner.outputs.palette import stop_label
from planner.outputs.routes import crew_letters, day_name
from planner.outputs.stops import visit_title
from planner.outputs.wording import clock, mass, way
from planner.review.week_now import WeekNow
from planner.tables import records_in

Row = dict[str, Any]
Key = tuple[str, str]
# Faults that hurt people or spoil the work for certain: shown first, in the strongest form.
STRONG = ("promise", "notice", "pot life", "flow")
RULE_WORDS: dict[str, str] = {
    "promise": "a promise to residents is broken",
    "notice": "residents are not told of this day",
    "pot life": "the resin would set before it is in place",
    "flow": "water or a jet would come into an open pipe",
    "pipe": "two crews on one pipe at once",
    "shift": "outside the shift",
    "fill": "more than may be planned of the shift",
    "pause": "no pause",
    "order": "the times do not add up",
    "window": "outside the hours of the street",
    "permit": "no permit",
    "closed day": "no work may be done that day",
    "van": "more than the van carries",
    "cap": "more sleeves than a day holds",
    "shelf": "more than lies on the shelf",
    "before": "what must come before it does not",
    "together": "works that belong together are apart",
    "steps": "this crew does not do it",
    "system": "this crew is not set up for it",
    "packer": "no packer of this van fits",
    "persons": "too few persons",
    "ticket": "a ticket is missing",
    "turn": "no packer turns there",
    "access": "access is not checked",
    "accepted": "not accepted",
    "cure": "too little time to cure",
    "lock": "against a lock",
    "put off": "it was put off",
    "taken off": "it was taken off",
    "works": "its works are done or held",
}
_SECONDS = re.compile(r"\b(\d+) s\b")
_CLOCK = re.compile(r"\b(\d\d:\d\d):\d\d\b")
_DAY = re.compile(r"\b\d{4}-\d\d-\d\d\b")


@dataclass(frozen=True)
class Fault:
    """One rule that the week breaks, in words; `where` is a stop's number or a day."""

    where: str
    words: str
    found: str
    limit: str
    strong: bool
    key: Key = ("", "")
    setup_id: str = ""

    @property
    def rank(self) -> int:
        """Give its place among the strong faults; the others come behind."""
        words = [RULE_WORDS[rule] for rule in STRONG]
        return words.index(self.words) if self.strong else len(words)


@dataclass(frozen=True)
class Meter:
    """One thing that a day holds against its limit; `most` 0 = no limit is set."""

    name: str
    value: float
    most: float
    text: str

    @property
    def over(self) -> bool:
        """Say whether it is above its limit."""
        return self.most > 0 and self.value > self.most


@dataclass(frozen=True)
class StopView:
    """One set-up as it stands in the week, or without a place in it."""

    setup_id: str
    label: str
    street: str
    manhole: str
    title: str
    urgency: str
    start: str
    end: str
    marks: tuple[tuple[str, str], ...]
    state: str
    seen: int
    key: Key = ("", "")
    reason: str = ""
    rank: str = ""
    faulty: bool = False

    @property
    def movable(self) -> bool:
        """Say whether it may still be moved."""
        return self.state in ("", "put off", "failed")


@dataclass(frozen=True)
class DayView:
    """One crew on one date; `shift` says whether it works at all that day."""

    crew: str
    date: str
    name: str
    number: int
    shift: bool
    times: str = ""
    drive: str = ""
    spare: str = ""
    meters: tuple[Meter, ...] = ()
    stops: tuple[StopView, ...] = ()
    faults: tuple[Fault, ...] = ()

    @property
    def value(self) -> str:
        """Give what a form sends for it."""
        return f"{self.date}|{self.crew}"


@dataclass(frozen=True)
class WeekView:
    """All of a week as it is shown: days by date and crew, what has no visit, faults."""

    name: str
    crews: tuple[tuple[str, str], ...]
    dates: tuple[tuple[str, str], ...]
    days: Mapping[Key, DayView]
    left: tuple[StopView, ...]
    faults: tuple[Fault, ...]
    stops: Mapping[str, StopView] = field(default_factory=dict)

    @property
    def strong(self) -> tuple[Fault, ...]:
        """Give the faults that are shown first."""
        return tuple(one for one in self.faults if one.strong)

    @property
    def open_days(self) -> list[DayView]:
        """Give the crew-days on which a stop can be put."""
        return [day for day in self.days.values() if day.shift]


def week_view(now: WeekNow, states: Mapping[str, str], facts: RunFacts) -> WeekView:
    """Lay a week out for the page.

    Parameters
    ----------
    now
        The week as it stands.
    states
        Where works stand: done, started, failed or deferred, by work.
    facts
        Units to print.
    """
    return _Maker(now, states, facts).view()


class _Maker:
    """What is looked up while a week is laid out."""

    def __init__(self, now: WeekNow, states: Mapping[str, str], facts: RunFacts) -> None:
        run, tables = now.run, now.tables
        self._now, self._states, self._facts = now, states, facts
        stops, days = lay_out(tables, run.ways, run.week, run.first_day)
        self._stops: dict[str, Stop] = {stop.setup_id: stop for stop in stops}
        self._days: dict[Key, CrewDay] = {(day.crew, day.date): day for day in days}
        plain = pd.DataFrame(tables["setups"].drop(columns="geometry", errors="ignore"))
        self._setups = {str(row["setup_id"]): row for row in records_in(plain)}
        nodes = pd.DataFrame(tables["nodes"])[["node_id", "street"]].astype(str)
        self._streets = dict(nodes.itertuples(index=False, name=None))
        links = tables["setup_works"].sort_values(["setup_id", "seq"])
        self._works: dict[str, list[str]] = {}
        for setup_id, work_id in links[["setup_id", "work_id"]].itertuples(index=False):
            self._works.setdefault(str(setup_id), []).append(str(work_id))
        work_rows = tables["works"][["work_id", "state"]]
        self._done = {str(w) for w, state in work_rows.itertuples(index=False) if state == "done"}
        self._pins = (
            {str(row["setup_id"]): row for row in records_in(tables["pins"])}
            if "pins" in tables
            else {}
        )
        hours_of = tables["setup_hours"]
        told = hours_of[(hours_of["promised"] & (hours_of["reason"] == "")).to_numpy(bool)]
        self._told = {str(one) for one in told["setup_id"]}
        self._dates = [day for day, _ in dates_of(run.first_day, run.week)]
        self._faults = self._all_faults()

    def view(self) -> WeekView:
        now = self._now
        crews = sorted(str(one) for one in now.tables["crews"]["crew"])
        rows: dict[Key, list[Row]] = {}
        for row in records_in(now.visits.sort_values(["crew", "date", "seq"], kind="stable")):
            rows.setdefault((str(row["crew"]), str(row["date"])), []).append(row)
        days = {
            (crew, date): self._day((crew, date), rows.get((crew, date), []))
            for date in self._dates
            for crew in crews
        }
        left = [self._left(row) for row in records_in(now.tables["unserved"])]
        left.sort(key=lambda one: (one.rank == "", int(one.rank or 0), one.setup_id))
        stops = {one.setup_id: one for day in days.values() for one in day.stops}
        stops |= {one.setup_id: one for one in left}
        known = crew_letters(now.tables)
        letters = tuple((crew, known.get(crew, "")) for crew in crews)
        dates = tuple((date, day_name(date)) for date in self._dates)
        ranked = sorted(self._faults, key=lambda one: (one.rank, one.key[1], one.where))
        return WeekView(now.name, letters, dates, days, tuple(left), tuple(ranked), stops)

    def _day(self, key: Key, rows: Sequence[Row]) -> DayView:
        crew, date = key
        number, day = self._dates.index(date) + 1, self._days.get(key)
        name = day_name(date)
        faults = tuple(one for one in self._faults if one.key == key)
        wrong = {one.setup_id for one in faults}
        stops = tuple(self._visit(row, number, wrong) for row in rows)
        if day is None or not rows:
            spare = span(day.most_s) if day else ""
            return DayView(crew, date, name, number, day is not None, spare=spare, stops=stops,
                           faults=faults)  # fmt: skip
        last = rows[-1]
        leave_s = int(rows[0]["arrive_s"]) - int(rows[0]["drive_s"])
        home_s = int(last["end_s"]) + int(last["end_pause_s"]) + int(last["back_s"])
        drive_s = sum(int(row["drive_s"]) for row in rows) + int(last["back_s"])
        drive_m = sum(float(row["drive_m"]) for row in rows) + float(last["back_m"])
        return DayView(
            crew, date, name, number, shift=True,
            times=f"{clock(leave_s)} to {clock(home_s)}",
            drive=f"{span(drive_s)}, {way(drive_m, self._facts.units)}",
            spare=span(max(0, day.most_s - (home_s - leave_s))),
            meters=self._meters(day, home_s - leave_s, [str(r["setup_id"]) for r in rows]),
            stops=stops, faults=faults,
        )  # fmt: skip

    def _meters(self, day: CrewDay, away_s: int, setup_ids: Sequence[str]) -> tuple[Meter, ...]:
        loads = [self._stops[one].loads for one in setup_ids if one in self._stops]
        sleeves, grams, shares = (sum(one[n] for one in loads) for n in range(3))
        units = self._facts.units
        most = day.most_s + day.over_s
        found = [Meter("hours", away_s, most, f"{_clocked(away_s)} of {_clocked(most)} h")]
        if sleeves:
            found.append(Meter("day's sleeves", shares, day.holds[2],
                               f"{sleeves}, {shares / day.holds[2]:.0%} of a day"))  # fmt: skip
            found.append(_held("sleeves on the van", sleeves, day.holds[0], str))
            found.append(_held("resin", grams, day.holds[1], lambda g: mass(g, units)))
        packers = sorted({str(self._setups[one]["packer_dn"]) for one in setup_ids} - {""})
        if packers:
            found.append(Meter("packers for", 0, 0, f"DN {', '.join(packers)}"))
        return tuple(found)

    def _visit(self, row: Row, number: int, wrong: set[str]) -> StopView:
        setup_id = str(row["setup_id"])
        return self._stop(
            setup_id,
            label=stop_label(number, int(row["seq"])),
            start=clock(row["start_s"]),
            end=clock(row["end_s"]),
            key=(str(row["crew"]), str(row["date"])),
            faulty=setup_id in wrong,
        )

    def _left(self, row: Row) -> StopView:
        why, _, rank = str(row["reason"]).partition(RANKED)
        number = re.match(r"\d+", rank)
        return self._stop(str(row["setup_id"]), reason=why, rank=number[0] if number else "")

    def _stop(self, setup_id: str, **more: Any) -> StopView:  # noqa: ANN401 - of the view
        setup = self._setups.get(setup_id, {})
        node = str(setup.get("node_id", ""))
        steps = tuple(str(setup.get("steps", "")).split("+"))
        return StopView(
            **{"label": "", "start": "", "end": "", **more},
            setup_id=setup_id,
            street=self._streets.get(node, "") or "street not known",
            manhole=node,
            title=visit_title(steps, int(setup.get("sleeves_count", 0))),
            urgency=str(setup.get("urgency", "")).replace("_", " "),
            marks=tuple(self._marks(setup_id)),
            state=self._state(setup_id),
            seen=self._now.seen(setup_id),
        )

    def _marks(self, setup_id: str) -> list[tuple[str, str]]:
        said, pin = self._now.said.get(setup_id, {}), self._pins.get(setup_id, {})
        marks = []
        if pin.get("for_date"):
            marks.append(("promised", f"promised for {day_name(pin['for_date'])}"))
        elif setup_id in self._told:
            marks.append(("promised", "promised"))
        if "lock" in said and (pin.get("crew") or pin.get("date")):
            marks.append(("locked", "locked"))
        if pin.get("not_before"):
            marks.append(("deferred", f"not before {day_name(pin['not_before'])}"))
        if pin.get("off"):
            marks.append(("moved", "taken off"))
        elif said.get("place", {}).get("run") == self._now.name:
            marks.append(("moved", "moved by hand"))
        elif "place" in said and pin.get("crew"):
            marks.append(("moved", "placed by hand"))
        return marks

    def _state(self, setup_id: str) -> str:
        works = self._works.get(setup_id, [])
        words = {"done" if one in self._done else self._states.get(one, "") for one in works}
        if works and words == {"done"}:
            return "done"
        for word, told in (("failed", "failed"), ("started", "under way"), ("done", "under way"),
                           ("deferred", "put off")):  # fmt: skip
            if word in words:
                return told
        return ""

    def _all_faults(self) -> list[Fault]:
        visits = {str(row["visit_id"]): row for row in records_in(self._now.visits)}
        faults = []
        for row in records_in(self._now.tables["audit"]):
            rule, about = str(row["rule"]), str(row["visit_id"])
            where, key, setup_id = self._about(about, visits.get(about))
            said = [_plain(str(row[name])) for name in ("found", "limit")]
            words = RULE_WORDS.get(rule, rule)
            faults.append(Fault(where, words, said[0], said[1], rule in STRONG, key, setup_id))
        served = {str(row["setup_id"]) for row in visits.values()}
        for setup_id, pin in self._pins.items():
            day = pin["for_date"]
            if day in self._dates and setup_id not in served:
                words = RULE_WORDS["promise"]
                faults.append(Fault(setup_id, words, "no visit this week", day_name(day),
                                    strong=True, setup_id=setup_id))  # fmt: skip
        return faults

    def _about(self, about: str, visit: Row | None) -> tuple[str, Key, str]:
        """Say what a row of the audit is about: a stop, a day, or a thing on the shelf."""
        if visit is not None:
            key = (str(visit["crew"]), str(visit["date"]))
            number = self._dates.index(key[1]) + 1 if key[1] in self._dates else 0
            label = stop_label(number, int(visit["seq"]))
            return f"{label} of {key[0]}", key, str(visit["setup_id"])
        crew, _, date = about.rpartition("|")
        if (crew, date) in self._days:
            return f"{crew}, {day_name(date)}", (crew, date), ""
        return about, ("", ""), about if about in self._setups else ""


def _held(name: str, value: int, most: int, words: Any) -> Meter:  # noqa: ANN401 - a wording
    if most >= NO_LIMIT:
        return Meter(name, value, 0, words(value))
    return Meter(name, value, most, f"{words(value)} of {words(most)}")


def _plain(text: str) -> str:
    """Write seconds of the audit as hours, times without their seconds, dates as on the page."""
    text = _DAY.sub(lambda found: day_name(found[0]), _CLOCK.sub(r"\1", text))
    return _SECONDS.sub(lambda found: span(int(found[1])), text)


def span(seconds: float) -> str:
    """Write a duration [s] in hours and minutes, or in minutes where it is short."""
    return f"{_clocked(seconds)} h" if seconds >= 3570 else f"{round(seconds / 60)} min"


def _clocked(seconds: float) -> str:
    minutes = round(seconds / 60)
    return f"{minutes // 60}:{minutes % 60:02d}"
