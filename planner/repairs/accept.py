"""What people decided: on referred spans before placement, on each pipe's choice after it.

An acceptance holds for what was accepted, by its fingerprint; nothing is accepted by
being like it. `sift_decisions` refuses what cannot be decided before the store takes it.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd

from planner.contracts import CHOICES, FLAGS, LEFT_OVER, ORPHANS, VERDICTS
from planner.tables import check, conform

SPAN_WORDS = ("sleeve", "liner", "dig", "watch", "nothing")
# A span whose sleeve a rule refers only once it is placed is not referred before that: a
# stored decision, vetted when it was taken in, holds for whatever has to be mended.
DECIDABLE = ("refer", "sleeve", "liner", "dig")
CHOICE_WORDS = ("accept", "refuse")
CHANGED = "changed since accepted"
Row = dict[str, Any]


def apply_span_decisions(
    verdicts: pd.DataFrame, decisions: pd.DataFrame
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Put into `verdicts` what people decided on spans that must be mended; before placement.

    The latest decision on a span counts. A method names what is to be done there: it
    is open then and the other two are closed. A method that a rule closed cannot be
    named: the span stays referred, and a flag says so.

    Parameters
    ----------
    verdicts
        Obeys `VERDICTS`, as the rulebook left it.
    decisions
        Obeys `DECISIONS`; version 0, not stored yet, counts as the latest.

    Returns
    -------
    verdicts, flags
        Obey `VERDICTS` and `FLAGS` (one for each decision that was not applied).

    Raises
    ------
    TableError
        If a table breaks its contract.
    """
    check(verdicts, VERDICTS)
    rows = {str(row["span_id"]): row for row in _records(verdicts)}
    flags = []
    for span_id, decision in _latest(decisions[decisions["span_id"] != ""], "span_id").items():
        reason = _not_on_span(decision, rows.get(span_id), DECIDABLE)
        if reason:
            flags.append(
                {"step": "decisions", "key": span_id, "what": f"{_who(decision)}: {reason}"}
            )
            continue
        rows[span_id] = {**rows[span_id], **_decided(decision, rows[span_id])}
    return conform(rows.values(), VERDICTS), conform(flags, FLAGS)


def _records(frame: pd.DataFrame) -> list[Row]:
    return [{str(name): value for name, value in row.items()} for row in frame.to_dict("records")]


def _latest(decisions: pd.DataFrame, by: str) -> dict[str, Row]:
    """Give the latest decision on each span or pipe, in order of that."""
    order = decisions["version"].astype("int64").replace(0, 2**62)
    rows = decisions.assign(order=order).sort_values("order", kind="stable")
    return {str(row[by]): row for row in _records(rows)}


def _not_on_span(decision: Row, verdict: Row | None, decidable: tuple[str, ...]) -> str:
    """Say why `decision` cannot be applied to the span, '' if it can."""
    word = decision["decision"]
    if verdict is None:
        return f"there is no span {decision['span_id']}"
    if verdict["pipe_id"] != decision["pipe_id"]:
        return f"span {decision['span_id']} lies on pipe {verdict['pipe_id']}"
    if word not in SPAN_WORDS:
        return f"of a span one says {', '.join(SPAN_WORDS)}, not {word}"
    if verdict["verdict"] not in decidable:
        return f"the span is not referred, its verdict is {verdict['verdict']}"
    if word in ("sleeve", "liner", "dig") and verdict[word] == "closed":
        return f"a rule closes {word} there, so it cannot be named; the span stays referred"
    return ""


def _decided(decision: Row, verdict: Row) -> Row:
    """Give the verdict's columns that `decision` sets."""
    word = str(decision["decision"])
    why = f"decided by a person: {_who(decision)}"
    if word in ("watch", "nothing"):
        none = {"watch": "watch", "nothing": "none"}[word]
        return {"needs": word, "verdict": none, "why": why}
    states = {name: "open" if name == word else "closed" for name in ("sleeve", "liner", "dig")}
    # A rule that could not tell the need left no urgency: then it goes with the programme.
    urgency = verdict["urgency"] or "programme"
    return {"needs": "mend", "verdict": word, "why": why, "urgency": urgency, **states}


def _who(decision: Row) -> str:
    return f"'{decision['decision']}' by {decision['by']} on {decision['on']}: {decision['reason']}"


def accept_choices(
    choices: pd.DataFrame, decisions: pd.DataFrame, *, assume_accepted: bool = False
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
    latest = _latest(decisions[decisions["span_id"] == ""], "pipe_id")
    rows = []
    for choice in _records(choices):
        decision = latest.get(str(choice["pipe_id"]))
        change = _judged(choice, decision) if decision else {}
        if assume_accepted and {**choice, **change}["state"] == "proposed":
            change = {
                "state": "accepted",
                "assumed_accepted": True,
                "reason": f"taken as accepted by --assume-accepted; {choice['reason']}",
            }
        rows.append({**choice, **change})
    return conform(rows, CHOICES)


def _judged(choice: Row, decision: Row) -> Row:
    """Give the columns of `choice` that the latest decision on its pipe sets."""
    same = bool(decision["fingerprint"]) and decision["fingerprint"] == choice["fingerprint"]
    signed = {"by": decision["by"], "on": decision["on"]}
    if decision["decision"] == "refuse":
        changed = "" if same else f" (what is proposed has changed since: {content(choice)})"
        return {**signed, "state": "refused", "reason": f"{decision['reason']}{changed}"}
    if decision["decision"] != "accept":
        return {}
    if same and choice["state"] == "proposed":
        return {**signed, "state": "accepted", "reason": decision["reason"]}
    if same:
        return {**signed, "reason": f"accepted by {decision['by']}, but held: {choice['reason']}"}
    was = f"by {decision['by']} on {decision['on']}: accepted was [{content(decision)}]"
    changed = f"{CHANGED} {was}, now it is [{content(choice)}]"
    # What waits for a decision says so first: accepting it anew would not free it.
    held = f"{choice['reason']}; {changed}" if choice["state"] == "held" else changed
    return {**signed, "state": "held", "reason": held}


def content(row: Mapping[str, Any]) -> str:
    """Give what a fingerprint stands for, in words."""
    return str(row["fingerprint"]).partition(" ")[2] or "not recorded"


def stamp(decisions: pd.DataFrame, choices: pd.DataFrame) -> pd.DataFrame:
    """Give decisions on pipes the fingerprint of what stands there now; before the store.

    Parameters
    ----------
    decisions
        The columns of `DECISIONS`, as read from a form.
    choices
        Obeys `CHOICES`, made with the form's decisions on spans applied already.

    Returns
    -------
    decisions
        The same rows; a decision on a span has no fingerprint.
    """
    prints = dict(zip(choices["pipe_id"], choices["fingerprint"], strict=True))
    stamped = [
        "" if span_id else prints.get(pipe_id, "")
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
    spans = {str(row["span_id"]): row for row in _records(verdicts)}
    pipes = {str(row["pipe_id"]): row for row in _records(choices)}
    good, left = [], []
    for position, row in enumerate(_records(decisions)):
        if row["span_id"]:
            reason = _not_on_span(row, spans.get(str(row["span_id"])), ("refer",))
        else:
            reason = _not_on_pipe(row, pipes.get(str(row["pipe_id"])))
        good.append(not reason)
        if reason:
            what = f"pipe {row['pipe_id']}" + (f", span {row['span_id']}" if row["span_id"] else "")
            key = f"{what}, row {position + 1} of the form"
            left.append({"step": "decisions", "key": key, "reason": f"{_who(row)}: {reason}"})
    return decisions[pd.Series(good, decisions.index, "bool")], conform(left, LEFT_OVER)


def _not_on_pipe(decision: Row, choice: Row | None) -> str:
    word = decision["decision"]
    if choice is None:
        return "nothing is proposed for this pipe"
    if word not in CHOICE_WORDS:
        return f"of a pipe's choice one says accept or refuse, not {word}; name the span"
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
    spans = _latest(decisions[decisions["span_id"].isin(gone)], "span_id")
    on_pipes = decisions[decisions["span_id"] == ""]
    pipes = _latest(on_pipes[~on_pipes["pipe_id"].isin(set(choices["pipe_id"]))], "pipe_id")
    rows = [
        {"kind": kind, "old_id": old_id, "pipe_id": row["pipe_id"], "what": _who(row)}
        for kind, found in (("span", spans), ("pipe", pipes))
        for old_id, row in found.items()
    ]
    return conform(rows, ORPHANS)
