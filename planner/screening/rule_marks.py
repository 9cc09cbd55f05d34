"""What a rule adds by its answer, in numbers: the words that `rule_kernel` gathers, and weights."""

from __future__ import annotations

from planner.contracts.repairs import STEPS
from planner.contracts.verdicts import NEEDS, URGENCY
from planner.screening.rule_kernel import (
    ASKS,
    BLANK,
    DOUBTS,
    GATHERED,
    MARKS,
    MAYBE,
    NO,
    OTHER,
    PASSED,
    SETTLED,
    SHUT,
    SPOKEN,
    SURE,
    UNKNOWN,
    URGENT,
    WORKS,
    YES,
)  # fmt: skip
from planner.screening.rule_text import Rule
from planner.screening.wording import METHODS

# In the order of the numbers that `rule_kernel` knows them by.
EFFECTS = ("needs", "allows", "rules_out", "refer")


def _said(rule: Rule, answer: int) -> list[tuple[str, int]]:
    """Give what a rule says by its answer: effects, each unknown or certain (see `rule_on`)."""
    plain = UNKNOWN if answer == BLANK else answer
    if answer != BLANK or rule.if_blank == "refer":
        return [(rule.effect, plain)]
    looks = rule.if_blank == "look"
    extra = ("first" if looks else "note", YES)
    # Taken as the way that leads on, with the look (or the note) before it.
    leads_on = rule.effect == "allows" or (rule.effect == "needs" and looks)
    return [(rule.effect, YES), extra] if leads_on else [extra]


def marks_of(rule: Rule, answer: int, mask: int) -> list[int]:
    """Write what a rule adds to each word that gathers bits; `mask` are its mechanisms."""
    out, methods = [0] * GATHERED, _methods(rule)
    for effect, state in _said(rule, answer):
        if effect == "needs":
            level = NEEDS.index(rule.level) + 1
            out[MARKS] |= 1 << MAYBE + level | (1 << SURE + level if state == YES else 0)
            out[SPOKEN] |= mask
            out[SETTLED] |= mask if state == YES else 0
        elif effect == "urgency" and answer != BLANK:
            out[MARKS] |= 1 << URGENT + URGENCY.index(rule.level)
        elif effect == "allows" and state != NO:
            for method in range(len(METHODS)):
                if methods >> method & 1:
                    out[(PASSED if state == YES else DOUBTS) + method] |= mask
        elif effect == "rules_out":
            out[MARKS] |= methods << (SHUT if state == YES else ASKS)
        elif effect == "refer":
            out[MARKS] |= methods << ASKS
            out[SPOKEN] |= mask
        elif effect == "first":
            out[MARKS] |= 1 << WORKS + STEPS.index(rule.work or "look")
    return out


def weights_of(rule: Rule, answer: int) -> list[int]:
    """Write what must be known to weigh what a rule says, as the columns of `Bits.weights`."""
    effect, state = _said(rule, answer)[0]
    unsettled = rule.effect in ("rules_out", "refer") and answer in (UNKNOWN, BLANK)
    return [
        EFFECTS.index(effect) if effect in EFFECTS else OTHER,
        state,
        NEEDS.index(rule.level) + 1 if effect == "needs" else 0,
        _methods(rule),
        int(rule.standing == "assumed"),
        int(unsettled),
    ]


def _methods(rule: Rule) -> int:
    """Give the methods that a rule is about, as bits; a refer that names none is about all."""
    about = METHODS if rule.effect == "refer" and not rule.method else rule.method
    return sum(1 << METHODS.index(method) for method in about)
