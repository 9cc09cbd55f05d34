"""What a person changes in the week: checked, numbered by the store, held against the audit."""

from __future__ import annotations

import threading
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

import pandas as pd

from planner.contracts import WEEK_EDITS
from planner.contracts.crews import WEEK_CHANGES
from planner.crews.by_hand import WeekByHand
from planner.crews.week import dates_of
from planner.errors import StaleError
from planner.outputs.routes import day_name
from planner.review.live import Live
from planner.review.week_now import WeekNow, Weeks
from planner.review.week_view import Fault, WeekView
from planner.tables import conform, records_in

Row = dict[str, Any]
BEST = "*best"
"""Place in a day: where it adds the least drive and breaks nothing."""
MOST_REASON = 500
_BEST_TRIED = 3
_UNDONE = {"unlock": "lock", "withdraw": "promise", "recall": "defer", "as_planned": "place"}
_PLACED = ("move", "lock")
_WORDS: dict[str, str] = {
    "move": "moved it to {place}",
    "take_off": "took it off the week",
    "as_planned": "let it stand as planned",
    "lock": "locked it to {place}",
    "unlock": "unlocked it",
    "promise": "promised {day}",
    "withdraw": "took the promise back",
    "defer": "put it off until {day}",
    "recall": "let it be planned at once",
}


@dataclass(frozen=True)
class Wish:
    """What a person asks for.

    `after` is the set-up behind which a moved one stands, '' = first, `BEST` = where it fits
    best; `seen` is the number of the last change of the set-up that the person saw, `run` the
    run that they looked at.
    """

    setup_id: str
    change: str
    crew: str
    date: str
    after: str
    reason: str
    by: str
    seen: int
    run: str


@dataclass(frozen=True)
class Answer:
    """What came of it: taken; or refused, with the reason; or stale, with what others did."""

    taken: Row | None = None
    refused: str = ""
    others: tuple[str, ...] = ()


class Edits:
    """Takes changes of the week in, one at a time."""

    def __init__(self, live: Live, weeks: Weeks) -> None:
        self._live, self._weeks = live, weeks
        self._lock = threading.RLock()

    def take(self, wish: Wish, now: WeekNow, view: WeekView) -> Answer:
        """Take in one change; only the store writes it.

        Parameters
        ----------
        wish
            What is asked for.
        now, view
            The week as it stands.

        Raises
        ------
        StoreError
            If the store cannot be written.
        """
        with self._lock:
            if wish.run != now.name:
                return Answer(others=(f"Run {now.name} stands now, not {wish.run}.",))
            stale = self._stale(wish, now)
            if stale:
                return Answer(others=stale)
            why = refused(wish, now, view)
            if why:
                return Answer(refused=why)
            row = self._row(wish, now, view)
            try:
                taken = self._live.store.append_week_edits(row, {wish.setup_id: wish.seen})
            except StaleError as error:
                edits = self._live.store.read_week_edits()
                return Answer(others=told_of(edits, error.versions) or (f"{error}.",))
            return Answer(taken=records_in(taken)[0])

    def _stale(self, wish: Wish, now: WeekNow) -> tuple[str, ...]:
        """Say what others did to the set-up since it was seen, before its state is judged."""
        rows = now.edits[(now.edits["setup_id"] == wish.setup_id).to_numpy(bool)]
        newer = rows[(rows["version"] > wish.seen).to_numpy(bool)]
        return told_of(newer, tuple(int(one) for one in newer["version"]))

    def _row(self, wish: Wish, now: WeekNow, view: WeekView) -> pd.DataFrame:
        on, at = self._live.instant()
        placed = wish.change in _PLACED
        row: Row = {
            "version": 0, "setup_id": wish.setup_id, "change": wish.change,
            "crew": wish.crew if placed else "", "date": wish.date, "after_id": "",
            "by": wish.by, "on": on, "reason": wish.reason, "at": at, "run": now.name,
        }  # fmt: skip
        if wish.change == "take_off":
            row["date"] = now.run.first_day
        elif wish.change in _UNDONE:
            row["date"] = ""
        elif wish.change == "move":
            row["after_id"] = self._after(wish, now, view, row)
        return conform([row], WEEK_EDITS)

    def _after(self, wish: Wish, now: WeekNow, view: WeekView, row: Row) -> str:
        """Give the set-up behind which it shall stand; the best place is looked for."""
        key = (wish.crew, wish.date)
        own = [one.setup_id for one in view.days[key].stops if one.setup_id != wish.setup_id]
        if wish.after != BEST:
            return wish.after
        run = now.run
        by_hand = WeekByHand.of(run.tables, run.ways, run.week, run.first_day, run.at)
        by_hand.apply([
            said["place"] for said in now.said.values()
            if said.get("place", {}).get("run") == now.name
        ])  # fmt: skip
        gone = [one for one in own if one in by_hand.gone]
        ahead = [one for one in own if one not in by_hand.gone]
        tried: list[tuple[int, str]] = []
        before = _broken(now)
        for at in by_hand.places(wish.setup_id, key)[:_BEST_TRIED]:
            after = ahead[at - 1] if at else (gone[-1] if gone else "")
            trial = {**row, "after_id": after, "version": now.version + 1}
            edits = conform([*records_in(now.edits), trial], WEEK_EDITS)
            week = self._weeks.if_changed(edits)
            new = len(_broken(week) - before) if week else 0
            tried.append((new, after))
            if not new:
                break
        return min(tried, key=lambda one: one[0])[1]


def _broken(now: WeekNow) -> set[tuple[str, str]]:
    """Give the rules broken by set-up or day: places in a day may shift without a new fault."""
    setup = dict(zip(now.visits["visit_id"], now.visits["setup_id"], strict=True))
    rows = now.tables["audit"][["visit_id", "rule"]].itertuples(index=False)
    return {(str(setup.get(about, about)), str(rule)) for about, rule in rows}


def refused(wish: Wish, now: WeekNow, view: WeekView) -> str:
    """Say why a change cannot be taken at all; '' = it can."""
    stop = view.stops.get(wish.setup_id)
    if stop is None:
        return f"There is no set-up {wish.setup_id} in this week."
    if wish.change not in WEEK_CHANGES:
        return "Nothing is known of such a change."
    if not 0 < len(wish.reason) <= MOST_REASON:
        return f"A reason is wanted, of {MOST_REASON} signs at most: it is kept with the change."
    about = _UNDONE.get(wish.change)
    if about is not None:
        there = about in now.said.get(wish.setup_id, {})
        return "" if there else "There is nothing of that kind to take back any more."
    if not stop.movable:
        return f"It is {stop.state}; what took place is not planned again."
    return _day_refused(wish, now, view)


def _day_refused(wish: Wish, now: WeekNow, view: WeekView) -> str:
    dates = [day for day, _ in dates_of(now.run.first_day, now.run.week)]
    if not dates:
        return "planner.toml names no first day: there is no week to change."
    if wish.change in _PLACED:
        day = view.days.get((wish.crew, wish.date))
        if day is None or not day.shift:
            return f"{wish.crew or 'The crew'} has no shift on that day."
        return _place_refused(wish, now, view)
    if wish.change in ("promise", "defer"):
        if not _is_day(wish.date):
            return "A day is wanted, as YYYY-MM-DD."
        if wish.date < dates[0]:
            return f"{wish.date} lies before the week, which begins on {dates[0]}."
    return ""


def _place_refused(wish: Wish, now: WeekNow, view: WeekView) -> str:
    key = (wish.crew, wish.date)
    lock = now.said.get(wish.setup_id, {}).get("lock")
    if wish.change == "move" and lock and (lock["crew"], lock["date"]) != key:
        where = f"{lock['crew']} on {day_name(lock['date'])}"
        return f"{lock['by']} locked it to {where} ({lock['reason']}). Unlock it first."
    there = {one.setup_id for one in view.days[key].stops}
    if wish.change == "move" and wish.after not in ("", BEST, *there):
        return "The stop behind which it shall stand is on that day no more."
    if wish.after == wish.setup_id:
        return "A stop cannot stand behind itself."
    return ""


def _is_day(text: str) -> bool:
    try:
        return date.fromisoformat(text).isoformat() == text
    except ValueError:
        return False


def told_of(edits: pd.DataFrame, versions: tuple[int, ...]) -> tuple[str, ...]:
    """Say what others did: who, when, what, why."""
    rows = records_in(edits[edits["version"].isin(versions).to_numpy(bool)])
    return tuple(f"{row['by']}, {when(row)}: {what_was_said(row)}" for row in rows)


def what_was_said(row: Mapping[str, Any]) -> str:
    """Say what one change of the week is, with its reason."""
    day = day_name(str(row["date"])) if row["date"] else ""
    place = f"{row['crew']} on {day}" if row["crew"] else day
    words = _WORDS[str(row["change"])].format(place=place, day=day)
    return f"{words} ({row['reason']})"


def when(row: Mapping[str, Any]) -> str:
    """Write when a change was taken: its day, and its time in UTC where the page took it."""
    at = str(row["at"])
    return f"{at[:10]} {at[11:16]} UTC" if at else str(row["on"])


def what_breaks(view: WeekView, before: WeekView) -> list[Fault]:
    """Give the faults of a week that it had not before, the strongest first."""
    known = {(one.setup_id or one.where, one.words) for one in before.faults}
    return [one for one in view.faults if (one.setup_id or one.where, one.words) not in known]
