"""What the engineer's desk says of spans, choices and decisions, in words."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import pandas as pd

from planner.contracts.facts import RunFacts
from planner.contracts.repairs import WAY_WORDS
from planner.ground.mechanism_words import in_words
from planner.outputs.counter import Counter
from planner.outputs.layers import words
from planner.outputs.palette import LOOKS
from planner.outputs.wording import STEP_WORDS, metres
from planner.review.span_list import Row
from planner.review.span_rows import NO_CHOICE

URGENCY_WORDS = {
    "": "", "when_near": "when near", "programme": "programme", "this_year": "this year",
    "now": "now",
}  # fmt: skip
STATE_WORDS = {NO_CHOICE: "nothing proposed"}
FLAG_WORDS = {
    "close": "close call",
    "assumed": "rests on an assumed rule",
    "look_first": "camera looks first",
    "photo": "photo named",
}
_MENDED = {"mended": "mended by a sleeve", "failed_sleeve": "its sleeve failed"}
_SEEN = {"yes": "row opened", "no": "row not opened", "": "by a form"}


@dataclass(frozen=True)
class SpanRow:
    """One row of the list in words; `seen` is the last decision on its pipe, 0 = none."""

    span_id: str
    pipe_id: str
    street: str
    place: str
    counter: str
    damage: str
    why: str
    verdict: str
    word: str
    letter: str
    needs: str
    urgency: str
    choice: str
    state: str
    cost: str
    tags: tuple[tuple[str, str], ...]
    acceptable: bool
    seen: int


def span_row(row: Row, facts: RunFacts, seen: int) -> SpanRow:
    """Write one row of the list in words."""
    look = LOOKS[row["verdict"]] if row["verdict"] else LOOKS["unseen"]
    return SpanRow(
        row["span_id"],
        row["pipe_id"],
        row["street"],
        place_words(row, facts),
        counter_words(row, facts),
        words(row["mechanisms"]),
        in_words(row["why"]),
        row["verdict"] or "unseen",
        look.word,
        look.letter,
        row["needs"],
        URGENCY_WORDS[row["urgency"]],
        method_words(row["method"], row["system"]),
        state_words(row["state"]),
        "" if row["method"] not in WAY_WORDS else money(row["cost_cents"]),
        tuple(_tags(row)),
        bool(row["acceptable"]),
        seen,
    )


def _tags(row: Row) -> list[tuple[str, str]]:
    """Give the short marks of a row, each with what it means."""
    tags = []
    if row["close"]:
        tags.append(("close call", "it would differ within its figures' own doubt"))
    if row["assumed"]:
        tags.append(("assumed", "it rests on a rule whose standing is assumed"))
    if row["look_first"]:
        tags.append(("look first", "the camera looks again before anything is built in"))
    if row["photo"]:
        tags.append(("photo", "a coded row names a photo"))
    if row["mended"] in _MENDED:
        tags.append((_MENDED[row["mended"]], "by the journal"))
    return tags


def place_words(row: Mapping[str, Any], facts: RunFacts) -> str:
    """Write where it lies on the pipe's own axis, from the upstream manhole."""
    return _from_to(*(metres(row[name], facts.units) for name in ("from_m", "to_m")))


def counter_words(row: Mapping[str, Any], facts: RunFacts) -> str:
    """Write what the camera's counter reads there, and from which node it counts."""
    if not row["counter_node"] or not row["length_m"] > 0:
        return ""
    counter = Counter.of(row["counter_node"], row, facts.units)
    reads = _from_to(*counter.ends(row["from_m"], row["to_m"]))
    return f"{reads} from {row['counter_node']}"


def _from_to(first: str, last: str) -> str:
    """Write two lengths with their unit said once."""
    return last if first == last else f"{first.rpartition(' ')[0]} to {last}"


def state_words(state: str) -> str:
    """Write where a pipe's choice stands."""
    return STATE_WORDS.get(state, state)


def method_words(method: str, system: str = "") -> str:
    """Write what is chosen for a pipe."""
    return f"{WAY_WORDS.get(method, method)} {system}".strip()


def money(cents: object, facts: RunFacts | None = None) -> str:
    """Write an amount [cents], with its currency if `facts` name it; not known says so."""
    if pd.isna(cents):  # type: ignore[call-overload]
        return "not costed"
    return f"{int(cents) / 100:,.0f} {facts.currency if facts else ''}".strip()  # type: ignore[call-overload]


def steps_words(joined: str) -> str:
    """Write the works that come first, in order."""
    return ", then ".join(STEP_WORDS.get(step, step) for step in joined.split("+") if step)


@dataclass(frozen=True)
class Said:
    """One decision in words."""

    version: int
    when: str
    by: str
    about: str
    what: str
    reason: str
    seen: str


def said(row: Mapping[str, Any]) -> Said:
    """Write one row of `DECISIONS` in words."""
    when = f"{str(row['at'])[:16].replace('T', ' ')} UTC" if row["at"] else str(row["on"])
    about = f"span {row['span_id']}" if row["span_id"] else "the pipe's choice"
    what = f"{row['decision']} {row['value']}".strip()
    seen = _SEEN.get(str(row["opened"]), "")
    return Said(int(row["version"]), when, row["by"], about, what, row["reason"], seen)
