"""The rulebook held against one span at a time, as one would write it down: slow and short.

`screening.screen` must say the same of every span, in the same words. It is the naive way of
`tests.bench.rules`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any, NamedTuple

from planner.contracts.repairs import STEPS
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


class Said(NamedTuple):
    """What a rule says: effect, answer, whether only blanks leave it open, and it is not sure."""

    rule: Rule
    effect: str
    answer: int
    by_blank: bool
    unsure: bool


def ruling(rule: Rule, row: Row, own: set[str]) -> list[Said]:
    """What a rule says of a span; of a blank it may say two things."""
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
    unsure = answer == MAYBE and rule.effect in ("rules_out", "refer")
    if not by_blanks or rule.if_blank == "refer":
        return [Said(rule, rule.effect, answer, by_blanks, unsure)]
    looks = "first" if rule.if_blank == "look" else "note"
    extra = Said(rule, looks, YES, True, unsure)
    if rule.effect in ("allows", "needs") and (looks == "first" or rule.effect == "allows"):
        return [Said(rule, rule.effect, YES, True, unsure), extra]
    return [extra]


def judge(row: Row, book: Rulebook) -> dict[str, Any]:
    """What a span needs, its methods and its verdict, seen with its pipe, and why."""
    own = set(str(row["mechanisms"]).split("+")) - {""}
    said: list[Said] = []
    for rule in book.rules:
        if rule.about in ("span", "pipe"):
            said += ruling(rule, row, own)
    needs, settled = needs_of(own, said)
    urgency = ""
    for one in said:
        if one.effect == "urgency" and (one.answer == YES or not one.by_blank):
            urgency = max(urgency, one.rule.level, key=URGENCY.index)
    barred = never_sleeve(row, own)
    states, passed = {}, {}
    for method in METHODS:
        shut = method == "sleeve" and barred != ""
        states[method], passed[method] = state_of(method, own, said, book, shut=shut)
    verdict = verdict_of(needs, states)
    found = {"needs": needs, "urgency": "" if needs == "nothing" else urgency, **states,
             "verdict": verdict, "first": works_of(verdict, said)}  # fmt: skip
    if row["state"] == "mended":
        return found | {"needs": "nothing", "urgency": "", "verdict": "none", "first": "",
                        "rules": "", "assumed": False,
                        "why": "a sleeve that lies here already serves it"}  # fmt: skip
    weighed = [(weight_of(one, found, own, passed), one) for one in said]
    behind = [(weight, one) for weight, one in weighed if weight is not None]
    found["rules"] = ""
    if verdict == "refer":
        found["rules"] = "+".join(dict.fromkeys(one.rule.id for _, one in behind))
    needing = {one.rule.standing for _, one in behind if one.effect == "needs"}
    others = {one.rule.standing for _, one in behind if one.effect != "needs"}
    found["assumed"] = needing == {"assumed"} or "assumed" in others
    if behind:
        first = min(behind, key=lambda pair: pair[0])[1]
        text = sentence(first.rule, row)
        found["why"] = f"not settled: {text}" if first.unsure else text
    else:
        found["why"] = unspoken(own, said, needs, settled, book) or barred or "no rule speaks"
    return found


def needs_of(own: set[str], said: list[Said]) -> tuple[str, set[str]]:
    """The need, and the mechanisms of which a rule says it for certain."""
    certain = possible = -1
    settled: set[str] = set()
    for one in said:
        if one.effect == "needs":
            level = NEEDS.index(one.rule.level)
            possible = max(possible, level)
            if one.answer == YES:
                certain = max(certain, level)
                settled |= set(one.rule.mechanism)
    mend = NEEDS.index("mend")
    if certain < mend and (possible == mend or own - settled or possible < 0):
        return "unknown", settled
    return NEEDS[possible], settled


def never_sleeve(row: Row, own: set[str]) -> str:
    """Why a sleeve is out of the question whatever the book holds."""
    never = sorted(own & NEVER_SLEEVE)
    if never:
        return f"{never[-1]} is never served by a sleeve"
    if row["lined"] is True:
        return "the pipe is lined already: never a sleeve"
    if row["at_lining"]:
        return "an earlier lining lies at this place: never a sleeve"
    if row["kind"] == "repeated":
        return "it recurs all along the pipe at places not known: never a sleeve"
    return ""


def state_of(
    method: str, own: set[str], said: list[Said], book: Rulebook, *, shut: bool
) -> tuple[str, set[str]]:
    """State of a method, and the mechanisms that an allows passes for."""
    asked = bool(own - book.named())
    passed: set[str] = set()
    undecided: set[str] = set()
    for rule, effect, answer, _, _ in said:
        if effect == "allows" and method in rule.method:
            passed |= set(rule.mechanism) if answer == YES else set()
            undecided |= set(rule.mechanism) if answer == MAYBE else set()
        elif effect == "rules_out" and method in rule.method:
            shut |= answer == YES
            asked |= answer != YES
        elif effect == "refer" and (not rule.method or method in rule.method):
            asked = True
    if shut:
        return "closed", passed
    if asked or own & undecided - passed:
        return "asked", passed
    return ("open" if own and own <= passed else "closed"), passed


def verdict_of(needs: str, states: Mapping[str, str]) -> str:
    if needs == "unknown":
        return "refer"
    if needs != "mend":
        return "none" if needs == "nothing" else needs
    if states["sleeve"] == "asked" or "open" not in states.values():
        return "refer"
    return next(method for method in METHODS if states[method] == "open")


def works_of(verdict: str, said: list[Said]) -> str:
    """Works before anything else; only upkeep where nothing goes into the ground."""
    works = {one.rule.work or "look" for one in said if one.effect == "first"}
    if verdict == "maintain":
        works &= {"clean", "cut_roots", "cut_intrusion", "descale"}
    return "" if verdict in ("watch", "none") else "+".join(w for w in STEPS if w in works)


def weight_of(
    one: Said, found: Mapping[str, Any], own: set[str], passed: Mapping[str, set[str]]
) -> int | None:
    """How much a sentence matters for the verdict, small first; None if it is not behind it."""
    needs = found["needs"]
    if one.effect == "needs":
        if needs == "unknown" and one.answer == MAYBE and one.rule.level == "mend":
            return 0
        return 4 if needs == one.rule.level and found["verdict"] != "refer" else None
    if one.effect == "refer" and needs == "unknown":
        return 1
    if needs != "mend" or one.effect not in ("allows", "rules_out", "refer"):
        return None
    about = one.rule.method or METHODS
    weights = [weight_by(one, method, found, own - passed[method]) for method in about]
    return min((weight for weight in weights if weight), default=None)


def weight_by(one: Said, method: str, found: Mapping[str, Any], lacking: set[str]) -> int:
    """How much a sentence matters by the state of one method; 0 where it does not."""
    verdict = found["verdict"]
    # A referral hangs on the sleeve if it is asked, else on each method that is not open.
    counts = method == "sleeve" and verdict in ("liner", "dig")
    if verdict == "refer":
        counts = method == "sleeve" or found["sleeve"] != "asked"
    asks = one.answer == MAYBE or one.effect == "refer"
    closes = one.answer == (NO if one.effect == "allows" else YES) and one.effect != "refer"
    if one.effect == "allows" and not lacking & set(one.rule.mechanism):
        asks = closes = False
    if counts and asks and found[method] == "asked":
        return 1 if one.effect == "refer" else 2
    if counts and closes and found[method] == "closed":
        return 3
    return 5 if one.effect == "allows" and one.answer == YES and verdict == method else 0


def unspoken(own: set[str], said: list[Said], needs: str, settled: set[str], book: Rulebook) -> str:
    """Which mechanisms no rule names, or settles the need of."""
    heard = {
        name for one in said if one.effect in ("refer", "needs") for name in one.rule.mechanism
    }
    words = []
    for name in sorted(own):
        if name not in book.named():
            words.append(f"no rule names {name}")
        elif needs == "unknown" and name not in settled | heard:
            words.append(f"no rule settles what {name} needs")
    return "; ".join(words)


def sentence(rule: Rule, row: Row) -> str:
    """The reason of a rule with the figures of a row in it."""
    return "".join(
        piece if isinstance(piece, str) else shown(piece.column, piece.decimals, row)
        for piece in rule.because.pieces
    )


def shown(column: str, decimals: int | None, row: Row) -> str:
    if column in SPAN_QUANTITIES:
        blank = is_blank(row[f"{column}_low"]) and is_blank(row[f"{column}_high"])
    else:
        blank = is_blank(row[column])
    if blank:
        return "not known"
    value = row.get(column)
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, str):
        return value.strip()
    low, high = (f"{v:g}" if decimals is None else f"{v:.{decimals}f}" for v in ends(row, column))
    least, most = ends(row, column)
    if least == most:
        return low
    if most == math.inf:
        return f"{low} or more"
    return f"up to {high}" if least <= 0 else f"{low} to {high}"
