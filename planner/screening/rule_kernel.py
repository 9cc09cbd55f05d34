"""The rulebook walked span by span on flat arrays: what `judge` and `reasons` say, compiled.

A city's spans pass here one by one, each through the rules of its own mechanisms alone. The
readable engine (`ruling`, `verdict`, `reasons`) says the same, which tests hold against it;
nothing here knows a text or a unit, only the numbers that `rule_bits` gives to both.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, NamedTuple, cast

import numpy as np
import numpy.typing as npt
from numba import types
from numba.core import cgutils
from numba.extending import intrinsic

from planner.screening.bands import compiled, within

Ints = npt.NDArray[np.int64]
Numbers = npt.NDArray[np.float64]
Codes = npt.NDArray[np.int16]
Bytes = npt.NDArray[np.int8]
Places = npt.NDArray[np.intp]
Words = npt.NDArray[np.uint64]

# What is said of a number, a word of rules for each: a condition of theirs stops them, a limit
# denies; a part leaves them open by a figure, or lacks one by a blank.
STOPPED, DENIED, OPEN, LACKING, PLANES = range(5)
LIVE = STOPPED  # in its place, of a whole span: the rules that speak at all
# What a rule says of a span: the answers of `intervals`, and an unknown that blanks alone make.
NO, UNKNOWN, YES, BLANK = 0, 1, 2, 3
ANSWERS = 4
# Effects that verdicts hang on, and all others.
NEEDS, ALLOWS, RULES_OUT, REFER, OTHER = 0, 1, 2, 3, 4
# Columns of `Bits.weights`: what is said, and what must be known of the rule to weigh it.
SAYS, ANSWER, LEVEL, METHODS, ASSUMED, UNSETTLED, WEIGHTS = range(7)
# Needs: 0 = no rule has spoken, then the order of the contract.
NOTHING, MAINTAIN, WATCH, MEND, NOT_KNOWN = 1, 2, 3, 4, 5
CLOSED, ASKED, SERVES = 0, 1, 2
# Verdicts in the order of the contract; 0 to 2 are the methods.
TO_REFER, TO_WATCH, TO_MAINTAIN, TO_NONE = 3, 4, 5, 6
# What the rules together say of a span, in words that only gather bits, and what follows.
# PASSED and DOUBTS have a word for each method.
(MARKS, SETTLED, SPOKEN, PASSED, _, _, DOUBTS, _, _, GATHERED) = range(10)  # fmt: skip
OWN, NEED, ASKING, CLOSING, SERVING, TOTALS = range(GATHERED, GATHERED + 6)
# Bits of the word MARKS, from: needs that are certain and possible by level, urgency by level,
# methods shut and asked, works first. To the words after it a rule adds its own mechanisms.
SURE, MAYBE, URGENT, SHUT, ASKS, WORKS = 0, 5, 10, 15, 18, 21
# Parts that no rule has: why a sleeve is never used, and that one lies there already.
REPEATED, AT_LINING, LINED, MENDED, OWN_PARTS = range(5)
# Columns of what comes out.
(OUT_NEEDS, OUT_URGENCY, OUT_SLEEVE, OUT_LINER, OUT_DIG, OUT_VERDICT, OUT_ASSUMED, OUT_BARRED,
 OUT_MENDED, OUTS) = range(10)  # fmt: skip

_ONE = np.uint64(1)


class Bits(NamedTuple):
    """A rulebook in numbers, as `rule_bits` writes it.

    `said` has for each number, from ``said_from`` of its column on, and each word of rules what
    is said of these (`STOPPED` ..), as bits; `always` what is said whatever the span, by columns
    that hold one number throughout. The columns of pipes come first, `of_pipes` of them; after
    all columns, at `set_at`, stands the set of mechanisms, then 1 where conditions are lent by an
    assumed extent alone, else 0. `masks`
    are the mechanisms of each rule. What a rule adds to the words that only gather bits, and how
    it is weighed, stands in row ``4 * rule + answer`` of `marks` and `weights`. A set of
    mechanisms has its own bits in `owned` and the bits of its rules in `applies`; the columns of
    spans that these rules look at stand in `looks`, for word w of their bits from
    ``looks_from[words * set + w]`` on. `parts` are those that no rule has: the column of each,
    and where in `holds` stands whether it holds of each number. `named` are the mechanisms that
    some rule names, `never` those never served by a sleeve.
    """

    parts: Ints
    holds: Bytes
    said: Words
    always: Words
    said_from: Ints
    of_pipes: int
    set_at: int
    masks: Ints
    marks: Ints
    weights: Bytes
    owned: Ints
    applies: Words
    looks: Ints
    looks_from: Ints
    never: Ints
    named: int
    upkeep: int


class Rows(NamedTuple):
    """Spans to be judged: their numbers, as many as `at` has, and their pipes' rows."""

    codes: Codes
    at: Places


class Told(NamedTuple):
    """What is said of each span: codes (`OUT_..`), main sentence, works, silence, rules blamed."""

    codes: Bytes
    why: Codes
    first: Ints
    unsaid: Ints
    blamed: Words

    def taken(self, at: slice | npt.NDArray[np.int32]) -> Told:
        """Give what is said of some spans; of a slice, to be written to."""
        return Told(self.codes[at], self.why[at], self.first[at], self.unsaid[at], self.blamed[at])


class Room(NamedTuple):
    """Room that one walk writes in: what is said of rules, what is heard, what it comes to.

    `of_pipe` and `held` have a row of `PLANES` for each word of rules: what the pipe alone says,
    and what all says, there with the rules that are live in place of those stopped.
    """

    of_pipe: Words
    held: Words
    heard: Ints
    total: Ints


def _lowest(_: Any, word: Any) -> Any:  # noqa: ANN401 - as numba calls it
    def generate(_: Any, builder: Any, __: Any, given: Any) -> Any:  # noqa: ANN401
        return builder.cttz(given[0], cgutils.true_bit)

    return types.uint64(word), generate


# The place of the lowest bit of a word that is not 0.
lowest = cast("Callable[[np.uint64], np.uint64]", intrinsic(_lowest))


@within
def number_of(bits: Bits, column: int, codes: Codes) -> np.uint64:
    """Give the row of `Bits.said` that a span has in a column; no place counts from the end."""
    return np.uint64(bits.said_from[np.uint64(column)] + codes[np.uint64(column)])


@within
def add_said(bits: Bits, column: int, codes: Codes, w: int, out: Words) -> None:
    """Add what is said of a span's number in a column."""
    number = number_of(bits, column, codes)
    for plane in range(PLANES):
        out[w, plane] |= bits.said[number, w, plane]


@within
def hear_pipe(bits: Bits, codes: Codes, out: Words) -> None:
    """Write what is said of the numbers of a span's pipe, and of whatever all spans have alike."""
    for w in range(len(out)):
        for plane in range(PLANES):
            out[w, plane] = bits.always[w, plane]
        for column in range(bits.of_pipes):
            add_said(bits, column, codes, w, out)


@within
def hold_all(
    bits: Bits, set_: int, codes: Codes, without: tuple[int, int], of_pipe: Words, held: Words
) -> None:
    """Write which rules of a set of mechanisms are live and what else is said of them.

    Two columns are left out; -1 = none. What the pipe says is given.

    Notes
    -----
    Four words of their own, and the way out of the loop, keep LLVM from gathering several
    words at once, which takes six times as long on the machine where this was measured.
    """
    words = len(held)
    for w in range(words):
        place, applies = words * set_ + w, bits.applies[set_, w]
        stopped, denied = of_pipe[w, STOPPED], of_pipe[w, DENIED]
        open_, lacking = of_pipe[w, OPEN], of_pipe[w, LACKING]
        for n in range(bits.looks_from[place], bits.looks_from[place + 1]):
            column = bits.looks[np.uint64(n)]
            if column != without[0] and column != without[1]:
                number, word = number_of(bits, column, codes), np.uint64(w)
                stopped |= bits.said[number, word, STOPPED]
                denied |= bits.said[number, word, DENIED]
                open_ |= bits.said[number, word, OPEN]
                lacking |= bits.said[number, word, LACKING]
                if applies & ~stopped == 0:
                    break
        held[w, LIVE], held[w, DENIED] = applies & ~stopped, denied
        held[w, OPEN], held[w, LACKING] = open_, lacking


@within
def start(own: int, bits: Bits, barred: int, total: Ints) -> None:
    """Begin with what holds before any rule speaks."""
    for k in range(GATHERED):
        total[k] = 0
    total[OWN] = own
    total[MARKS] = (int(barred != 0) << SHUT) | ((7 if own & ~bits.named else 0) << ASKS)


@within
def level_of(marks: int, begin: int) -> int:
    """Give the highest level that is marked, of four; 0 = none."""
    for level in range(4, 0, -1):
        if marks >> begin + level & 1:
            return level
    return 0


@within
def state_of(method: int, total: Ints) -> int:
    """Find whether a method is open, asked or closed."""
    lacking = total[OWN] & ~total[PASSED + method]
    if total[MARKS] >> SHUT + method & 1:
        return CLOSED
    if total[MARKS] >> ASKS + method & 1 or lacking & total[DOUBTS + method]:
        return ASKED
    return CLOSED if lacking or not total[OWN] else SERVES


@within
def need_of(total: Ints) -> int:
    """Find what a span needs."""
    possible = level_of(total[MARKS], MAYBE)
    open_ = possible in (MEND, 0) or total[OWN] & ~total[SETTLED] != 0
    return NOT_KNOWN if level_of(total[MARKS], SURE) < MEND and open_ else possible


@within
def verdict_of(need: int, sleeve: int, liner: int, dig: int) -> int:
    """Find what is proposed."""
    if need == NOT_KNOWN:
        return TO_REFER
    if need < MEND:
        return TO_NONE if need == NOTHING else (TO_MAINTAIN if need == MAINTAIN else TO_WATCH)
    if sleeve == ASKED:
        return TO_REFER
    if sleeve == SERVES:
        return 0
    if liner == SERVES:
        return 1
    return 2 if dig == SERVES else TO_REFER


@within
def holds(bits: Bits, part: int, codes: Codes) -> bool:
    """Tell whether a part that no rule has holds of a span."""
    return bool(bits.holds[bits.parts[part, 1] + codes[bits.parts[part, 0]]])


@within
def bar_of(own: int, bits: Bits, codes: Codes) -> int:
    """Say what keeps a sleeve out whatever a book holds; the last word counts; 0 = nothing."""
    why = 0
    for part in range(MENDED):
        if holds(bits, part, codes):
            why = 1 + part
    for k in range(len(bits.never)):
        if own & bits.never[k]:
            why = OWN_PARTS + k
    return why


@within
def _turns_on(total: Ints, out: Bytes) -> None:
    """Mark the methods whose state the verdict hangs on: asked, closed, and the one it names.

    A referral hangs on the sleeve if it is asked, else on every method that is not open.
    """
    total[ASKING], total[CLOSING], total[SERVING] = 0, 0, 0
    verdict = out[OUT_VERDICT]
    if total[NEED] != MEND:
        return
    if verdict < TO_REFER:
        total[SERVING] = 1 << verdict
    for method in range(3):
        counts = verdict == TO_REFER and (out[OUT_SLEEVE] != ASKED or method == 0)
        if counts or (verdict in (1, 2) and method == 0):
            state = out[OUT_SLEEVE + method]
            total[ASKING] |= (1 if state == ASKED else 0) << method
            total[CLOSING] |= (1 if state == CLOSED else 0) << method


@within
def _lacks(methods: int, mask: int, total: Ints) -> bool:
    """Tell whether one of the methods lacks an allows for one of some mechanisms."""
    for method in range(3):
        if methods >> method & 1 and total[OWN] & ~total[PASSED + method] & mask:
            return True
    return False


@within
def _weigh_need(fact: Bytes, need: int, verdict: int) -> int:
    """Give how much the sentence of a need matters."""
    if need == NOT_KNOWN and fact[ANSWER] == UNKNOWN and fact[LEVEL] == MEND:
        return 0
    return 4 if need == fact[LEVEL] and verdict != TO_REFER else 9


@within
def _weigh(fact: Bytes, mask: int, total: Ints, out: Bytes) -> int:
    """Give how much a sentence matters for the verdict, small first; 9 = it is not behind it."""
    says, answer, methods = fact[SAYS], fact[ANSWER], fact[METHODS]
    asked, closed = methods & total[ASKING], methods & total[CLOSING]
    if says == NEEDS:
        return _weigh_need(fact, total[NEED], out[OUT_VERDICT])
    if says == REFER:
        return 1 if asked or total[NEED] == NOT_KNOWN else 9
    weight = 9
    if says == ALLOWS and answer == YES:
        weight = 5 if methods & total[SERVING] else 9
    elif answer == UNKNOWN:
        weight = 2 if asked and (says != ALLOWS or _lacks(asked, mask, total)) else 9
    elif closed and (says != ALLOWS or _lacks(closed, mask, total)):
        weight = 3
    return weight


@within
def give_reasons(
    heard: Ints, count: int, bits: Bits, total: Ints, out: Bytes, blamed: Words
) -> int:
    """Find the sentence that matters most, and mark the rules behind a referral.

    Gives twice the number of the rule, one more where its sentence is not settled; -1 where
    no rule is behind the verdict.
    """
    _turns_on(total, out)
    first, least = -1, 9
    sound, supported, assumed = False, False, False
    for n in range(count):
        fact, rule = bits.weights[heard[n]], heard[n] // ANSWERS
        weight = _weigh(fact, bits.masks[rule], total, out)
        if weight == 9:
            continue
        if out[OUT_VERDICT] == TO_REFER:
            blamed[rule >> 6] |= np.uint64(1) << np.uint64(rule & 63)
        # Of equals the first rule counts: they are not heard in order.
        if weight < least or (weight == least and heard[n] < first):
            least, first = weight, heard[n]
        if fact[SAYS] == NEEDS:
            supported, sound = True, sound or fact[ASSUMED] == 0
        else:
            assumed = assumed or fact[ASSUMED] == 1
    out[OUT_ASSUMED] = assumed or (supported and not sound)
    return -1 if first < 0 else 2 * (first // ANSWERS) + bits.weights[first, UNSETTLED]


@within
def hear(bits: Bits, room: Room) -> int:
    """Hear the rules that are live, and add what they say to all.

    Gives how many of them a verdict may hang on; their rows of `Bits.weights` are kept.
    """
    count, total, held = 0, room.total, room.held
    for w in range(len(held)):
        word = held[w, LIVE]
        # The answer of each rule in two bits: NO, UNKNOWN, YES, BLANK.
        high = ~(held[w, DENIED] | held[w, OPEN])
        low = ~held[w, DENIED] & (held[w, OPEN] | held[w, LACKING])
        while word:
            at = lowest(word)
            word &= word - _ONE
            answer = (high >> at & _ONE) << _ONE | (low >> at & _ONE)
            row = (np.uint64(64 * w) + at) * np.uint64(ANSWERS) + answer
            room.heard[count] = row
            count += int(bits.weights[row, SAYS] != OTHER)
            for k in range(GATHERED):
                total[k] |= bits.marks[row, k]
    return count


@compiled
def judge_rows(rows: Rows, bits: Bits, told: Told, room: Room) -> None:
    """Judge spans one by one."""
    total, at = room.total, rows.at
    for i in range(len(at)):
        row, out = rows.codes[i], told.codes[i]
        set_ = row[bits.set_at]
        own = bits.owned[set_]
        if i == 0 or at[i] != at[i - 1]:
            hear_pipe(bits, row, room.of_pipe)
        out[OUT_BARRED] = bar_of(own, bits, row)
        start(own, bits, out[OUT_BARRED], total)
        hold_all(bits, set_, row, (-1, -1), room.of_pipe, room.held)
        count = hear(bits, room)
        need = need_of(total)
        total[NEED] = need
        for method in range(3):
            out[OUT_SLEEVE + method] = state_of(method, total)
        verdict = verdict_of(need, out[OUT_SLEEVE], out[OUT_LINER], out[OUT_DIG])
        silent = own & ~total[SETTLED] & ~total[SPOKEN] if need == NOT_KNOWN else 0
        told.unsaid[i] = (own & ~bits.named) | (silent & bits.named)
        if holds(bits, MENDED, row):
            out[OUT_MENDED], out[OUT_NEEDS], out[OUT_VERDICT] = 1, NOTHING, TO_NONE
            told.why[i] = -1
            continue
        out[OUT_NEEDS], out[OUT_VERDICT] = need, verdict
        out[OUT_URGENCY] = 0 if need == NOTHING else level_of(total[MARKS], URGENT)
        told.why[i] = give_reasons(room.heard, count, bits, total, out, told.blamed[i])
        works = total[MARKS] >> WORKS
        if verdict == TO_MAINTAIN:
            told.first[i] = works & bits.upkeep
        elif verdict not in (TO_WATCH, TO_NONE):
            told.first[i] = works
