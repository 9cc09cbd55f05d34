"""What happened at a stop, from the page into the journal by the checks of `sleeveplan report`."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd

from planner.contracts.journal import REASONS
from planner.ground.event_places import standing
from planner.outputs.wording import STEP_WORDS, metres
from planner.review.week_now import WeekNow
from planner.tables import records_in

Row = dict[str, Any]
KINDS = (
    ("done", "done"),
    ("started", "begun, still at it"),
    ("failed", "it did not work"),
    ("deferred", "put off"),
    ("freed", "may be planned again"),
)
REASON_WORDS = tuple((code, reason.meaning) for code, reason in REASONS.items())
_OF_STATE = ("done", "started", "failed", "deferred", "freed")
# What a form may say beside kind, time and crew, by the columns of the journal.
_FIELDS = ("note", "lot", "mass_kg", "dn_mm", "length_m", "system")
_OF_FAILURE = ("reason", "spent", "in_pipe")
_MEASURES = ("inside_mm", "void_visible", "find_from_m", "find_to_m")


@dataclass(frozen=True)
class WorkLine:
    """One work of a stop, in words, and where it stands."""

    work_id: str
    words: str
    state: str


def states_of(events: pd.DataFrame) -> dict[str, str]:
    """Give where each work stands by the journal: done, started, failed or deferred.

    Parameters
    ----------
    events
        Obeys `EVENTS`.
    """
    found: dict[str, str] = {}
    for event in standing(events):
        if event["kind"] not in _OF_STATE:
            continue
        for work_id in filter(None, str(event["works"]).split("+")):
            found[work_id] = "" if event["kind"] == "freed" else str(event["kind"])
    return found


def works_at(now: WeekNow, setup_id: str, states: Mapping[str, str], units: str) -> list[WorkLine]:
    """Give the works of a set-up in their order."""
    links = now.tables["setup_works"]
    own = links[(links["setup_id"] == setup_id).to_numpy(bool)].sort_values("seq")
    works = now.tables["works"]
    rows = {
        str(row["work_id"]): row for row in records_in(works[works["work_id"].isin(own["work_id"])])
    }
    lines = []
    for work_id in own["work_id"].astype(str):
        work = rows.get(work_id)
        if work is None:
            continue
        words = STEP_WORDS.get(str(work["step"]), str(work["step"]))
        if work["step"] != "check_access":
            words += f", {metres(work['from_m'], units)} to {metres(work['to_m'], units)}"
        state = "done" if work["state"] == "done" else states.get(work_id, "")
        lines.append(WorkLine(work_id, words, state))
    return lines


def report_of(form: Mapping[str, str], work_ids: Sequence[str], by: str) -> list[dict[str, str]]:
    """Turn what a person filled in into rows of the journal's form.

    Parameters
    ----------
    form
        Fields of the page: kind, at, crew, and what the kind asks for.
    work_ids
        Works that were ticked.
    by
        Who reports.

    Returns
    -------
    rows
        One for each work, one for what was measured, one for resin used besides.
    """
    base = {"at": form.get("at", ""), "crew": form.get("crew", ""), "by": by}
    kind = form.get("kind", "")
    own = {name: form.get(name, "") for name in ("note",)}
    if kind == "failed":
        own |= {name: form.get(name, "") for name in _OF_FAILURE}
    if kind == "deferred":
        own |= {name: form.get(name, "") for name in ("reason", "until")}
    material = {name: form.get(name, "") for name in _FIELDS if name != "note"}
    sets = set(form.get("sets", "").split("+"))
    rows = []
    for work_id in work_ids:
        more = material if kind == "done" and work_id in sets else {}
        rows.append({**base, "kind": kind, "work_id": work_id, **own, **more})
    measured = {name: form.get(name, "") for name in _MEASURES}
    if any(measured.values()):
        rows.append(
            {
                **base,
                "kind": "measured",
                "pipe_id": form.get("pipe_id", ""),
                **measured,
                "from_m": form.get("meant_from_m", ""),
                "to_m": form.get("meant_to_m", ""),
            }
        )
    if form.get("used_kg"):
        rows.append(
            {
                **base,
                "kind": "used",
                "item": "resin",
                "mass_kg": form["used_kg"],
                "system": form.get("used_system", ""),
                "lot": form.get("used_lot", ""),
            }
        )
    return [{name: value.strip() for name, value in row.items()} for row in rows]


def begin_at(day: str, clock_text: str, today: str) -> str:
    """Give the time that a form proposes: the stop's own where its day is past, or today's day."""
    hour = clock_text[:5] if len(clock_text) >= 5 else "12:00"
    return f"{day if day and day <= today else today}T{hour}"
