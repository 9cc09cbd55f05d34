"""A rulebook, and the columns that it names, in the numbers that `rule_kernel` walks."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt

from planner.contracts import SPANS
from planner.contracts.repairs import STEPS
from planner.screening.alike import room_for
from planner.screening.column_codes import (
    GROWING,
    MOST_KNOWN,
    NOTHING_KNOWN,
    CodedColumn,
    Key,
    Numbering,
    Part,
    Said,
    Things,
    codable,
    read_by,
)
from planner.screening.columns import BESIDE, About
from planner.screening.margins import LENT
from planner.screening.met import Met
from planner.screening.parted_texts import Parted, parted_in
from planner.screening.rule_kernel import (
    ANSWERS,
    GATHERED,
    PLANES,
    WEIGHTS,
    YES,
    Bits,
)  # fmt: skip
from planner.screening.rule_marks import marks_of, weights_of
from planner.screening.rule_text import Clause, Rule
from planner.screening.rulebook import Rulebook
from planner.screening.verdict import UPKEEP
from planner.screening.wording import NEVER_SLEEVE

Codes = npt.NDArray[np.int16]
Ints = npt.NDArray[np.int64]
Words = npt.NDArray[np.uint64]

NOTHING_SAID = Said(np.zeros((0, 0), dtype=np.int8), np.zeros((0, 0, PLANES), dtype=np.uint64))
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


# What was said of so many mixtures of sets and columns is kept in mind.
MOST_MIXED = 8
IN_SPANS = frozenset(name.removesuffix("_low") for name in SPANS.names) | frozenset(BESIDE["span"])


@dataclass(frozen=True)
class Owned:
    """Mechanisms that spans may own: all names, and each set of them that was met, in bits."""

    names: tuple[str, ...]
    sets: Ints


@dataclass(frozen=True)
class Book:
    """The rules about spans and pipes in order of id, their columns, and both in numbers.

    `sets` is the number of the set of mechanisms that each span owns, read as a column is; `lent`
    has the texts of what is lent to spans, and `told_apart` is as in `alike.Known`. In `met` lies
    what is known of spans with these numbers from before.
    """

    rules: tuple[Rule, ...]
    owned: Owned
    columns: dict[Key, CodedColumn]
    sets: CodedColumn
    lent: Parted
    bits: Bits
    told_apart: Words
    met: list[Met]


@dataclass(frozen=True)
class _Sets:
    """The sets of mechanisms that were met so far, and the number of each text and set.

    `born` stays the same for as long as no number is given anew.
    """

    of_text: dict[str, int]
    of_bits: dict[int, int]
    owned: Owned
    born: object


class Lines:
    """What the rules alone say in numbers: made once of a book, whatever it is held against.

    `names` are all mechanisms, in the order of their bits. It hangs on the rules alone; of texts
    it keeps in mind those that it has met.
    """

    def __init__(self, rulebook: Rulebook, names: tuple[str, ...]) -> None:
        """Take a book that `fits`."""
        self.rules = rules_of(rulebook)
        self.names = names
        self._bits = {name: 1 << k for k, name in enumerate(names)}
        self._sets = _Sets({}, {}, Owned(names, np.zeros(0, dtype=np.int64)), object())
        self._met: dict[tuple[object, ...], list[Met]] = {}
        self._mixed: dict[tuple[int, ...], tuple[Bits, Words, list[object]]] = {}
        self.masks = np.array([self.bits(rule.mechanism) for rule in self.rules], dtype=np.int64)
        said = [(rule, answer) for rule in self.rules for answer in range(ANSWERS)]
        marks = [marks_of(rule, answer, self.bits(rule.mechanism)) for rule, answer in said]
        self.marks = np.array(marks, dtype=np.int64).reshape(-1, GATHERED)
        weights = [weights_of(*one) for one in said]
        self.weights = np.array(weights, dtype=np.int8).reshape(-1, WEIGHTS)
        self.never = np.array([self.bits((name,)) for name in sorted(NEVER_SLEEVE)], dtype=np.int64)
        self.named = self.bits(rulebook.named())
        self._place_parts()

    def bits(self, names: Sequence[str] | frozenset[str]) -> int:
        """Give the bits of those mechanisms that have one."""
        return sum(bit for name, bit in self._bits.items() if name in names)

    def _place_parts(self) -> None:
        """Find the column of each part of each rule."""

        def keyed(about: About, part: Part) -> Key:
            own = about == "span" and part.column in IN_SPANS
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
        self.texts = [key for key, one in self.numberings.items() if one.is_text]
        self.of_pipes = sum(key.table == "pipe" for key in keys)

    def knows(self, texts: Sequence[str]) -> bool:
        """Tell whether all these texts of mechanisms were met before."""
        return all(text in self._sets.of_text for text in texts)

    def owned(self, parted: Parted) -> tuple[Owned, CodedColumn]:
        """Say which set of mechanisms each span owns; the column is born with the numbers."""
        known = self._sets
        if not all(text in known.of_text for text in parted.texts):
            more = self._having(known, parted.texts)
            with GROWING:
                if self._sets is known:
                    self._sets = more
                # Another thread has given the same numbers to sets of its own meanwhile.
                known = more if self._sets is more else replace(more, born=object())
        numbers = np.array([known.of_text[text] for text in parted.texts], dtype=np.int16)
        return known.owned, CodedColumn(NOTHING_SAID, *read_by(parted, numbers), born=known.born)

    def _having(self, known: _Sets, texts: Sequence[str]) -> _Sets:
        """Give numbers to more sets; what is known already stays, for others may hold it."""
        full = len(known.of_text) > MOST_KNOWN
        of_text = {} if full else dict(known.of_text)
        of_bits = {} if full else dict(known.of_bits)
        for text in texts:
            if text not in of_text:
                bits = self.bits(_mechanisms_in(text))
                of_text[text] = of_bits.setdefault(bits, len(of_bits))
        owned = Owned(self.names, np.array(list(of_bits), dtype=np.int64))
        return _Sets(of_text, of_bits, owned, object() if full else known.born)

    def mixed(self, owned: Owned, columns: Mapping[Key, CodedColumn]) -> tuple[Bits, Words]:
        """Give all that is said in numbers, and what rows are told apart by (`Book`)."""
        said = [one.said for one in columns.values()]
        # Whatever has one of these numbers is kept beside, so that no other thing gets it.
        what = (id(owned), *map(id, said), *(one.fixed for one in columns.values()))
        known = self._mixed.get(what)
        if known is None:
            for first in list(self._mixed)[: 1 - MOST_MIXED]:
                self._mixed.pop(first, None)
            bits = _bits_of(self, owned, columns)
            known = self._mixed[what] = bits, _told_apart(self, bits), [owned, *said]
        return known[0], known[1]

    def met(self, columns: Iterable[CodedColumn]) -> list[Met]:
        """Give where that lies which is known of spans that these columns number so.

        What all spans say alike is not among the numbers of a span.
        """
        what = tuple(part for one in columns for part in (one.born, one.fixed))
        if what not in self._met:
            for first in list(self._met)[: 1 - MOST_MIXED]:
                self._met.pop(first, None)
        return self._met.setdefault(what, [])

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


def lines_of(rulebook: Rulebook, mechanisms: Sequence[str]) -> Lines | None:
    """Give what a book says in numbers, for spans that own these mechanisms, as texts.

    None where there are too many mechanisms to number.
    """
    if len(mechanisms) > MOST_TEXTS:
        return None
    last: list[Lines] = rulebook.made("last lines", list)
    for one in last:
        if one.knows(mechanisms):
            return one
    here = frozenset[str]().union(*map(_mechanisms_in, mechanisms))
    named = rulebook.made("mechanisms", lambda: _all_named(rulebook))
    names = here | named if len(here | named) <= MOST_MECHANISMS else here
    if len(names) > MOST_MECHANISMS:
        return None
    ordered = tuple(sorted(names))
    made = rulebook.made(ordered, lambda: Lines(rulebook, ordered))
    last[:] = [made]
    return made


def _all_named(rulebook: Rulebook) -> frozenset[str]:
    named = frozenset(name for rule in rules_of(rulebook) for name in rule.mechanism)
    return named | frozenset(NEVER_SLEEVE)


def book_of(rulebook: Rulebook, spans: Things, pipes: Things) -> Book | None:
    """Put a rulebook and the columns that it names into numbers.

    Parameters
    ----------
    rulebook
        One that `fits`.
    spans, pipes
        As the rules see them, with what lies beside.

    Returns
    -------
    book
        None where spans own too many mechanisms to number.
    """
    mechanisms, lent = Key("span", "mechanisms"), Key("span", "lent")
    given = parted_in(spans.held, [mechanisms.name, lent.name])
    parted = {key: given[key.name] for key in (mechanisms, lent)}
    lines = lines_of(rulebook, parted[mechanisms].texts)
    if lines is None:
        return None
    tables: Mapping[About, Things] = {"span": spans, "pipe": pipes}
    for about, table in tables.items():
        texts = [key for key in lines.texts if key.table == about and key not in parted]
        found = parted_in(table.held, [key.name for key in texts])
        parted |= {key: found[key.name] for key in texts}
    columns = {
        key: one.coded(tables[key.table], parted.get(key)) for key, one in lines.numberings.items()
    }
    owned, sets = lines.owned(parted[mechanisms])
    met = lines.met([*columns.values(), sets])
    return Book(lines.rules, owned, columns, sets, parted[lent], *lines.mixed(owned, columns), met)


def _bits_of(lines: Lines, owned: Owned, columns: Mapping[Key, CodedColumn]) -> Bits:
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
        len(columns),
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


def _told_apart(lines: Lines, bits: Bits) -> Words:
    """Say by which columns the spans of each set of mechanisms are told apart, as `alike.Known`.

    By those that one of their rules names, those of the parts that no rule has, and by the
    columns that no rule knows: the set, and what an assumed extent lends.
    """
    named = (bits.applies[:, None, :] & lines.naming != 0).any(axis=2)
    marks = np.zeros((len(bits.owned), room_for(bits.set_at + 2)), dtype=np.int16)
    marks[:, : bits.set_at][named] = -1
    marks[:, bits.parts[:, 0]] = -1
    marks[:, bits.set_at : bits.set_at + 2] = -1
    return marks.view(np.uint64)


def _same_throughout(key: Key, column: CodedColumn) -> bool:
    """Tell whether all spans say the same in a column, and go on to where nothing is lent."""
    lent = key.name in (*LENT, "lent")
    return column.fixed >= 0 and (not lent or column.fixed == NOTHING_KNOWN)


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
