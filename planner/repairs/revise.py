"""What a sign-off freezes, and what has changed since the last one."""

from __future__ import annotations

import pandas as pd

from planner.contracts import CHOICES, REVISION_CHANGES, REVISION_CHOICES
from planner.ground.money import money
from planner.repairs.decide_spans import Row, content_of, records
from planner.tables import check, conform


def freeze(choices: pd.DataFrame, version: int) -> pd.DataFrame:
    """Give the choices as one revision keeps them; obeys `REVISION_CHOICES`.

    Parameters
    ----------
    choices
        Obeys `CHOICES`.
    version
        Number of the revision.
    """
    return conform(check(choices, CHOICES).assign(version=version), REVISION_CHOICES)


def changes_since(last: pd.DataFrame, now: pd.DataFrame) -> pd.DataFrame:
    """List the pipes whose choice differs between two revisions.

    Parameters
    ----------
    last, now
        Obey `REVISION_CHOICES`, one revision each; `last` is empty before the first.

    Returns
    -------
    changes
        Obeys `REVISION_CHANGES`: method, state, cost and what is proposed, then and now.
    """
    old = {str(row["pipe_id"]): row for row in records(check(last, REVISION_CHOICES))}
    new = {str(row["pipe_id"]): row for row in records(check(now, REVISION_CHOICES))}
    rows = []
    for pipe_id in sorted(old.keys() | new.keys()):
        was, is_now = _shown(old.get(pipe_id)), _shown(new.get(pipe_id))
        if was != is_now:
            change = "new" if pipe_id not in old else "gone" if pipe_id not in new else "changed"
            rows.append({"pipe_id": pipe_id, "change": change, "was": was, "now": is_now})
    return conform(rows, REVISION_CHANGES)


def _shown(row: Row | None) -> str:
    if row is None:
        return ""
    cost: str = "not costed" if pd.isna(row["cost_cents"]) else money(int(row["cost_cents"]))
    return f"{row['state']}: {content_of(row['fingerprint'])}; {cost}"


def change_lines(changes: pd.DataFrame) -> list[str]:
    """Print what a revision changes, one line for each pipe."""
    counts = changes["change"].value_counts()
    parts = [f"{int(counts[word])} {word}" for word in ("new", "changed", "gone") if word in counts]
    lines = ["differences to the last revision: " + (", ".join(parts) or "none")]
    for row in records(changes):
        told = {"new": row["now"], "gone": f"was {row['was']}"}.get(
            str(row["change"]), f"{row['was']} -> {row['now']}"
        )
        lines.append(f"  pipe {row['pipe_id']}: {row['change']}: {told}")
    return lines
