"""A rulebook, and the columns that it names, in the numbers that `rule_kernel` walks."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt
import pandas as pd

from planner.contracts.repairs import STEPS
from planner.contracts.verdicts import NEEDS, URGENCY
from planner.screening.column_codes import (
    MOST_KNOWN,
    NOTHING_KNOWN,
    Coded,
    Key,
    Numbering,
    Part,
    codable,
)
from planner.screening.columns import About
from planner.screening.margins import LENT
from planner.screening.parted_texts import Parted, parted_together
from planner.screening.rule_kernel import (
    ANSWERS,
    ASKS,
    BLANK,
    DOUBTS,
    GATHERED,
    MARKS,
    MAYBE,
    NO,
    OTHER,
    PASSED,
    PLANES,
    SETTLED,
    SHUT,
    SPOKEN,
    SURE,
    UNKNOWN,
    URGENT,
    WEIGHTS,
    WORKS,
    YES,
    Bits,
)  # fmt: skip
from planner.screening.rule_text import Clause, Rule
from planner.screening.rulebook import Rulebook
from planner.screening.verdict import UPKEEP
from planner.screening.wording import METHODS, NEVER_SLEEVE

Codes = npt.NDArray[np.int16]
Ints = npt.NDArray[np.int64]
Words = npt.NDArray[np.uint64]

# In the order of the numbers that `rule_kernel` knows them by.
EFFECTS = ("needs", "allows", "rules_out", "refer")
# Parts that no rule has, the first ones: REPEATED, AT_LINING, LINED and MENDED there.
OWN_PARTS = (
    Clause("kind", "=", ("repeated",), ""),
    Clause("at_lining", "=", value=True, unit=""),
    Clause("lined", "=", value=True, unit=""),
    Clause("state", "=", ("mended",), ""),
)
# Mechanisms are bits of a signed number of 64, and numbers of texts have 16.
MOST_MECHANISMS = 62
MOST_TEXTS = 30_000


@dataclass(frozen=True)
class Owned:
    """Mechanisms that spans own: all names, each set once in bits, and which each span has."""

    names: tuple[str, ...]
    sets: Ints
    of_span: Codes


@dataclass(frozen=True)
class Book:
    """The rules about spans and pipes in order of id, their columns, and both in numbers."""

    rules: tuple[Rule, ...]
    owned: Owned
    columns: dict[Key, Coded]
    bits: Bits


class Lines:
    """What the rules alone say in numbers: made once of a book, whatever it is held against.

    `in_spans` are the columns that spans have of themselves; `names` all mechanisms, in the
    order of their bits.
    """

    def __init__(
        self, rulebook: Rulebook, in_spans: frozenset[str], names: tuple[str, ...]
    ) -> None:
        """Take a book that `fits`."""
        self.rules = rules_of(rulebook)
        self.names = names
        self._bits = {name: 1 << k for k, name in enumerate(names)}
        self._sets: dict[str, int] = {}
        self.masks = np.array([self.bits(rule.mechanism) for rule in self.rules], dtype=np.int64)
        said = [(rule, answer) for rule in self.rules for answer in range(ANSWERS)]
        marks = [_marks(rule, answer, self.bits(rule.mechanism)) for rule, answer in said]
        self.marks = np.array(marks, dtype=np.int64).reshape(-1, GATHERED)
        weights = [_weights(*one) for one in said]
        self.weights = np.array(weights, dtype=np.int8).reshape(-1, WEIGHTS)
        self.never = np.array([self.bits((name,)) for name in sorted(NEVER_SLEEVE)], dtype=np.int64)
        self.named = self.bits(rulebook.named())
        self._place_parts(in_spans)

    def bits(self, names: Sequence[str] | frozenset[str]) -> int:
        """Give the bits of those mechanisms that have one."""
        return sum(bit for name, bit in self._bits.items() if name in names)

    def _place_parts(self, in_spans: frozenset[str]) -> None:
        """Find the column of each part of each rule."""

        def keyed(about: About, part: Part) -> Key:
            own = about == "span" and part.column in in_spans
            return Key("span" if own else "pipe", part.column)

        words = words_for(len(self.rules))
        found: dict[Key, dict[Part, Words]] = {}

        def place(about: About, part: Part) -> Words:
            unlike = found.setdefault(keyed(about, part), {})
            return unlike.setdefault(part, np.zeros(words, dtype=np.uint64))

        for own_part in OWN_PARTS:
            place("span", own_part)
        for k, rule in enumerate(self.rules):
            for part in parts_of(rule):
                place(rule.about, part)[k >> 6] |= np.uint64(1) << np.uint64(k & 63)
        self.numberings = {
            key: Numbering(key, list(found[key]), np.stack(list(found[key].values())))
            for key in sorted(found)
        }
        self.naming = np.stack(
            [np.bitwise_or.reduce(list(found[key].values())) for key in self.numberings]
        )
        keys = list(self.numberings)
        own = [(keyed("span", part), part) for part in OWN_PARTS]
        self.own_parts = [(keys.index(key), key, list(found[key]).index(part)) for key, part in own]
        self.of_pipes = sum(key.table == "pipe" for key in keys)

    def owned(self, parted: Parted) -> Owned:
        """Say which set of mechanisms each span owns."""
        known = self._sets if len(self._sets) <= MOST_KNOWN else {}
        for text in parted.texts:
            if text not in known:
                known[text] = self.bits(_mechanisms_in(text))
        self._sets = known
        sets = np.array([known[text] for text in parted.texts], dtype=np.int64)
        of_span = parted.values(np.arange(len(sets), dtype=np.int16))
        return Owned(self.names, sets, of_span)

    @cached_property
    def free(self) -> npt.NDArray[np.bool_]:
        """Mark the rules that are about whatever mechanism."""
        return np.array([not rule.mechanism for rule in self.rules], dtype=bool)

    def applies(self, own: Ints) -> Words:
        """Say for each set of mechanisms which rules apply to it, as bits."""
        out = np.zeros((len(own), 64 * words_for(len(self.rules))), dtype=bool)
        out[:, : len(self.rules)] = (own[:, None] & self.masks != 0) | self.free
        packed = np.packbits(out, axis=1, bitorder="little")
        return np.ascontiguousarray(packed).view(np.uint64)


def rules_of(rulebook: Rulebook) -> tuple[Rule, ...]:
    """Give the rules that spans are held against, in order of id."""
    return tuple(rule for rule in rulebook.rules if rule.about in ("span", "pipe"))


def parts_of(rule: Rule) -> tuple[Part, ...]:
    """Give the conditions of a rule, then its limits."""
    return (*rule.when, *rule.limit)


def fits(rulebook: Rulebook) -> bool:
    """Say whether a book can be put into numbers at all."""
    return rulebook.made("fits", lambda: _fits(rulebook))


def _fits(rulebook: Rulebook) -> bool:
    parts: dict[str, list[Part]] = {}
    for rule in rules_of(rulebook):
        for part in parts_of(rule):
            parts.setdefault(part.column, []).append(part)
    return all(codable(some) for some in parts.values())


def _mechanisms_in(text: str) -> frozenset[str]:
    return frozenset(part.strip() for part in text.split("+")) - {""}


def lines_of(rulebook: Rulebook, spans: pd.DataFrame, mechanisms: Sequence[str]) -> Lines | None:
    """Give what a book says in numbers, for spans that own these mechanisms, as texts.

    None where there are too many mechanisms to number.
    """
    if len(mechanisms) > MOST_TEXTS:
        return None
    here = frozenset[str]().union(*map(_mechanisms_in, mechanisms))
    named = rulebook.made("mechanisms", lambda: _all_named(rulebook))
    names = here | named if len(here | named) <= MOST_MECHANISMS else here
    if len(names) > MOST_MECHANISMS:
        return None
    own = frozenset(str(name).removesuffix("_low") for name in spans.columns)
    read = rulebook.made("columns", lambda: _columns_of(rulebook)) & own
    ordered = tuple(sorted(names))
    return rulebook.made((read, ordered), lambda: Lines(rulebook, read, ordered))


def _all_named(rulebook: Rulebook) -> frozenset[str]:
    named = frozenset(name for rule in rules_of(rulebook) for name in rule.mechanism)
    return named | frozenset(NEVER_SLEEVE)


def _columns_of(rulebook: Rulebook) -> frozenset[str]:
    parts = [part.column for rule in rules_of(rulebook) for part in parts_of(rule)]
    return frozenset([*parts, *(part.column for part in OWN_PARTS)])


def book_of(rulebook: Rulebook, spans: pd.DataFrame, pipes: pd.DataFrame) -> Book | None:
    """Put a rulebook and the columns that it names into numbers.

    Parameters
    ----------
    rulebook
        One that `fits`.
    spans, pipes
        As the rules see them: `columns.view_of` adds what lies beside.

    Returns
    -------
    book
        None where spans own too many mechanisms to number.
    """
    mechanisms = Key("span", "mechanisms")
    parted = {mechanisms: parted_together({"mechanisms": spans["mechanisms"]})["mechanisms"]}
    lines = lines_of(rulebook, spans, parted[mechanisms].texts)
    if lines is None:
        return None
    tables: Mapping[About, pd.DataFrame] = {"span": spans, "pipe": pipes}
    for about, table in tables.items():
        texts = [
            key
            for key, one in lines.numberings.items()
            if key.table == about and one.is_text and key not in parted
        ]
        found = parted_together({key.name: table[key.name] for key in texts})
        parted |= {key: found[key.name] for key in texts}
    columns = {
        key: one.coded(tables[key.table], parted.get(key)) for key, one in lines.numberings.items()
    }
    owned = lines.owned(parted[mechanisms])
    return Book(lines.rules, owned, columns, _bits_of(lines, owned, columns))


def _bits_of(lines: Lines, owned: Owned, columns: Mapping[Key, Coded]) -> Bits:
    said_from = np.cumsum([0, *(len(one.said.planes) for one in columns.values())])
    applies = lines.applies(owned.sets)
    always = np.zeros((applies.shape[1], PLANES), dtype=np.uint64)
    looked = np.zeros(len(columns), dtype=bool)
    for number, (key, column) in enumerate(columns.items()):
        looked[number] = key.table == "span" and not _same_throughout(key, column)
        if key.table == "span" and not looked[number]:
            always |= column.said.planes[column.fixed]
    parts, holds, filled = [], [], 0
    for number, key, row in lines.own_parts:
        parts.append((number, filled))
        holds.append(columns[key].said.table[row] & 3 == YES)
        filled += len(holds[-1])
    return Bits(
        np.array(parts, dtype=np.int64),
        np.concatenate(holds).astype(np.int8),
        np.concatenate([one.said.planes for one in columns.values()]),
        always,
        said_from,
        lines.of_pipes,
        lines.masks,
        lines.marks,
        lines.weights,
        owned.sets,
        applies,
        *_looks(lines.naming, looked, applies),
        lines.never,
        lines.named,
        sum(1 << STEPS.index(work) for work in UPKEEP),
    )


def _same_throughout(key: Key, column: Coded) -> bool:
    """Tell whether all spans say the same in a column, and go on to where nothing is lent."""
    lent = key.name in (*LENT, "lent")
    return column.fixed >= 0 and (not lent or column.fixed == NOTHING_KNOWN)


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


def _marks(rule: Rule, answer: int, mask: int) -> list[int]:
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


def _weights(rule: Rule, answer: int) -> list[int]:
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


def words_for(count: int) -> int:
    """Give how many words of 64 bits hold `count` bits."""
    return max(1, -(-count // 64))


def _looks(naming: Words, looked: npt.NDArray[np.bool_], applies: Words) -> tuple[Ints, Ints]:
    """Say which columns the rules of each set of mechanisms look at, word by word.

    `naming` are the rules that name each column, `looked` the columns to look at at all.
    """
    both = (applies[:, :, None] & naming.T != 0) & looked
    both = both.reshape(-1, len(naming))
    ends = np.cumsum([0, *both.sum(axis=1)]).astype(np.int64)
    return np.nonzero(both)[1].astype(np.int64), ends
