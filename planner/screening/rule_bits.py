"""A rulebook, and the columns that it names, in the numbers that `rule_kernel` walks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt
import pandas as pd

from planner.contracts.repairs import STEPS
from planner.contracts.verdicts import NEEDS, URGENCY
from planner.screening.column_codes import (
    KNOWS_NOTHING,
    Coded,
    Key,
    Part,
    Parted,
    codable,
    coded_column,
    parted_texts,
)
from planner.screening.columns import About
from planner.screening.rule_kernel import (
    ANSWERS,
    ASKS,
    BLANK,
    BY_BLANK,
    BY_FIGURE,
    BY_LIMIT,
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
    STOPS,
    SURE,
    UNKNOWN,
    URGENT,
    WEIGHTS,
    WORKS,
    YES,
    Bits,
)  # fmt: skip
from planner.screening.rule_text import Clause, Limit, Rule
from planner.screening.rulebook import Rulebook
from planner.screening.threads import each
from planner.screening.verdict import UPKEEP
from planner.screening.wording import METHODS, NEVER_SLEEVE

Codes = npt.NDArray[np.int16]
Ints = npt.NDArray[np.int64]

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
    """Sets of mechanisms that spans own: each once, and which one each span has."""

    names: tuple[str, ...]
    sets: tuple[frozenset[str], ...]
    of_span: Codes
    parted: Parted

    def bits(self, names: Sequence[str] | frozenset[str]) -> int:
        """Give the bits of the mechanisms that occur."""
        return sum(1 << k for k, name in enumerate(self.names) if name in names)


@dataclass(frozen=True)
class Book:
    """The rules about spans and pipes in order of id, their columns, and both in numbers."""

    rules: tuple[Rule, ...]
    owned: Owned
    columns: dict[Key, Coded]
    bits: Bits


def rules_of(rulebook: Rulebook) -> tuple[Rule, ...]:
    """Give the rules that spans are held against, in order of id."""
    return tuple(rule for rule in rulebook.rules if rule.about in ("span", "pipe"))


def fits(rulebook: Rulebook) -> bool:
    """Say whether a book can be put into numbers at all."""
    parts: dict[str, list[Part]] = {}
    for rule in rules_of(rulebook):
        both: tuple[Part, ...] = (*rule.when, *rule.limit)
        for part in both:
            parts.setdefault(part.column, []).append(part)
    return all(codable(some) for some in parts.values())


def owned_in(spans: pd.DataFrame) -> Owned | None:
    """Say which mechanisms each span owns; None where there are too many to number."""
    where, texts = parted_texts(spans["mechanisms"])
    sets = tuple(frozenset(part.strip() for part in text.split("+")) - {""} for text in texts)
    names = tuple(sorted(set().union(*sets)))
    if len(names) > MOST_MECHANISMS or len(sets) > MOST_TEXTS:
        return None
    return Owned(names, sets, where.astype(np.int16), (where, texts))


def book_of(rulebook: Rulebook, owned: Owned, spans: pd.DataFrame, pipes: pd.DataFrame) -> Book:
    """Put a rulebook and the columns that it names into numbers.

    Parameters
    ----------
    rulebook
        One that `fits`.
    owned
        As `owned_in` gives it.
    spans, pipes
        As the rules see them: `columns.view_of` adds what lies beside.
    """
    rules = rules_of(rulebook)
    of_span = {str(name).removesuffix("_low") for name in spans.columns}

    def keyed(about: About, parts: Sequence[Part]) -> list[tuple[Key, Part]]:
        reads = [about == "span" and part.column in of_span for part in parts]
        return [
            (Key("span" if own else "pipe", part.column), part)
            for own, part in zip(reads, parts, strict=True)
        ]

    held = keyed("span", OWN_PARTS)
    parts_from = [len(held)]
    for rule in rules:
        held += keyed(rule.about, (*rule.when, *rule.limit))
        parts_from.append(len(held))
    columns, rows, tables = _tables(held, owned, spans, pipes)
    said = [(rule, answer) for rule in rules for answer in range(ANSWERS)]
    held_from = np.cumsum([0, *(column.table.shape[1] for column in columns.values())])
    own = np.array([owned.bits(one) for one in owned.sets], dtype=np.int64)
    applies = _applies(rules, owned, own)
    bits = Bits(
        rows,
        np.array(parts_from, dtype=np.int64),
        np.concatenate(tables),
        _held(parts_from, rows, tables, held_from, STOPS),
        _held(parts_from, rows, tables, held_from, -1),
        held_from,
        np.array([owned.bits(rule.mechanism) for rule in rules], dtype=np.int64),
        np.array(
            [_marks(*one, owned.bits(one[0].mechanism)) for one in said], dtype=np.int64
        ).reshape(-1, GATHERED),
        np.array([_weights(*one) for one in said], dtype=np.int8).reshape(-1, WEIGHTS),
        own,
        applies,
        *_looks(parts_from, rows, applies),
        np.array([owned.bits((name,)) for name in sorted(NEVER_SLEEVE)], dtype=np.int64),
        owned.bits(rulebook.named()),
        sum(1 << STEPS.index(work) for work in UPKEEP),
    )
    return Book(rules, owned, columns, bits)


def _tables(
    held: Sequence[tuple[Key, Part]], owned: Owned, spans: pd.DataFrame, pipes: pd.DataFrame
) -> tuple[dict[Key, Coded], Ints, list[npt.NDArray[np.int8]]]:
    """Code each column once; say for each part its column, and where its answers stand.

    The answers of unlike parts are laid end to end; the last column is which of them it is.
    """
    parts: dict[Key, list[Part]] = {}
    for key, part in held:
        if part not in parts.setdefault(key, []):
            parts[key].append(part)
    ordered = [(key, parts[key]) for key in sorted(parts)]

    def code(one: tuple[Key, list[Part]]) -> Coded:
        key, some = one
        known = owned.parted if key == ("span", "mechanisms") else None
        return coded_column(key, spans if key.table == "span" else pipes, some, known)

    columns = dict(zip(sorted(parts), each(code, ordered, len(spans)), strict=True))
    place: dict[tuple[Key, Part], tuple[int, int, int]] = {}
    tables: list[npt.NDArray[np.int8]] = []
    filled = 0
    for number, (key, some) in enumerate(ordered):
        for part, said in zip(some, columns[key].table, strict=True):
            place[key, part] = (number, filled, len(tables))
            tables.append(_said_bits(said, part))
            filled += len(said)
    rows = np.array([place[one] for one in held], dtype=np.int64)
    return columns, rows, tables


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


def _said_bits(answers: npt.NDArray[np.int8], part: Part) -> npt.NDArray[np.int8]:
    """Write what a part says of each number of its column as bits, to be gathered."""
    unknown = np.where(answers >= KNOWS_NOTHING, BY_BLANK, BY_FIGURE)
    plain = answers & 3
    said = np.select([plain == NO, plain == UNKNOWN], [STOPS, unknown], 0)
    return (said << BY_LIMIT if isinstance(part, Limit) else said).astype(np.int8)


def _held(
    parts_from: Sequence[int],
    rows: Ints,
    tables: Sequence[npt.NDArray[np.int8]],
    held_from: Ints,
    said: int,
) -> npt.NDArray[np.uint64]:
    """Say of each number of each column of which rules it says none of `said`, as bits."""
    out = np.full((words_for(len(parts_from) - 1), held_from[-1]), ~np.uint64(0))
    for rule, (begin, end) in enumerate(pairwise(parts_from)):
        for column, _, which in rows[begin:end]:
            stops = np.flatnonzero(tables[which] & said) + held_from[column]
            out[rule >> 6, stops] &= ~(np.uint64(1) << np.uint64(rule & 63))
    return out


def _applies(rules: Sequence[Rule], owned: Owned, own: Ints) -> npt.NDArray[np.uint64]:
    """Say for each set of mechanisms which rules apply to it, as bits."""
    out = np.zeros((len(own), words_for(len(rules))), dtype=np.uint64)
    for k, rule in enumerate(rules):
        named = owned.bits(rule.mechanism)
        applies = own & named != 0 if rule.mechanism else own >= 0
        out[applies, k >> 6] |= np.uint64(1) << np.uint64(k & 63)
    return out


def _looks(
    parts_from: Sequence[int], rows: Ints, applies: npt.NDArray[np.uint64]
) -> tuple[Ints, Ints]:
    """Say which columns the rules of each set of mechanisms look at, word by word."""
    words = applies.shape[1]
    columns = int(rows[:, 0].max(initial=0)) + 1
    named = np.zeros((64 * words, columns), dtype=bool)
    for rule, (begin, end) in enumerate(pairwise(parts_from)):
        named[rule, rows[begin:end, 0]] = True
    bits = np.unpackbits(applies.view(np.uint8), axis=1, bitorder="little").astype(bool)
    looks = [
        (bits[:, 64 * w : 64 * w + 64].astype(np.int64) @ named[64 * w : 64 * w + 64]) > 0
        for w in range(words)
    ]
    both = np.stack(looks, axis=1).reshape(-1, columns)
    ends = np.cumsum([0, *both.sum(axis=1)]).astype(np.int64)
    return np.nonzero(both)[1].astype(np.int64), ends
