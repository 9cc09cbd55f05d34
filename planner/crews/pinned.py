"""What people said of a week by hand, as far as it is in force: moves, locks, promises, days off.

A plan made anew, and one made again within the week, both keep to it: what was moved or locked
is bound to its crew and day, a promise counts like a sent notice for its date, what is put off
is not planned before its day, and what was taken off the week is not planned in it.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd

from planner.contracts import FLAGS, PINS, WEEK_EDITS
from planner.crews.asked import Lock
from planner.tables import check, conform, records_in

Row = dict[str, Any]
# What a change is about. Of each the last one counts; the words in `_ENDS` end it.
_ABOUT: dict[str, str] = {
    "move": "place", "take_off": "place", "as_planned": "place",
    "lock": "lock", "unlock": "lock",
    "promise": "promise", "withdraw": "promise",
    "defer": "defer", "recall": "defer",
}  # fmt: skip
_ENDS = frozenset({"as_planned", "unlock", "withdraw", "recall"})


def in_force(edits: pd.DataFrame) -> dict[str, dict[str, Row]]:
    """Give what is in force, by set-up and by what it is about: place, lock, promise, defer.

    Parameters
    ----------
    edits
        Obeys `WEEK_EDITS`.
    """
    found: dict[str, dict[str, Row]] = {}
    for row in sorted(records_in(check(edits, WEEK_EDITS)), key=lambda one: int(one["version"])):
        own = found.setdefault(str(row["setup_id"]), {})
        own.pop(_ABOUT[str(row["change"])], None)
        if row["change"] not in _ENDS:
            own[_ABOUT[str(row["change"])]] = row
    return {one: own for one, own in found.items() if own}


def pins_of(edits: pd.DataFrame, dates: list[str]) -> pd.DataFrame:
    """Say of each set-up what people want of it in a week.

    What names a day before the week is over. Of a move and a lock the later one counts.

    Parameters
    ----------
    edits
        Obeys `WEEK_EDITS`.
    dates
        Of the week, in order; without one nothing is bound.

    Returns
    -------
    pins
        Obeys `PINS`; a set-up of which nothing is said has no row.
    """
    rows = [_pin(one, own, dates) for one, own in in_force(edits).items()] if dates else []
    return conform([row for row in rows if row], PINS)


def _pin(setup_id: str, own: Mapping[str, Row], dates: list[str]) -> Row:
    row: Row = {"setup_id": setup_id, "off": False}
    said = []
    bound = [own[name] for name in ("place", "lock") if name in own]
    for one in sorted(bound, key=lambda one: int(one["version"])):
        off = one["change"] == "take_off"
        if off and not dates[0] <= one["date"] <= dates[-1]:
            continue
        if one["date"] and one["date"] < dates[0]:
            continue
        place = {"crew": "", "date": ""} if off else {"crew": one["crew"], "date": one["date"]}
        row |= {"off": off, **place}
        said.append(one)
    for name, column in (("promise", "for_date"), ("defer", "not_before")):
        if name in own and own[name]["date"] >= dates[0]:
            row[column] = own[name]["date"]
            said.append(own[name])
    if not said:
        return {}
    row["by"] = "+".join(dict.fromkeys(str(one["by"]) for one in said))
    row["why"] = "; ".join(dict.fromkeys(str(one["reason"]) for one in said if one["reason"]))
    return row


def pins_here(pins: pd.DataFrame, setups: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Part pins of set-ups that are there from what was said of those that are there no more.

    Returns
    -------
    pins, flags
        Obey `PINS` and `FLAGS`.
    """
    here = pins["setup_id"].isin(setups["setup_id"]).to_numpy(bool)
    what = "was bound by hand and is no set-up now: its works are done, or it was grouped anew"
    rows = [{"step": "week", "key": one, "what": what} for one in pins["setup_id"][~here]]
    return pins[here].reset_index(drop=True), conform(rows, FLAGS)


def pins_since(pins: pd.DataFrame, at_date: str) -> pd.DataFrame:
    """Give the pins as of a day within the week: a day that has passed binds nobody."""
    rows = records_in(check(pins, PINS))
    for row in rows:
        if row["for_date"] and row["for_date"] < at_date:
            row["for_date"] = ""
        if row["date"] and row["date"] < at_date:
            row["crew"] = row["date"] = ""
    return conform(rows, PINS)


def locks_of(pins: pd.DataFrame) -> dict[str, Lock]:
    """Give the crew and the day that set-ups are bound to, by set-up."""
    return {
        str(row["setup_id"]): Lock(str(row["crew"]), str(row["date"]))
        for row in records_in(check(pins, PINS))
        if row["crew"] or row["date"]
    }
