"""What people decided on single spans: what is done there, where its sleeve lies, own limits.

A decision holds for what the person saw. Where the survey says something else since, it is
not applied; both versions are shown, and the span is as the rules leave it.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from planner.contracts import FLAGS, SPANS, VERDICTS
from planner.contracts.verdicts import SPAN_QUANTITIES
from planner.ground.own_place import read_own_place
from planner.tables import check, conform, records_in

SPAN_WORDS = ("sleeve", "liner", "dig", "watch", "nothing", "place", "limit", "undo")
NOT_APPLIED = "not applied: "
# A span whose sleeve a rule refers only once it is placed is not referred before that: a
# stored decision, vetted when it was taken in, holds for whatever has to be mended.
DECIDABLE = ("refer", "sleeve", "liner", "dig")
Row = dict[str, Any]
OwnLimits = dict[str, dict[str, tuple[float, str]]]
_LIMIT = re.compile(r"([A-Za-z0-9_-]+\.[a-z0-9_]+\.(?:ok|ask|value))\s*=\s*(-?\d+(?:\.\d+)?)")


def records(frame: pd.DataFrame) -> list[Row]:
    """Give the rows of a table as dictionaries."""
    return records_in(frame)


def in_order(decisions: pd.DataFrame) -> pd.DataFrame:
    """Give decisions in the order they were taken; version 0, not stored yet, is the latest."""
    version = decisions["version"].to_numpy(dtype=np.int64)
    order = np.where(version == 0, 2**62, version)
    if (order[1:] >= order[:-1]).all():
        return decisions
    return decisions.iloc[np.argsort(order, kind="stable")]


def latest(decisions: pd.DataFrame, by: str) -> dict[str, Row]:
    """Give the latest decision on each span or pipe, in order of that; one undone is none."""
    if decisions.empty:
        return {}
    found = {str(row[by]): row for row in records(in_order(decisions))}
    return {key: row for key, row in found.items() if row["decision"] != "undo"}


def decided_spans(decisions: pd.DataFrame) -> set[str]:
    """Give the spans of which somebody said what is done there; a limit, or an undo, says it not.

    Parameters
    ----------
    decisions
        Obeys `DECISIONS`; of each span the latest counts.
    """
    if decisions.empty:
        return set()
    on_spans = decisions[(decisions["span_id"] != "") & (decisions["decision"] != "limit")]
    return set(latest(on_spans, "span_id"))


def who(decision: Mapping[str, Any]) -> str:
    """Say who decided what, when and why."""
    value = f" {decision['value']}" if decision.get("value") else ""
    word = f"'{decision['decision']}{value}'"
    return f"{word} by {decision['by']} on {decision['on']}: {decision['reason']}"


def digest_of(text: str) -> str:
    """Give a fingerprint: a digest of the text, and the text."""
    return f"{hashlib.sha256(text.encode()).hexdigest()[:16]} {text}"


def content_of(print_: object) -> str:
    """Give what a fingerprint stands for, in words."""
    return str(print_).partition(" ")[2] or "not recorded"


def span_prints(spans: pd.DataFrame) -> dict[str, str]:
    """Give of each span the fingerprint of what a person sees there.

    In it are its mechanisms, what conditions lend it, each known figure and what shows
    through the wall; its place, its age and its id are not.
    """
    return {str(row["span_id"]): digest_of(_seen(row)) for row in records(check(spans, SPANS))}


def _prints_named(spans: pd.DataFrame, decisions: pd.DataFrame) -> dict[str, str]:
    """Give the fingerprints of the spans that decisions name: of a large town they are few."""
    check(spans, SPANS)
    return span_prints(spans[spans["span_id"].isin(decisions["span_id"])])


def _seen(row: Row) -> str:
    parts = [str(row["mechanisms"]), str(row["kind"])]
    parts += [f"in {row['lent']}"] if row["lent"] else []
    for name, unit in SPAN_QUANTITIES.items():
        low, high = row[f"{name}_low"], row[f"{name}_high"]
        if pd.notna(low) or pd.notna(high):
            ends = (f"{low:g}" if pd.notna(low) else "?", f"{high:g}" if pd.notna(high) else "open")
            shown = ends[0] if ends[0] == ends[1] else " to ".join(ends)
            parts.append(f"{name} {shown}" + ("" if unit == "-" else f" {unit}"))
    parts += [name for name in ("soil_visible", "void_visible") if row[name]]
    parts += ["a failed sleeve lies there"] if row["state"] == "failed_sleeve" else []
    return "; ".join(parts)


def apply_span_decisions(
    verdicts: pd.DataFrame, decisions: pd.DataFrame, spans: pd.DataFrame | None = None
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Put into `verdicts` what people decided on spans that must be mended; before placement.

    The latest decision on a span counts. A method names what is to be done there: it
    is open then and the other two are closed. A method that a rule closed cannot be
    named: the span stays referred, and a flag says so; so it is where the survey says
    something else than when the person decided.

    Parameters
    ----------
    verdicts
        Obeys `VERDICTS`, as the rulebook left it.
    decisions
        Obeys `DECISIONS`; version 0, not stored yet, counts as the latest.
    spans
        Obeys `SPANS`; None where it is not to be seen whether the survey changed.

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
    if decisions.empty:
        return conform(verdicts, VERDICTS), conform([], FLAGS)
    on_spans = decisions[(decisions["span_id"] != "") & (decisions["decision"] != "limit")]
    if on_spans.empty:
        return conform(verdicts, VERDICTS), conform([], FLAGS)
    prints = {} if spans is None else _prints_named(spans, on_spans)
    rows = {str(row["span_id"]): row for row in records(verdicts)}
    flags = []
    for span_id, decision in latest(on_spans, "span_id").items():
        reason = not_on_span(decision, rows.get(span_id), DECIDABLE) or _changed(decision, prints)
        if reason:
            flags.append(
                {"step": "decisions", "key": span_id, "what": f"{who(decision)}: {reason}"}
            )
            continue
        rows[span_id] = {**rows[span_id], **_decided(decision, rows[span_id])}
    return conform(rows.values(), VERDICTS), conform(flags, FLAGS)


def _changed(decision: Row, prints: Mapping[str, str]) -> str:
    """Say how the survey has changed since a decision; '' where it has not, or none can tell."""
    was, now = str(decision["fingerprint"]), prints.get(str(decision["span_id"]), "")
    if not was or not now or was == now:
        return ""
    return (
        f"{NOT_APPLIED}the survey changed since; decided was [{content_of(was)}], now it is "
        f"[{content_of(now)}]"
    )


def not_on_span(decision: Row, verdict: Row | None, decidable: tuple[str, ...]) -> str:
    """Say why `decision` cannot be applied to the span, '' if it can."""
    word = decision["decision"]
    if verdict is None:
        return f"there is no span {decision['span_id']}"
    if verdict["pipe_id"] != decision["pipe_id"]:
        return f"span {decision['span_id']} lies on pipe {verdict['pipe_id']}"
    if word not in SPAN_WORDS:
        return f"of a span one says {', '.join(SPAN_WORDS)}, not {word}"
    if word in ("limit", "undo"):
        return "" if word == "undo" else _not_a_limit(decision)
    if word == "place":
        # Where a sleeve lies may be decided though nobody doubts that it is one.
        decidable = (*decidable, "sleeve")
        return _not_a_place(decision) or _not_to_be_decided("sleeve", verdict, decidable)
    return _not_to_be_decided(str(word), verdict, decidable)


def _not_a_place(decision: Row) -> str:
    found = read_own_place(str(decision["value"]))
    if isinstance(found, str):
        return f"value '{decision['value']}' is no place: wants {found}"
    return ""


def method_of(word: str) -> str:
    """Give what a decision does: who places a sleeve says sleeve."""
    return "sleeve" if word == "place" else word


def _not_to_be_decided(word: str, verdict: Row, decidable: tuple[str, ...]) -> str:
    if verdict["verdict"] not in decidable:
        return f"the span is not referred, its verdict is {verdict['verdict']}"
    if word in ("sleeve", "liner", "dig") and verdict[word] == "closed":
        return f"a rule closes {word} there, so it cannot be named; the span stays referred"
    return ""


def _not_a_limit(decision: Row) -> str:
    if _LIMIT.match(str(decision["value"])):
        return ""
    return f"value '{decision['value']}' is no limit: wants rule.column.ok = figure"


def limit_of(decision: Row) -> dict[str, tuple[float, str]]:
    """Give the limit that a decision sets: key, figure, who and why; empty where it is none."""
    said = _LIMIT.match(str(decision["value"]))
    why = f"{decision['by']} on {decision['on']}: {decision['reason']}"
    return {said[1]: (float(said[2]), why)} if said else {}


def own_limits(decisions: pd.DataFrame, spans: pd.DataFrame) -> tuple[OwnLimits, pd.DataFrame]:
    """Give the limits that people set for single spans.

    Parameters
    ----------
    decisions
        Obeys `DECISIONS`: rows ``limit`` with a value such as ``allow-gap.gap_mm.ok = 35``,
        in the unit of the rule. A later ``undo`` on the span takes them back.
    spans
        Obeys `SPANS`.

    Returns
    -------
    limits, flags
        ``{span_id: {"rule.column.end": (figure, who and why)}}``; `FLAGS` for rows that
        were not applied.
    """
    found: OwnLimits = {}
    flags = []
    if decisions.empty:
        return found, conform([], FLAGS)
    rows = decisions[(decisions["span_id"] != "") & decisions["decision"].isin(["limit", "undo"])]
    if rows.empty:
        return found, conform([], FLAGS)
    prints = _prints_named(spans, rows)
    for row in records(in_order(rows)):
        span_id = str(row["span_id"])
        if row["decision"] == "undo":
            found.pop(span_id, None)
            continue
        if span_id not in prints:
            continue  # an orphan, told as such
        reason = _changed(row, prints) or _not_a_limit(row)
        if reason:
            flags.append({"step": "decisions", "key": span_id, "what": f"{who(row)}: {reason}"})
            continue
        found.setdefault(span_id, {}).update(limit_of(row))
    return found, conform(flags, FLAGS)


def _decided(decision: Row, verdict: Row) -> Row:
    """Give the verdict's columns that `decision` sets."""
    word = method_of(str(decision["decision"]))
    why = f"decided by a person: {who(decision)}"
    if word in ("watch", "nothing"):
        none = {"watch": "watch", "nothing": "none"}[word]
        return {"needs": word, "verdict": none, "why": why}
    states = {name: "open" if name == word else "closed" for name in ("sleeve", "liner", "dig")}
    # A rule that could not tell the need left no urgency: then it goes with the programme.
    urgency = verdict["urgency"] or "programme"
    return {"needs": "mend", "verdict": word, "why": why, "urgency": urgency, **states}
