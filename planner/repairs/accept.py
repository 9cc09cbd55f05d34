"""What people decided on each pipe's choice, after placement.

An acceptance holds for what was accepted, by its fingerprint; nothing is accepted by
being like it. `sift_decisions` refuses what cannot be decided before the store takes it.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import pandas as pd

from planner.contracts import CHOICES, LEFT_OVER, ORPHANS
from planner.repairs.decide_spans import (
    Row,
    content_of,
    latest,
    not_on_span,
    records,
    span_prints,
    who,
)
from planner.tables import check, conform

CHOICE_WORDS = ("accept", "refuse", "hold", "sleeve", "liner", "dig", "undo")
METHOD_WORDS = ("sleeve", "liner", "dig")
CHANGED = "changed since accepted"


def accept_choices(
    choices: pd.DataFrame,
    decisions: pd.DataFrame,
    *,
    assume_accepted: bool = False,
    mended: Iterable[str] = (),
) -> pd.DataFrame:
    """Say of each choice whether it is accepted, refused, held or only proposed.

    The latest decision on a pipe counts. An acceptance holds while the choice is what
    was accepted; if it differs the choice is held, and the reason gives both.

    Parameters
    ----------
    choices
        Obeys `CHOICES`, as `choose` left it: proposed or held, with fingerprints.
    decisions
        Obeys `DECISIONS`.
    assume_accepted
        Take what is still only proposed as accepted; what is held or refused stays so.
    mended
        Spans that sleeves mend by now: what was accepted for them is carried out, and the
        rest of it stays accepted.

    Returns
    -------
    choices
        Obeys `CHOICES`.

    Raises
    ------
    TableError
        If a table breaks its contract.
    """
    check(choices, CHOICES)
    if decisions.empty and not assume_accepted:
        return conform(choices, CHOICES)
    on_pipes = latest(decisions[decisions["span_id"] == ""], "pipe_id")
    rows, gone = [], frozenset(mended)
    for choice in records(choices):
        decision = on_pipes.get(str(choice["pipe_id"]))
        change = {}
        if decision:
            change = _carried_out(choice, decision, gone) or _judged(choice, decision)
        if assume_accepted and {**choice, **change}["state"] == "proposed":
            change = {
                "state": "accepted",
                "assumed_accepted": True,
                "reason": f"taken as accepted by --assume-accepted; {choice['reason']}",
            }
        rows.append({**choice, **change})
    return conform(rows, CHOICES)


def _carried_out(choice: Row, decision: Row, mended: frozenset[str]) -> Row:
    """Give the columns of a choice of which a part, or all, is built; none where none is."""
    left = _left_of(decision, choice, mended)
    if not left or choice["state"] != "proposed":
        return {}
    state = "changed" if decision["decision"] in METHOD_WORDS else "accepted"
    reason = f"{left}; {decision['reason']}"
    return {"by": decision["by"], "on": decision["on"], "state": state, "reason": reason}


def _judged(choice: Row, decision: Row) -> Row:
    """Give the columns of `choice` that the latest decision on its pipe sets."""
    same = bool(decision["fingerprint"]) and decision["fingerprint"] == choice["fingerprint"]
    signed = {"by": decision["by"], "on": decision["on"]}
    if decision["decision"] == "refuse":
        changed = "" if same else f" (what is proposed has changed since: {content(choice)})"
        return {**signed, "state": "refused", "reason": f"{decision['reason']}{changed}"}
    if decision["decision"] == "hold":
        return {
            **signed,
            "state": "held",
            "reason": f"held by {decision['by']}: {decision['reason']}",
        }
    changes = decision["decision"] in METHOD_WORDS
    if changes and choice["method"] != decision["decision"]:
        reason = f"{who(decision)}: not possible now; {choice['reason']}"
        return {**signed, "state": "held", "reason": reason}
    # A row that the store has not taken yet has no fingerprint: it is about what stands here.
    same = same or (changes and not decision["fingerprint"])
    if same and choice["state"] == "proposed":
        state = "changed" if changes else "accepted"
        return {**signed, "state": state, "reason": decision["reason"]}
    if same:
        return {**signed, "reason": f"accepted by {decision['by']}, but held: {choice['reason']}"}
    was = f"by {decision['by']} on {decision['on']}: accepted was [{content(decision)}]"
    changed = f"{CHANGED} {was}, now it is [{content(choice)}]"
    # What waits for a decision says so first: accepting it anew would not free it.
    held = f"{choice['reason']}; {changed}" if choice["state"] == "held" else changed
    return {**signed, "state": "held", "reason": held}


def _left_of(decision: Row, choice: Row, mended: frozenset[str]) -> str:
    """Say that a choice is what is left of what was accepted, the mended spans off; '' if not.

    Whatever it still holds was accepted as it is; what is no longer in it served only what
    is mended.
    """
    if decision["decision"] not in ("accept", *METHOD_WORDS) or not mended:
        return ""
    was, now = (_parts(row["fingerprint"]) for row in (decision, choice))
    carried_out = was.mends - now.mends
    if not carried_out or not carried_out <= mended or not now.mends <= was.mends:
        return ""
    built = f"{', '.join(sorted(carried_out))} mended since"
    if not now.mends:
        return f"all that was accepted is carried out: {built}"
    if now.method != was.method or not now.others <= was.others:
        return ""
    return f"what is left of what was accepted: {built}"


@dataclass(frozen=True)
class _Parts:
    """What a fingerprint holds: method, spans that are mended, and sleeves and digs."""

    method: str
    mends: frozenset[str]
    others: frozenset[str]


def _parts(print_: object) -> _Parts:
    method, *parts = content_of(print_).split("; ")
    mends = [part for part in parts if part.startswith("mends ")]
    named = frozenset(mends[-1].removeprefix("mends ").split("+")) if mends else frozenset()
    return _Parts(method, named, frozenset(part for part in parts if part not in mends))


def wanted_methods(decisions: pd.DataFrame) -> dict[str, str]:
    """Give the method that a person named for a pipe's choice in place of the cheapest."""
    if decisions.empty:
        return {}
    on_pipes = latest(decisions[decisions["span_id"] == ""], "pipe_id")
    return {
        pipe: str(row["decision"])
        for pipe, row in on_pipes.items()
        if row["decision"] in METHOD_WORDS
    }


def content(row: Row) -> str:
    """Give what a fingerprint stands for, in words."""
    return content_of(row["fingerprint"])


def stamp(
    decisions: pd.DataFrame, choices: pd.DataFrame, spans: pd.DataFrame | None = None
) -> pd.DataFrame:
    """Give decisions the fingerprint of what stands there now; before the store.

    Parameters
    ----------
    decisions
        The columns of `DECISIONS`, as read from a form.
    choices
        Obeys `CHOICES`, made with the form's decisions on spans applied already.
    spans
        Obeys `SPANS`; None where decisions on spans shall hold whatever the survey says.

    Returns
    -------
    decisions
        The same rows with what the person saw: the pipe's choice, or the span's damage.
    """
    prints = dict(zip(choices["pipe_id"], choices["fingerprint"], strict=True))
    seen = {} if spans is None else span_prints(spans)
    stamped = [
        seen.get(span_id, "") if span_id else prints.get(pipe_id, "")
        for pipe_id, span_id in zip(decisions["pipe_id"], decisions["span_id"], strict=True)
    ]
    return decisions.assign(fingerprint=pd.Series(stamped, decisions.index, "str"))


def sift_decisions(
    decisions: pd.DataFrame, verdicts: pd.DataFrame, choices: pd.DataFrame
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Part what can be decided from what cannot; before the store takes it.

    Parameters
    ----------
    decisions
        The columns of `DECISIONS`, as read from a form.
    verdicts
        Obeys `VERDICTS`, as the rulebook left it.
    choices
        Obeys `CHOICES`, made with the form's decisions on spans applied already, else a
        pipe whose last referred span the same form decides cannot be accepted by it.

    Returns
    -------
    kept, left_over
        Rows that can be taken; `LEFT_OVER` with the reason for each other row.
    """
    spans = {str(row["span_id"]): row for row in records(verdicts)}
    pipes = {str(row["pipe_id"]): row for row in records(choices)}
    good, left = [], []
    for position, row in enumerate(records(decisions)):
        if row["span_id"]:
            reason = not_on_span(row, spans.get(str(row["span_id"])), ("refer",))
        else:
            reason = _not_on_pipe(row, pipes.get(str(row["pipe_id"])))
        good.append(not reason)
        if reason:
            what = f"pipe {row['pipe_id']}" + (f", span {row['span_id']}" if row["span_id"] else "")
            key = f"{what}, row {position + 1} of the form"
            left.append({"step": "decisions", "key": key, "reason": f"{who(row)}: {reason}"})
    return decisions[pd.Series(good, decisions.index, "bool")], conform(left, LEFT_OVER)


def _not_on_pipe(decision: Row, choice: Row | None) -> str:
    word = decision["decision"]
    if choice is None:
        return "nothing is proposed for this pipe"
    if word not in CHOICE_WORDS:
        return f"of a pipe's choice one says {', '.join(CHOICE_WORDS)}, not {word}; name the span"
    if word in METHOD_WORDS and choice["method"] != word:
        return f"{word} is not possible there: {choice['reason']}"
    anew = choice["reason"].startswith(CHANGED)
    if word == "accept" and choice["state"] == "held" and not anew:
        return f"the pipe is held: {choice['reason']}"
    return ""


def find_orphans(
    decisions: pd.DataFrame, lost: pd.DataFrame, choices: pd.DataFrame
) -> pd.DataFrame:
    """List the decisions whose span or choice is no longer there; they stop sign-off.

    Parameters
    ----------
    decisions
        Obeys `DECISIONS`.
    lost
        Earlier ids without an heir (kind, id, pipe_id), as `give_ids` gave them.
    choices
        Obeys `CHOICES`.

    Returns
    -------
    orphans
        Obeys `ORPHANS`; for a pipe without a choice the kind is ``pipe``.
    """
    gone = set(lost.loc[lost["kind"] == "span", "id"])
    spans = latest(decisions[decisions["span_id"].isin(gone)], "span_id")
    on_pipes = decisions[decisions["span_id"] == ""]
    pipes = latest(on_pipes[~on_pipes["pipe_id"].isin(set(choices["pipe_id"]))], "pipe_id")
    rows = [
        {"kind": kind, "old_id": old_id, "pipe_id": row["pipe_id"], "what": who(row)}
        for kind, found in (("span", spans), ("pipe", pipes))
        for old_id, row in found.items()
    ]
    return conform(rows, ORPHANS)
