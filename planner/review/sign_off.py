"""What changed since the last sign-off, what stops the next one, and the signing itself."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from planner.errors import StoreError
from planner.repairs.accept import find_orphans
from planner.repairs.decide_spans import records
from planner.repairs.revise import changes_since, freeze
from planner.review.jobs import Telling
from planner.review.live import Live
from planner.tables import rows_in

SHOWN = 300
"""So many changed pipes are listed; of more the rest is counted."""


@dataclass(frozen=True)
class SignOff:
    """The state that a sign-off would freeze.

    `seen` is the number of the last decision in it; `orphans` say which decisions have lost
    what they are about, and stop it.
    """

    last: int
    changes: list[dict[str, str]]
    counts: dict[str, int]
    states: dict[str, int]
    orphans: list[str]
    seen: int


def sign_off(live: Live) -> SignOff:
    """Hold what stands against the last revision.

    Raises
    ------
    StoreError
        If the store cannot be read.
    """
    made, decisions = live.proposal(), live.decisions
    choices = made.tables["choices"]
    last, before = live.store.read_last_revision()
    changes = changes_since(before, freeze(choices, last + 1))
    lost = find_orphans(decisions, pd.concat(made.lost_ids), choices)
    told = rows_in(lost, ("old_id", "pipe_id", "what"))
    return SignOff(
        last,
        records(changes.head(SHOWN)),
        _counted(changes["change"]),
        _counted(choices["state"]),
        [f"{old_id} on pipe {pipe}: {what}" for old_id, pipe, what in told],
        last_decision(decisions),
    )


def _counted(words: pd.Series) -> dict[str, int]:
    found = words.value_counts()
    return {str(word): int(found[word]) for word in sorted(found.index)}


def last_decision(decisions: pd.DataFrame) -> int:
    """Give the number of the last decision of all; 0 = there is none."""
    return int(decisions["version"].max()) if len(decisions) else 0


def sign_run(tell: Telling, folder: str, by: str, on: str, reason: str, seen: int) -> list[str]:
    """Sign as ``sleeveplan sign`` does, if nobody decided anything since it was looked at.

    Parameters
    ----------
    tell, folder
        Says how far it is; the project folder.
    by, on, reason
        Who signs, YYYY-MM-DD, and what for.
    seen
        Number of the last decision that the person saw.

    Raises
    ------
    StoreError
        If decisions have lost what they are about, or somebody decided meanwhile.
    """
    from planner.folder import sign_project
    from planner.store.chosen import store_of

    if last_decision(store_of(Path(folder)).read_decisions()) != seen:
        message = "not signed: somebody decided meanwhile; look at the list again"
        raise StoreError(message)
    tell("planning, writing and freezing what is decided")
    out, lines = sign_project(Path(folder), by, on, reason)
    return [f"run {out.name}", *lines[:2]]


def signed_by(live: Live) -> str:
    """Say who signed last, when and what for; '' where nobody has."""
    with live.lock:
        found = live.store.read_revisions()
    if not len(found):
        return ""
    row = records(found.sort_values("version").tail(1))[0]
    return f"revision {row['version']} by {row['by']} on {row['on']}: {row['reason']}"
