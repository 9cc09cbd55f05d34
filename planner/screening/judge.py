"""Rules held against spans and put together, span by span: the part that verdicts hang on."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from planner.distinct import places_in
from planner.screening.columns import Marks, Texts, View
from planner.screening.reasons import Judged
from planner.screening.rulebook import Rulebook
from planner.screening.ruling import Ruling, rule_on
from planner.screening.verdict import Mechanisms, needs_of, state_of, verdict_of
from planner.screening.wording import METHODS, NEVER_SLEEVE

REPEATED = "it recurs all along the pipe at places not known: never a sleeve"
AT_LINING = "an earlier lining lies at this place: never a sleeve"
LINED = "the pipe is lined already: never a sleeve"


def run_rules(rulebook: Rulebook, view: View, mechanisms: Mechanisms | None) -> list[Ruling]:
    """Hold the rules about such things against them, each where one of its mechanisms is."""
    rulings = []
    everywhere = np.ones(len(view), dtype=bool)
    for rule in rulebook.about(view.about):
        applies = mechanisms.any_of(rule.mechanism) if mechanisms and rule.mechanism else everywhere
        rulings += rule_on(rule, view, applies)
    return rulings


def mechanisms_in(view: View, rulebook: Rulebook) -> Mechanisms:
    """Say which mechanisms each span owns, and which of them a book names."""
    texts, where = view.coded("mechanisms")
    sets = [{part.strip() for part in text.split("+")} - {""} for text in texts]
    names = tuple(sorted(set().union(*sets)))
    held = np.asarray([[name in one for name in names] for one in sets], dtype=bool)
    own = held.reshape(len(sets), len(names))[where]
    return Mechanisms(names, own, rulebook.named())


def spread_over(rulings: Sequence[Ruling], pipes: View, spans: View) -> list[Ruling]:
    """Give what is said of a pipe to each of its spans."""
    place = places_in(spans.texts("pipe_id"), pipes.texts("pipe_id"))
    out = []
    for ruling in rulings:
        at = np.full(len(pipes) + 1, -1, dtype=np.intp)
        at[ruling.rows] = np.arange(len(ruling.rows))
        where = at[place]  # -1, the last, is the pipe that is not there
        out.append(ruling.spread(np.flatnonzero(where >= 0), where[where >= 0]))
    return out


def never_sleeve(view: View, mechanisms: Mechanisms) -> Texts:
    """Say where a sleeve is out of the question whatever the book holds, '' elsewhere."""
    why = np.full(len(view), "", dtype=object)
    repeated = view.texts("kind") == "repeated"
    why[repeated] = REPEATED
    why[view.flags("at_lining")] = AT_LINING
    why[view.flags("lined")] = LINED
    for name in sorted(NEVER_SLEEVE):
        why[mechanisms.any_of([name])] = never_word(name)
    return why


def never_word(mechanism: str) -> str:
    """Say that a mechanism keeps a sleeve out, whatever the book holds."""
    return f"{mechanism} is never served by a sleeve"


def judge(mechanisms: Mechanisms, rulings: Sequence[Ruling], barred: Marks) -> Judged:
    """Put together what the rulings say of each span; `barred` are never served by a sleeve."""
    nothing = np.zeros_like(barred)
    needs = needs_of(mechanisms, rulings)
    states = {
        method: state_of(method, mechanisms, rulings, barred if method == "sleeve" else nothing)
        for method in METHODS
    }
    return Judged(mechanisms, needs, states, verdict_of(needs, states))
