"""How far verdicts judged in numbers are from others: `margins` for a city."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from planner.coded_text import Coded, Columns
from planner.contracts.verdicts import SPAN_QUANTITIES, VERDICT_WORDS
from planner.screening.coded import JudgedSpans, in_parts, room
from planner.screening.column_codes import Key, floats
from planner.screening.flip_kernel import flip_rows
from planner.screening.flip_tables import (
    STANDS_AT,
    Asked,
    Figures,
    Flips,
    Paths,
    Span,
    Task,
    Unlike,
)
from planner.screening.margins import LENT, TIED, columns_of, cuts_in
from planner.screening.met import lay_back
from planner.screening.rule_bits import Book, words_for
from planner.screening.rule_kernel import OUT_MENDED, OUT_VERDICT, PLANES, TOTALS, Codes
from planner.screening.rulebook import Rulebook
from planner.screening.scattered import scattered_in

Numbers = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Words = npt.NDArray[np.uint64]

_NAMES = list(SPAN_QUANTITIES)
# What was asked of unlike spans is kept where it takes no more than this [bytes].
_MOST_KEPT = 1 << 24
# Ways of figures with their shares that are kept: of so many sizes of pipe, a few each.
_PATHS = 256


def flips_of(coded: JudgedSpans, rulebook: Rulebook) -> Flips:
    """Find the nearest flip of each verdict, in numbers.

    Parameters
    ----------
    coded
        What was judged.
    rulebook
        The book that it was held against.
    """
    count, book = len(coded), coded.book
    columns = tuple(book.columns)
    figures = rulebook.made(("figures", columns), lambda: _figures(book, rulebook))
    flips = Flips(
        np.empty(count, dtype=np.int8),
        np.empty(count, dtype=np.int8),
        np.empty(count, dtype=np.int8),
        np.empty(count),
        np.empty(count),
    )
    ends = _ends_of(coded)
    if coded.alike is not None:
        said, of_row = _unlike(book, coded.alike.codes, coded.said.codes), coded.alike.of_row
        met = coded.alike.met.pop() if coded.alike.met else None
        asked = _asked_of(len(said.verdict), figures, met.asked if met else None)
        flip_rows(_task(book, figures, said, ends.of(of_row, 0), flips, asked))
        if met:
            met.asked = asked
            lay_back(met, book.met)
        return flips

    def flip(start: int, stop: int) -> None:
        task = None
        for begin, end, codes in coded.reader.parts(start, stop):
            unlike = _unlike(book, codes, coded.said.codes[begin:end])
            spans = ends.of(np.arange(end - begin, dtype=np.int32), begin)
            task = task or _task(book, figures, unlike, spans, flips, _asked_of(1, figures))
            flip_rows(task._replace(unlike=unlike, spans=spans, flips=flips.part(begin, end)))

    in_parts(count, flip)
    return flips


def _unlike(book: Book, codes: Codes, said: npt.NDArray[np.int8]) -> Unlike:
    """Give unlike spans by their numbers and what was said of them."""
    lent = codes[: len(said), book.bits.set_at + 1]
    wanted = np.where(said[:, OUT_MENDED] == 0, 1 + 2 * lent, 0)
    verdict = np.ascontiguousarray(said[:, OUT_VERDICT])
    return Unlike(codes, verdict, wanted.astype(np.int8))


def _task(
    book: Book, figures: Figures, unlike: Unlike, spans: Span, flips: Flips, asked: Asked
) -> Task:
    """Give all that the walk needs."""
    return Task(
        spans, unlike, asked, _paths(figures), figures, book.bits, flips, room(book),
        np.empty(unlike.codes.shape[1], dtype=np.int16),
        np.empty(TOTALS, dtype=np.int64),
        np.empty((words_for(len(book.rules)), PLANES), dtype=np.uint64),
        np.empty(STANDS_AT, dtype=np.int64),
        np.empty(1),
    )  # fmt: skip


def _asked_of(rows: int, figures: Figures, before: Asked | None = None) -> Asked:
    """Give room for what so many unlike spans are asked, with what they were asked before.

    Where that is too much, for one of them at a time.
    """
    if rows * int(figures.verdicts_from[-1]) > _MOST_KEPT:
        rows, before = 1, None
    if before is not None and len(before.whose) >= rows:
        return before
    asked = Asked(
        np.full(rows, -1, dtype=np.int64),
        np.empty(rows, dtype=np.int64),
        np.empty((rows, figures.verdicts_from[-1]), dtype=np.int8),
        np.empty((rows, len(figures.facts)), dtype=np.uint64),
        np.empty((rows, len(figures.facts), words_for(_steps(figures))), dtype=np.uint64),
    )
    for name, known in before._asdict().items() if before else ():
        getattr(asked, name)[: len(known)] = known
    return asked


def _steps(figures: Figures) -> int:
    """Give how many steps the longest way of a figure can have."""
    return 3 * int((np.diff(figures.cuts_from) + np.diff(figures.ratio_from)).max()) + 1


def margins_in_words(flips: Flips) -> Columns:
    """Put flips into words: the columns of `VERDICTS` that `margins.margins_of` gives otherwise."""
    figure = flips.figure.astype(np.int32)
    to = np.where(figure < 0, -1, flips.to).astype(np.int32)
    return {
        "close_call": flips.close != 0,
        "flip_column": Coded.listing([*_NAMES, ""], figure),
        "flip_at": flips.at,
        "flip_by": flips.by,
        "flip_unit": Coded.listing([*SPAN_QUANTITIES.values(), ""], figure),
        "flip_to": Coded.listing([*VERDICT_WORDS, ""], to),
    }


def _paths(figures: Figures) -> Paths:
    """Give room for ways of figures, and the one step of what is lent."""
    lent, rows = len(_NAMES), len(figures.facts) + _PATHS
    steps = _steps(figures)
    paths = Paths(
        np.full(rows, -1, dtype=np.int64),
        np.empty(rows),
        np.empty(rows, dtype=np.int64),
        np.empty((rows, steps)),
        np.empty((rows, steps)),
        np.empty((rows, steps), dtype=np.int64),
    )
    paths.figure[lent], paths.per_mm[lent], paths.steps[lent] = lent, np.nan, 1
    paths.places[lent, 0] = figures.verdicts_from[lent]
    return paths


class _Ends(NamedTuple):
    """Least and most of each figure: where they lie in memory, and the arrays, kept till then."""

    low: Ints
    high: Ints
    at: Ints
    known: Ints
    kept: list[npt.NDArray[Any]]

    def of(self, of_row: npt.NDArray[np.int32], begin: int) -> Span:
        """Give spans with these figures, for one walk."""
        reached = np.zeros_like(self.known)
        return Span(of_row, begin, self.low, self.high, self.at, self.known, reached)


def _ends_of(coded: JudgedSpans) -> _Ends:
    """Find least and most of each figure; 0 = known of no span."""
    low, high, at, known = np.zeros((4, len(_NAMES) + 1), dtype=np.int64)
    ends = _Ends(low, high, at, known, [])
    for figure, name in enumerate(_NAMES):
        names = f"{name}_low", f"{name}_high"
        if not any(map(coded.spans.has, names)):
            continue
        some = scattered_in(coded.spans, name)
        if some and not len(some.at):
            continue
        both = some.ends if some else [floats(coded.spans, end) for end in names]
        ends.low[figure], ends.high[figure] = (one.ctypes.data for one in both)
        ends.kept.extend(both)
        if some:
            ends.at[figure], ends.known[figure] = some.at.ctypes.data, len(some.at)
            ends.kept.append(some.at)
    return ends


def _figures(book: Book, rulebook: Rulebook) -> Figures:
    """Say where the rules cut each figure, and which rules name it."""
    numbers = {key: number for number, key in enumerate(book.columns)}
    mains = {ratio: main for main, ratio in TIED.items()}
    facts, moved = [], np.zeros((len(_NAMES) + 1, words_for(len(book.rules))), dtype=np.uint64)
    for figure, name in enumerate(_NAMES):
        ratio = TIED.get(name, "")
        facts.append(
            [
                numbers.get(Key("span", name), -1),
                numbers.get(Key("span", ratio), -1),
                _NAMES.index(ratio) if ratio else -1,
                _NAMES.index(mains[name]) if name in mains else -1,
            ]
        )
        for k, rule in enumerate(book.rules):
            if rule.about == "span" and {name, ratio} & columns_of(rule):
                moved[figure, k >> 6] |= np.uint64(1) << np.uint64(k & 63)
    cuts = [cuts_in(rulebook, name) for name in _NAMES]
    none = np.zeros(0)
    ratios = [cuts_in(rulebook, TIED[name]) if name in TIED else none for name in _NAMES]
    bands = [column.cuts for column in book.columns.values()]
    lent = [Key("span", name) for name in (*LENT, "lent")]
    lent = [key for key in lent if key in numbers]
    wide = [1 if n < 0 else 2 * len(bands[n]) + 1 for fact in facts for n in fact[:2]]
    verdicts = [
        own * (share + 1 if name in TIED else 1)
        for name, own, share in zip(_NAMES, wide[::2], wide[1::2], strict=True)
    ]
    return Figures(
        np.array([*facts, [-1, -1, -1, -1]], dtype=np.int64),
        *_end_to_end(cuts),
        *_end_to_end(ratios),
        *_end_to_end(bands),
        moved,
        np.array([numbers[key] for key in lent], dtype=np.int64),
        np.cumsum([0, *verdicts, 1]),
    )


def _end_to_end(parts: list[Numbers]) -> tuple[Numbers, Ints]:
    ends = np.cumsum([0, *(len(part) for part in parts)])
    return np.concatenate(parts), ends.astype(np.int64)
