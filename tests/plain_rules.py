"""The rulebook held against one span at a time, as one would write it down: slow and short.

`screening.screen` must say the same of every span. It is the naive way of `tests.bench.rules`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from planner.contracts.verdicts import NEEDS, SPAN_QUANTITIES, URGENCY
from planner.screening.rule_text import Clause, Limit, Rule
from planner.screening.rulebook import Rulebook
from planner.screening.wording import NEVER_SLEEVE

NO, MAYBE, YES = 0, 1, 2
METHODS = ("sleeve", "liner", "dig")
Row = Mapping[str, Any]


def is_blank(value: object) -> bool:
    return value is None or str(value) in ("", "nan", "<NA>")


def ends(row: Row, column: str) -> tuple[float, float]:
    """Least and most that a figure can be; an unknown end runs as far as it can."""
    split = column in SPAN_QUANTITIES
    low, high = (row[f"{column}_low"], row[f"{column}_high"]) if split else (row[column],) * 2
    least = 0.0 if split or column.endswith(("_mm", "_months")) else -math.inf
    return (least if is_blank(low) else float(low)), (math.inf if is_blank(high) else float(high))


def clause(one: Clause, row: Row) -> tuple[int, bool]:
    """Does the condition hold, and is it a blank that leaves it open?"""
    if one.column in SPAN_QUANTITIES:
        blank = is_blank(row[f"{one.column}_low"]) and is_blank(row[f"{one.column}_high"])
    else:
        blank = is_blank(row[one.column]) and one.column not in ("mechanisms", "lent")
    if one.op == "is_blank":
        return (YES if blank else NO), False
    if isinstance(one.value, bool):
        return (MAYBE, True) if blank else ((YES if row[one.column] == one.value else NO), False)
    if isinstance(one.value, float):
        low, high = ends(row, one.column)
        v = one.value
        yes, no = {
            "<": (high < v, low >= v), "<=": (high <= v, low > v), ">": (low > v, high <= v),
            ">=": (low >= v, high < v), "=": (low == high == v, low > v or high < v),
        }[one.op]  # fmt: skip
        return (YES if yes else NO if no else MAYBE), blank
    if blank:
        return MAYBE, True
    text = str(row[one.column]).strip().casefold()
    wanted = set(one.value if isinstance(one.value, tuple) else ())
    if one.op in ("=", "in"):
        return (YES if text in wanted else NO), False
    held = bool(wanted & {part.strip() for part in text.split("+")})
    return (YES if held != (one.op == "has_none") else NO), False


def within(one: Limit, row: Row) -> tuple[int, bool]:
    low, high = ends(row, one.column)
    blank = is_blank(row[f"{one.column}_low"]) and is_blank(row[f"{one.column}_high"])
    return (YES if high <= one.ok else NO if low > one.ask else MAYBE), blank


def ruling(rule: Rule, row: Row, own: set[str]) -> list[tuple[str, int, bool]]:
    """What a rule says of a span: effect, answer, whether only blanks leave it open."""
    if rule.mechanism and not own & set(rule.mechanism):
        return []
    when = [clause(one, row) for one in rule.when]
    limits = [within(one, row) for one in rule.limit]
    holds = min((answer for answer, _ in when), default=YES)
    kept = min((answer for answer, _ in limits), default=YES)
    if holds == NO or (not rule.limit and min(holds, kept) == NO):
        return []
    answer = min(holds, kept)
    by_blanks = answer == MAYBE
    for part, parts in ((holds, when), (kept, limits)):
        if part == MAYBE:
            by_blanks &= all(one != MAYBE or blank for one, blank in parts)
    if not by_blanks or rule.if_blank == "refer":
        return [(rule.effect, answer, by_blanks)]
    looks = "first" if rule.if_blank == "look" else "note"
    if rule.effect in ("allows", "needs") and (looks == "first" or rule.effect == "allows"):
        return [(rule.effect, YES, True), (looks, YES, True)]
    return [(looks, YES, True)]


def judge(row: Row, book: Rulebook) -> dict[str, str]:
    """Needs, urgency, states and verdict of one span, seen with its pipe."""
    own = set(str(row["mechanisms"]).split("+")) - {""}
    said = [
        (rule, effect, answer, blank)
        for rule in book.rules
        if rule.about in ("span", "pipe")
        for effect, answer, blank in ruling(rule, row, own)
    ]
    needs = needs_of(own, said)
    urgency = ""
    for rule, effect, answer, blank in said:
        if effect == "urgency" and (answer == YES or not blank):
            urgency = max(urgency, rule.level, key=URGENCY.index)
    states = {method: state_of(method, row, own, said, book) for method in METHODS}
    return {
        "needs": needs,
        "urgency": "" if needs == "nothing" else urgency,
        **states,
        "verdict": verdict_of(needs, states),
    }


def needs_of(own: set[str], said: list[tuple[Rule, str, int, bool]]) -> str:
    certain = possible = -1
    settled: set[str] = set()
    for rule, effect, answer, _ in said:
        if effect == "needs":
            level = NEEDS.index(rule.level)
            possible = max(possible, level)
            if answer == YES:
                certain = max(certain, level)
                settled |= set(rule.mechanism)
    mend = NEEDS.index("mend")
    if certain < mend and (possible == mend or own - settled or possible < 0):
        return "unknown"
    return NEEDS[possible]


def state_of(
    method: str, row: Row, own: set[str], said: list[tuple[Rule, str, int, bool]], book: Rulebook
) -> str:
    if method == "sleeve" and (
        own & NEVER_SLEEVE or row["kind"] == "repeated" or row["lined"] is True or row["at_lining"]
    ):
        return "closed"
    asked = bool(own - book.named())
    passed: set[str] = set()
    undecided: set[str] = set()
    for rule, effect, answer, _ in said:
        if effect == "allows" and method in rule.method:
            passed |= set(rule.mechanism) if answer == YES else set()
            undecided |= set(rule.mechanism) if answer == MAYBE else set()
        elif effect == "rules_out" and method in rule.method:
            if answer == YES:
                return "closed"
            asked = True
        elif effect == "refer" and (not rule.method or method in rule.method):
            asked = True
    if asked or own & undecided - passed:
        return "asked"
    return "open" if own and own <= passed else "closed"


def verdict_of(needs: str, states: Mapping[str, str]) -> str:
    if needs == "unknown":
        return "refer"
    if needs != "mend":
        return "none" if needs == "nothing" else needs
    if states["sleeve"] == "asked" or "open" not in states.values():
        return "refer"
    return next(method for method in METHODS if states[method] == "open")
