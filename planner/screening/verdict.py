"""What the rules together say of each span: its need, its urgency, each method, works first.

Only the most and the least of what single rules say is ever taken, so the order of the
rules cannot matter; and nothing here opens what a rule has closed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from planner.contracts.repairs import STEPS
from planner.contracts.verdicts import NEEDS, URGENCY
from planner.screening.intervals import NO, UNKNOWN, YES, Marks
from planner.screening.ruling import Ruling
from planner.screening.wording import METHODS

CLOSED, ASKED, OPEN = np.int8(0), np.int8(1), np.int8(2)
STATE_WORDS = np.asarray(["closed", "asked", "open"], dtype=object)
# 0 = no rule has spoken; the words follow in the order of NEEDS.
NO_NEED, MEND, NOT_KNOWN = 0, NEEDS.index("mend") + 1, NEEDS.index("unknown") + 1
# Works that make sense where nothing goes into the ground.
UPKEEP = ("clean", "cut_roots", "cut_intrusion", "descale")

Codes = npt.NDArray[np.int8]
Texts = npt.NDArray[np.object_]


@dataclass(frozen=True)
class Mechanisms:
    """Which mechanisms there are, and which each span owns: one row a span, one column a name."""

    names: tuple[str, ...]
    own: Marks
    named: frozenset[str]

    def columns(self, names: Sequence[str]) -> list[int]:
        """Give the columns of `names` that occur."""
        place = {name: column for column, name in enumerate(self.names)}
        return [place[name] for name in names if name in place]

    def any_of(self, names: Sequence[str]) -> Marks:
        """Mark the spans that own one of `names`."""
        return np.asarray(self.own[:, self.columns(names)].any(axis=1), dtype=bool)

    @property
    def unnamed(self) -> Marks:
        """Mark the spans that own a mechanism which no rule names."""
        return self.any_of([name for name in self.names if name not in self.named])


@dataclass(frozen=True)
class Needs:
    """Need of each span as a place in `NEEDS` + 1; `lacking`: no rule settles the mechanism."""

    code: Codes
    lacking: Marks

    @property
    def words(self) -> Texts:
        """Give the needs as words."""
        return np.asarray(("", *NEEDS), dtype=object)[self.code]


@dataclass(frozen=True)
class State:
    """State of one method on each span; `lacking`: no allows passes for the mechanism."""

    code: Codes
    lacking: Marks


def needs_of(mechanisms: Mechanisms, rulings: Sequence[Ruling]) -> Needs:
    """Find what each span needs.

    The worst that holds counts. If a rule that asks for mending may hold, or some
    mechanism has no rule that holds, the need is unknown, unless mending is certain
    anyhow. Between watching and less, the worst that may hold counts.
    """
    certain = np.zeros(len(mechanisms.own), dtype=np.int8)
    possible = certain.copy()
    settled = np.zeros_like(mechanisms.own)
    for ruling in rulings:
        if ruling.effect == "needs":
            level = np.int8(NEEDS.index(ruling.rule.level) + 1)
            sure = ruling.rows[ruling.answer == YES]
            possible[ruling.rows] = np.maximum(possible[ruling.rows], level)
            certain[sure] = np.maximum(certain[sure], level)
            for column in mechanisms.columns(ruling.rule.mechanism):
                settled[sure, column] = True
    lacking = mechanisms.own & ~settled
    unknown = (certain < MEND) & ((possible == MEND) | lacking.any(axis=1) | (possible == NO_NEED))
    return Needs(np.where(unknown, NOT_KNOWN, possible).astype(np.int8), lacking)


def urgency_of(count: int, rulings: Sequence[Ruling]) -> Codes:
    """Find the urgency of each span, as a place in `URGENCY`: the worst that may hold.

    A class of figures counts with its worse end; a figure that is blank altogether says
    nothing of urgency (where it could tip the need, the span is referred).
    """
    code = np.zeros(count, dtype=np.int8)
    for ruling in rulings:
        if ruling.effect == "urgency":
            rows = ruling.rows[(ruling.answer == YES) | ~ruling.blank]
            code[rows] = np.maximum(code[rows], np.int8(URGENCY.index(ruling.rule.level)))
    return code


def state_of(
    method: str, mechanisms: Mechanisms, rulings: Sequence[Ruling], barred: Marks
) -> State:
    """Find whether a method is open, asked or closed on each span.

    Closed where a rules_out holds for certain (or where it is `barred` whatever a book
    says); else asked where a limit or a rules_out is undecided, a refer names it, or a
    mechanism is named by no rule; else open where each mechanism has an allows that
    passes; else closed. An undecided limit of a mechanism with another allows that
    passes cannot tip anything and is passed over.
    """
    closed, asked = barred.copy(), mechanisms.unnamed.copy()
    passed = np.zeros_like(mechanisms.own)
    undecided = np.zeros_like(mechanisms.own)
    for ruling in rulings:
        if not speaks_of(ruling, method):
            continue
        maybe = ruling.rows[ruling.answer == UNKNOWN]
        if ruling.effect == "allows":
            for column in mechanisms.columns(ruling.rule.mechanism):
                passed[ruling.rows[ruling.answer == YES], column] = True
                undecided[maybe, column] = True
        elif ruling.effect == "rules_out":
            closed[ruling.rows[ruling.answer == YES]] = True
            asked[maybe] = True
        else:
            asked[ruling.rows[ruling.answer != NO]] = True
    lacking = mechanisms.own & ~passed
    asked |= (lacking & undecided).any(axis=1)
    open_ = mechanisms.own.any(axis=1) & ~lacking.any(axis=1)
    code = np.select([closed, asked, open_], [CLOSED, ASKED, OPEN], CLOSED).astype(np.int8)
    return State(code, lacking)


def speaks_of(ruling: Ruling, method: str) -> bool:
    """Tell whether a ruling is about a method; a refer that names none is about all."""
    if ruling.effect == "refer":
        return not ruling.methods or method in ruling.methods
    return ruling.effect in ("allows", "rules_out") and method in ruling.methods


def verdict_of(needs: Needs, states: dict[str, State]) -> Texts:
    """Find what is proposed: the first open method where the sleeve is not to be asked."""
    mend = needs.code == MEND
    sleeve, liner, dig = (states[method].code for method in METHODS)
    none_open = (sleeve != OPEN) & (liner != OPEN) & (dig != OPEN)
    refer = (needs.code == NOT_KNOWN) | (mend & ((sleeve == ASKED) | none_open))
    words = np.select(
        [refer, mend & (sleeve == OPEN), mend & (liner == OPEN), mend],
        ["refer", "sleeve", "liner", "dig"],
        "",
    ).astype(object)
    rest = ~refer & ~mend
    words[rest] = np.where(needs.words[rest] == "nothing", "none", needs.words[rest])
    return words


def no_rule_names(mechanism: str) -> str:
    """Say that a book does not know a mechanism."""
    return f"no rule names {mechanism}"


def no_rule_settles(mechanism: str) -> str:
    """Say that a book knows a mechanism, but not what it needs here."""
    return f"no rule settles what {mechanism} needs"


def first_of(verdict: Texts, rulings: Sequence[Ruling]) -> Texts:
    """List the works before anything else, in the order of `STEPS`, '+' between.

    A work that may be needed counts as needed. Where nothing goes into the ground only
    the upkeep stays, and where nothing is done, nothing.
    """
    bits = np.zeros(len(verdict), dtype=np.int64)
    for ruling in rulings:
        if ruling.effect == "first":
            bits[ruling.rows] |= 1 << STEPS.index(ruling.rule.work or "look")
    upkeep = sum(1 << STEPS.index(work) for work in UPKEEP)
    bits[verdict == "maintain"] &= upkeep
    bits[np.isin(verdict, ["watch", "none"])] = 0
    unlike, where = np.unique(bits, return_inverse=True)
    words = ["+".join(step for n, step in enumerate(STEPS) if value >> n & 1) for value in unlike]
    return np.asarray(words, dtype=object)[where.reshape(-1)]
